"""Heat and reactions of a curing sphere through time: finite volumes and TR-BDF2, compiled.

Cells are shells of equal thickness. What is kept in each is the enthalpy at the state without
reaction, E = c0 T + c1 T^2 / 2 - q X: a reaction moves heat within it, so only the faces change it
and the balance is exact to rounding. Peroxides have D = the integral of k dt, of which exp(-D) is
left; the co-agent has Y = -ln(1 - X).

TR-BDF2: Bank et al. 1985, IEEE Trans. Electron Devices 32, 1992, as the one-step method of Hosea
and Shampine 1996, Appl. Numer. Math. 20, 21: second order, L-stable, with an error of third order.
"""

import numpy as np

from layers.arrays import FloatArray
from layers.numerics.machine_code import njit

_ZERO_CELSIUS, _REFERENCE = 273.15, 433.15
_GAMMA = 2.0 - np.sqrt(2.0)
_W, _D = np.sqrt(2.0) / 4.0, 1.0 - np.sqrt(2.0) / 2.0
_ERROR = ((4.0 * _W - 1.0) / 3.0, -1.0 / 3.0, 2.0 * _D / 3.0)
# Newton's iterations of a stage, the change of temperature that ends them, K, the first step, s,
# and the error of a share of co-agent or peroxide that counts as a kelvin's.
_ITERATIONS, _CLOSE, _FIRST_STEP, _SHARE = 12, 1e-7, 1e-3, 0.01
# Shortest step, s, and largest growth from one to the next.
_SHORTEST, _GROWTH = 1e-9, 4.0


# heat (3,): c0, J/(m3 K), c1, J/(m3 K2), q, J/m3; law (2,): kappa at 160 degrees Celsius,
# (kg/(mol s))^0.5, its energy over the gas constant, K; chemistry (3, m): rate constants at 160
# degrees Celsius, 1/s, their energies over the gas constant, K, radicals, mol/kg; faces (2, cells):
# conductance of the outer face and volume, both over 4 pi.
Body = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
# Of the cells: of E (cells,), of D (m, cells), of Y (cells,).
Fields = tuple[FloatArray, FloatArray, FloatArray]


@njit()
def _reactions(
    temperature: float, at: int, step: float, base: Fields, body: Body, rates: FloatArray
) -> tuple[float, float]:
    """Rates of cell `at` at the end of an implicit step from `base`.

    The peroxides' go to `rates`; returned are that of Y, and its slope over temperature.
    """
    law, chemistry = body[1], body[2]
    kelvin = temperature + _ZERO_CELSIUS
    inverse = 1.0 / kelvin - 1.0 / _REFERENCE
    flow, slope = 1e-300, 0.0
    for j in range(chemistry.shape[1]):
        k = chemistry[0, j] * np.exp(-chemistry[1, j] * inverse)
        rates[j, at] = k
        own = chemistry[2, j] * k * np.exp(-base[1][j, at] - step * k)
        flow += own
        slope += own * chemistry[1, j] / kelvin**2 * (1.0 - step * k)
    speed = law[0] * np.exp(-law[1] * inverse) * np.sqrt(flow)
    return speed, speed * (law[1] / kelvin**2 + 0.5 * slope / flow)


@njit()
def _conduct(temperature: FloatArray, outside: float, faces: FloatArray, gain: FloatArray) -> float:
    """Heat that cells gain by conduction, W/m3; returns that through the surface, over 4 pi."""
    inward = 0.0
    last = len(temperature) - 1
    for i in range(last + 1):
        beyond = temperature[i + 1] if i < last else outside
        through = faces[0, i] * (beyond - temperature[i])
        gain[i] = (through - inward) / faces[1, i]
        inward = through
    return inward


