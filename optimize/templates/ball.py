"""A ball to start from: so many layers, a core, a cover, and the mass that the rules allow."""

from dataclasses import dataclass

from layers.ball import Role
from layers.ball_file import ball_from_table
from layers.errors import InputError
from layers.estimation import estimate
from layers.files.toml import parse_toml, toml_value
from layers.materials import default_catalogue

DIAMETER_MM, MASS_G = 42.70, 45.8
MOST_LAYERS = 6

# Layers inside the cover, centre outward, by the number of layers.
_ROLES: dict[int, tuple[Role, ...]] = {
    1: (),
    2: ("core",),
    3: ("core", "mantle"),
    4: ("inner core", "outer core", "mantle"),
    5: ("inner core", "outer core", "mantle", "mantle"),
    6: ("inner core", "outer core", "mantle", "mantle", "mantle"),
}
_COVER_MM, _MANTLE_MM, _INNER_CORE_MM = 1.2, 1.1, 24.0
# A ball of one material has nothing softer or firmer in it: the rubber reaches the mass by filler.
_LEAST_DENSITY, _MOST_DENSITY = 1.00, 1.60


@dataclass(frozen=True)
class Shell:
    """A layer of a new file: its role, and the card it starts with."""

    role: Role
    material: str


def roles(count: int) -> tuple[Role, ...]:
    """Return the usual roles of so many layers, centre outward.

    Raises
    ------
    InputError
        If there are fewer than one or more than `MOST_LAYERS`.
    """
    if count not in _ROLES:
        raise InputError(f"layers is {count}, but must be from 1 to {MOST_LAYERS}.")
    return ("core",) if count == 1 else (*_ROLES[count], "cover")


def known_material(name: str, family: str = "") -> str:
    """Return the name of a shipped card.

    Parameters
    ----------
    name : str
        As it was given.
    family : str
        Only cards of this family, where one is named.

    Raises
    ------
    InputError
        If there is no such card; the nearest names are offered.
    """
    card = default_catalogue().find(name)
    if family and card.family != family:
        fitting = [c.name for c in default_catalogue().material if c.family == family]
        raise InputError(f"{name!r} is not a {family}; choose one of: {', '.join(fitting)}.")
    return card.name


def shells(count: int, core: str, cover: str) -> list[Shell]:
    """Return the layers with a card each; mantles are of ionomer.

    Parameters
    ----------
    count : int
        Number of layers.
    core, cover : str
        Names of cards.
    """
    return [
        Shell(role, {"cover": cover, "mantle": "ionomer, medium"}.get(role, core))
        for role in roles(count)
    ]


def ball_text(name: str, count: int, core: str, cover: str) -> str:
    """Write a ball file.

    Parameters
    ----------
    name : str
        The ball's name.
    count : int
        Number of layers.
    core, cover : str
        Names of shipped cards; a ball of one layer has no cover.

    Raises
    ------
    InputError
        If a name or the number of layers cannot be.
    """
    core, cover = known_material(core, "rubber"), known_material(cover)
    layers = shells(count, core, cover)
    outward = _diameters(layers)
    density = _density(name, layers, outward)
    return _text(name, layers, outward, density)


def _diameters(layers: list[Shell]) -> list[float]:
    """Return outer diameters, mm: usual walls, counted from the outside."""
    inward = [DIAMETER_MM]
    for layer in layers[:0:-1]:
        wall = {"cover": _COVER_MM, "mantle": _MANTLE_MM}.get(layer.role)
        inward.append(_INNER_CORE_MM if wall is None else round(inward[-1] - 2.0 * wall, 2))
    return inward[::-1]


def _density(name: str, layers: list[Shell], outward: list[float]) -> float:
    """Return the cores' density, g/cm3, that gives the ball its mass: mass is linear in it."""
    low, high = (
        _mass_g(_text(name, layers, outward, density))
        for density in (_LEAST_DENSITY, _MOST_DENSITY)
    )
    share = (MASS_G - low) / (high - low)
    # Rounded down: the ball stays below the mass it was made for.
    return int(1e3 * (_LEAST_DENSITY + share * (_MOST_DENSITY - _LEAST_DENSITY))) / 1e3


def _mass_g(text: str) -> float:
    ball = ball_from_table(parse_toml(text, "ball"), default_catalogue(), "ball")
    return estimate(ball, ["mass_g"])["mass_g"].value


def _text(name: str, layers: list[Shell], outward: list[float], density: float) -> str:
    lines = [
        f"# A ball of {len(layers)} layer{'s' if len(layers) > 1 else ''}, centre outward: "
        "change what you like; nothing here was measured.",
        "# Every key with unit and range: orbwright keys ball. Figures: orbwright estimate FILE.",
        f"name = {toml_value(name)}",
    ]
    for layer, diameter in zip(layers, outward, strict=True):
        lines += ["", "[[layer]]", f"role = {toml_value(layer.role)}"]
        lines += [f"outer_diameter_mm = {diameter:g}"]
        lines += [f"material = {toml_value(layer.material)}"]
        if "core" in layer.role:
            lines.append(f"density_g_cm3 = {density:g}  # filler brings the ball to {MASS_G:g} g")
    lines += [
        "",
        "# A card of your own goes below the layers; a layer names it as its material:",
        "# [[material]]",
        '# name = "our rubber"',
        '# family = "rubber"',
        "# youngs_modulus_mpa = 45",
        "# poisson_ratio = 0.49",
        "# density_g_cm3 = 1.15",
    ]
    return "\n".join(lines) + "\n"
