"""The card checked against the CPU: a fixed set of impacts, differences and throughput."""

import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray, Precision
from layers.ball import Ball, Body, Layer, Role
from layers.gpu.batch import Batch, Device, Wanted
from layers.materials import default_catalogue
from layers.strike.launch import Launch, Strike
from layers.strike.strike import club_impact
from layers.strike.swings import find_swing

SWINGS = ("driver fast", "mid iron fast", "wedge full fast", "wedge half moderate")
BUILDS = 100
# Largest relative differences that pass: of speed, launch angle and spin.
LIMITS: dict[Precision, tuple[float, float, float]] = {
    "double": (1e-12, 1e-12, 1e-12),
    "single": (1e-4, 5e-4, 2e-3),
}
_ROLES: dict[int, tuple[Role, ...]] = {
    2: ("core", "cover"),
    3: ("core", "mantle", "cover"),
    4: ("inner core", "outer core", "mantle", "cover"),
    5: ("inner core", "outer core", "inner mantle", "outer mantle", "cover"),
}
# Lowest and highest Young's modulus, MPa, and thickness, mm.
_RANGES = {"core": (15.0, 110.0), "mantle": (40.0, 400.0), "cover": (25.0, 400.0)}
_THICKNESS = {"mantle": (0.8, 2.0), "cover": (0.5, 2.0)}


def check_builds(count: int = BUILDS) -> list[Body]:
    """Draw builds of two to five layers: the same ones every time."""
    rng = np.random.default_rng(17)
    return [_drawn(rng, 2 + number % 4).body() for number in range(count)]


def _drawn(rng: np.random.Generator, count: int) -> Ball:
    card, layers, outer = default_catalogue().material[0], [], 42.67
    for role in reversed(_ROLES[count]):
        kind = role.split()[-1]
        modulus = float(np.exp(rng.uniform(*np.log(_RANGES[kind]))))
        material = card.with_values("drawn for the check", youngs_modulus_mpa=modulus)
        layers.append(Layer(role=role, outer_diameter_mm=outer, material=material))
        thinner = _THICKNESS.get(kind)
        outer = outer - 2.0 * rng.uniform(*thinner) if thinner else rng.uniform(15.0, 30.0)
    return Ball(name="check", layer=tuple(reversed(layers)))


@dataclass(frozen=True)
class Check:
    """What a precision's impacts came to.

    Attributes
    ----------
    precision : str
    largest, root_mean_square : (3,) array
        Relative differences of speed, launch angle and spin from the CPU in double precision.
    flags : int
        Impacts whose flag is another.
    repeats : bool
        Whether two runs gave the same bits.
    per_second : float
        Impacts, of the second run with packing and upload.
    figures : (n, 3) array
        Speed, launch angle and spin of the impacts, SI.
    """

    precision: Precision
    largest: FloatArray
    root_mean_square: FloatArray
    flags: int
    repeats: bool
    per_second: float
    figures: FloatArray

    @property
    def passed(self) -> bool:
        """Whether differences are within `LIMITS`, flags agree and runs repeat."""
        near = bool((self.largest <= LIMITS[self.precision]).all())
        return near and self.repeats and self.flags == 0


def on_cpu(bodies: Sequence[Body], mapper: Callable[..., Iterable[Any]] = map) -> list[Launch]:
    """Compute the set on the CPU, in double precision.

    Parameters
    ----------
    bodies : sequence of Body
    mapper : callable
        ``map`` or an executor's ``map``.
    """
    jobs = [(body, strike) for body in bodies for strike in _strikes()]
    return list(mapper(_one, jobs))


def _strikes() -> tuple[Strike, ...]:
    return tuple(find_swing(name).strike() for name in SWINGS)


def _one(job: tuple[Body, Strike]) -> Launch:
    return club_impact(*job, precision="double")


def check(
    device: Device, bodies: Sequence[Body], expected: Sequence[Launch], precision: Precision
) -> Check:
    """Compare a device with the CPU.

    Parameters
    ----------
    device : Device
    bodies : sequence of Body
    expected : sequence of Launch
        Of `on_cpu`.
    precision : {"single", "double"}

    Raises
    ------
    SolverError
        If an impact breaks down.
    """
    wanted = [Wanted(body, _strikes()) for body in bodies]
    first = _launches(Batch(device, wanted, precision, "default"))
    start = time.perf_counter()
    again = _launches(Batch(device, wanted, precision, "default"))
    spent = time.perf_counter() - start
    found, reference = _figures(first), _figures(expected)
    off = np.abs(found / reference - 1.0)
    return Check(
        precision=precision,
        largest=off.max(axis=0),
        root_mean_square=np.sqrt((off**2).mean(axis=0)),
        flags=sum(a.flag != b.flag for a, b in zip(first, expected, strict=True)),
        repeats=np.array_equal(found, _figures(again)),
        per_second=len(first) / spent,
        figures=found,
    )


@dataclass(frozen=True)
class Together:
    """What several devices came to at once.

    Attributes
    ----------
    precision : str
    same : bool
        Whether all gave the same bits.
    per_second : float
        Impacts of all.
    """

    precision: Precision
    same: bool
    per_second: float


def together(devices: Sequence[Device], bodies: Sequence[Body], precision: Precision) -> Together:
    """Have every device compute the set at once.

    Parameters
    ----------
    devices : sequence of Device
        Checked before.
    bodies : sequence of Body
    precision : {"single", "double"}

    Raises
    ------
    SolverError
        If an impact breaks down.
    """
    wanted = [Wanted(body, _strikes()) for body in bodies]

    def computed(device: Device) -> FloatArray:
        return _figures(_launches(Batch(device, wanted, precision, "default")))

    with ThreadPoolExecutor(len(devices)) as threads:
        start = time.perf_counter()
        found = list(threads.map(computed, devices))
        spent = time.perf_counter() - start
    same = all(np.array_equal(figures, found[0]) for figures in found)
    return Together(precision, same, sum(map(len, found)) / spent)


def _launches(batch: Batch) -> list[Launch]:
    found = [one for outcomes in batch.outcomes() for one in outcomes]
    for one in found:
        if isinstance(one, Exception):
            raise one
    return [one for one in found if isinstance(one, Launch)]


def _figures(launches: Sequence[Launch]) -> FloatArray:
    return np.array([(one.ball_speed, one.launch_angle, one.spin) for one in launches])
