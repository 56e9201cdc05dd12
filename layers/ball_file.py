"""Read and write balls as TOML files.

Material cards are written into the file, so that it needs no catalogue.
"""

from pathlib import Path
from typing import Any

from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.errors import InputError, explain
from layers.files.paths import StrPath, write_text
from layers.files.text import read_text
from layers.files.toml import parse_toml, toml_value
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
    for layer, name in zip(ball.layer, cards, strict=True):
        lines += ["", "[[layer]]", f"role = {toml_value(layer.role)}"]
        lines += [
            f"outer_diameter_mm = {layer.outer_diameter_mm!r}",
            f"material = {toml_value(name)}",
        ]
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
    try:
        if "material" in table:
            own = Catalogue.model_validate({"material": table.pop("material")})
            catalogue = catalogue.joined(own.material)
        rows = table.get("layer")
        if isinstance(rows, list):
            table["layer"] = [_resolve(row, catalogue, i, what) for i, row in enumerate(rows, 1)]
        return Ball.model_validate(table)
    except ValidationError as error:
        known = (*Ball.model_fields, *Layer.model_fields, *Material.model_fields)
        raise explain(error, what, known) from error


def _resolve(row: Any, catalogue: Catalogue, number: int, what: str) -> Any:
    if not isinstance(row, dict) or not isinstance(row.get("material"), str):
        return row
    row = dict(row)
    modulus = _modulus_of_hardness(row, number, what)
    replaced = {field: row.pop(field) for field in OVERRIDES if field in row}
    for field, value in replaced.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{what}: layer {number}, {field} is {value!r}, but must be a number.")
    try:
        card = catalogue.find(row["material"])
    except InputError as error:
        raise InputError(f"{what}: layer {number}: {error}") from error
    replaced |= modulus
    row["material"] = card.with_values(f"set in {what}", **replaced) if replaced else card
    return row


def _modulus_of_hardness(row: dict[str, Any], number: int, what: str) -> dict[str, Any]:
    """Take a layer's hardness out of its row and return the modulus that it stands for."""
    given = [key for key in ("youngs_modulus_mpa", *HARDNESS_KEYS) if key in row]
    if len(given) > 1:
        raise InputError(f"{what}: layer {number}: give {given[0]} or {given[1]}, not both.")
    for key in set(given) & set(HARDNESS_KEYS):
        try:
            return {"youngs_modulus_mpa": modulus_datum(HARDNESS_KEYS[key], row.pop(key), key)}
        except ValidationError as error:
            raise explain(error, f"{what}: layer {number}, {key}") from error
        except ValueError as error:
            raise InputError(f"{what}: layer {number}: {error}") from error
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
    path = Path(path)
    table = parse_toml(read_text(path), path.name)
    return ball_from_table(table, catalogue or default_catalogue(), path.name)


def write_ball(ball: Ball, path: StrPath) -> None:
    """Write a ball with its material cards as a TOML file, which `read_ball` reads.

    Raises
    ------
    InputError
        If the ball is not valid, or the file cannot be written.
    """
    write_text(path, ball_toml(ball.checked()))
