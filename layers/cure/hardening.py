"""From the state of cure to the hardness and modulus of a core along its radius.

ln E = gum + per_coagent z / 10 + per_peroxide n / 0.01 + ln(1 + 2.5 f + 14.1 f^2)

with z the polymerised co-agent, phr, n the decomposed peroxide groups, mol/kg of rubber, and f the
volume share of fillers and oxides (Guth and Gold 1938, Phys. Rev. 53, 322). Hardness follows from
the modulus by `layers.hardness`. That stiffness grows exponentially with the polymerised salt is
from memory of hardness against its parts; the numbers, and those of the cure, are replaced by what
a lab's cut cores say: no pair of press cycle and hardness profile was found in print.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.stats import t as student

from layers.arrays import FloatArray
from layers.cure.cycle import Cycle
from layers.cure.history import History, cure_core
from layers.cure.law import Law
from layers.cure.stock import Stock
from layers.hardness import find_scale, reading_of

# Shells and error of a step, K, where many cures are computed: within 0.2 points of the default.
COARSE = (60, 0.05)
# Numerical derivatives are taken over so many prior standard deviations on each side.
_DIFFERENCE = 0.4
FROM_MEMORY = "from memory: no cut cores; use its trends, not its numbers"


@dataclass(frozen=True)
class Parameter:
    """A number of the map and what is known of it before any cut core."""

    name: str
    unit: str
    mean: float
    deviation: float
    help: str


# Parameters of the cure first; those in `_LOGARITHMS` are logarithms. All from memory.
PARAMETERS = (
    Parameter("kappa", "1", np.log(0.36), 0.25, "log of the polymerisation's rate at 160 C"),
    Parameter("energy_kj_mol", "kJ/mol", 20.0, 6.0, "its activation energy"),
    Parameter("rate", "1", 0.0, 0.15, "log factor on the peroxides' decomposition"),
    Parameter("heat", "1", 0.0, 0.07, "log factor on the heat of polymerisation"),
    Parameter("conductivity", "1", 0.0, 0.10, "log factor on the stock's conductivity"),
    Parameter("contact", "1", 0.0, 0.40, "log factor on the heat transfer in the press"),
    Parameter("gum", "1", np.log(1.8), 0.25, "log of the modulus without co-agent, MPa"),
    Parameter("per_coagent", "1", 1.20, 0.20, "of ln E, for 10 phr of polymerised co-agent"),
    Parameter("per_peroxide", "1", 0.10, 0.06, "of ln E, for 0.01 mol/kg of peroxide groups"),
)
_LOGARITHMS = ("kappa", "rate", "heat", "conductivity", "contact")
_OF_THE_CURE = 6
NAMES = tuple(parameter.name for parameter in PARAMETERS)


@dataclass(frozen=True)
class Noise:
    """Deviations of hardness readings from the map, points; before calibration from memory.

    Attributes
    ----------
    reading : float
        Of one reading.
    core : float
        Of a whole core, from batch and press.
    shape : float
        Of the profile's shape, alike over some `length` of the radius.
    length : float
        As a share of the radius.
    """

    reading: float = 1.0
    core: float = 1.0
    shape: float = 1.0
    length: float = 0.35

    def between(self, a: FloatArray, b: FloatArray) -> FloatArray:
        """Covariance of the profile at shares of the radius a (n,) with b (m,), points squared."""
        apart = (a[:, None] - b[None, :]) / self.length
        return self.core**2 + self.shape**2 * np.exp(-0.5 * apart**2)


@dataclass(frozen=True)
class Hardening:
    """The map: its parameters with their covariance, and the deviations from it.

    Attributes
    ----------
    mean, covariance : (p,), (p, p) array
        Of `PARAMETERS`.
    noise : Noise
        Of readings and cores.
    degrees : float
        Of the noise's size, as degrees of freedom; infinite where it is from memory.
    source : str
        What it rests on: `FROM_MEMORY`, or the cut cores.
    calibrated : bool
        Whether it rests on cut cores.
    """

    mean: FloatArray = field(default_factory=lambda: np.array([p.mean for p in PARAMETERS]))
    covariance: FloatArray = field(
        default_factory=lambda: np.diag([p.deviation**2 for p in PARAMETERS])
    )
    noise: Noise = Noise()
    degrees: float = np.inf
    source: str = FROM_MEMORY
    calibrated: bool = False

    @property
    def law(self) -> Law:
        """The cure's law by the mean parameters."""
        return law_of(self.mean)

    def width(self, level: float = 0.95) -> float:
        """Half width of an interval over the standard deviation."""
        return float(student.ppf(0.5 + 0.5 * level, self.degrees))


