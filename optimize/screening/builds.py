"""A row of a table of builds -> a ball, or why there is none, by row and column."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from layers.ball import Ball, Layer
from layers.errors import InputError, joined
from layers.files.csv import Column, read_number, wrong_width
from layers.files.explain import explain
from layers.files.other_units import unit_hint
from layers.graded.profile import Profile
from layers.hardness import SCALES
from layers.materials import Catalogue, Material, modulus_datum
from optimize.scenario.space import mass_per_density
from optimize.screening.columns import (
    BALL_NUMBERS,
    LAYER_NUMBERS,
    LAYERS,
    OPEN,
    PROFILE,
    Sheet,
    split,
)

# A diameter is a sum of thicknesses, rounded as a search's builds are, so that both are the same
# in the ledger; two ways to give it may differ by as much.
_DIGITS, _SAME_MM = 6, 1e-6
_SCALES = {scale.key: scale for scale in SCALES}


@dataclass(frozen=True)
class Built:
    """A build, and what was solved for.

    Attributes
    ----------
    ball : Ball
        The build.
    density : float or None
        The density that was left open, g/cm3.
    layer : str
        Which layer's it is; empty where none was open.
    """

    ball: Ball
    density: float | None = None
    layer: str = ""


@dataclass(frozen=True)
class _Given:
    """What a row says of one layer."""

    name: str
    text: dict[str, str]
    number: dict[str, float]
    open: bool


def build_of(sheet: Sheet, line: int, row: Sequence[str], catalogue: Catalogue) -> Built:
    """Build the ball of a row.

    Parameters
    ----------
    sheet : Sheet
        The table's columns.
    line : int
        The row's place in the file.
    row : sequence of str
        Its cells.
    catalogue : Catalogue
        Cards of the materials that it names.

    Raises
    ------
    InputError
        Naming row and column of each fault, the value and the remedy.
    """
    if len(row) > sheet.width:
        raise InputError(f"{wrong_width(line, len(row), sheet.width)}.")
    cells = sheet.cells_of(row)
    faults: list[str] = []
    ball: dict[str, Any] = {
        n: _number(cells, n, c, line, faults) for n, c in BALL_NUMBERS.items() if n in cells
    }
    layers = [
        _given(name, cells, line, faults)
        for name in sheet.layers
        if any(split(column)[0] == name for column in cells)
    ]
    if not layers and not faults:
        faults.append(f"row {line} gives no layer")
    _refuse(faults)
    mass = ball.pop("mass_g", None)
    ball |= {"dimple_pattern": cells["dimple_pattern"]} if "dimple_pattern" in cells else {}
    opened = _open_layer(layers, mass, line)
    diameters = _diameters(layers, line)
    cards = [_card(layer, catalogue, line) for layer in layers]
    name = cells.get("build", f"row {line}")
    if opened is None or mass is None:
        return Built(_ball(name, layers, diameters, cards, ball, line))
    # Built once before the density is known, so that faults of diameters are told as such.
    _ball(name, layers, diameters, cards, ball, line)
    dimples = ball.get("dimple_volume_percent", Ball.model_fields["dimple_volume_percent"].default)
    place = layers.index(opened)
    weights = mass_per_density(diameters, dimples / 100.0)
    others = sum(
        weight * card.density_g_cm3.value
        for i, (weight, card) in enumerate(zip(weights, cards, strict=True))
        if i != place
    )
    density = float((mass - others) / weights[place])
    low, high = LAYER_NUMBERS["density_g_cm3"].low, LAYER_NUMBERS["density_g_cm3"].high
    if not low <= density <= high:
        raise InputError(
            f"row {line}, mass_g is {mass:g}, for which {opened.name}_density_g_cm3 would be "
            f"{density:.4g}, but must be from {low:g} to {high:g}; change the mass, a diameter or "
            f"another density."
        )
    cards[place] = cards[place].with_values(f"row {line}, from mass_g", density_g_cm3=density)
    return Built(_ball(name, layers, diameters, cards, ball, line), density, opened.name)


def _refuse(faults: Sequence[str]) -> None:
    if faults:
        raise InputError(f"{joined(faults)}.")


def _number(
    cells: dict[str, str], name: str, column: Column, line: int, faults: list[str]
) -> float:
    """Read a cell; a fault is added if it holds no number of the column's range."""
    count = len(faults)
    unit = "the column's unit" if column.unit == "1" else column.unit
    value = read_number(cells[name], line, name, unit, faults)
    if len(faults) == count and not column.low <= value <= column.high:
        hint = unit_hint(value, column.unit, column.low, column.high)
        faults.append(
            f"row {line}, {name} is {value:g}, but must be from {column.low:g} to "
            f"{column.high:g}{'' if column.unit == '1' else f' {column.unit}'}{hint}"
        )
    return value


def _given(name: str, cells: dict[str, str], line: int, faults: list[str]) -> _Given:
    own = {field: column for column in cells if (field := _field(column, name))}
    text = {f: cells[c] for f, c in own.items() if f not in LAYER_NUMBERS}
    is_open = cells.get(f"{name}_density_g_cm3", "").casefold() == OPEN
    numbers = {f: c for f, c in own.items() if f in LAYER_NUMBERS}
    if is_open:
        del numbers["density_g_cm3"]
    found = {f: _number(cells, c, LAYER_NUMBERS[f], line, faults) for f, c in numbers.items()}
    stiffness = [f for f in ("youngs_modulus_mpa", *_SCALES) if f in found]
    if len(stiffness) > 1:
        both = " and ".join(f"{name}_{field}" for field in stiffness)
        faults.append(f"row {line}, {both} are both given; clear one of them")
    if "material" not in text and "family" not in text:
        faults.append(
            f"row {line}, {name}_material is empty; name a card, or give {name}_family and the "
            f"numbers"
        )
    return _Given(name, text, found, is_open)


