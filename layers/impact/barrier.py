"""Normal impact of a layered ball on a rigid frictionless barrier, by explicit finite elements.

Axisymmetric quadrilaterals with volume-mean gradients and stiffness against their hourglass shapes
(Flanagan and Belytschko 1981, Int. J. Numer. Methods Eng. 17, 679), total Lagrangian, central
differences with lumped masses. A surface node that reaches the wall is stopped there: momentum is
kept to rounding, and the node's kinetic energy, about 0.1 % of the ball's on the default mesh, is
lost and named in the energy balance. Layers are isochoric neo-Hookean, U = K/2 (J - 1)^2, each
relaxation pair a transient network (Linder, Tkachuk and Miehe 2011, J. Mech. Phys. Solids 59, 2134,
from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from layers.arrays import FloatArray, Level, Precision
from layers.ball import Body
from layers.errors import InputError, SolverError
from layers.impact import kernels
from layers.impact.crushed import crushed
from layers.impact.model import Model, Resolution, impact_mesh, impact_model, untiled

DEFAULT = Resolution(side=10, angles=44, core_rings=8, thick_rings=4, thin_rings=2)
LEVELS = {"default": DEFAULT, "fine": DEFAULT.refined(2)}

SLOWEST, FASTEST = 0.05, 120.0  # m/s
SAFETY = 0.9
# The peak force is a mean over this part of the contact: single nodes touching down show less.
PEAK_WINDOW = 0.05
BALANCE_LIMIT = 0.01
MOST_STEPS = 200_000


@dataclass(frozen=True)
class EnergyBalance:
    """Where the energy is when the ball has left the wall, J.

    Attributes
    ----------
    initial_kinetic, final_kinetic : float
        The final one includes the ball's vibration.
    elastic, network, contact, hourglass : float
        Stored: in the equilibrium elasticity, in the relaxing networks, in the contact (none, it is
        rigid), in the stiffness against hourglass shapes.
    viscous, contact_damping : float
        Dissipated: in the relaxing networks, and where surface nodes were stopped by the wall.
    residual : float
        Initial kinetic energy less all the others: the error of the time integration.
    """

    initial_kinetic: float
    final_kinetic: float
    elastic: float
    viscous: float
    network: float
    contact: float
    contact_damping: float
    hourglass: float
    residual: float


@dataclass(frozen=True)
class BarrierImpact:
    """Outcome of a normal impact on a rigid frictionless barrier.

    Attributes
    ----------
    speed : float
        Inbound, m/s.
    cor : float
        Rebound speed of the centre of mass over the inbound one.
    contact_time : float
        From the first touch to the end to which the fading force points, s: near it the impulse
        still to come goes with the 5/2nd power of the time left, as in Hertz's law.
    peak_force : float
        Greatest mean over 5 % of the contact time, N.
    peak_deformation : float
        Greatest approach of the centre of mass to the barrier, m. The diameter along the line
        of impact shortens by more, about 1.4 times as much, since the far side flattens too.
    energy : EnergyBalance
    flag : str
        Empty, or a sentence that says why the figures should not be relied on.
    """

    speed: float
    cor: float
    contact_time: float
    peak_force: float
    peak_deformation: float
    energy: EnergyBalance
    flag: str = ""


def barrier_impact(
    body: Body, speed: float, level: Level = "default", precision: Precision = "single"
) -> BarrierImpact:
    """Throw a ball at a rigid frictionless barrier, at right angles.

    Parameters
    ----------
    body : Body
        Moduli within the impact are its quasi-static ones times `dynamic_modulus_ratio`.
    speed : float
        Inbound, m/s, 0.05 to 120.
    level : {"default", "fine"}
        The fine mesh has four times the elements and takes about eight times as long.
    precision : {"single", "double"}
        Of the elements; "double" for small differences.

    Returns
    -------
    BarrierImpact
        An energy balance off by more than 1 % of the initial kinetic energy is flagged.

    Raises
    ------
    InputError
        If the speed is out of range.
    SolverError
        If an element turns inside out: the body is too soft for the speed.
    """
    return outcome(throw(body, speed, replace(LEVELS[level], precision=precision)))


@dataclass(frozen=True)
class Thrown:
    """A ball that has left the wall: what the march over its arrays has made of them.

    Attributes
    ----------
    model : Model
        With positions and states at the end.
    v : (2, nodes) array
        Velocities at the end, m/s.
    speed : float
        Inbound, m/s.
    time, impulse : (steps,) array
        After each step: the time, s, and the wall's impulse up to it, N s.
    wall_work : float
        Done on the ball by the wall, J.
    """

    model: Model
    v: FloatArray
    speed: float
    time: FloatArray
    impulse: FloatArray
    wall_work: float


def throw(body: Body, speed: float, resolution: Resolution) -> Thrown:
    """Let a ball hit the wall and leave it.

    Parameters
    ----------
    body : Body
    speed : float
        Inbound, m/s.
    resolution : Resolution
        Of the mesh.

    Raises
    ------
    InputError
        If the speed is out of range.
    SolverError
        If an element turns inside out.
    """
    if not SLOWEST <= speed <= FASTEST:
        raise InputError(
            f"speed is {speed:g} m/s, but must be from {SLOWEST:g} to {FASTEST:g} m/s."
        )
    model = impact_model(body, resolution)
    v = np.zeros_like(model.x)
    v[1] = -speed
    history, start = np.empty((2, MOST_STEPS)), model.x.copy()
    steps, left, wall_work = advance(model, v, history)
    if not left:
        before, layer = model.corner_area(start), impact_mesh(body, resolution).layer
        raise SolverError(
            f"The impact broke down after {steps} steps: "
            + crushed(body, (model.corner_area(model.x) / before)[: len(layer)], layer, speed)
        )
    time, impulse = history[:, :steps]
    return Thrown(model, v, speed, time, impulse, wall_work)


def advance(model: Model, v: FloatArray, history: FloatArray) -> tuple[int, bool, float]:
    """March on until the ball has left the wall or `history` is full; see `kernels.impact`.

    Parameters
    ----------
    model : Model
        Its positions and states are changed.
    v : (2, nodes) array
        Velocities, m/s; changed.
    history : (2, most steps) array
        Written.
    """
    run = kernels.impact_single if model.w.dtype == np.float32 else kernels.impact_double
    return run(
        model.w,
        model.corner,
        model.start,
        model.x,
        v,
        model.inverse_mass,
        model.surface,
        model.branches,
        SAFETY,
        history,
    )


def outcome(thrown: Thrown) -> BarrierImpact:
    """Read the figures off a ball that has left the wall."""
    model, v, speed = thrown.model, thrown.v, thrown.speed
    time, impulse = thrown.time, thrown.impulse
    initial = 0.5 * float(model.mass.sum()) * speed**2
    contact_time = _contact_time(time, impulse)
    centre_speed = impulse / model.mass.sum() - speed
    energy = _energy_balance(model, v, initial, thrown.wall_work)
    return BarrierImpact(
        speed=speed,
        cor=float(model.mass @ v[1] / model.mass.sum()) / speed,
        contact_time=contact_time,
        peak_force=_peak_force(time, impulse, PEAK_WINDOW * contact_time),
        peak_deformation=-float(np.cumsum(centre_speed * np.diff(time, prepend=0.0)).min()),
        energy=energy,
        flag=_flag(energy),
    )


def barrier_impacts(
    body: Body, speeds: Sequence[float], level: Level = "default"
) -> list[BarrierImpact]:
    """Throw a ball at the barrier at several speeds.

    Parameters
    ----------
    body, level
        See `barrier_impact`.
    speeds : sequence of float
        Inbound, m/s.
    """
    return [barrier_impact(body, speed, level) for speed in speeds]


def cor_slope(impacts: Sequence[BarrierImpact]) -> float:
    """Least-squares slope of the impact speed ratio over the inbound speed, per m/s.

    Raises
    ------
    InputError
        With fewer than two different speeds.
    """
    speed = np.array([impact.speed for impact in impacts])
    if len(np.unique(speed)) < 2:
        raise InputError("impacts holds fewer than 2 different speeds; a slope needs at least 2.")
    ratio = np.array([impact.cor for impact in impacts])
    off = speed - speed.mean()
    return float(off @ ratio / (off @ off))


def initial_velocity(cor: float, striker_speed: float = 43.83) -> float:
    """Ball speed off a rigid striker much heavier than the ball, v = V (1 + e), m/s.

    Parameters
    ----------
    cor : float
        At an inbound speed equal to the striker's, on a barrier.
    striker_speed : float
        m/s; 43.83 is the rules' initial-velocity test. Its drum and a barrier are not the same.

    Examples
    --------
    >>> round(initial_velocity(0.7385) / 0.3048, 1), round(initial_velocity(0.7733) / 0.3048, 1)
    (250.0, 255.0)
    """
    return striker_speed * (1.0 + cor)


def _contact_time(time: FloatArray, impulse: FloatArray) -> float:
    """Instant at which (impulse to come)^(2/5) vanishes, by a line through two late points.

    The last touch itself is a graze of single nodes, 1 to 2 % of the contact away from it.
    """
    done = np.array([0.98, 0.998])
    first, second = np.interp(done * impulse[-1], impulse, time)
    left = (1.0 - done) ** 0.4
    return float(second + (second - first) * left[1] / (left[0] - left[1]))


def _peak_force(time: FloatArray, impulse: FloatArray, window: float) -> float:
    before = np.interp(time - window, time, impulse, left=0.0)
    return float(np.max(impulse - before) / window)


def _flag(energy: EnergyBalance) -> str:
    off = abs(energy.residual) / energy.initial_kinetic
    if off <= BALANCE_LIMIT:
        return ""
    return (
        f"The energy balance of the impact is off by {100 * off:.1f} % of the initial kinetic "
        f"energy; at most {100 * BALANCE_LIMIT:g} % is trusted."
    )


def _square(vector: FloatArray) -> FloatArray:
    return np.asarray((vector**2).sum(axis=0))


def element_energies(model: Model) -> dict[str, FloatArray]:
    """Energies of each element, J/m3 of its volume; padding has none.

    Elastic, network and hourglass are stored, viscous is what its networks have dissipated so far.
    """
    row = untiled(model.w)
    # From the deformation gradient in double precision: a single Cbar is off its least trace, 3.
    frr, frz, fzr, fzz, ftt = row[kernels.DEF : kernels.DEF + 5]
    jacobian = (frr * fzz - frz * fzr) * ftt
    scale = jacobian ** (-2.0 / 3.0)
    crr, crz = scale * (frr**2 + fzr**2), scale * (frr * frz + fzr * fzz)
    czz, ctt = scale * (frz**2 + fzz**2), scale * ftt**2
    density = 0.5 * row[kernels.SHEAR] * (crr + czz + ctt - 3.0)
    hourglass = 0.5 * row[kernels.SHEAR] * _square(row[kernels.HG : kernels.HG + 2])
    network = np.zeros_like(density)
    for j in range(model.branches):
        first = kernels.BRANCH + j * kernels.BRANCH_ROWS
        branch = row[first : first + kernels.BRANCH_ROWS]
        arr, arz, azz, att = branch[kernels.TENSOR : kernels.TENSOR + 4]
        stretch = crr * arr + 2.0 * crz * arz + czz * azz + ctt * att
        log_det = np.log((arr * azz - arz * arz) * att)
        modulus = branch[kernels.MODULUS]
        network += 0.5 * modulus * (stretch - log_det - 3.0)
        hourglass += 0.5 * modulus * _square(branch[kernels.HG_STRAIN : kernels.HG_STRAIN + 2])
    return {
        "elastic": density + 0.5 * row[kernels.BULK] * (jacobian - 1.0) ** 2,
        "viscous": row[kernels.DISSIPATED],
        "network": network,
        "hourglass": row[kernels.HOURGLASS] * hourglass,
    }


def _energy_balance(model: Model, v: FloatArray, initial: float, wall_work: float) -> EnergyBalance:
    volume = untiled(model.w)[kernels.VOLUME]
    parts = {
        "final_kinetic": 0.5 * float(model.mass @ (v**2).sum(axis=0)),
        "contact": 0.0,
        "contact_damping": -wall_work,
        **{name: float(volume @ density) for name, density in element_energies(model).items()},
    }
    return EnergyBalance(initial_kinetic=initial, **parts, residual=initial - sum(parts.values()))
