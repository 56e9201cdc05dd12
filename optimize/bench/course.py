"""The training of one emulator: the builds of its design and of its checks, and the last fit."""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.graded.profile import Profile
from optimize.bench.build import build_of
from optimize.bench.coverage import CoverageTable
from optimize.bench.sliders import Panel
from optimize.bench.widths import Errors, Widths
from optimize.ledger.rows import Known
from optimize.scenario.space import content_of

if TYPE_CHECKING:
    from optimize.emulator.gaussian import Emulator

# The first fit comes early: one of all builds takes ten times as long. The next ones follow when
# the builds have grown by these factors, during the design and after it.
FIRST_FIT = 40
_GROWTH, _GROWTH_LATER, _MOST_BUILDS = 1.6, 1.25, 400
_RETRY_AFTER = 10  # builds, after a fit that failed
# Check builds for each training build: 128 for 160 know a deviation within some 6 %.
_CHECKS = 0.8
_OUTSIDE = 0.02  # of a slider's length: how far beyond its end the emulator still predicts


class Course:
    """The emulator over the sliders of one choice of materials.

    Parameters
    ----------
    panel : Panel
        Its sliders span the emulator's space.
    names : tuple of str
        The figures that are emulated.
    predicted : tuple of str
        Those and the figures computed from them.
    count : int
        Training builds over the sliders' ranges.
    """

    def __init__(
        self, panel: Panel, names: tuple[str, ...], predicted: tuple[str, ...], count: int
    ) -> None:
        self.panel = panel
        self.names = names
        self.count = count
        self.emulator: Emulator | None = None
        self.fitted_on = 0
        self.trouble = ""
        self.coverage = CoverageTable(predicted)
        self.widths = Widths()
        self.recalled = False  # whether the ledger was searched for its builds
        drawn = list(design(panel, round(_CHECKS * count), seed=2))
        self._check_points = {panel.point(ball).tobytes() for ball in drawn}
        self.checks: dict[bytes, tuple[Ball, Mapping[str, float]]] = {}
        self._design = chain(design(panel, count), drawn)
        self._next = next(self._design, None)
        self._due = min(FIRST_FIT, count or FIRST_FIT)
        self._builds: dict[bytes, tuple[FloatArray, Mapping[str, float]]] = {}

    @property
    def next_build(self) -> Ball | None:
        """The next build of the design, then of the checks; None when all are computed."""
        return self._next

    def pass_on(self, ball: Ball) -> None:
        """Go on to the design's next build if this is the one that was waited for."""
        if ball is self._next:
            self._next = next(self._design, None)

    def add(self, ball: Ball, values: Mapping[str, float]) -> bool:
        """Add a computed build, some of whose figures may be missing.

        A build of the checks is kept apart: nothing is fitted to it.

        Returns
        -------
        bool
            Whether it tells anything new, and is within the sliders' ranges.
        """
        point = self.panel.point(ball)
        key = point.tobytes()
        if key in self._check_points:
            self.checks[key] = ball, values
            return False
        before = self._builds.get(key, (point, {}))[1]
        if not within(point) or values.keys() <= before.keys():
            return False
        self._builds[key] = point, {**before, **values}
        if len(self._builds) > _MOST_BUILDS:
            del self._builds[next(iter(self._builds))]
        return True

    def is_due(self) -> bool:
        """Whether a fit is due."""
        return len(self._builds) >= self._due

    def take(self) -> tuple[FloatArray, FloatArray]:
        """Return points (n, d) and figures (n, m) to fit to, and set when the next fit is due.

        A figure that is not known is NaN.
        """
        most = None if self.emulator else FIRST_FIT
        builds = list(self._builds.values())[:most]
        if len(builds) < self.count:
            self._due = min(int(_GROWTH * len(builds)) + 1, self.count)
        else:
            self._due = int(_GROWTH_LATER * len(builds)) + 1
        x = np.array([point for point, _ in builds])
        return x, np.array([[v.get(name, np.nan) for name in self.names] for _, v in builds])

    def fitted(self, emulator: "Emulator", builds: int, errors: Mapping[bytes, Errors]) -> None:
        """Take a fit over.

        Parameters
        ----------
        emulator : Emulator
            The fit.
        builds : int
            How many it was fitted to.
        errors : mapping of bytes to dict
            Its standardised errors at check builds, by their place.
        """
        self.emulator, self.fitted_on, self.trouble = emulator, builds, ""
        self.widths.check(errors)

    def failed(self, why: str) -> None:
        """Keep the last emulator; with more builds the fit is tried again."""
        self.trouble = why
        self._due = len(self._builds) + _RETRY_AFTER

    def state(self) -> dict[str, Any]:
        """Return the progress and the coverage of the intervals, as plain data."""
        return {
            "computed": len(self._builds),
            "wanted": max(self.count, len(self._builds)),
            "checked": len(self.widths.at_checks),
            "to_check": len(self._check_points),
            "done": self._next is None,
            "fitted_on": self.fitted_on,
            "trouble": self.trouble,
            **self.coverage.record(),
        }


