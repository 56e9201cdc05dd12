"""Figures: what can be asked of a ball, by name.

A name is ``quantity`` or ``quantity@condition``, which a stage or a swing may precede:
``mass_g``, ``cor@38.1``, ``deflection_mm@98-1275``, ``stage1.deflection_mm``,
``driver fast.spin_rpm``. A figure over the players of a club names the club:
``driver.carry_range_m``. Labels and synonyms are accepted for the quantity, in any case; what is
stored and printed for scripts is the name.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from layers.arrays import Level
from layers.errors import InputError

Basis = Literal["closed form", "finite element", "emulator", "calibrated"]


@dataclass(frozen=True)
class Quantity:
    """What can be estimated, and what it is called on screens and on input.

    Attributes
    ----------
    label : str
        The field's term, without unit.
    symbol : str
        As formulas and drawings write it.
    unit : str
        In ASCII; "1" for a ratio. `printed_unit` is for screens.
    help : str
        What it is, in a line.
    basis : str
        Closed form or finite element.
    difference_percent, difference_least : float
        Measured: half width within which 95 % of random builds on the default mesh agree with the
        limit of ever finer ones (docs/accuracy.md): percent of the value, but at least so much, in
        the unit.
    absolute_percent : float
        A judgement: the scatter of uncalibrated materials carried through the model.
    synonyms : tuple of str
        What else is accepted on input. One that two quantities share is refused as ambiguous.
    short : str
        For column heads; the label where it is empty.
    of : str
        What it belongs to: a body (ball or stage), a swing, or a club over its players.
    condition, default : str, tuple of float
        What may follow @, and the default: speeds in m/s, loads in N.
    of_process : bool
        Whether it follows from prices and the lab's process too: no ledger keeps it.
    fine_share : float
        The same half width of the fine mesh over that of the default one.
    of_core : bool
        Whether it says something of graded cores only, and so is asked for by name.
    """

    label: str
    symbol: str
    unit: str
    help: str
    basis: Basis
    difference_percent: float
    absolute_percent: float
    synonyms: tuple[str, ...] = ()
    short: str = ""
    of: Literal["body", "swing", "club"] = "body"
    condition: Literal["none", "speed", "loads", "speeds"] = "none"
    default: tuple[float, ...] = ()
    of_process: bool = False
    difference_least: float = 0.0
    fine_share: float = 1.0
    of_core: bool = False

    def difference_error(self, value: float, level: Level = "default") -> float:
        """Return the half width within which a mesh agrees with the limit of ever finer ones.

        Parameters
        ----------
        value : float
            The figure's value, in the unit.
        level : {"default", "fine"}
            The mesh.
        """
        share = self.fine_share if level == "fine" else 1.0
        return share * max(abs(value) * self.difference_percent / 100.0, self.difference_least)

    @property
    def printed_unit(self) -> str:
        """The unit as screens show it; empty for a ratio."""
        return printed(self.unit)


_PRINTED = {"1": "", "us": "µs", "deg": "°", "g cm2": "g cm²", "g/cm3": "g/cm³"}


def printed(unit: str) -> str:
    """Return a unit as screens show it; empty for a ratio."""
    return _PRINTED.get(unit, unit)


# Test speeds: 125 ft/s, and the 143.8 ft/s striker of the initial-velocity test. Loads: 10 and
# 130 kgf.
_BALL_TEST, _STRIKER, _LOADS = (38.1,), (43.83,), (98.0665, 1274.8645)

_CLOSED: Basis = "closed form"
_FINITE: Basis = "finite element"

# A row is read across: label, symbol, unit, help, basis, errors in %, synonyms, the rest by name.
# fmt: off
QUANTITIES: dict[str, Quantity] = {
    "mass_g": Quantity("mass", "m", "g", "mass", _CLOSED, 0.0, 0.5, ("weight",)),
    "diameter_mm": Quantity(
        "diameter", "D", "mm", "outer diameter", _CLOSED, 0.0, 0.1, ("outer diameter", "size")),
    "moi_g_cm2": Quantity(
        "moment of inertia (MOI)", "I", "g cm2", "moment of inertia about a diameter", _CLOSED,
        0.1, 0.7, ("rotational inertia", "inertia"), short="MOI"),
    "moi_ratio": Quantity(
        "MOI ratio I/(m R²)", "I/(m R²)", "1",
        "moment of inertia over mass and radius squared; 0.4 for a uniform sphere", _CLOSED, 0.1,
        0.3, ("MOI ratio", "inertia ratio", "inertia"), short="I/(m R²)"),
    "mean_density_g_cm3": Quantity(
        "mean density", "ρ", "g/cm3", "mass over volume", _CLOSED, 0.0, 0.5, ("density",)),
    "cost_per_ball": Quantity(
        "cost per ball", "C", "currency",
        "materials and operations of a ball that passes, at the yields of the lab's process",
        _CLOSED, 0.0, 0.0, ("cost", "price"), of_process=True),
    "press_minutes": Quantity(
        "press time per ball", "t_p", "min",
        "minutes in presses for a ball that passes, at the cavities and yields of the process",
        _CLOSED, 0.0, 0.0, ("press time", "moulding time"), of_process=True),
    "deflection_mm": Quantity(
        "deflection", "δ", "mm",
        "deflection between flat plates from the first load to the second, N", _FINITE, 0.24,
        15.0, ("compression deflection", "compression deformation", "deformation"),
        condition="loads", default=_LOADS,
        fine_share=0.25),
    "hardness_difference_shore_c": Quantity(
        "hardness difference", "ΔH", "Shore C", "surface less centre, of a core or other stage",
        _CLOSED, 0.0, 0.0, ("hardness gradient",), of_core=True),
    "gradient_product": Quantity(
        "gradient product", "δ ΔH", "mm Shore C", "deflection, 98 to 1275 N, times the hardness "
        "difference of that stage", _FINITE, 0.24, 15.0, of_core=True, fine_share=0.25),
    "frequency_hz": Quantity(
        "first spheroidal (n = 2) frequency", "f₂", "Hz",
        "natural frequency of the first spheroidal mode (n = 2)", _FINITE, 0.04, 10.0,
        ("natural frequency", "spheroidal frequency"), short="n = 2 frequency"),
    "cor": Quantity(
        "impact speed ratio (COR)", "e", "1",
        "rebound speed over inbound speed (m/s) on a rigid barrier", _FINITE, 0.16, 3.0,
        ("coefficient of restitution", "restitution"), short="COR", condition="speed",
        default=_BALL_TEST,
        fine_share=0.27),
    "cor_slope": Quantity(
        "COR slope", "de/dv", "s/m", "change of COR per m/s between two inbound speeds", _FINITE,
        0.0, 40.0, ("slope of COR",), condition="speeds", default=(*_BALL_TEST, *_STRIKER),
        difference_least=8.1e-05, fine_share=0.35),
    "contact_time_us": Quantity(
        "contact time", "t_c", "us",
        "contact time on a rigid barrier at this inbound speed (m/s)", _FINITE, 0.75, 8.0,
        ("impact duration",), condition="speed", default=_STRIKER,
        fine_share=0.35),
    "peak_force_n": Quantity(
        "peak force", "F_max", "N", "peak force on a rigid barrier at this inbound speed (m/s)",
        _FINITE, 1.2, 10.0, ("force", "maximum force"), condition="speed", default=_STRIKER,
        fine_share=0.3),
    "peak_deformation_mm": Quantity(
        "peak deformation", "x_max", "mm",
        "peak centre-of-mass travel into a rigid barrier at this inbound speed (m/s)", _FINITE,
        0.32, 10.0, ("centre-of-mass travel", "maximum deformation", "deformation"),
        condition="speed", default=_STRIKER,
        fine_share=0.25),
    "initial_velocity_m_s": Quantity(
        "initial velocity", "v₀", "m/s", "speed off a heavy rigid striker of this speed (m/s)",
        _FINITE, 0.072, 1.5, ("IV", "speed", "velocity"), condition="speed", default=_STRIKER,
        fine_share=0.25),
    "ball_speed_m_s": Quantity(
        "ball speed", "v_b", "m/s", "ball speed off the club", _FINITE, 0.2, 2.5,
        ("launch speed", "ball velocity", "speed", "velocity"), of="swing",
        difference_least=0.11, fine_share=0.5),
    "launch_angle_deg": Quantity(
        "launch angle", "θ", "deg", "launch angle off the club, above the horizontal", _FINITE,
        0.9, 8.0, ("vertical launch angle", "launch", "angle"), of="swing",
        fine_share=0.85),
    "spin_rpm": Quantity(
        "spin", "ω", "rpm", "backspin off the club", _FINITE, 2.7, 25.0,
        ("backspin", "spin rate", "launch spin"), of="swing",
        fine_share=0.65),
    "smash_factor": Quantity(
        "smash factor", "v_b/v_c", "1", "ball speed over club speed", _FINITE, 0.35, 2.5,
        ("smash",), of="swing",
        fine_share=0.5),
    "strike_time_us": Quantity(
        "contact time on the face", "t_f", "us", "contact time on the club's face", _FINITE, 1.7,
        8.0, ("contact time", "impact duration"), of="swing",
        fine_share=0.45),
    "carry_m": Quantity(
        "carry", "x_c", "m", "carry, to the height of launch", _FINITE, 0.33, 11.0,
        ("carry distance", "distance"), of="swing",
        difference_least=0.46, fine_share=0.5),
    "apex_m": Quantity(
        "apex height", "h", "m", "greatest height of the flight", _FINITE, 1.2, 20.0,
        ("maximum height", "peak height", "height"), of="swing",
        difference_least=0.15, fine_share=0.5),
    "descent_angle_deg": Quantity(
        "descent angle", "θ_d", "deg", "angle of descent at landing, below the horizontal",
        _FINITE, 1.2, 12.0, ("landing angle", "angle of descent", "angle"), of="swing",
        fine_share=0.6),
    "flight_time_s": Quantity(
        "flight time", "t", "s", "time of flight", _FINITE, 0.75, 8.0,
        ("hang time", "time of flight"), of="swing",
        difference_least=0.025, fine_share=0.5),
    "landing_spin_rpm": Quantity(
        "landing spin", "ω_d", "rpm", "backspin at landing", _FINITE, 2.7, 26.0, of="swing",
        fine_share=0.65),
    "total_m": Quantity(
        "total distance", "x_t", "m", "carry with a rough bounce-and-roll estimate", _FINITE, 0.46,
        15.0, ("carry and roll", "distance"), of="swing",
        difference_least=0.85, fine_share=0.5),
    "carry_range_m": Quantity(
        "carry range over the players", "Δx_c", "m",
        "longest less shortest carry over a club's players", _FINITE, 3.0, 20.0,
        ("range of carry",), short="carry range", of="club",
        difference_least=1.0, fine_share=0.6),
}
# fmt: on

BALL_FIGURES = tuple(
    name
    for name, known in QUANTITIES.items()
    if known.of == "body" and not known.of_process and not known.of_core
)


def _plain(text: str) -> str:
    """Write a name without regard to case, underscores, hyphens and blanks."""
    return " ".join(re.sub(r"[_\-\s]+", " ", text.casefold()).split())


def _unitless(name: str, unit: str) -> str:
    """Return a name without its unit: ball_speed_m_s is also ball_speed."""
    return name.removesuffix("_" + unit.lower().replace("/", "_").replace(" ", "_"))


def _spellings() -> tuple[dict[str, list[str]], ...]:
    """Return the quantities of names, of labels and of synonyms; the first table wins."""
    names: dict[str, list[str]] = {}
    labels: dict[str, list[str]] = {}
    synonyms: dict[str, list[str]] = {}
    for name, known in QUANTITIES.items():
        bare = re.sub(r" \([A-Z]+\)$", "", known.label)
        same = (known.label, bare, known.short, _unitless(name, known.unit))
        for table, words in ((names, (name,)), (labels, same), (synonyms, known.synonyms)):
            for word in dict.fromkeys(filter(None, map(_plain, words))):
                table.setdefault(word, []).append(name)
    return names, labels, synonyms


_SPELLINGS = _spellings()
_STAGE = re.compile(r"stage ?([0-9]{1,3})")
_SWING = re.compile(r"[a-z0-9]+(?: [a-z0-9]+)*")


@dataclass(frozen=True)
class FigureName:
    """A parsed name: `stage` of a figure of a stage, `swing` of a launch or flight (or a club).

    `name` is the canonical one, under which ledgers and records keep the figure.
    """

    name: str = field(compare=False)
    quantity: str
    condition: tuple[float, ...]
    stage: int | None = None
    swing: str | None = None


@lru_cache(maxsize=4096)
def parse_figure(name: str) -> FigureName:
    """Parse a figure's name, label or synonym, without regard to case.

    Parameters
    ----------
    name : str
        ``[stage or swing.]quantity[@condition]``; conditions are speeds in m/s or loads in N.

    Raises
    ------
    InputError
        If the quantity is unknown or ambiguous, or its stage, swing or condition does not fit;
        the nearest names are offered. Whether a swing exists is for `estimate` to say.

    Examples
    --------
    >>> parse_figure("COR@45").name, parse_figure("driver fast.Ball speed").name
    ('cor@45', 'driver fast.ball_speed_m_s')
    """
    whole, at, after = name.partition("@")
    before, dot, what = whole.rpartition(".")
    owner = _plain(before)
    stage = _STAGE.fullmatch(owner)
    if dot and not _SWING.fullmatch(owner):
        raise InputError(f"figure {name!r} is not known; {_offer(what)}")
    quantity = _quantity(name, what, bool(stage) if owner else None)
    known = QUANTITIES[quantity]
    condition = _condition(name, after, known) if at else known.default
    _check_owner_kind(name, quantity, owner, bool(stage))
    written = "@" + "-".join(f"{value:.10g}" for value in condition) if at else ""
    if stage:
        number = int(stage[1])
        return FigureName(f"stage{number}.{quantity}{written}", quantity, condition, stage=number)
    first = f"{owner}." if owner else ""
    return FigureName(f"{first}{quantity}{written}", quantity, condition, swing=owner or None)


def canonical(names: Iterable[str]) -> list[str]:
    """Return the canonical names of figures, each once.

    Raises
    ------
    InputError
        As `parse_figure`.
    """
    return list(dict.fromkeys(parse_figure(name).name for name in names))


def _quantity(name: str, words: str, of_body: bool | None) -> str:
    """Find the quantity that words mean; `of_body` narrows the choice where it is known."""
    found: list[str] = []
    for table in _SPELLINGS:
        found = found or table.get(_plain(words), [])
        fit = [n for n in table.get(_plain(words), []) if of_body is not None]
        fit = [n for n in fit if (QUANTITIES[n].of == "body") == of_body]
        if len(fit) == 1:
            return fit[0]
    if not found:
        raise InputError(f"figure {name!r} is not known; {_offer(words)}")
    if len(found) > 1:
        raise InputError(f"figure {name!r} is ambiguous: it may mean {_either(found)}.")
    return found[0]


def _either(names: Sequence[str]) -> str:
    return " or ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _offer(words: str) -> str:
    every = {spelt: names for table in reversed(_SPELLINGS) for spelt, names in table.items()}
    plain = _plain(words)
    near = get_close_matches(plain, every, n=3) or get_close_matches(plain, every, n=1, cutoff=0.4)
    names = list(dict.fromkeys(name for spelt in near for name in every[spelt]))
    return f"did you mean {_either(names)}?" if names else f"known: {', '.join(QUANTITIES)}."


def _check_owner_kind(name: str, quantity: str, owner: str, stage: bool) -> None:
    of = QUANTITIES[quantity].of
    if of == "body" and owner and not stage:
        raise InputError(
            f"figure {name!r}: {quantity} is of the ball or a stage, such as "
            f"{quantity} or stage1.{quantity}."
        )
    if of != "body" and (stage or not owner):
        what, example = {
            "swing": ("a swing", "driver fast"),
            "club": ("a club over its players", "driver"),
        }[of]
        raise InputError(f"figure {name!r}: {quantity} is of {what}, such as {example}.{quantity}.")


_CONDITION_RANGE = {
    "speed": (0.5, 80.0, "a speed in m/s"),
    "speeds": (0.5, 80.0, "two speeds in m/s"),
    "loads": (0.5, 5000.0, "two loads in N"),
}


def _condition(name: str, text: str, known: Quantity) -> tuple[float, ...]:
    if known.condition == "none":
        raise InputError(f"figure {name!r} takes no condition after @.")
    low, high, what = _CONDITION_RANGE[known.condition]
    try:
        values = tuple(float(part) for part in text.split("-"))
    except ValueError:
        values = ()
    if len(values) != len(known.default) or not all(low <= v <= high for v in values):
        each, joined = (", each", ", joined by -") if known.default[1:] else ("", "")
        raise InputError(
            f"figure {name!r}: the condition after @ is {text!r}, but must be {what}{each} "
            f"from {low:g} to {high:g}{joined}."
        )
    if any(first >= second for first, second in pairwise(values)):
        raise InputError(f"figure {name!r}: the first value after @ must be below the second.")
    return values
