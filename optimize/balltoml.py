"""Write a ball, say a member of a short list, as the TOML that `orbwright estimate` reads.

The cards are written into the file, so that it stands alone when a catalogue changes.
"""

from typing import Any

from layers.ball import Ball, Layer
from layers.materials import Material
from optimize.tomltext import toml_value


def ball_toml(ball: Ball) -> str:
    """Write a ball as TOML.

    Parameters
    ----------
    ball : Ball
        The build. Layers whose cards differ under one name get cards named by their number.

    Returns
    -------
    str
        A text from which `layers.ball.ball_from_table` makes a ball of equal numbers.
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