@njit()
def _stage(
    temperature: FloatArray, outside: float, step: float, base: Fields, body: Body, found: Fields
) -> float:
    """Solve y = base + step f(y) by Newton's method for the temperatures; f goes to `found`.

    Returns the heat through the surface, W over 4 pi; infinite if it does not converge.
    """
    heat, faces = body[0], body[3]
    count = len(temperature)
    upper, right = np.empty(count), np.empty(count)
    for _ in range(_ITERATIONS):
        surface = _conduct(temperature, outside, faces, found[0])
        inner = 0.0
        for i in range(count):
            t = temperature[i]
            found[2][i], slope = _reactions(t, i, step, base, body, found[1])
            left = np.exp(-base[2][i] - step * found[2][i])
            outer = faces[0, i] * step / faces[1, i]
            inner = faces[0, i - 1] * step / faces[1, i] if i > 0 else 0.0
            diagonal = heat[0] + (heat[1] * t) - heat[2] * left * step * slope + outer + inner
            miss = base[0][i] + step * found[0][i] + heat[2] * (1.0 - left)
            miss -= (heat[0] + 0.5 * heat[1] * t) * t
            if i > 0:  # eliminate the cell inside
                diagonal -= inner * upper[i - 1]
                miss += inner * right[i - 1]
            upper[i] = outer / diagonal
            right[i] = miss / diagonal
        change, most = 0.0, 0.0
        for i in range(count - 1, -1, -1):
            change = right[i] + (upper[i] * change if i < count - 1 else 0.0)
            temperature[i] += change
            most = max(most, abs(change))
        if most < _CLOSE:
            return surface
        if not most < 1e4:
            break
    return np.inf


@njit()
def _blend(out: Fields, state: Fields, a: float, first: Fields, b: float, second: Fields) -> None:
    """Set out = state + a first + b second, field by field."""
    out[0][:] = state[0] + a * first[0] + b * second[0]
    out[1][:] = state[1] + a * first[1] + b * second[1]
    out[2][:] = state[2] + a * first[2] + b * second[2]


@njit()
def _worst(
    step: float, temperature: FloatArray, state: Fields, heat: FloatArray, f: tuple[Fields, ...]
) -> float:
    """Error of a step, K, from its three stages: of heat, and of co-agent as heat and as share."""
    first, second, third = f
    energy = _ERROR[0] * first[0] + _ERROR[1] * second[0] + _ERROR[2] * third[0]
    log = _ERROR[0] * first[2] + _ERROR[1] * second[2] + _ERROR[2] * third[2]
    worst = 0.0
    for i in range(len(temperature)):
        share = step * abs(log[i]) * np.exp(-state[2][i])
        kelvin = step * abs(energy[i]) + heat[2] * share
        worst = max(worst, kelvin / (heat[0] + heat[1] * temperature[i]), share / _SHARE)
    return worst


@njit()
def _fields(m: int, cells: int) -> Fields:
    return np.zeros(cells), np.zeros((m, cells)), np.zeros(cells)


@njit()
def _start(start: FloatArray, body: Body) -> Fields:
    """Return the fields of stock that is even: its temperature, Y, and D of its peroxides."""
    heat, chemistry, faces = body[0], body[2], body[3]
    state = _fields(chemistry.shape[1], faces.shape[1])
    state[2][:] = start[1]
    for j in range(chemistry.shape[1]):
        state[1][j] = start[2 + j]
    warm = (heat[0] + 0.5 * heat[1] * start[0]) * start[0]
    state[0][:] = warm - heat[2] * (1.0 - np.exp(-start[1]))
    return state


