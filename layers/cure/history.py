"""The cure of one core: temperature, conversion and crosslinks over radius and time."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.cure.cycle import Cycle, legs_of
from layers.cure.law import Law, doses_before
from layers.cure.march import Body, march
from layers.cure.stock import Stock
from layers.errors import InputError, SolverError

# Shells of a profile, error of a step, K, and steps of time at which to give up.
POINTS, _TOLERANCE, _MOST_STEPS = 200, 0.01, 5000
# Crosslink index at which stock has scorched: the rise of 5 % at which a curemeter's scorch time is
# read (common practice).
SCORCHED = 0.05
# Peroxide that may be left at demoulding, five half-lives, and temperature above which
# polybutadiene degrades; from memory.
PEROXIDE_LEFT, HOTTEST_CELSIUS = 0.03, 210.0


@dataclass(frozen=True)
class Scorch:
    """How far the stock is gone when the mould closes.

    Attributes
    ----------
    index : float
        Highest crosslink index then; the stock has scorched at `SCORCHED`.
    celsius, radius_mm : float
        Temperature and place of that stock.
    before : float
        The index before the stock was in the mould.
    minutes_left : float
        Time that the stock could stay in the open mould until it scorches; infinite if it never
        does within the cycle.
    """

    index: float
    celsius: float
    radius_mm: float
    before: float
    minutes_left: float


@dataclass(frozen=True)
class History:
    """What a cycle does to a core.

    Attributes
    ----------
    stock, cycle : Stock, Cycle
        What was cured, how.
    radius_mm : (n,) array
        Middles of the shells, from the centre.
    outer_mm : float
        Radius of the core as moulded.
    minutes, outside_c : (k,) array
        Time from the preform's going into the mould; temperature of platen, then of air or water.
    temperature_c, left, conversion : (k, n) array
        Temperature; share of the peroxide's radicals still to come; share of the co-agent that has
        polymerised.
    taken_in_j : (k,) array
        Heat through the surface until then.
    """

    stock: Stock
    cycle: Cycle
    law: Law
    radius_mm: FloatArray
    outer_mm: float
    minutes: FloatArray
    outside_c: FloatArray
    temperature_c: FloatArray
    left: FloatArray
    conversion: FloatArray
    taken_in_j: FloatArray

    @property
    def crosslink_index(self) -> FloatArray:
        """Crosslinks over those of complete cure, (k, n).

        A mole of polymerised co-agent and a mole of decomposed peroxide groups count as one each:
        the index compares states of one recipe, not recipes.
        """
        return self._index(self.conversion, self.left)

    def _index(self, conversion: FloatArray, left: FloatArray) -> FloatArray:
        groups = float(self.stock.radicals.sum()) / 2.0
        made = self.stock.bridges * conversion + groups * (1.0 - left)
        return np.asarray(made / (self.stock.bridges + groups))

    @property
    def demoulded(self) -> int:
        """Number of the state at demoulding."""
        return int(np.searchsorted(self.minutes, self.cycle.minutes - 1e-9))

    @property
    def closed(self) -> int:
        """Number of the first state at or after the closing of the mould."""
        return int(np.searchsorted(self.minutes, self.cycle.open_minutes - 1e-9))

    @property
    def peak(self) -> tuple[float, float, float]:
        """Highest temperature, degrees Celsius, its radius, mm, and its time, min."""
        when, where = np.unravel_index(int(self.temperature_c.argmax()), self.temperature_c.shape)
        hottest = float(self.temperature_c[when, where])
        return hottest, float(self.radius_mm[where]), float(self.minutes[when])

    def scorch(self) -> Scorch:
        """Return how far the stock is gone when the mould closes."""
        dose, log = doses_before(self.stock, self.cycle, self.law)
        radicals = self.stock.radicals
        left = float(radicals @ np.exp(-dose) / radicals.sum())
        before = float(self._index(np.array(1.0 - np.exp(-log)), np.array(left)))
        most = self.crosslink_index.max(axis=1)
        gone = np.flatnonzero(most >= SCORCHED)
        late = float(self.minutes[gone[0]]) if len(gone) else np.inf
        if self.cycle.open_minutes == 0.0:
            return Scorch(before, self.cycle.preform_celsius, self.outer_mm, before, late)
        k = self.closed
        where = int(self.crosslink_index[k].argmax())
        return Scorch(
            index=float(most[k]),
            celsius=float(self.temperature_c[k, where]),
            radius_mm=float(self.radius_mm[where]),
            before=before,
            minutes_left=0.0 if before >= SCORCHED else late,
        )

    def flags(self) -> tuple[str, ...]:
        """Say what is wrong with the cycle: scorch, heat after demoulding, peroxide left."""
        found = []
        scorch = self.scorch()
        if scorch.before >= SCORCHED:
            past = ", ".join(f"{h.celsius:g} C for {h.minutes:g} min" for h in self.cycle.before)
            found.append(
                f"scorched before it is in the mould: {past} give a crosslink index of "
                f"{scorch.before:.2f}, the limit is {SCORCHED:g}"
            )
        elif scorch.index >= SCORCHED:
            found.append(
                f"scorched before the mould is closed: after {self.cycle.open_minutes:g} min in "
                f"the open mould the index is {scorch.index:.2f} at {scorch.celsius:.0f} C, the "
                f"limit is {SCORCHED:g}; close within {scorch.minutes_left:.1f} min"
            )
        hottest, _, when = self.peak
        if when > self.cycle.minutes + 1e-6:
            found.append(
                f"hottest after demoulding: {hottest:.0f} C at {when:.1f} min, without pressure; "
                "cure for longer"
            )
        rest = float(self.left[self.demoulded].max())
        if rest > PEROXIDE_LEFT:
            found.append(
                f"{100.0 * rest:.0f} % of the peroxide is left at demoulding where most is, the "
                f"usual limit is {100.0 * PEROXIDE_LEFT:g} %"
            )
        if hottest > HOTTEST_CELSIUS:
            found.append(
                f"{hottest:.0f} C is above {HOTTEST_CELSIUS:g} C, where the rubber degrades"
            )
        return tuple(found)

    def heat_balance(self) -> tuple[float, float, float]:
        """Return heat stored at the end, through the surface, and of polymerisation, J.

        The first is the sum of the others, but for rounding.
        """
        edge = np.linspace(0.0, 1e-3 * self.outer_mm, len(self.radius_mm) + 1)
        volume = 4.0 / 3.0 * np.pi * np.diff(edge**3)
        stock, t = self.stock, self.temperature_c[-1]
        start = self.cycle.preform_celsius

        def enthalpy(celsius: FloatArray | float) -> FloatArray:
            warm = stock.heat + 0.5 * stock.heat_slope * np.asarray(celsius)
            return stock.density * warm * celsius

        stored = float(volume @ (enthalpy(t) - enthalpy(start)))
        before = 1.0 - np.exp(-doses_before(stock, self.cycle, self.law)[1])
        made = self.law.heat * stock.polymerisation * float(volume @ (self.conversion[-1] - before))
        return stored, float(self.taken_in_j[-1]), made

    def at(self, position_mm: FloatArray, values: FloatArray) -> FloatArray:
        """Read a profile (n,) at positions from the centre, mm, straight beyond the last shell."""
        rim = values[-1] + 0.5 * (values[-1] - values[-2])
        radius, whole = np.append(self.radius_mm, self.outer_mm), np.append(values, rim)
        return np.asarray(np.interp(position_mm, radius, whole))


def cure_core(
    stock: Stock,
    cycle: Cycle,
    diameter_mm: float,
    law: Law | None = None,
    points: int = POINTS,
    tolerance: float = _TOLERANCE,
) -> History:
    """Follow a core through its press cycle and its cooling.

    Heat is conducted along the radius; the surface is in contact with platen or air through a heat
    transfer coefficient; peroxides decompose by first order, the co-agent polymerises by `Law` and
    heats the core. Not modelled: pressure, flow, shrinkage, gas, a mould that cools when loaded.

    Parameters
    ----------
    stock : Stock
        The compound.
    cycle : Cycle
        The press cycle.
    diameter_mm : float
        Of the core as moulded, mm.
    law : Law, optional
        Of the polymerisation; from memory by default.
    points : int
        Shells of equal thickness.
    tolerance : float
        Error of a step of time, K.

    Raises
    ------
    InputError
        If the diameter is not from 5 to 60 mm, or the shells not from 10 to 2000.
    SolverError
        If the march fails.
    """
    law = law or Law()
    if not 5.0 <= diameter_mm <= 60.0:
        raise InputError(f"the core's diameter is {diameter_mm:g} mm, but must be from 5 to 60.")
    if not 10 <= points <= 2000:
        raise InputError(f"the shells are {points}, but must be from 10 to 2000.")
    legs = legs_of(cycle)
    radius = 0.5e-3 * diameter_mm
    in_press = legs.end <= legs.demoulded * (1.0 + 1e-12)
    transfer = legs.transfer * np.where(in_press, law.contact, 1.0)
    dose, log = doses_before(stock, cycle, law)
    count, line, *fields = march(
        np.array([legs.end, legs.first, legs.last, transfer * radius**2]),
        np.array([cycle.preform_celsius, log, *dose]),
        _body(stock, law, radius, points),
        2.0 * law.conductivity * stock.conductivity * radius * points,
        tolerance,
        _MOST_STEPS,
    )
    if count < 0:
        raise SolverError(
            f"the cure of {stock.name} by {cycle.name} was not followed to its end: the heat of "
            "polymerisation runs away faster than it can be resolved; lower the platen temperature "
            "or the co-agent."
        )
    temperature, left, conversion = (field[:count].copy() for field in fields)
    return History(
        stock=stock,
        cycle=cycle,
        law=law,
        radius_mm=1e3 * radius * (np.arange(points) + 0.5) / points,
        outer_mm=1e3 * radius,
        minutes=line[0, :count] / 60.0,
        outside_c=line[1, :count].copy(),
        temperature_c=temperature,
        left=left,
        conversion=conversion,
        taken_in_j=4.0 * np.pi * line[2, :count],
    )


def _body(stock: Stock, law: Law, radius: float, points: int) -> Body:
    """Gather what the march takes of the stock and its shells."""
    width = radius / points
    edge = width * np.arange(points + 1)
    warm = stock.density * np.array([stock.heat, stock.heat_slope])
    conductance = edge[1:] ** 2 * law.conductivity * stock.conductivity / width
    return (
        np.append(warm, law.heat * stock.polymerisation),
        np.array([law.kappa, law.energy]),
        np.array([law.rate * stock.rate, stock.energy, stock.radicals]),
        np.array([conductance, np.diff(edge**3) / 3.0]),
    )
