"""Training the emulators: one for each choice of materials, fitted in a process of its own."""

import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import OrbwrightError
from layers.figures import QUANTITIES, parse_figure
from optimize.bench.choices import Choices, materials_of
from optimize.bench.course import Course, recalled, values_of, within
from optimize.bench.prediction import with_flights
from optimize.bench.widths import Errors, Pair, standardised
from optimize.bench.worker import Worker, WorkerEnded
from optimize.ledger.rows import Known

if TYPE_CHECKING:
    from optimize.emulator.gaussian import Emulator, Prediction

TRAINING_BUILDS = 160
_FIT_LIMIT_S = 300.0
_LULL_S = 0.25
_MOST_COURSES = 8

# Of a strike these are emulated; flight is computed from them.
_OF_SWING = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "strike_time_us")


def emulated(names: Sequence[str]) -> tuple[str, ...]:
    """Return the figures that are emulated: of finite elements, but for flight."""
    found = []
    for name in names:
        figure = parse_figure(name)
        known = QUANTITIES[figure.quantity]
        if known.basis != "finite element" or known.of == "club":
            continue
        if known.of == "body" or figure.quantity in _OF_SWING:
            found.append(name)
    return tuple(found)


class Trainer:
    """Asks for training builds, collects their figures, and fits emulators in a process.

    One course of training is on at a time: that of the materials last chosen.

    Parameters
    ----------
    choices : Choices
        Give the sliders of each choice of materials.
    names : sequence of str
        All figures on the bench.
    conditions : Conditions
        Of the flights.
    count : int
        Training builds over the sliders' ranges.
    """

    def __init__(
        self,
        choices: Choices,
        names: Sequence[str],
        conditions: Conditions,
        count: int = TRAINING_BUILDS,
    ) -> None:
        self.names = emulated(names)
        self.count = count
        self._shown = tuple(names)
        self._conditions = conditions
        self._choices = choices
        self._courses: OrderedDict[tuple[str, ...], Course] = OrderedDict()
        self._change = threading.Condition()
        self._closing = False
        self._worker = Worker("orbwright-emulator", 10)
        self._thread = threading.Thread(target=self._run, name="trainer", daemon=True)
        self.turn_to(choices.ball)

    def start(self) -> None:
        """Start fitting as builds are computed."""
        self._thread.start()

    def close(self) -> None:
        """Stop, also in the middle of a fit."""
        with self._change:
            self._closing = True
            self._change.notify_all()
        self._worker.close()
        if self._thread.is_alive():
            self._thread.join()

    def turn_to(self, ball: Ball) -> None:
        """Train for the materials of this ball from now on."""
        key = materials_of(ball)
        with self._change:
            if key == next(reversed(self._courses), None):
                return
            if key not in self._courses:
                panel = self._choices.panel(key)
                self._courses[key] = Course(panel, self.names, self._shown, self.count)
            self._courses.move_to_end(key)
            if len(self._courses) > _MOST_COURSES:
                self._courses.popitem(last=False)
            self._change.notify_all()

    @property
    def _course(self) -> Course:
        return next(reversed(self._courses.values()))

    def _of(self, ball: Ball) -> Course | None:
        with self._change:
            return self._courses.get(materials_of(ball))

    def next_build(self) -> Ball | None:
        """Return the next training or check build; None when all are computed."""
        with self._change:
            return self._course.next_build

    def wants_past(self) -> bool:
        """Whether the ledger has yet to be searched for builds of these materials."""
        with self._change:
            return not self._course.recalled

    def recall(self, past: Iterable[tuple[str, Known]]) -> None:
        """Add the builds of a ledger that the sliders can be set to.

        Parameters
        ----------
        past : iterable of (str, Known)
            Content and figures of builds, the newest first.
        """
        with self._change:
            course = self._course
            course.recalled = True
        found = 0
        for content, known in past:
            values = values_of(known, self._shown)
            ball = recalled(content, course.panel) if values else None
            if ball is None:
                continue
            with self._change:
                found += course.add(ball, values)
            if found >= course.count:
                break
        with self._change:
            self._change.notify_all()

    def add(self, ball: Ball, known: Known, urgent: bool) -> None:
        """Add a computed build to the training set.

        Parameters
        ----------
        ball : Ball
            The build.
        known : Known
            Its figures; a build that lacks one is left out.
        urgent : bool
            Whether it was moved to by hand: it then checks the emulator first.
        """
        course = self._of(ball)
        if course is None:
            return
        values = values_of(known, self._shown)
        with self._change:
            course.pass_on(ball)
            new = set(self.names) <= values.keys() and course.add(ball, values)
            self._change.notify_all()
        if new and urgent and (pairs := self._unscaled(course, ball)):
            with self._change:
                course.coverage.count(course.widths.scaled(pairs), values)
                course.widths.move(standardised(pairs, values))
        self._check(course)

    def predict(self, ball: Ball) -> dict[str, Pair] | None:
        """Return mean and standard deviation of each figure of the emulator and its flights.

        None while there is no emulator, or where the build is outside the sliders' ranges.
        """
        course = self._of(ball)
        pairs = self._unscaled(course, ball) if course is not None else None
        return course.widths.scaled(pairs) if course is not None and pairs else None

    def _unscaled(self, course: Course, ball: Ball) -> dict[str, Pair] | None:
        """Predict with the deviations that the emulator has by itself."""
        point = course.panel.point(ball)
        if course.emulator is None or not within(point):
            return None
        return predicted(course.emulator, point, ball, self._shown, self._conditions)

    def _check(self, course: Course) -> None:
        """Check the emulator at the check builds that came since its last fit."""
        new = {k: c for k, c in list(course.checks.items()) if k not in course.widths.at_checks}
        for key, (ball, values) in new.items():
            if pairs := self._unscaled(course, ball):
                with self._change:
                    course.widths.check({key: standardised(pairs, values)})

    def fitted(self, ball: Ball) -> bool:
        """Whether there is an emulator for the materials of this ball."""
        course = self._of(ball)
        return course is not None and course.emulator is not None

    def state(self) -> dict[str, Any]:
        """Return the progress of training and the coverage of the intervals, as plain data."""
        with self._change:
            return self._course.state()

    def _run(self) -> None:
        while (task := self._await_builds()) is not None:
            course, x, values = task
            columns = {name: values[:, i] for i, name in enumerate(self.names)}
            checks = [
                (key, course.panel.point(ball), ball, known)
                for key, (ball, known) in list(course.checks.items())
            ]
            try:
                found, errors = self._worker.ask(
                    fit_and_check,
                    (x, columns, course.emulator),
                    (checks, self._shown, self._conditions),
                    limit_s=_FIT_LIMIT_S,
                )
            except (OrbwrightError, WorkerEnded) as error:
                course.failed(f"The emulator could not be fitted: {error}")
                continue
            with self._change:
                course.fitted(found, len(x), errors)
            self._check(course)

    def _await_builds(self) -> tuple[Course, FloatArray, FloatArray] | None:
        """Wait until a fit is due; return its course, points (n, d), figures (n, m)."""
        with self._change:
            while not self._closing:
                # Builds come from a ledger by the dozen: fit once they are all here.
                if not self._course.is_due():
                    self._change.wait()
                elif not self._change.wait(_LULL_S):
                    return (self._course, *self._course.take())
        return None


