"""Swings: the shipped table, the user's own, and what is wrong with a bad one."""

import itertools
import math

import pytest

from layers.conditions import Conditions
from layers.errors import InputError
from layers.figures import QUANTITIES, parse_figure
from layers.rules.overall_distance import MILE_PER_HOUR, distance_tests
from layers.strike.launch import Strike
from layers.strike.swings import (
    Swing,
    SwingTable,
    check_owner,
    default_swings,
    find_swing,
    read_swings,
)

CLUBS = ("driver", "mid iron", "short iron", "wedge full", "wedge half")
PROFILES = ("fast", "moderate", "slow")

ONE = """[[swing]]
name = "robot 5"
club = "driver"
profile = "robot"
club_mass_g = 198
club_speed_m_s = 45
dynamic_loft_deg = 12
attack_angle_deg = 0
friction = 0.3
face_stiffness_kn_mm = 9
source = "robot of the lab"
grade = "measured"
"""


def test_every_numeric_field_has_unit_bounds_and_help():
    numeric = [f for f in Swing.model_fields.items() if "float" in str(f[1].annotation)]
    assert len(numeric) == 11
    for name, field in numeric:
        assert field.description, name
        assert field.json_schema_extra["unit"], name
        assert len(field.metadata) == 2, name


def test_shipped_table_is_whole_and_graded():
    names = [swing.name for swing in default_swings().swing]
    robots = [f"distance test {test.name}" for test in distance_tests().cards]
    assert names == [*(f"{club} {profile}" for club in CLUBS for profile in PROFILES), *robots]
    for swing in default_swings().swing:
        assert swing.grade == "common practice"
        assert "invented" in swing.source or "published" in swing.source
        assert swing.moi_g_cm2 is not None
        assert "." not in swing.name


def test_shipped_table_is_ordered_as_players_and_clubs_are():
    """Faster players are faster with every club; more loft goes with less speed and more mass."""
    for club in CLUBS:
        fast, moderate, slow = (find_swing(f"{club} {p}") for p in PROFILES)
        assert fast.club_speed_m_s > moderate.club_speed_m_s > slow.club_speed_m_s
        assert fast.dynamic_loft_deg < moderate.dynamic_loft_deg < slow.dynamic_loft_deg
    for profile in PROFILES:
        for longer, shorter in itertools.pairwise(CLUBS):
            a, b = find_swing(f"{longer} {profile}"), find_swing(f"{shorter} {profile}")
            assert a.club_speed_m_s > b.club_speed_m_s
            assert a.spin_loft_deg < b.spin_loft_deg
            assert a.club_mass_g <= b.club_mass_g


def test_a_distance_tests_robot_swings_as_fast_as_the_test_states():
    for test in distance_tests().cards:
        robot = find_swing(f"distance test {test.name}")
        assert robot.club_speed_m_s == pytest.approx(test.club_speed_mph * MILE_PER_HOUR)


def test_strike_is_the_same_in_si():
    strike = SwingTable.from_toml(ONE, "robot.toml").find("robot 5").strike()
    assert (strike.club_mass, strike.club_speed, strike.friction) == (0.198, 45.0, 0.3)
    assert strike.dynamic_loft == pytest.approx(0.20943951, rel=1e-8)
    assert strike.attack_angle == 0.0
    assert strike.face_stiffness == pytest.approx(9e6)  # N/m
    assert strike.face_mass == pytest.approx(0.03)
    assert (strike.inertia, strike.roll_radius, strike.surface) == (None, None, "dry")
    turning = SwingTable.from_toml(
        ONE + "moi_g_cm2 = 4000\ndepth_mm = 41\nimpact_height_mm = -2\nroll_radius_mm = 300\n"
    )
    strike = turning.find("robot 5").strike()
    assert strike.inertia == pytest.approx(4e-4)  # kg m2
    assert (strike.depth, strike.impact_height) == (0.041, -0.002)
    assert strike.roll_radius == pytest.approx(0.3)
    assert find_swing("wedge half slow").strike().face_stiffness is None