@dataclass(frozen=True)
class HardnessProfile:
    """Hardness and modulus of a new core at positions from its centre.

    Attributes
    ----------
    position_mm : (k,) array
        From the centre.
    shore_c, modulus_mpa : (k,) array
        Expected.
    covariance : (k, k) array
        Of the hardness of a new core, points squared: map, batch and shape; not the reading.
    width : float
        Half width of a 95 % interval over the standard deviation.
    source : str
        What the map rests on.
    """

    position_mm: FloatArray
    shore_c: FloatArray
    modulus_mpa: FloatArray
    covariance: FloatArray
    width: float
    source: str

    @property
    def interval(self) -> tuple[FloatArray, FloatArray]:
        """Ends of the 95 % intervals of the hardness, points: even in ln E, so below 100."""
        points = np.sqrt(np.diag(self.covariance))
        # Beyond ends of 0 and 100 points no wider interval says more.
        reach = np.exp(np.minimum(self.width * points * log_slope(self.modulus_mpa), 50.0))
        return shore_c(self.modulus_mpa / reach), shore_c(self.modulus_mpa * reach)

    @property
    def difference(self) -> tuple[float, float]:
        """Outermost less innermost, points, and the half width of its 95 % interval."""
        c = self.covariance
        deviation = np.sqrt(max(c[0, 0] + c[-1, -1] - 2.0 * c[0, -1], 0.0))
        return float(self.shore_c[-1] - self.shore_c[0]), float(self.width * deviation)


def law_of(theta: FloatArray) -> Law:
    """Return the law of the cure by the parameters."""
    values = {
        name: float(np.exp(value) if name in _LOGARITHMS else value)
        for name, value in zip(NAMES[:_OF_THE_CURE], theta, strict=False)
    }
    return Law(**values)


def shore_c(modulus_mpa: FloatArray) -> FloatArray:
    """Hardness of moduli, Shore C points; see `layers.hardness`."""
    scale = find_scale("C")
    return np.array([reading_of(scale, float(e)) for e in np.ravel(modulus_mpa)]).reshape(
        np.shape(modulus_mpa)
    )


def log_slope(modulus_mpa: FloatArray) -> FloatArray:
    """D ln E / d Shore C, 1 a point."""
    points = shore_c(modulus_mpa)
    return np.asarray(100.0 / (points * (100.0 - points)))


def log_modulus(theta: FloatArray, history: History, position_mm: FloatArray) -> FloatArray:
    """Logarithm of the modulus, MPa, at positions of a core that has been cured and cooled.

    Parameters
    ----------
    theta : (p,) array
        Parameters of the map.
    history : History
        Of the core, by the law of these parameters.
    position_mm : (k,) array
        From the centre.
    """
    stock = history.stock
    groups = 0.5 * float(stock.radicals.sum())
    salt = history.at(position_mm, history.conversion[-1]) * stock.coagent_phr
    gone = groups * (1.0 - history.at(position_mm, history.left[-1]))
    gum, per_coagent, per_peroxide = theta[_OF_THE_CURE:]
    filler = np.log(1.0 + 2.5 * stock.solids + 14.1 * stock.solids**2)
    return np.asarray(gum + per_coagent * salt / 10.0 + per_peroxide * gone / 0.01 + filler)


def hardness(
    theta: FloatArray, stock: Stock, cycle: Cycle, diameter_mm: float, position_mm: FloatArray
) -> FloatArray:
    """Hardness of a core at positions by some parameters, Shore C.

    Parameters
    ----------
    theta : (p,) array
        Parameters of the map.
    stock, cycle : Stock, Cycle
        What is cured, how.
    diameter_mm : float
        Of the core as moulded.
    position_mm : (k,) array
        From the centre.
    """
    found = cure_core(stock, cycle, diameter_mm, law_of(theta), *COARSE)
    return shore_c(np.exp(log_modulus(theta, found, position_mm)))


def slopes(
    theta: FloatArray, stock: Stock, cycle: Cycle, diameter_mm: float, position_mm: FloatArray
) -> FloatArray:
    """Return the derivatives of `hardness` over the parameters, (k, p), by central differences.

    Parameters
    ----------
    theta, stock, cycle, diameter_mm, position_mm
        As for `hardness`.
    """
    columns = []
    middle = cure_core(stock, cycle, diameter_mm, law_of(theta), *COARSE)
    for j, parameter in enumerate(PARAMETERS):
        ends = []
        for sign in (-1.0, 1.0):
            moved = theta.copy()
            moved[j] += sign * _DIFFERENCE * parameter.deviation
            if j < _OF_THE_CURE:
                ends.append(hardness(moved, stock, cycle, diameter_mm, position_mm))
            else:
                ends.append(shore_c(np.exp(log_modulus(moved, middle, position_mm))))
        columns.append((ends[1] - ends[0]) / (2.0 * _DIFFERENCE * parameter.deviation))
    return np.column_stack(columns)


def predict(
    hardening: Hardening, stock: Stock, cycle: Cycle, diameter_mm: float, position_mm: FloatArray
) -> HardnessProfile:
    """Predict the profile of a new core, with its covariance to first order.

    Parameters
    ----------
    hardening : Hardening
        The map.
    stock, cycle : Stock, Cycle
        What is cured, how.
    diameter_mm : float
        Of the core as moulded.
    position_mm : (k,) array
        From the centre.

    Raises
    ------
    InputError, SolverError
        As `layers.cure.history.cure_core`.
    """
    theta = hardening.mean
    history = cure_core(stock, cycle, diameter_mm, law_of(theta))
    modulus = np.exp(log_modulus(theta, history, position_mm))
    jacobian = slopes(theta, stock, cycle, diameter_mm, position_mm)
    share = position_mm / (0.5 * diameter_mm)
    covariance = jacobian @ hardening.covariance @ jacobian.T
    return HardnessProfile(
        position_mm=position_mm,
        shore_c=shore_c(modulus),
        modulus_mpa=modulus,
        covariance=covariance + hardening.noise.between(share, share),
        width=hardening.width(),
        source=hardening.source,
    )
