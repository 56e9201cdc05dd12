"""The material cards that each layer can take, and the sliders of a choice of them."""

from collections.abc import Sequence

from layers.ball import Ball
from layers.errors import InputError
from layers.materials import Material, default_catalogue
from optimize.bench.sliders import Panel, matched, panel_of
from optimize.scenario.brief import Scenario


class Choices:
    """The cards of every layer, and the panels of the choices that were made.

    Parameters
    ----------
    ball : Ball
        The bench starts with it: its cards are the first choice.
    scenario : Scenario or None
        Gives the cards; the shipped catalogue otherwise.

    Raises
    ------
    InputError
        If no build of the scenario has the ball's layers.
    """

    def __init__(self, ball: Ball, scenario: Scenario | None) -> None:
        self.ball = ball
        self._scenario = scenario
        self._layers = matched(ball, scenario) if scenario else None
        cards = scenario.material if scenario else default_catalogue().material
        # The ball's own card stands for any of its name, which may have other numbers.
        self._cards = [
            {layer.material.name: layer.material}
            | {card.name: card for card in cards if card.name != layer.material.name}
            for layer in ball.layer
        ]
        self._panels: dict[tuple[str, ...], Panel] = {}

    @property
    def patterns(self) -> tuple[str, ...]:
        """Names of the dimple patterns to choose from, the ball's own among them."""
        listed = self._scenario.patterns if self._scenario else ()
        own = self.ball.dimple_pattern
        return (own, *listed) if listed and own and own not in listed else listed

    def names(self, layer: int) -> tuple[str, ...]:
        """Return the names of the cards of a layer, from 0 at the centre, the ball's own first."""
        return tuple(self._cards[layer])

    def wanted(self, layer: int) -> tuple[str, ...]:
        """Return the names among them that the scenario chooses from."""
        if self._layers is None:
            return ()
        return tuple(n for n in self._layers[layer].material if n in self._cards[layer])

    def ball_of(self, materials: Sequence[str | None]) -> Ball:
        """Return the first ball in other materials.

        Parameters
        ----------
        materials : sequence of str or None
            Name of each layer's card; None for the ball's own.

        Raises
        ------
        InputError
            If a layer has no card of that name.
        """
        layers = []
        for i, (before, name) in enumerate(zip(self.ball.layer, materials, strict=True)):
            if name is not None and name not in self._cards[i]:
                raise InputError(
                    f"the request: layer {i + 1}, material is {name!r}, but must be one of: "
                    f"{', '.join(self._cards[i])}."
                )
            card = self._cards[i][name] if name else before.material
            layers.append(before.model_copy(update={"material": self._started(i, card)}))
        return self.ball.model_copy(update={"layer": tuple(layers)})

    def panel(self, materials: Sequence[str]) -> Panel:
        """Return the sliders of a choice of cards, by their names."""
        key = tuple(materials)
        if key not in self._panels:
            self._panels[key] = panel_of(self.ball_of(key), self._scenario)
        return self._panels[key]

    def _started(self, i: int, card: Material) -> Material:
        """Give a card the ball's own numbers where the scenario, not the card, says them."""
        own = self.ball.layer[i].material
        if self._layers is None or self._scenario is None or card is own:
            return card
        fill, layer = self._scenario.fill, self._layers[i]
        filled = fill is not None and self._scenario.layer[fill.layer - 1] is layer
        kept = {}
        if layer.youngs_modulus_mpa:
            kept["youngs_modulus_mpa"] = own.youngs_modulus_mpa.value
        if layer.density_g_cm3 or filled:
            kept["density_g_cm3"] = own.density_g_cm3.value
        return card.with_values("set by the scenario", **kept) if kept else card


def materials_of(ball: Ball) -> tuple[str, ...]:
    """Return the names of a ball's cards, centre outward."""
    return tuple(layer.material.name for layer in ball.layer)