def test_a_users_file_stands_in_place_of_the_shipped_one(tmp_path):
    file = tmp_path / "robot.toml"
    file.write_text(ONE)
    table = read_swings(file)
    swing = find_swing("robot 5", table)
    assert (swing.club_mass_g, swing.friction, swing.face_stiffness_kn_mm) == (198.0, 0.3, 9.0)
    with pytest.raises(InputError, match="swing 'driver fast' is not in the table; known: robot 5"):
        find_swing("driver fast", table)
    with pytest.raises(InputError, match="cannot be read"):
        read_swings(tmp_path / "absent.toml")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("club_mass_g = 198", "", "swing 1, club_mass_g is missing"),
        ("club_mass_g = 198", "club_mass_g = 19.8", "club_mass_g is 19.8, but must be at least 20"),
        ("club_speed_m_s = 45", "club_speed_m_s = 100", "is 100, but must be at most 75"),
        ("dynamic_loft_deg = 12", "loft_deg = 12", "did you mean dynamic_loft_deg"),
        ("attack_angle_deg = 0", "attack_angle_deg = nan", "swing 1, attack_angle_deg is nan"),
        ("friction = 0.3", "frictoin = 0.3", "frictoin is not a known field; did you mean frictio"),
        (
            "friction = 0.3",
            "face_mass_g = 198",
            "face_mass_g is 198, but must be below club_mass_g",
        ),
        ("friction = 0.3", "depth_mm = 40", "moi_g_cm2 is missing, but depth_mm is 40"),
        (
            "friction = 0.3",
            'friction = 0.3\nsurface = "wet"',
            "surface is 'wet', but friction is 0.3",
        ),
        ("friction = 0.3", 'surface = "damp"', "surface is 'damp', but must be 'dry' or 'wet'"),
        ('"robot 5"', '"Robot.5"', "'Robot.5' must be lower-case words"),
        ('"robot 5"', '"stage1"', "'stage1' must be lower-case words"),
        ("[[swing]]", "[[swing", "is not valid TOML"),
        ('grade = "measured"', 'grade = "measured"\n' + ONE, "swing 'robot 5' stands twice"),
    ],
)
def test_what_is_wrong_is_named(old, new, words):
    with pytest.raises(InputError, match=words):
        SwingTable.from_toml(ONE.replace(old, new), "robot.toml")


@pytest.mark.parametrize(
    ("field", "low", "high"),
    [
        ("club_mass_g", 20, 2000),
        ("club_speed_m_s", 1, 75),
        ("dynamic_loft_deg", 0, 80),
        ("attack_angle_deg", -20, 20),
        ("friction", 0, 2),
        ("face_stiffness_kn_mm", 0.5, 1000),
        ("face_mass_g", 1, 500),
        ("moi_g_cm2", 50, 20000),
        ("depth_mm", 0, 80),
        ("impact_height_mm", -30, 30),
        ("roll_radius_mm", 100, 5000),
    ],
)
def test_each_number_of_a_swing_has_its_ends(field, low, high):
    least = {"name": "any", "club": "iron", "profile": "robot", "club_mass_g": 1000.0}
    least |= {"club_speed_m_s": 45.0, "dynamic_loft_deg": 12.0, "attack_angle_deg": 0.0}
    if field in ("depth_mm", "impact_height_mm"):
        least["moi_g_cm2"] = 4000.0
    for value in (low, high):
        assert getattr(Swing(**{**least, field: float(value)}), field) == value
    for value in (low - 1e-3 * high, high + 1e-3 * high):
        with pytest.raises(ValueError, match=field):
            Swing(**{**least, field: value})


@pytest.mark.parametrize(("field", "most"), [("name", 60), ("club", 40), ("profile", 40)])
def test_words_of_a_swing_have_their_lengths(field, most):
    given = {"name": "any", "club": "iron", "profile": "robot", "club_mass_g": 1000.0}
    given |= {"club_speed_m_s": 45.0, "dynamic_loft_deg": 12.0, "attack_angle_deg": 0.0}
    for size in (1, most):
        assert len(getattr(Swing(**{**given, field: size * "a"}), field)) == size
    for size in (0, most + 1):
        with pytest.raises(ValueError, match=field):
            Swing(**{**given, field: size * "a"})