Check = tuple[bytes, FloatArray, Ball, dict[str, float]]


def fit_and_check(
    known: tuple[FloatArray, dict[str, FloatArray], "Emulator | None"],
    checked: tuple[Sequence[Check], Sequence[str], Conditions],
) -> tuple["Emulator", dict[bytes, Errors]]:
    """Fit, and return the standardised errors at the check builds too.

    Parameters
    ----------
    known : tuple
        As `fit_known` takes it.
    checked : tuple
        Check builds, each with key, position of the sliders, ball and computed figures; the names
        of the figures to be predicted; the conditions of the flights.
    """
    emulator = fit_known(*known)
    checks, names, conditions = checked
    return emulator, {
        key: standardised(predicted(emulator, point, ball, names, conditions), values)
        for key, point, ball, values in checks
    }


def predicted(
    emulator: "Emulator",
    point: FloatArray,
    ball: Ball,
    names: Sequence[str],
    conditions: Conditions,
) -> dict[str, Pair]:
    """Return mean and standard deviation of each figure of an emulator and of its flights.

    Parameters
    ----------
    emulator : Emulator
        Of launches and others.
    point : (d,) array
        Position of the sliders.
    ball : Ball
        The build there.
    names : sequence of str
        The figures that are wanted.
    conditions : Conditions
        Of the flights.
    """
    known = {name: pair(p) for name, p in emulator.predict(point[None, :]).items()}
    return with_flights(names, ball, known, conditions)


def fit_known(
    x: FloatArray, columns: dict[str, FloatArray], start: "Emulator | None"
) -> "Emulator":
    """Fit the figures that enough of the builds have.

    Parameters
    ----------
    x : (n, d) array
        Positions of the sliders.
    columns : dict of str to (n,) array
        Figures, NaN where a build has none.
    start : Emulator or None
        An earlier fit to fewer of the builds.
    """
    from optimize.emulator.gaussian import FEWEST, fit  # heavy, needed in the fitting process alone

    enough = {n: y for n, y in columns.items() if np.sum(np.isfinite(y)) >= FEWEST}
    return fit(x, enough, start, rough=True)


def pair(prediction: "Prediction") -> tuple[float, float]:
    """Return the median and half the width between one deviation below and above it."""
    low, high = prediction.at(-1.0), prediction.at(1.0)
    return float(prediction.value[0]), 0.5 * float(high[0] - low[0])
