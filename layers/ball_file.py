"""Read and write balls as TOML files.

Material cards are written into the file, so that it needs no catalogue.
"""

from typing import Any

from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.errors import Fault, faulty
from layers.files.cards import with_card
from layers.files.explain import explain, shown_value
from layers.files.paths import StrPath, write_text
from layers.files.toml import read_toml, toml_value
from layers.graded.profile import Profile
from layers.graded.reading import StatedProfile, resolved
from layers.materials import (
    HARDNESS_KEYS,
    Catalogue,
    Material,
    default_catalogue,
    modulus_datum,
)


def ball_toml(ball: Ball) -> str:
    """Write a ball as TOML.

    Parameters
    ----------
    ball : Ball
        The build. Layers whose cards differ under one name get cards named by their number.

    Returns
    -------
    str
        A text from which `layers.ball_file.ball_from_table` makes a ball of equal numbers.
    """
    cards = _named_cards(ball)
    lines = [
        f"name = {toml_value(ball.name)}",
        f"dimple_volume_percent = {ball.dimple_volume_percent!r}",
        f"dimple_depth_mm = {ball.dimple_depth_mm!r}",
    ]
    if ball.dimple_pattern:
        lines.append(f"dimple_pattern = {toml_value(ball.dimple_pattern)}")
    for layer, name in zip(ball.layer, cards, strict=True):
        lines += ["", "[[layer]]", f"role = {toml_value(layer.role)}"]
        lines += [
            f"outer_diameter_mm = {layer.outer_diameter_mm!r}",
            f"material = {toml_value(name)}",
        ]
        if layer.profile:
            lines += ["", "[layer.profile]"]
            lines += [f"{k} = {toml_value(v)}" for k, v in _stated(layer.profile).items()]
    for name, card in dict(
        zip(cards, (layer.material for layer in ball.layer), strict=True)
    ).items():
        lines += ["", "[[material]]", f"name = {toml_value(name)}"]
        lines += [f"{k} = {toml_value(v)}" for k, v in _fields(card).items()]
    return "\n".join(lines) + "\n"


def _named_cards(ball: Ball) -> list[str]:
    """Name each layer's card: its own name, or with the layer's number where two would clash."""
    return [_card_name(ball.layer, i) for i in range(len(ball.layer))]


def _card_name(layers: tuple[Layer, ...], i: int) -> str:
    card = layers[i].material
    clash = any(o.material.name == card.name and o.material != card for o in layers)
    return f"{card.name[:70]}, layer {i + 1}" if clash else card.name


def _fields(card: Material) -> dict[str, Any]:
    fields = card.model_dump(mode="json", exclude={"name"})
    return {k: v for k, v in fields.items() if v != [] or k == "relaxation"}


def _stated(profile: Profile) -> dict[str, Any]:
    """Return what a profile says, of its two ways the one that it uses."""
    way = "relative_knots" if profile.relative_knots else "surface_over_centre"
    fields = profile.model_dump(mode="json", exclude_defaults=True)
    return {way: profile.model_dump(mode="json")[way]} | fields


# Numbers of a card that a layer may replace.
OVERRIDES = ("youngs_modulus_mpa", "density_g_cm3", "poisson_ratio", "friction")


def ball_from_table(table: dict[str, Any], catalogue: Catalogue, what: str) -> Ball:
    """Build a ball from a parsed TOML table whose layers name their materials.

    Parameters
    ----------
    table : dict
        Keys of `Ball`; each ``[[layer]]`` has ``role``, ``outer_diameter_mm``, ``material`` (a name
        in the catalogue or in the table's own ``[[material]]`` cards) and may replace some of
        the card's numbers.
    catalogue : Catalogue
        Cards to find names in.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        On an unknown field or material, or a value out of range.
    """
    table = dict(table)
    faults: list[Fault] = []
    known = (
        *(*Ball.model_fields, *Layer.model_fields, *Material.model_fields),
        *StatedProfile.model_fields,
    )
    more = {"Ball": ("material",), "Layer": (*OVERRIDES, *HARDNESS_KEYS), "Material": HARDNESS_KEYS}
    try:
        if "material" in table:
            own = Catalogue.model_validate({"material": table.pop("material")})
            catalogue = catalogue.joined(own.material)
        rows = table.get("layer")
        if isinstance(rows, list):
            table["layer"] = [
                _resolve(*_profile_of(rows, i, faults), catalogue, i, what, faults)
                for i in range(len(rows))
            ]
        ball = Ball.model_validate(table)
    except ValidationError as error:
        told = explain(error, what, known, (Ball, Catalogue), more).faults
        raise faulty([*faults, *told], what) from error
    if faults:
        raise faulty(faults, what)
    return ball


