"""How often finite elements fall within the emulator's 95 % intervals."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

NINETY_FIVE = 1.96  # half width of a normal 95 % interval, in standard deviations


@dataclass
class Coverage:
    """Of one figure: checks, and how many were within the interval."""

    checks: int = 0
    covered: int = 0
    relative_error: float = 0.0  # summed

    def count(self, mean: float, deviation: float, computed: float) -> None:
        """Check one prediction.

        Parameters
        ----------
        mean, deviation : float
            Of the emulator, in the figure's unit.
        computed : float
            By finite elements.
        """
        self.checks += 1
        self.covered += abs(computed - mean) <= NINETY_FIVE * deviation
        self.relative_error += abs(computed - mean) / (abs(computed) or 1.0)


class CoverageTable:
    """Coverage of every emulated figure."""

    def __init__(self, names: Sequence[str]) -> None:
        self._of = {name: Coverage() for name in names}

    def count(
        self, predicted: Mapping[str, tuple[float, float]], computed: Mapping[str, float]
    ) -> None:
        """Check the predictions for one build: mean and deviation against finite elements."""
        for name, value in computed.items():
            if name in predicted:
                self._of[name].count(*predicted[name], value)

    def record(self) -> dict[str, Any]:
        """Return the counts as plain data, in total and by figure."""
        checked = {name: one for name, one in self._of.items() if one.checks}
        return {
            "checks": sum(one.checks for one in checked.values()),
            "covered": sum(one.covered for one in checked.values()),
            "scores": {
                name: {
                    "checks": one.checks,
                    "covered": one.covered,
                    "mean_error_percent": 100.0 * one.relative_error / one.checks,
                }
                for name, one in checked.items()
            },
        }