def test_a_swing_told_no_more_is_of_a_rigid_flat_dry_head_that_cannot_turn():
    swing = Swing(
        name="any", club="iron", profile="robot", club_mass_g=250.0, club_speed_m_s=40.0,
        dynamic_loft_deg=20.0, attack_angle_deg=-4.0,
    )  # fmt: skip
    assert swing.strike() == Strike(0.25, 40.0, math.radians(20.0), math.radians(-4.0))
    assert swing.spin_loft_deg == 24.0
    assert (swing.face_mass_g, swing.source, swing.grade) == (30.0, "not stated", "unstated")


@pytest.mark.parametrize("place", ["depth_mm = 40", "impact_height_mm = -2"])
def test_a_head_without_inertia_has_no_place_of_its_own(place):
    said = "without inertia the head does not turn about them"
    with pytest.raises(InputError, match=said):
        SwingTable.from_toml(ONE + place + "\n")
    SwingTable.from_toml(ONE + place + "\nmoi_g_cm2 = 4000\n")


def test_the_face_is_lighter_than_the_head_where_it_springs():
    table = ONE.replace("friction = 0.3", "face_mass_g = 197.9")
    assert SwingTable.from_toml(table).find("robot 5").face_mass_g == 197.9
    rigid = ONE.replace("face_stiffness_kn_mm = 9", "face_mass_g = 198")
    assert SwingTable.from_toml(rigid).find("robot 5").face_stiffness_kn_mm is None


def test_a_wet_face_takes_the_cover_s_friction():
    table = ONE.replace("friction = 0.3", 'surface = "wet"')
    strike = SwingTable.from_toml(table).find("robot 5").strike()
    assert (strike.friction, strike.surface) == (None, "wet")


@pytest.mark.parametrize(
    "name", ["robot  5", " robot", "robot ", "robot-5", "stage 12x", "stage1 a"]
)
def test_names_are_words_with_single_spaces(name):
    table = ONE.replace('"robot 5"', f'"{name}"')
    if name.startswith("stage"):
        assert SwingTable.from_toml(table).find(name).club == "driver"
        return
    with pytest.raises(InputError, match=f"'{name}' must be lower-case words"):
        SwingTable.from_toml(table)


def test_a_spread_over_a_club_needs_two_of_its_swings():
    """The clubs that have are told, each once and in order; one swing is none."""
    three = "".join(
        ONE.replace("robot 5", f"{club} {k}").replace('"driver"', f'"{club}"')
        for club, count in (("wood", 2), ("iron", 3), ("putter", 1))
        for k in range(count)
    )
    table = SwingTable.from_toml(three)
    assert table.of_club("wood") == ("wood 0", "wood 1")
    said = r"^club 'putter' has 1 swings in the table, .* needs 2 or more; .* have: iron, wood\.$"
    with pytest.raises(InputError, match=said):
        table.of_club("putter")
    with pytest.raises(InputError, match=r"'driver' has 1 .*; clubs that have: none\.$"):
        SwingTable.from_toml(ONE).of_club("driver")


def test_the_owner_of_a_figure_must_stand_in_the_table():
    table = Conditions().swings
    by_kind = {known.of: name for name, known in QUANTITIES.items()}
    for figure in (f"driver.{by_kind['club']}", f"driver fast.{by_kind['swing']}", "mass_g"):
        check_owner(parse_figure(figure), table)
    with pytest.raises(InputError, match="club 'driver fast' has 0 swings"):
        check_owner(parse_figure(f"driver fast.{by_kind['club']}"), table)
    with pytest.raises(InputError, match="swing 'driver' is not in the table"):
        check_owner(parse_figure(f"driver.{by_kind['swing']}"), table)


def test_unknown_swing_offers_the_nearest():
    with pytest.raises(InputError, match="known: driver fast"):
        find_swing("driver fats")


def test_a_figure_is_of_its_own_swing_or_of_all_of_its_club():
    table = Conditions().swings
    owners = {"club": ("driver", table.of_club("driver")), "swing": ("driver fast",) * 2}
    seen = set()
    for name, known in QUANTITIES.items():
        if known.of in owners:
            owner, expected = owners[known.of]
            expected = (expected,) if isinstance(expected, str) else expected
            assert table.of_figure(parse_figure(f"{owner}.{name}")) == expected
            seen.add(known.of)
    assert seen == set(owners)
    assert table.of_figure(parse_figure("mass_g")) == ()