def values_of(known: Known, names: Sequence[str]) -> dict[str, float]:
    """Return the values of those figures that are known."""
    return {name: known.figures[name].value for name in names if name in known.figures}


def within(point: FloatArray) -> bool:
    """Whether a build is within the sliders' ranges, but for a small step."""
    return bool(np.all((point >= -_OUTSIDE) & (point <= 1.0 + _OUTSIDE)))


def design(panel: Panel, count: int, seed: int = 1) -> Iterator[Ball]:
    """Yield a Sobol sequence of builds over the sliders, without those that make no ball.

    Parameters
    ----------
    panel : Panel
        The sliders.
    count : int
        Builds.
    seed : int
        Of the scrambling: each gives a sequence of its own.
    """
    sobol = qmc.Sobol(len(panel.sliders), seed=seed)
    found = 0
    for point in sobol.random(2 ** (count.bit_length() + 1)):
        if found == count:
            return
        values = [float(s.value(p)) for s, p in zip(panel.sliders, point, strict=True)]
        try:
            ball = build_of(panel.setting(values, "a training build"), panel.ball)
        except InputError:
            continue
        found += 1
        yield ball


def recalled(content: str, panel: Panel) -> Ball | None:
    """Return the ball of a ledger's row if the sliders can be set to it, to the last bit.

    Parameters
    ----------
    content : str
        As `optimize.scenario.space.content_of` writes it.
    panel : Panel
        The sliders and the cards of the materials.
    """
    record = json.loads(content)
    layers, profiles = record["layers"], record.get("profiles")
    if len(layers) != len(panel.ball.layer):
        return None
    diameters = [0.0, *(row[0] for row in layers)]
    numbers: dict[str, Callable[[int], float]] = {
        "outer_diameter_mm": lambda i: diameters[-1],
        "thickness_mm": lambda i: (diameters[i] - diameters[i - 1]) / 2.0,
        "youngs_modulus_mpa": lambda i: layers[i - 1][1],
        "surface_over_centre": lambda i: _contrast(profiles[i - 1] if profiles else None),
        "density_g_cm3": lambda i: layers[i - 1][3],
    }
    values = [numbers[slider.what](slider.layer) for slider in panel.sliders]
    point = [slider.fraction(value) for slider, value in zip(panel.sliders, values, strict=True)]
    if not within(np.array(point)):
        return None
    try:
        ball = build_of(panel.setting(values, "from the ledger"), panel.ball)
    except (InputError, ValueError):
        return None
    return ball if content_of(ball) == content else None


def _contrast(profile: dict[str, Any] | None) -> float:
    """Return the contrast of a layer from a row of the ledger; 1 where it is even."""
    return Profile.model_validate(profile).contrast if profile else 1.0