@njit()
def _advance(
    temperature: FloatArray,
    outside: float,
    rise: float,
    step: float,
    state: Fields,
    base: Fields,
    body: Body,
    stages: tuple[Fields, Fields, Fields],
) -> float:
    """Try a step: the temperatures are replaced, the fields at its end go to `base`.

    Returns the mean heat through the surface, W over 4 pi; infinite if a stage does not converge.
    """
    first, second, third = stages
    flow = _conduct(temperature, outside, body[3], first[0])
    for i in range(len(temperature)):
        first[2][i], _ = _reactions(temperature[i], i, 0.0, state, body, first[1])
    own = _D * step
    _blend(base, state, own, first, 0.0, first)
    middle = _stage(temperature, outside + rise * _GAMMA * step, own, base, body, second)
    if middle == np.inf:
        return np.inf
    _blend(base, state, _W * step, first, _W * step, second)
    last = _stage(temperature, outside + rise * step, own, base, body, third)
    _blend(base, base, own, third, 0.0, third)
    return float(_W * (flow + middle) + _D * last)


@njit()
def _left(state: Fields, chemistry: FloatArray) -> FloatArray:
    """Share of the radicals still to come, over all peroxides."""
    left = np.zeros(state[1].shape[1])
    for j in range(chemistry.shape[1]):
        left += chemistry[2, j] * np.exp(-state[1][j])
    left /= np.sum(chemistry[2])
    return left


@njit(cache=True)
def march(
    legs: FloatArray,
    start: FloatArray,
    body: Body,
    conductance: float,
    tolerance: float,
    most: int,
) -> tuple[int, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Follow a sphere through the legs of its cycle.

    Parameters
    ----------
    legs : (4, k) array
        End, s; temperature outside at start and end, degrees Celsius; heat transfer times the
        surface over 4 pi, W/K.
    start : (2 + m,) array
        Temperature of the stock, its Y, and D of its peroxides.
    body : tuple of arrays
        See `Body`.
    conductance : float
        From the outermost cell's middle to the surface, over 4 pi, W/K.
    tolerance : float
        Error of a step, K.
    most : int
        Steps of time at which to give up.

    Returns
    -------
    steps : int
        How many there are; negative if the march failed.
    line : (3, most) array
        Time, s; temperature outside; heat taken in, J over 4 pi.
    temperature, left, conversion : (most, cells) array
        At each: degrees Celsius, share of the peroxides' radicals still to come, X.
    """
    chemistry, faces = body[2], body[3]
    m, cells = chemistry.shape[1], faces.shape[1]
    state, base = _start(start, body), _fields(m, cells)
    stages = (_fields(m, cells), _fields(m, cells), _fields(m, cells))
    temperature = np.full(cells, start[0])
    line = np.empty((3, most))
    told = (np.empty((most, cells)), np.empty((most, cells)), np.empty((most, cells)))
    time, taken, number = 0.0, 0.0, 0
    for leg in range(legs.shape[1]):
        began, end = time, legs[0, leg]
        faces[0, cells - 1] = 1.0 / (1.0 / legs[3, leg] + 1.0 / conductance)
        rise = (legs[2, leg] - legs[1, leg]) / (end - began)
        step = _FIRST_STEP
        while time < end:
            step = min(step, end - time)
            outside = legs[1, leg] + rise * (time - began)
            guess = temperature.copy()
            flow = _advance(guess, outside, rise, step, state, base, body, stages)
            worst = np.inf
            if flow < np.inf:
                worst = _worst(step, guess, base, body[0], stages) / tolerance
            grown = step * min(_GROWTH, max(0.2, 0.9 * max(worst, 1e-6) ** (-1.0 / 3.0)))
            if worst > 1.0:
                step = grown
                if step < _SHORTEST:
                    return -2, line, told[0], told[1], told[2]
                continue
            if number == most:
                return -1, line, told[0], told[1], told[2]
            _blend(state, base, 0.0, base, 0.0, base)
            temperature[:] = guess
            time = end if step >= end - time else time + step
            taken += step * flow
            line[0, number], line[1, number], line[2, number] = time, outside + rise * step, taken
            told[0][number] = temperature
            told[1][number] = _left(state, chemistry)
            told[2][number] = 1.0 - np.exp(-state[2])
            number += 1
            step = grown
    return number, line, told[0], told[1], told[2]
