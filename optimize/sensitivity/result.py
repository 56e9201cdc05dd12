"""Sobol indices of a scenario's figures, and what they are from."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from layers.arrays import FloatArray
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Gene
from optimize.sensitivity.sobol import Design, Index

# The emulator's error, as a share of a figure's variance, above which indices are unreliable. Over
# random designs of 60 to 300 points (tests/benchmarks/sobol.py), the 95 % intervals of
# Ishigami's function and of the g-function held the truth in 94 to 100 % of the cases below 0.02,
# in 83 and 95 % up to 0.05, and in 83 and 99 % above, where they are wide.
LARGEST_ERROR = 0.05


@dataclass(frozen=True)
class Validation:
    """Test of the emulator of the run alone on further builds, spread over the space.

    Attributes
    ----------
    builds : int
        Number of these builds.
    error : float
        Mean square error there, as a share of the variance of these builds.
    covered : float
        Share of them within their 95 % intervals.
    """

    builds: int
    error: float
    covered: float


@dataclass(frozen=True)
class FigureShares:
    """Sobol indices of one figure.

    Attributes
    ----------
    figure : str
        Its name.
    low, middle, high : float
        Quantiles 2.5, 50 and 97.5 % over the space, in the figure's unit.
    first, total : tuple of Index
        First-order and total index of each design variable.
    layers : tuple of Index
        Total index of all design variables of each layer that has any.
    error : float or None
        Leave-one-out mean square error of the emulator over the space, as a share of the figure's
        variance; None where every build is computed.
    validation : Validation or None
        Its test on further builds, where such were computed.
    """

    figure: str
    low: float
    middle: float
    high: float
    first: tuple[Index, ...]
    total: tuple[Index, ...]
    layers: tuple[Index, ...]
    error: float | None = None
    validation: Validation | None = None

    @property
    def unreliable(self) -> bool:
        """Whether the emulator's error is too large for the indices to be used."""
        errors = (self.error or 0.0, self.validation.error if self.validation else 0.0)
        return max(errors) > LARGEST_ERROR


@dataclass(frozen=True)
class EmulatorError:
    """A run's emulator against computed builds, uniform over the space.

    Attributes
    ----------
    figure : str
        Its name.
    builds : int
        Number of these builds.
    rms, bias : float
        Root mean square and mean of prediction less computed, in the figure's unit.
    error : float
        Mean square error as a share of the variance of these builds.
    within_68, within_95 : float
        Share of them within their 68 and 95 % intervals.
    first, total : tuple of float
        The emulator's indices less the computed ones, of each design variable.
    """

    figure: str
    builds: int
    rms: float
    bias: float
    error: float
    within_68: float
    within_95: float
    first: tuple[float, ...]
    total: tuple[float, ...]


@dataclass(frozen=True)
class Direct:
    """The computed builds that indices are from.

    Attributes
    ----------
    device, precision : str
        What computed the impacts, and in which precision.
    sample : Design
        The builds, repeated ones too.
    values : mapping of str to (1 + parts, n) array
        Figures at these builds; NaN where one failed or is flagged.
    lost : mapping of str to int
        Random builds that do not count for a figure, since it lacks them or a redrawn one.
    distinct, reused : int
        Different builds, and how many of them the ledger had.
    emulator : tuple of EmulatorError
        The emulator of a run against them; empty where there is none.
    """

    device: str
    precision: str
    sample: Design
    values: Mapping[str, FloatArray]
    lost: Mapping[str, int]
    distinct: int
    reused: int
    emulator: tuple[EmulatorError, ...] = ()


@dataclass(frozen=True)
class Shares:
    """Sobol indices of all figures of a scenario.

    Attributes
    ----------
    scenario : Scenario
        The space.
    run : str
        Id of the run whose builds the emulator is fitted to; empty where there is none.
    model_version : str
        Of the builds' figures.
    genes : tuple of Gene
        The design variables, centre outward.
    layers : tuple of int
        Layers that have design variables, from 0 at the centre.
    figures : tuple of FigureShares
        Goals first, then limits, then others that are known of every build.
    constant : tuple of str
        Figures that do not vary.
    builds, added : int
        Builds that the emulator is fitted to, and how many of them were computed for it; or builds
        computed.
    makeable : float
        Share of all combinations that can be made.
    direct : Direct or None
        The builds, where all are computed and no emulator has a part.
    """

    scenario: Scenario
    run: str
    model_version: str
    genes: tuple[Gene, ...]
    layers: tuple[int, ...]
    figures: tuple[FigureShares, ...]
    constant: tuple[str, ...]
    builds: int
    added: int
    makeable: float
    direct: Direct | None = field(default=None, compare=False)
