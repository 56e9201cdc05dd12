"""Training the emulator: builds over the sliders' ranges, fits, and checks of its intervals."""

import threading
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.stats import qmc

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError, OrbwrightError
from layers.figures import QUANTITIES, parse_figure
from optimize.bench.build import build_of
from optimize.bench.coverage import CoverageTable
from optimize.bench.sliders import Panel
from optimize.bench.worker import Worker, WorkerEnded
from optimize.ledger.rows import Known

if TYPE_CHECKING:
    from optimize.emulator.gaussian import Emulator, Prediction

TRAINING_BUILDS = 160
# The first fit comes early: one of all builds takes ten times as long. The next ones follow when
# the builds have grown by these factors, during the design and after it.
_FIRST_FIT, _GROWTH, _GROWTH_LATER, _MOST_BUILDS = 40, 1.6, 1.25, 400
_FIT_LIMIT_S = 300.0
_LULL_S = 0.25
_RETRY_AFTER = 10  # builds, after a fit that failed
_OUTSIDE = 0.02  # of a slider's length: how far beyond its end the emulator still predicts

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
    """Asks for training builds, collects their figures, and fits an emulator in its own process.

    Parameters
    ----------
    panel : Panel
        Its sliders span the emulator's space.
    names : sequence of str
        All figures on the bench.
    count : int
        Training builds over the sliders' ranges.
    """

    def __init__(self, panel: Panel, names: Sequence[str], count: int = TRAINING_BUILDS) -> None:
        self.names = emulated(names)
        self.count = count
        self._panel = panel
        self._design = _design(panel, count)
        self._done = 0
        self._seen: set[bytes] = set()
        self._points: list[FloatArray] = []
        self._values: list[list[float]] = []
        self._due = min(_FIRST_FIT, count or _FIRST_FIT)
        self._emulator: Emulator | None = None
        self._fitted_on = 0
        self._trouble = ""
        self._coverage = CoverageTable(self.names)
        self._change = threading.Condition()
        self._closing = False
        self._worker = Worker("orbwright-emulator", 10)
        self._thread = threading.Thread(target=self._run, name="trainer", daemon=True)

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

    def next_build(self) -> Ball | None:
        """Return the next training build; None when all are computed."""
        return self._design[self._done] if self._done < len(self._design) else None

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
        if self._done < len(self._design) and ball is self._design[self._done]:
            self._done += 1
        values = {n: known.figures[n].value for n in self.names if n in known.figures}
        point = self._panel.point(ball)
        if len(values) < len(self.names) or not within(point) or point.tobytes() in self._seen:
            return
        if urgent and (predicted := self.predict(ball)):
            self._coverage.count(predicted, values)
        with self._change:
            self._seen.add(point.tobytes())
            self._points.append(point)
            self._values.append([values[name] for name in self.names])
            self._points, self._values = self._points[-_MOST_BUILDS:], self._values[-_MOST_BUILDS:]
            self._change.notify_all()

    def predict(self, ball: Ball) -> dict[str, tuple[float, float]] | None:
        """Return mean and standard deviation of each emulated figure.

        None while there is no emulator, or where the build is outside the sliders' ranges.
        """
        emulator, point = self._emulator, self._panel.point(ball)
        if emulator is None or not within(point):
            return None
        return {name: _pair(p) for name, p in emulator.predict(point[None, :]).items()}

    def state(self) -> dict[str, Any]:
        """Return the progress of training and the coverage of the intervals, as plain data."""
        return {
            "computed": len(self._points),
            "wanted": max(self.count, len(self._points)),
            "done": self._done >= len(self._design),
            "fitted_on": self._fitted_on,
            "trouble": self._trouble,
            **self._coverage.record(),
        }

    def _run(self) -> None:
        while (training_set := self._await_builds()) is not None:
            x, values = training_set
            columns = {name: values[:, i] for i, name in enumerate(self.names)}
            try:
                emulator = self._worker.ask(_fit, x, columns, self._emulator, limit_s=_FIT_LIMIT_S)
            except (OrbwrightError, WorkerEnded) as error:
                # The last emulator remains; with more builds the fit is tried again.
                self._trouble = f"The emulator could not be fitted: {error}"
                self._due = len(self._points) + _RETRY_AFTER
                continue
            self._emulator, self._fitted_on, self._trouble = emulator, len(x), ""

    def _await_builds(self) -> tuple[FloatArray, FloatArray] | None:
        """Wait until a fit is due; return points (n, d) and figures (n, m), None at the end."""
        with self._change:
            while not self._closing and len(self._points) < self._due:
                self._change.wait()
            while not self._closing and self._change.wait(_LULL_S):
                pass  # builds come from a ledger by the dozen: fit once they are all here
            if self._closing:
                return None
            most = None if self._emulator else _FIRST_FIT
            x, values = np.array(self._points[:most]), np.array(self._values[:most])
        if len(x) < self.count:
            self._due = min(int(_GROWTH * len(x)) + 1, self.count)
        else:
            self._due = int(_GROWTH_LATER * len(x)) + 1
        return x, values


def _fit(x: FloatArray, columns: dict[str, FloatArray], start: "Emulator | None") -> "Emulator":
    from optimize.emulator.gaussian import fit  # heavy, and needed in the fitting process alone

    return fit(x, columns, start)


def _pair(prediction: "Prediction") -> tuple[float, float]:
    """Return the median and half the width between one deviation below and above it."""
    low, high = prediction.at(-1.0), prediction.at(1.0)
    return float(prediction.value[0]), 0.5 * float(high[0] - low[0])


def within(point: FloatArray) -> bool:
    """Whether a build is within the sliders' ranges, but for a small step."""
    return bool(np.all((point >= -_OUTSIDE) & (point <= 1.0 + _OUTSIDE)))


def _design(panel: Panel, count: int) -> list[Ball]:
    """Return a Sobol sequence of builds over the sliders, without those that make no ball."""
    sobol = qmc.Sobol(len(panel.sliders), seed=1)
    found: list[Ball] = []
    for point in sobol.random(2 ** (count.bit_length() + 1)):
        if len(found) == count:
            break
        values = [float(s.value(p)) for s, p in zip(panel.sliders, point, strict=True)]
        try:
            found.append(build_of(panel.setting(values, "a training build"), panel.ball))
        except InputError:
            continue
    return found
