"""How far an emulator's guesses were right, once finite elements had computed the builds."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from layers.arrays import FloatArray
from optimize.emulator.intervals import SIGMAS_68, SIGMAS_95
from optimize.ledger.ledger import Guess
from optimize.scenario.space import Row
from optimize.search.loop import Looked
from optimize.search.result import Checked, Failed


def checked(
    guesses: Mapping[Row, Mapping[str, Guess]], builds: Sequence[Looked]
) -> tuple[Checked, ...]:
    """Compare guesses with what was computed afterwards, figure by figure.

    The builds are those that the search chose by its guesses, and a few drawn blindly: none was
    among those that its emulator had been fitted to.

    Parameters
    ----------
    guesses : mapping of row to mapping of figure to Guess
        What was expected.
    builds : sequence of Looked
        Computed builds.
    """
    pairs: dict[str, list[tuple[Guess, float]]] = {}
    for build in builds:
        for figure, guess in guesses.get(build.candidate.row, {}).items():
            assert not isinstance(build.outcome, Failed)  # a computed build has figures
            pairs.setdefault(figure, []).append((guess, build.outcome.figures[figure].value))
    return tuple(_compared(figure, found) for figure, found in pairs.items())


def _compared(figure: str, pairs: Sequence[tuple[Guess, float]]) -> Checked:
    errors = np.array([_median(guess) / value - 1.0 if value else 0.0 for guess, value in pairs])
    sigmas = np.abs([_sigmas(guess, value) for guess, value in pairs])
    return Checked(
        figure, len(pairs), _rms(errors), _share(sigmas, SIGMAS_68), _share(sigmas, SIGMAS_95)
    )


def _median(guess: Guess) -> float:
    return math.exp(guess.mean) if guess.log else guess.mean


def _sigmas(guess: Guess, value: float) -> float:
    return ((math.log(value) if guess.log else value) - guess.mean) / guess.sd


def _rms(errors: FloatArray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def _share(sigmas: FloatArray, most: float) -> float:
    return float(np.mean(sigmas <= most))
