"""A run's emulator against builds that were computed to estimate indices directly."""

from dataclasses import replace

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from optimize.emulator.encoding import Encoding
from optimize.emulator.gaussian import FEWEST, Prediction, fit
from optimize.scenario.space import Space
from optimize.search.result import Run
from optimize.sensitivity.more_builds import Computed
from optimize.sensitivity.result import EmulatorError, FigureShares, Shares
from optimize.sensitivity.shares import evenly, shares

# Halves of the shares that the bars promise.
_HALF_68, _HALF_95 = 0.3413, 0.475


def with_emulator_error(found: Shares, run: Run, own: Computed) -> Shares:
    """Add the error of a run's emulator over the computed builds, and of its indices.

    Parameters
    ----------
    found : Shares
        Computed directly; the emulator is tried on its random builds.
    run : Run
        A finished search of the same scenario.
    own : Computed
        Its builds.

    Raises
    ------
    InputError
        If the run has too few builds for an emulator.
    """
    direct = found.direct
    assert direct is not None  # by the caller
    if len(own.rows) < FEWEST:
        raise InputError(f"run {run.id} has {len(own.rows)} builds; at least {FEWEST} are needed.")
    its = {figure.figure: figure for figure in shares(run, own).figures}
    common = [figure for figure in found.figures if figure.figure in its]
    if not common:
        return found
    encode = Encoding(Space(found.scenario))
    emulator = fit(*evenly(encode, own, [figure.figure for figure in common]))
    base = [tuple(int(k) for k in row) for row in direct.sample.rows[0]]
    predicted = emulator.predict(encode(base))
    errors = [
        _error(one, its[one.figure], predicted[one.figure], direct.values[one.figure][0])
        for one in common
    ]
    return replace(found, run=run.id, direct=replace(direct, emulator=tuple(errors)))


def _error(
    one: FigureShares, by_emulator: FigureShares, predicted: Prediction, true: FloatArray
) -> EmulatorError:
    known = np.isfinite(true)
    wrong = (predicted.value - true)[known]
    beyond = np.abs(predicted.below(true)[known] - 0.5)
    return EmulatorError(
        figure=one.figure,
        builds=int(np.count_nonzero(known)),
        rms=float(np.sqrt(np.mean(wrong**2))),
        bias=float(np.mean(wrong)),
        error=float(np.mean(wrong**2) / np.var(true[known])),
        within_68=float(np.mean(beyond <= _HALF_68)),
        within_95=float(np.mean(beyond <= _HALF_95)),
        first=tuple(a.value - b.value for a, b in zip(by_emulator.first, one.first, strict=True)),
        total=tuple(a.value - b.value for a, b in zip(by_emulator.total, one.total, strict=True)),
    )
