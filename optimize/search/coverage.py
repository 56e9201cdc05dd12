"""An emulator's predictions compared with the computed figures: error and coverage."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from layers.arrays import FloatArray
from optimize.emulator.intervals import SIGMAS_68, SIGMAS_95
from optimize.ledger.rows import Predicted
from optimize.scenario.space import Row
from optimize.search.loop import Assessed
from optimize.search.result import EmulatorCheck, Failed


def emulator_checks(
    predictions: Mapping[Row, Mapping[str, Predicted]], builds: Sequence[Assessed]
) -> tuple[EmulatorCheck, ...]:
    """Compare predictions with the figures computed afterwards.

    The builds are those that the search chose by its predictions, and a few drawn at random: the
    emulator had not been fitted to any of them.

    Parameters
    ----------
    predictions : mapping of row to mapping of figure to Predicted
        Predicted before the computation.
    builds : sequence of Assessed
        Computed builds.
    """
    pairs: dict[str, list[tuple[Predicted, float]]] = {}
    for build in builds:
        for figure, prediction in predictions.get(build.candidate.row, {}).items():
            assert not isinstance(build.outcome, Failed)  # a computed build has figures
            pairs.setdefault(figure, []).append((prediction, build.outcome.values[figure]))
    return tuple(_compared(figure, found) for figure, found in pairs.items())


def _compared(figure: str, pairs: Sequence[tuple[Predicted, float]]) -> EmulatorCheck:
    errors = np.array([_median(p) / value - 1.0 if value else 0.0 for p, value in pairs])
    sigmas = np.abs([_sigmas(p, value) for p, value in pairs])
    return EmulatorCheck(
        figure, len(pairs), _rms(errors), _share(sigmas, SIGMAS_68), _share(sigmas, SIGMAS_95)
    )


def _median(prediction: Predicted) -> float:
    return math.exp(prediction.mean) if prediction.log else prediction.mean


def _sigmas(prediction: Predicted, value: float) -> float:
    return ((math.log(value) if prediction.log else value) - prediction.mean) / prediction.sd


def _rms(errors: FloatArray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def _share(sigmas: FloatArray, most: float) -> float:
    return float(np.mean(sigmas <= most))
