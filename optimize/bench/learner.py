"""The emulator's schooling: builds over the sliders' ranges, refits, a score of its bands."""

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError, OrbwrightError
from layers.figures import QUANTITIES, parse_figure
from optimize.bench.desk import Desk
from optimize.bench.worker import Worker, WorkerEnded
from optimize.ledger.ledger import Known

if TYPE_CHECKING:
    from optimize.emulator.gaussian import Emulator, Prediction

LESSONS = 160
# The first fit comes soon: one of all takes ten times as long. And how many more builds make the
# next one worth its while, during the lessons and after them.
_FIRST_FIT, _MORE, _MORE_LATER, _MOST_ROWS = 40, 1.6, 1.25, 400
_FIT_LIMIT_S = 300.0
_LULL_S = 0.25
_AFTER_TROUBLE = 10
_OUTSIDE = 0.02  # of a slider's length: how far beyond its end the emulator still speaks
NINETY_FIVE = 1.96

# Of a strike these are learnt; flight is computed from them.
_LEARNT_OF_SWING = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "strike_time_us")


@dataclass
class Score:
    """How often finite elements fell within the emulator's 95 % band."""

    checks: int = 0
    within: int = 0
    relative_error: float = 0.0  # summed

    def count(self, mean: float, deviation: float, truth: float) -> None:
        """Take one build in."""
        self.checks += 1
        self.within += abs(truth - mean) <= NINETY_FIVE * deviation
        self.relative_error += abs(truth - mean) / (abs(truth) or 1.0)


def learnt(names: Sequence[str]) -> tuple[str, ...]:
    """Return the figures that an emulator learns: of finite elements, but for flight."""
    found = []
    for name in names:
        figure = parse_figure(name)
        known = QUANTITIES[figure.quantity]
        if known.basis != "finite element" or known.of == "club":
            continue
        if known.of == "body" or figure.quantity in _LEARNT_OF_SWING:
            found.append(name)
    return tuple(found)


