"""A row is a ball, or says by row and column why not."""

import re

import pytest

from layers.errors import InputError
from layers.hardness import modulus_from_hardness
from layers.mass import inertia
from layers.materials import default_catalogue
from optimize.screening.builds import build_of
from optimize.screening.columns import BY_COUNT, COLUMNS, LAYERS, header_of, sheet_of, split
from tests.helpers.tables import HEADER, row

SHEET = sheet_of(HEADER, "builds.csv")


def built(**changes: str):
    return build_of(SHEET, 7, row("K1", **changes), default_catalogue())


def refused(**changes: str) -> str:
    with pytest.raises(InputError) as caught:
        built(**changes)
    return str(caught.value)


def test_the_open_density_gives_the_mass():
    found = built()
    assert found.layer == "core"
    assert 1e3 * inertia.mass(found.ball.body()) == pytest.approx(45.6, rel=1e-12)
    assert found.ball.layer[0].material.density_g_cm3.value == found.density
    assert found.ball.layer[0].outer_diameter_mm == 40.9


def test_an_empty_layer_is_left_out_and_thicknesses_go_both_ways():
    inward = built(mantle_material="ionomer, firm", mantle_thickness_mm="1.2").ball
    outward = built(
        core_outer_diameter_mm="38.5",
        mantle_material="ionomer, firm",
        mantle_thickness_mm="1.2",
        cover_outer_diameter_mm="",
    ).ball
    assert [x.outer_diameter_mm for x in inward.layer] == [38.5, 40.9, 42.7]
    assert [x.outer_diameter_mm for x in outward.layer] == [38.5, 40.9, 42.7]


def test_hardness_stands_for_the_modulus():
    card = built(cover_shore_d="55").ball.layer[-1].material
    assert card.youngs_modulus_mpa.value == modulus_from_hardness("D", 55.0)
    assert "Shore D 55" in card.youngs_modulus_mpa.source
    named = default_catalogue().find("urethane, soft")
    assert card.density_g_cm3 == named.density_g_cm3
    assert card.dynamic_modulus_ratio != named.dynamic_modulus_ratio  # of the family, by modulus


def test_numbers_without_a_card_need_a_family():
    header = ["core_family", "core_outer_diameter_mm", "core_poisson_ratio"]
    header += ["core_density_g_cm3", "core_youngs_modulus_mpa"]
    sheet = sheet_of(header, "builds.csv")
    ball = build_of(sheet, 2, ["rubber", "40", "0.49", "1.1", "50"], default_catalogue()).ball
    assert ball.name == "row 2"
    assert ball.layer[0].material.family == "rubber"
    assert ball.layer[0].material.relaxation
    with pytest.raises(InputError, match="row 2, core_material is empty; name a card, or give"):
        build_of(sheet, 2, ["", "40", "0.49", "1.1", "50"], default_catalogue())


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"cover_thickness_mm": "0,9"}, "row 7, cover_thickness_mm is '0,9'.* decimal point"),
        ({"cover_thickness_mm": "90"}, "cover_thickness_mm is 90, but must be from 0.2 to 27.5 mm"),
        ({"cover_material": "urethan"}, "row 7, cover_material: material 'urethan' .* 'urethane"),
        ({"mass_g": ""}, "core_density_g_cm3 is 'open', but mass_g is empty; give"),
        ({"core_density_g_cm3": "1.1"}, "mass_g is 45.6, but none is open .* clear mass_g"),
        ({"mass_g": "12"}, "mass_g is 12, for which core_density.* change the mass"),
        ({"core_outer_diameter_mm": "42.6"}, "cover_thickness_mm is 0.9, but the diameters leave"),
        ({"cover_outer_diameter_mm": ""}, "core_outer_diameter_mm is empty and does not follow"),
        ({"cover_shore_d": "12"}, "cover_shore_d is 12, but must be from 30 to 80 Shore D"),
        ({"mantle_thickness_mm": "1"}, "row 7, mantle_material is empty; name a card"),
    ],
)
def test_a_fault_names_row_column_value_and_remedy(changes, said):

    assert re.search(said, refused(**changes)), refused(**changes)


def test_a_modulus_in_psi_is_suspected():
    header = ["core_material", "core_outer_diameter_mm", "core_youngs_modulus_mpa"]
    row = ["core rubber, soft", "42.7", "8000"]
    with pytest.raises(InputError, match=r"8000, but must be .* 3000 MPa \(noted in psi\?\)"):
        build_of(sheet_of(header, "builds.csv"), 2, row, default_catalogue())


def test_two_faults_are_told_together():
    assert refused(cover_thickness_mm="x", mass_g="y").count("row 7") == 2


def test_header_knows_its_columns_and_offers_the_nearest():
    with pytest.raises(InputError, match="'cover_thicknes_mm' is not known; did you mean cover_th"):
        sheet_of(["cover_thicknes_mm"], "builds.csv")
    with pytest.raises(InputError, match="no column of a layer"):
        sheet_of(["build", "mass_g"], "builds.csv")
    with pytest.raises(InputError, match="stands twice"):
        sheet_of([*HEADER, "build"], "builds.csv")
    assert sheet_of([*HEADER, "result.rank"], "builds.csv").names == HEADER


@pytest.mark.parametrize("count", BY_COUNT)
def test_an_empty_table_has_known_columns_of_every_layer(count):
    header = header_of(count)
    assert set(header) <= set(COLUMNS)
    assert len({split(column)[0] for column in header} - {""}) == count
    assert len(set(header)) == len(header)
    assert [split(f"{layer}_thickness_mm")[0] for layer in LAYERS] == list(LAYERS)


def test_a_row_may_grade_a_layer():
    header = [*HEADER, "core_surface_over_centre", "core_shape"]
    sheet, catalogue = sheet_of(header, "builds.csv"), default_catalogue()

    def graded(contrast: str = "", shape: str = ""):
        return build_of(sheet, 7, [*row("K1"), contrast, shape], catalogue)

    profile = graded("4", "2").ball.layer[0].profile
    assert (profile.contrast, profile.shape, profile.source) == (4.0, 2.0, "row 7")
    assert graded().ball == built().ball
    with pytest.raises(InputError, match="core_surface_over_centre is empty"):
        graded("", "2")
    with pytest.raises(InputError, match=r"must be from 0.02 to 50"):
        graded("60")
