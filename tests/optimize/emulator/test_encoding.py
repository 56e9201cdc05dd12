"""Coordinates of builds for the emulator: which are near each other, and by how much.

Kinds: analytic, limits. The rooms of made-up spaces hold one or two layers.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from layers.flight.aerodynamics import Coefficients
from layers.flight.regions import REYNOLDS, SPIN_RATIO
from layers.materials import default_catalogue
from optimize.emulator.encoding import (
    _ANGULAR_FREQUENCY,
    Encoding,
    _directions,
    _properties,
)
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Gene, Space
from tests.helpers.briefs import four_layers

CARDS = {card.name: card for card in default_catalogue().material}


def encoded(scenario: Scenario, *changes: dict[tuple[int, str], object]) -> np.ndarray:
    """Encode rows that differ from the first of the space in named choices."""
    space = Space(scenario)
    rows = []
    for change in changes:
        chosen = [change.get((g.layer, g.what), g.values[0]) for g in space.genes]
        rows.append(tuple(g.values.index(v) for g, v in zip(space.genes, chosen, strict=True)))
    return Encoding(space)(rows)


IN, OUT = {(2, "present"): True}, {(2, "present"): False}


def test_equal_ratios_of_modulus_lie_equally_far_apart():
    moduli = [{(0, "youngs_modulus_mpa"): e} for e in (32, 40, 50, 64, 80)]
    x = encoded(four_layers(), *moduli)
    steps = np.linalg.norm(np.diff(x, axis=0), axis=1)
    assert steps[0] == pytest.approx(steps[3], rel=1e-9)  # 32 to 40 and 64 to 80
    assert steps[0] == pytest.approx(steps[1], rel=1e-9)  # and 40 to 50


def test_an_absent_layer_is_one_of_no_thickness():
    thin, thick = (IN | {(2, "thickness_mm"): t} for t in (0.8, 2.0))
    x = encoded(four_layers(), OUT, thin, thick)
    names = Encoding(Space(four_layers())).names
    column = x[:, names.index("mantle: thickness_mm")]
    assert (column[2] - column[0]) / (column[2] - column[1]) == pytest.approx(2.0 / 1.2)


def test_an_absent_layer_of_fixed_thickness_is_told_from_one_that_is_there():
    layers = [layer.model_dump() for layer in four_layers().layer]
    layers[2] |= {"thickness_mm": (1.0, 1.0), "material": ("ionomer, firm",)}
    x = encoded(four_layers(layer=layers), OUT, IN)
    assert np.linalg.norm(x[1] - x[0]) == pytest.approx(1.0)


def test_similar_cards_lie_near_and_all_are_distinct():
    choices = [
        {(3, "material"): name} for name in ("urethane, soft", "urethane, medium", "ionomer, soft")
    ]
    x = encoded(four_layers(), *choices)
    soft, medium, ionomer = x
    assert 0.0 < np.linalg.norm(medium - soft) < np.linalg.norm(ionomer - soft)


def test_analytic_properties_of_a_card_are_those_of_its_networks():
    """Prony series (Ferry 1980): 1 + sum g i w t/(1 + i w t), storage and loss its parts."""
    card = next(card for card in CARDS.values() if card.relaxation)
    assert pytest.approx(np.pi) == _ANGULAR_FREQUENCY * 0.45e-3  # half a period of a strike
    modulus = 1.0 + sum(
        pair.strength
        * (1j * _ANGULAR_FREQUENCY * pair.time_us * 1e-6)
        / (1.0 + 1j * _ANGULAR_FREQUENCY * pair.time_us * 1e-6)
        for pair in card.relaxation
    )
    found = _properties(card)
    stiffer = card.dynamic_modulus_ratio.value * modulus.real
    assert found[1] == pytest.approx(np.log(stiffer))
    assert found[2] == pytest.approx(modulus.imag / modulus.real)
    own = (card.poisson_ratio.value, card.density_g_cm3.value, card.friction.value)
    assert found[0] == pytest.approx(np.log(card.youngs_modulus_mpa.value))
    assert tuple(found[3:]) == own


# Made-up spaces.


def space(
    *genes: Gene, layers: int = 1, fill: int | None = None, laws=None, **variables: object
) -> Space:
    """Return genes as a space; the first layer has the variables, the others none."""
    free = {"youngs_modulus_mpa": None, "density_g_cm3": None}
    layer = [
        SimpleNamespace(role=f"layer {i + 1}", **(free | (variables if i == 0 else {})))
        for i in range(layers)
    ]
    filled = None if fill is None else SimpleNamespace(layer=fill)
    scenario = SimpleNamespace(
        layer=layer, material=tuple(CARDS.values()), fill=filled, pattern_laws=lambda: laws
    )
    return SimpleNamespace(genes=genes, scenario=scenario)  # type: ignore[return-value]


def gene(what: str, *values: object, layer: int = 0) -> Gene:
    return Gene(layer, what, values, True)  # type: ignore[arg-type]


def apart(table: np.ndarray) -> np.ndarray:
    return np.linalg.norm(table[:, None] - table[None], axis=2)


def test_without_a_choice_there_are_no_coordinates():
    assert Encoding(space())([(), ()]).shape == (2, 0)
    assert Encoding(space()).names == ()


@pytest.mark.parametrize(
    ("what", "by_ratio"),
    [
        ("youngs_modulus_mpa", True),
        ("surface_over_centre", True),
        ("shape", True),
        ("density_g_cm3", False),
        ("thickness_mm", False),
    ],
)
def test_ratios_or_differences_count(what, by_ratio):
    x = Encoding(space(gene(what, 1.0, 2.0, 4.0)))([(0,), (1,), (2,)])
    assert x[:, 0] == pytest.approx([0.0, 0.5 if by_ratio else 1.0 / 3.0, 1.0])


def test_an_absent_layer_has_no_thickness_and_the_mean_of_all_else():
    genes = (
        gene("thickness_mm", 2.0, 3.0),
        gene("present", False, True, layer=1),
        gene("thickness_mm", 1.0, 2.0, 4.0, layer=1),
        gene("density_g_cm3", 1.0, 1.1, 1.6, layer=1),
        gene("youngs_modulus_mpa", 1.0, 2.0, 16.0, layer=1),
    )
    encode = Encoding(space(*genes, layers=2))
    assert encode.names == (
        "layer 1: thickness_mm",
        "layer 2: thickness_mm",
        "layer 2: density_g_cm3",
        "layer 2: youngs_modulus_mpa",
    )
    x = encode([(1, 1, 1, 2, 1), (1, 0, 1, 2, 1), (0, 0, 0, 0, 0)])
    absent = [-1.0 / 3.0, (0.0 + 1.0 / 6.0 + 1.0) / 3.0, (0.0 + 0.25 + 1.0) / 3.0]
    np.testing.assert_allclose(x, [(1.0, 1.0 / 3.0, 1.0, 0.25), (1.0, *absent), (0.0, *absent)])


def test_an_absent_layer_that_varies_in_nothing_but_its_density_is_zero_there():
    genes = (gene("present", False, True), gene("density_g_cm3", 1.0, 1.5))
    x = Encoding(space(*genes))([(0, 0), (1, 0), (1, 1)])
    np.testing.assert_allclose(x, [(0.0, 0.5), (1.0, 0.0), (1.0, 1.0)])


NAMES = ("core rubber, soft", "ionomer, firm", "urethane, soft")
# What a scenario may set itself, and the properties of cards that then count for nothing.
OMITTED = [
    ({"layers": 1}, ()),
    ({"layers": 2}, (5,)),  # friction is the cover's
    ({"layers": 1, "density_g_cm3": (1.0, 1.2)}, (4,)),
    ({"layers": 1, "fill": 1}, (4,)),
    ({"layers": 2, "fill": 2}, (5,)),  # another layer is filled
    ({"layers": 2, "fill": 1, "layer": 1}, ()),
    ({"layers": 2, "fill": 2, "layer": 1}, (4,)),
]


@pytest.mark.parametrize(("settings", "omitted"), OMITTED)
def test_cards_lie_as_far_apart_as_the_shares_of_their_properties_spreads(settings, omitted):
    layer = settings.get("layer", 0)
    of = {name: value for name, value in settings.items() if name != "layer"}
    encode = Encoding(space(gene("material", *NAMES, layer=layer), **of))
    table = np.array([_properties(CARDS[name]) for name in NAMES])
    table = np.delete(table, omitted, axis=1)
    shares = table / np.ptp(table, axis=0)
    found = encode([(0,), (1,), (2,)])
    np.testing.assert_allclose(apart(found), apart(shares), rtol=1e-9)
    # Three points span a plane; its axes carry numbers.
    assert encode.names == tuple(f"layer {layer + 1}: material {k}" for k in (1, 2))
    np.testing.assert_allclose(found.sum(axis=0), 0.0, atol=1e-12)


def test_cards_of_one_modulus_are_compared_at_its_lower_end():
    moduli = (20.0, 80.0)
    encode = Encoding(space(gene("material", *NAMES), youngs_modulus_mpa=moduli))
    cards = [CARDS[name].with_values("test", youngs_modulus_mpa=moduli[0]) for name in NAMES]
    table = np.array([_properties(card) for card in cards])
    assert np.ptp(table[:, 0]) == 0.0
    spread = np.ptp(table, axis=0)
    shares = table[:, spread > 0.0] / spread[spread > 0.0]
    np.testing.assert_allclose(apart(encode([(0,), (1,), (2,)])), apart(shares), rtol=1e-9)


def test_cards_that_differ_in_nothing_have_no_coordinates():
    one = Encoding(space(gene("material", NAMES[0], NAMES[0])))
    assert one([(0,), (1,)]).shape == (2, 0)


def test_directions_of_less_than_a_thousandth_of_the_largest_are_dropped():
    square = np.array([(1.0, 0.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, -1.0, 0.0)])
    for share, kept in ((0.99e-3, 1), (1.01e-3, 2)):
        assert _directions(square * [5.0, 5.0 * share, 1.0]).shape == (4, kept)


def test_each_direction_points_the_way_of_its_largest_part():
    """An SVD leaves the sign open: equal tables, in whatever order, shall lie equally."""
    table = np.array([(0.0, 0.0), (3.0, -1.0), (6.0, -2.0)])
    for rows in (table, table[::-1]):
        np.testing.assert_allclose(
            _directions(rows)[:, 0], (rows[:, 0] - 3.0) * np.sqrt(10.0) / 3.0
        )
        # The second part is the larger one, and falls.
        np.testing.assert_allclose(
            _directions(rows[:, ::-1] * [4.0, 1.0])[:, 0],
            -(rows[:, 0] - 3.0) * 5.0 / 3.0,
            atol=1e-12,
        )


def test_patterns_lie_a_unit_apart_where_a_coefficient_differs_by_a_tenth():
    def law(drag: float, lift: float):
        def at(reynolds: np.ndarray, spin_ratio: np.ndarray) -> Coefficients:
            first = (reynolds == REYNOLDS[0]) & (spin_ratio == SPIN_RATIO[0])
            last = (reynolds == REYNOLDS[-1]) & (spin_ratio == SPIN_RATIO[-1])
            return Coefficients(0.2 + drag * first, 0.1 + lift * last, first | ~first)

        return at

    laws = {"plain": law(0.0, 0.0), "drag": law(0.1, 0.0), "lift": law(0.0, 0.2)}
    genes = (gene("present", False, True), gene("dimple_pattern", *laws))
    encode = Encoding(space(*genes, laws=laws))
    assert encode.names[1:] == ("layer 1: dimple_pattern 1", "layer 1: dimple_pattern 2")
    x = encode([(1, 0), (1, 1), (0, 2)])  # dimples are there whatever layers are
    expected = np.array([(0.0, 1.0, 2.0), (1.0, 0.0, np.sqrt(5.0)), (2.0, np.sqrt(5.0), 0.0)])
    np.testing.assert_allclose(apart(x[:, 1:]), expected, atol=1e-12)