class Learner:
    """Asks for builds, gathers their figures, and has an emulator fitted in a process of its own.

    Parameters
    ----------
    desk : Desk
        Whose sliders span what is learnt.
    names : sequence of str
        All figures on the bench.
    lessons : int
        Builds computed over the sliders' ranges.
    """

    def __init__(
        self,
        desk: Desk,
        names: Sequence[str],
        lessons: int = LESSONS,
    ) -> None:
        self.names = learnt(names)
        self.lessons = lessons
        self._desk = desk
        self._design = _design(desk, lessons)
        self._taken = 0
        self._seen: set[bytes] = set()
        self._places: list[FloatArray] = []
        self._values: list[list[float]] = []
        self._due = min(_FIRST_FIT, lessons or _FIRST_FIT)
        self._emulator: Emulator | None = None
        self._fitted_on = 0
        self._trouble = ""
        self._scores = {name: Score() for name in self.names}
        self._change = threading.Condition()
        self._closing = False
        self._worker = Worker("orbwright-emulator", 10)
        self._thread = threading.Thread(target=self._run, name="learner", daemon=True)

    def start(self) -> None:
        """Start fitting as builds come in."""
        self._thread.start()

    def close(self) -> None:
        """Stop, also in the middle of a fit."""
        with self._change:
            self._closing = True
            self._change.notify_all()
        self._worker.close()
        if self._thread.is_alive():
            self._thread.join()

    def lesson(self) -> Ball | None:
        """Return the next build of the design; none when all were computed."""
        return self._design[self._taken] if self._taken < len(self._design) else None

    def learn(self, ball: Ball, known: Known, urgent: bool) -> None:
        """Take in a build; one that was moved to by hand first checks the emulator."""
        if self._taken < len(self._design) and ball is self._design[self._taken]:
            self._taken += 1
        values = [known.figures[n].value for n in self.names if n in known.figures]
        place = self._desk.places(ball)
        if len(values) < len(self.names) or not within(place) or place.tobytes() in self._seen:
            return
        if urgent:
            self._check(place, values)
        with self._change:
            self._seen.add(place.tobytes())
            self._places.append(place)
            self._values.append(values)
            self._places, self._values = self._places[-_MOST_ROWS:], self._values[-_MOST_ROWS:]
            self._change.notify_all()

    def predict(self, ball: Ball) -> dict[str, tuple[float, float]] | None:
        """Return mean and standard deviation of each learnt figure.

        None while there is no emulator, or where the build lies outside its sliders.
        """
        emulator, place = self._emulator, self._desk.places(ball)
        if emulator is None or not within(place):
            return None
        return {name: _pair(p) for name, p in emulator.predict(place[None, :]).items()}

    def state(self) -> dict[str, Any]:
        """Tell how far the schooling is, and how the emulator's promises were kept."""
        checks = sum(score.checks for score in self._scores.values())
        within_band = sum(score.within for score in self._scores.values())
        return {
            "learnt": len(self._places),
            "wanted": max(self.lessons, len(self._places)),
            "done": self._taken >= len(self._design),
            "fitted_on": self._fitted_on,
            "trouble": self._trouble,
            "checks": checks,
            "within": within_band,
            "scores": {
                name: {
                    "checks": score.checks,
                    "within": score.within,
                    "typical_percent": 100.0 * score.relative_error / score.checks,
                }
                for name, score in self._scores.items()
                if score.checks
            },
        }

    def _check(self, place: FloatArray, values: list[float]) -> None:
        if self._emulator is None:
            return
        found = self._emulator.predict(place[None, :])
        for name, value in zip(self.names, values, strict=True):
            if name in found:
                self._scores[name].count(*_pair(found[name]), value)

    def _run(self) -> None:
        while True:
            with self._change:
                while not self._closing and len(self._places) < self._due:
                    self._change.wait()
                while not self._closing and self._change.wait(_LULL_S):
                    pass  # builds out of the ledger come by the dozen: fit once they are in
                if self._closing:
                    return
                most = None if self._emulator else _FIRST_FIT
                x, values = np.array(self._places[:most]), np.array(self._values[:most])
            if len(x) < self.lessons:
                self._due = min(int(_MORE * len(x)) + 1, self.lessons)
            else:
                self._due = int(_MORE_LATER * len(x)) + 1
            columns = {name: values[:, i] for i, name in enumerate(self.names)}
            try:
                emulator = self._worker.ask(_fit, x, columns, self._emulator, limit_s=_FIT_LIMIT_S)
            except (OrbwrightError, WorkerEnded) as error:
                # The last one stands; with more builds it is tried again.
                self._trouble = f"The emulator could not be fitted: {error}"
                self._due = len(self._places) + _AFTER_TROUBLE
                continue
            self._emulator, self._fitted_on, self._trouble = emulator, len(x), ""


def _fit(x: FloatArray, columns: dict[str, FloatArray], start: "Emulator | None") -> "Emulator":
    from optimize.emulator.gaussian import fit  # heavy, and needed in the fitting process alone

    return fit(x, columns, start)


def _pair(prediction: "Prediction") -> tuple[float, float]:
    """Return the median and half the width of the band of one deviation to both sides."""
    low, high = prediction.at(-1.0), prediction.at(1.0)
    return float(prediction.value[0]), 0.5 * float(high[0] - low[0])


def within(place: FloatArray) -> bool:
    """Whether a build lies within the sliders, but for a small step."""
    return bool(np.all((place >= -_OUTSIDE) & (place <= 1.0 + _OUTSIDE)))


def _design(desk: Desk, count: int) -> list[Ball]:
    """Spread builds evenly over the sliders; those that make no ball are left out."""
    sobol = qmc.Sobol(len(desk.knobs), seed=1)
    found: list[Ball] = []
    for place in sobol.random(2 ** (count.bit_length() + 1)):
        if len(found) == count:
            break
        values = [float(knob.value(p)) for knob, p in zip(desk.knobs, place, strict=True)]
        try:
            found.append(desk.build(desk.setting(values, "a lesson")))
        except InputError:
            continue
    return found