def _profile_of(rows: list[Any], index: int, faults: list[Fault]) -> tuple[Any, dict[str, Any]]:
    """Return a layer's row with its profile made relative, and the modulus that it sets."""
    row = rows[index]
    if not isinstance(row, dict) or not isinstance(row.get("profile"), dict):
        return row, {}
    row, place = dict(row), ("layer", index, "profile")
    stated, found = row.pop("profile"), {}
    try:
        inner = float(rows[index - 1]["outer_diameter_mm"]) if index else 0.0
        outer = float(row["outer_diameter_mm"])
    except (KeyError, TypeError, ValueError):
        return row, {}  # a diameter is missing or no number, and is told as such
    if not 0.0 <= inner < outer:
        return row, {}  # the diameters are at fault, and are told as such
    try:
        found = resolved(stated, inner, outer)
        row["profile"] = found.pop("profile")
    except ValidationError as error:
        known = tuple(StatedProfile.model_fields)
        for fault in explain(error, "", known).faults:
            told = f"layer {index + 1}, profile: {fault.sentence}"
            faults.append(Fault((*place, *fault.place), told))
    except ValueError as error:
        faults.append(Fault(place, f"layer {index + 1}, profile: {str(error).rstrip('.')}"))
    several = [key for key in ("youngs_modulus_mpa", *HARDNESS_KEYS) if found and key in row]
    if several:
        told = f"layer {index + 1}: give {several[0]} or the moduli of profile, not both"
        faults.append(Fault((*place[:2], several[0]), told))
        return row, {}
    return row, found


def _resolve(
    row: Any,
    modulus: dict[str, Any],
    catalogue: Catalogue,
    index: int,
    what: str,
    faults: list[Fault],
) -> Any:
    """Put the card that a layer names into it, with the numbers that the layer replaces.

    `modulus` is that of its profile, if it sets one.
    """
    if not isinstance(row, dict) or isinstance(row.get("material"), dict):
        return row
    place = ("layer", index)
    replaced = {field: row[field] for field in OVERRIDES if field in row}
    row = {key: value for key, value in row.items() if key not in replaced}
    if not isinstance(row.get("material"), str):  # told as such: what it replaces is no fault
        return row
    modulus = modulus | _modulus_of_hardness(row, "youngs_modulus_mpa" in replaced, place, faults)
    row = with_card(row, "material", catalogue, place, faults)
    for field, value in list(replaced.items()):
        if isinstance(value, bool) or not isinstance(value, int | float):
            told = f"layer {index + 1}, {field} is {shown_value(value)}, but must be a number"
            faults.append(Fault((*place, field), told))
            del replaced[field]
    replaced |= modulus
    try:
        if replaced:
            row["material"] = row["material"].with_values(f"set in {what}", **replaced)
    except ValidationError as error:
        key = next(iter(replaced))
        for fault in explain(error, what).faults:
            faults.append(Fault((*place, key), f"layer {index + 1}: {fault.sentence}"))
    return row


def _modulus_of_hardness(
    row: dict[str, Any], has_modulus: bool, place: tuple[int | str, ...], faults: list[Fault]
) -> dict[str, Any]:
    """Take a layer's hardness out of its row and return the modulus that it stands for."""
    given = {key: row.pop(key) for key in HARDNESS_KEYS if key in row}
    several = [*["youngs_modulus_mpa"] * has_modulus, *given]
    number = int(place[-1]) + 1
    if len(several) > 1:
        told = f"layer {number}: give {several[0]} or {several[1]}, not both"
        faults.append(Fault((*place, several[1]), told))
        return {}
    for key, value in given.items():
        try:
            return {"youngs_modulus_mpa": modulus_datum(HARDNESS_KEYS[key], value, key)}
        except ValueError as error:
            said = explain(error, "") if isinstance(error, ValidationError) else error
            faults.append(Fault((*place, key), f"layer {number}: {str(said).strip(': .')}"))
    return {}


def read_ball(path: StrPath, catalogue: Catalogue | None = None) -> Ball:
    """Read a ball from a TOML file.

    Parameters
    ----------
    path : str or path
        The file; see `ball_from_table` for its keys.
    catalogue : Catalogue, optional
        Cards to find material names in; the shipped catalogue otherwise.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a ball.
    """
    return read_toml(
        path, lambda table, what: ball_from_table(table, catalogue or default_catalogue(), what)
    )


def write_ball(ball: Ball, path: StrPath) -> None:
    """Write a ball with its material cards as a TOML file, which `read_ball` reads.

    Raises
    ------
    InputError
        If the ball is not valid, or the file cannot be written.
    """
    write_text(path, ball_toml(ball.checked()))
