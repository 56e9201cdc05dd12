"""Impacts of many builds on a card: packed, under way, and read off, build by build."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy.typing as npt

from layers.arrays import DTYPES, FloatArray, Level, Precision
from layers.ball import Body
from layers.errors import InputError, SolverError
from layers.gpu.packing import Packed, grouped, pack, pack_models
from layers.gpu.source import Choices, Program, strike_program
from layers.gpu.strikes import launch_of, parameters_of, slowness
from layers.gpu.throws import Key, impact_of, key_of, pack_throws, program_of
from layers.gpu.throws import parameters_of as throw_parameters
from layers.impact.barrier import LEVELS as BARRIER_LEVELS
from layers.impact.barrier import BarrierImpact, check_speed
from layers.strike.launch import Launch, Strike
from layers.strike.model import build_model
from layers.strike.settings import LEVELS, Settings
from layers.strike.start import face_and_club


class UnderWay(Protocol):
    """Impacts that are being computed."""

    def results(self) -> FloatArray:
        """Wait for the results, (n, RESULTS)."""


class Device(Protocol):
    """What marches: a graphics card, or for tests this processor."""

    @property
    def name(self) -> str:
        """What it is called."""

    @property
    def processors(self) -> int:
        """Multiprocessors: impacts that it marches at a time."""

    @property
    def throwing(self) -> tuple[int, int]:
        """Threads of a block and blocks of a multiprocessor for impacts on the barrier."""

    def choices(self, precision: Precision) -> Choices:
        """Return how impacts on a club are compiled."""

    def march(
        self, program: Program, builds: Any, which: Sequence[int], parameters: FloatArray
    ) -> UnderWay:
        """Start the march of impacts.

        Parameters
        ----------
        program : Program
            The source, with what the builds share.
        builds : (b, ...) array
            Packed.
        which : sequence of int
            The build of each impact, in the order in which they shall be taken up.
        parameters : (n, ...) array
            Of each impact.
        """


# What an impact came to: its outcome, or why there is none.
Outcome = Launch | SolverError | InputError
Thrown = BarrierImpact | SolverError | InputError


@dataclass(frozen=True)
class Wanted:
    """A build and the strikes that it shall take."""

    body: Body
    strikes: tuple[Strike, ...]


@dataclass(frozen=True)
class _Part:
    """Builds of one mesh: their places among all, and of each impact the build and strike."""

    members: list[int]
    jobs: list[tuple[int, int]]
    marching: UnderWay


class Batch:
    """A batch of impacts under way.

    Parameters
    ----------
    device : Device
    wanted : sequence of Wanted
        Builds and their strikes.
    precision : {"single", "double"}
    level : {"default", "fine"}
        Mesh.
    """

    def __init__(
        self, device: Device, wanted: Sequence[Wanted], precision: Precision, level: Level
    ) -> None:
        self._wanted = wanted
        self._refused: dict[tuple[int, int], InputError] = {}
        settings = replace(LEVELS[level], precision="double")  # what the card takes is packed so
        groups = grouped([one.body for one in wanted])
        self._parts = [
            part
            for members in groups.values()
            if (part := self._started(device, members, precision, settings))
        ]

    def _started(
        self, device: Device, members: list[int], precision: Precision, settings: Settings
    ) -> _Part | None:
        bodies = [self._wanted[i].body for i in members]
        slow = [slowness(body, settings) for body in bodies]
        jobs = []
        for k, i in enumerate(members):
            for s, strike in enumerate(self._wanted[i].strikes):
                try:
                    face_and_club(bodies[k], strike)
                except InputError as error:
                    self._refused[i, s] = error
                    continue
                speed = strike.club_speed * math.cos(strike.dynamic_loft - strike.attack_angle)
                jobs.append((slow[k] * abs(speed) ** -0.2, k, s))
        if not jobs:
            return None
        # The longest first; equal ones as they came.
        jobs.sort(key=lambda job: (-job[0], job[1:]))
        order = [(k, s) for _, k, s in jobs]
        choices = device.choices(precision)
        packed = _packed(bodies, settings, choices, DTYPES[precision])
        which = [k for k, _ in order]
        strikes = [self._wanted[members[k]].strikes[s] for k, s in order]
        parameters = parameters_of(packed, bodies, which, strikes, settings)
        program = strike_program(packed, choices)
        return _Part(members, order, device.march(program, packed.builds, which, parameters))

    def outcomes(self) -> list[list[Outcome]]:
        """Wait, and return what each build's strikes came to."""
        found: dict[tuple[int, int], Outcome] = dict(self._refused)
        for part in self._parts:
            for (k, s), row in zip(part.jobs, part.marching.results(), strict=True):
                i = part.members[k]
                wanted = self._wanted[i]
                try:
                    found[i, s] = launch_of(wanted.body, wanted.strikes[s], row)
                except SolverError as error:
                    found[i, s] = error
        return [
            [found[i, s] for s in range(len(one.strikes))] for i, one in enumerate(self._wanted)
        ]


class Throws:
    """Impacts on the barrier under way.

    Parameters
    ----------
    device : Device
    wanted : sequence of (Body, tuple of float)
        Builds and their speeds, m/s.
    level : {"default", "fine"}
        Mesh.
    """

    def __init__(
        self, device: Device, wanted: Sequence[tuple[Body, tuple[float, ...]]], level: Level
    ) -> None:
        self._wanted = wanted
        self._refused: dict[tuple[int, int], InputError] = {}
        resolution, groups = BARRIER_LEVELS[level], dict[Key, list[int]]()
        for i, (body, _) in enumerate(wanted):
            groups.setdefault(key_of(body, resolution), []).append(i)
        self._parts = []
        for key, members in groups.items():
            jobs = [(k, s) for k, i in enumerate(members) for s in self._sound(i)]
            if jobs:
                program = program_of(key, resolution, *device.throwing)
                builds = pack_throws([wanted[i][0] for i in members], resolution)
                speeds = throw_parameters([wanted[members[k]][1][s] for k, s in jobs])
                under_way = device.march(program, builds, [k for k, _ in jobs], speeds)
                self._parts.append(_Part(members, jobs, under_way))

    def _sound(self, i: int) -> list[int]:
        """Return the places of a build's speeds that can be thrown; note the others."""
        sound = []
        for s, speed in enumerate(self._wanted[i][1]):
            try:
                check_speed(speed)
                sound.append(s)
            except InputError as error:
                self._refused[i, s] = error
        return sound

    def outcomes(self) -> list[list[Thrown]]:
        """Wait, and return what each build's throws came to."""
        found: dict[tuple[int, int], Thrown] = dict(self._refused)
        for part in self._parts:
            for (k, s), row in zip(part.jobs, part.marching.results(), strict=True):
                i = part.members[k]
                body, speeds = self._wanted[i]
                try:
                    found[i, s] = impact_of(body, speeds[s], row)
                except SolverError as error:
                    found[i, s] = error
        return [
            [found[i, s] for s in range(len(speeds))] for i, (_, speeds) in enumerate(self._wanted)
        ]


def _packed(
    bodies: Sequence[Body], settings: Settings, choices: Choices, dtype: npt.DTypeLike
) -> Packed:
    if not bodies[0].graded:
        return pack(bodies, settings, dtype)
    models = [build_model(body, settings) for body in bodies]
    return pack_models(models, bodies, settings, choices.threads, dtype)