def _field(column: str, layer: str) -> str:
    owner, field = split(column)
    return field if owner == layer else ""


def _open_layer(layers: Sequence[_Given], mass: float | None, line: int) -> _Given | None:
    """Return the layer whose density is open; a mass and one such layer go together."""
    opened = [layer for layer in layers if layer.open]
    if mass is None and opened:
        raise InputError(
            f"row {line}, {opened[0].name}_density_g_cm3 is {OPEN!r}, but mass_g is empty; give "
            f"the ball's mass or the density."
        )
    if mass is not None and len(opened) != 1:
        how = "none is" if not opened else f"{len(opened)} are"
        raise InputError(
            f"row {line}, mass_g is {mass:g}, but {how} open among the layers' densities; write "
            f"{OPEN!r} in one density cell, or clear mass_g."
        )
    return opened[0] if opened else None


def _diameters(layers: Sequence[_Given], line: int) -> list[float]:
    """Return the outer diameters, mm, from those given and from thicknesses."""
    outer = [layer.number.get("outer_diameter_mm") for layer in layers]
    thick = [layer.number.get("thickness_mm") for layer in layers]
    if thick[0] is not None:
        raise InputError(
            f"row {line}, {layers[0].name}_thickness_mm is {thick[0]:g}, but the innermost layer "
            f"takes {layers[0].name}_outer_diameter_mm."
        )
    for i in range(1, len(layers)):
        inner, wall = outer[i - 1], thick[i]
        if outer[i] is None and inner is not None and wall is not None:
            outer[i] = round(inner + 2.0 * wall, _DIGITS)
    for i in range(len(layers) - 1, 0, -1):
        whole, wall = outer[i], thick[i]
        if outer[i - 1] is None and whole is not None and wall is not None:
            outer[i - 1] = round(whole - 2.0 * wall, _DIGITS)
    found = [diameter for diameter in outer if diameter is not None]
    if len(found) < len(outer):
        name = layers[outer.index(None)].name
        raise InputError(
            f"row {line}, {name}_outer_diameter_mm is empty and does not follow from thicknesses; "
            f"give it."
        )
    for i in range(1, len(layers)):
        wall = thick[i]
        if wall is not None and abs(found[i] - found[i - 1] - 2.0 * wall) > _SAME_MM:
            raise InputError(
                f"row {line}, {layers[i].name}_thickness_mm is {wall:g}, but the diameters leave "
                f"{(found[i] - found[i - 1]) / 2.0:g}; clear one of the three."
            )
    return found


def _card(layer: _Given, catalogue: Catalogue, line: int) -> Material:
    """Return a layer's card: the one it names with the row's numbers, or one of them alone."""
    source = f"row {line}"
    numbers: dict[str, Any] = {
        field: {"value": value, "source": source}
        for field, value in layer.number.items()
        if field not in ("outer_diameter_mm", "thickness_mm", *PROFILE, *_SCALES)
    }
    for field, scale in _SCALES.items():
        if field in layer.number:
            column = f"{layer.name}_{field}"
            numbers["youngs_modulus_mpa"] = modulus_datum(scale, layer.number[field], column)
    try:
        if "material" in layer.text:
            if "family" in layer.text:
                raise InputError("a card is named, which has its family: clear the other")
            card = catalogue.find(layer.text["material"])
            return card.with_values(source, **numbers) if numbers else card
        if layer.open:
            numbers["density_g_cm3"] = {"value": 1.0}  # until it is solved for
        return Material.model_validate(
            {"name": f"{LAYERS[layer.name]} of {source}", "family": layer.text["family"], **numbers}
        )
    except InputError as error:
        column = f"{layer.name}_material"
        raise InputError(f"row {line}, {column}: {error}") from error
    except ValidationError as error:
        raise explain(error, f"row {line}, {layer.name}", tuple(LAYER_NUMBERS)) from error


def _profile(layer: _Given, line: int) -> Profile | None:
    """Return a graded layer's profile; None where its cells are empty."""
    given = {field: layer.number[field] for field in PROFILE if field in layer.number}
    if "shape" in given and "surface_over_centre" not in given:
        raise InputError(
            f"row {line}, {layer.name}_shape is {given['shape']:g}, but "
            f"{layer.name}_surface_over_centre is empty; give both or clear it."
        )
    return Profile(**given, source=f"row {line}") if given else None


def _ball(
    name: str,
    layers: Sequence[_Given],
    diameters: Sequence[float],
    cards: Sequence[Material],
    others: dict[str, Any],
    line: int,
) -> Ball:
    try:
        return Ball(
            name=name,
            layer=tuple(
                Layer(
                    role=LAYERS[layer.name],
                    outer_diameter_mm=diameter,
                    material=card,
                    profile=_profile(layer, line),
                )
                for layer, diameter, card in zip(layers, diameters, cards, strict=True)
            ),
            **others,
        )
    except ValidationError as error:
        raise explain(error, f"row {line}", tuple(LAYER_NUMBERS)) from error
