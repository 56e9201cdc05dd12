"""Tables in the trade's units: heads, rows with a unit, sentences; digits enough.

Kinds: published (exact definitions of inch, ounce, mile), analytic.
"""

import io

import pytest

from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.files.other_units import metric_key
from layers.rules.screen import rule_set, screen
from optimize.commands.units import choose_units, option_first
from optimize.report.ball import rules_section
from optimize.report.pictures.section import new_figure
from optimize.report.pictures.units import factor_of, use_on
from optimize.report.tables import Section, columns, show
from optimize.report.trade_columns import csv_in_chosen_units, head_in_chosen_units
from optimize.report.units import chosen, converted_text, in_chosen_units, use, use_scenario, used
from tests.helpers.builds import random_balls


def test_heads_units_and_names_of_rows_are_converted():
    table = Section(
        "Figures at 38.1 m/s",
        columns("figure", ">outer dia., mm", ">value", "unit"),
        (("mass", "42.67", "45.93", "g"), ("COR, 1", "1.27", "0.78", "")),
        ("Within 0.1 mm, 1.15 g/cm3.",),
    )
    with used("trade"):
        [found] = in_chosen_units([table])
    assert found.title == "Figures at 125.0 ft/s"
    assert [c.title for c in found.columns] == ["figure", ">outer dia., in"[1:], "value", "unit"]
    assert found.rows == (("mass", "1.680", "1.620", "oz"), ("COR, 1", "0.0500", "0.78", ""))
    assert found.notes == ("Within 0.00394 in, 1.15 g/cm3.",)
    assert in_chosen_units([table]) == [table]


def test_a_row_that_ends_in_its_unit_is_converted_but_for_percent():
    table = Section(
        "", columns("figure", ">A", ">±, %"), (("carry of the driver, m", "200.0", "3.0"),)
    )
    with used("trade"):
        [found] = in_chosen_units([table])
    assert found.rows == (("carry of the driver, yd", "218.7", "3.0"),)


def test_a_quantile_is_converted_and_a_share_is_not():
    table = Section(
        "",
        columns("figure", "unit", ">5 %", ">surrogate error, %", ">±, %"),
        (("mass", "g", "28.349523", "28.3", "1"),),
    )
    with used("trade"):
        [found] = in_chosen_units([table])
    assert found.rows == (("mass", "oz", "1.00000000", "28.3", "1"),)


def test_value_margin_and_limit_of_a_rule_have_one_unit():
    rules = rule_set("present")
    figures = (
        Figure("mass_g", 45.93, "g", "closed form", 0.0, 0.2),
        Figure("diameter_mm", 42.67, "mm", "closed form", 0.0, 0.04),
        Figure("initial_velocity_m_s", 77.5, "m/s", "finite element", 0.1, 1.2),
    )
    made = Estimate(random_balls(1, seed=0)[0], {f.name: f for f in figures})
    with used("trade"):
        [found] = in_chosen_units([rules_section(rules, screen(made, rules))])
    rows = {row[0]: row[1:] for row in found.rows}
    assert rows["mass"][:2] == ("at most 1.620 oz", "1.620")
    assert rows["diameter"][:2] == ("at least 1.680 in", "1.680")
    assert rows["initial velocity"][:2] == ("at most 255 ft/s", "254.3")
    assert rows["initial velocity"][4:] == ("ft/s", "**inside by 0.656 ft/s, within error**")


def test_the_initial_velocity_is_in_feet_a_second_wherever_its_unit_is():
    name = "initial_velocity_m_s"
    table = Section(
        "", columns("figure", ">initial velocity, m/s", ">ball speed, m/s"), (("", "76.2", "50"),)
    )
    listed = Section(
        "", columns("", ">A"), (("initial velocity, m/s", "76.20"), ("ball speed, m/s", "50.0"))
    )
    with used("trade"):
        found = in_chosen_units([table, listed])
        assert head_in_chosen_units(name)[0] == "initial_velocity_ft_s"
        assert factor_of("m/s", name) == pytest.approx(1 / 0.3048)
        text = csv_in_chosen_units(
            f"build,{name},{name}_absolute_error,speed_m_s\nA,76.2,0.3048,0\n"
        )
        by_row = csv_in_chosen_units(f"figure,value,unit\n{name},76.2,m/s\nmass_g,1,g\n")
    assert [c.title for c in found[0].columns][1:] == ["initial velocity, ft/s", "ball speed, mph"]
    assert found[0].rows == (("", "250.0", "112"),)
    assert [row[0] for row in found[1].rows] == ["initial velocity, ft/s", "ball speed, mph"]
    assert text.splitlines() == [
        "build,initial_velocity_ft_s,initial_velocity_ft_s_absolute_error,speed_mph",
        "A,250.0,1.0,0.0",
    ]
    assert by_row.splitlines()[1] == "initial_velocity_ft_s,250.0,ft/s"
    assert metric_key("initial_velocity_ft_s") == (name, "ft/s")
    said = "initial velocity at 43.83 m/s at most 76.2 m/s; ball speed at least 50 m/s"
    assert converted_text(said) == (
        "initial velocity at 143.80 ft/s at most 250.0 ft/s; ball speed at least 112 mph"
    )
    said = "Initial velocity at most 76.2 m/s binds: raising it by 1 m/s is worth 0.5 m/s of "
    said += "ball speed"
    assert converted_text(said) == (
        "Initial velocity at most 250.0 ft/s binds: raising it by 3.28 ft/s is worth 1.12 mph of "
        "ball speed"
    )
    assert converted_text("ball speed 50 m/s, 1.00 m/s of initial velocity").endswith(
        ", 3.28 ft/s of initial velocity"
    )


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("from 98.07 to 1275 N", "from 22.047 to 286.6 lbf"),
        ("+0.10 mm", "+0.00394 in"),
        (
            "better by 0.50 ± 0.12 g, of 1 to 2 mm²",
            "better by 0.0176 ± 0.0042 oz, of 0.00155 to 0.00310 in²",
        ),
        ("82.3 g cm²", "0.4500 oz in²"),
        ("COR slope from 38.1 to 43.83 m/s, s/m", "COR slope from 125.0 to 143.80 ft/s, s/m"),
        ("0.8 s/m of COR, carry from 50 to 60 m/s", "0.244 s/ft of COR, carry from 112 to 134 mph"),
        ("12 m/s2, 3 g/cm3, layer 2 m", "12 m/s2, 3 g/cm3, layer 2.19 yd"),
    ],
)
def test_numbers_in_sentences(text, wanted):
    assert converted_text(text) == wanted


def test_the_option_may_stand_after_the_command_and_the_file_speaks_without_it(
    tmp_path, monkeypatch
):
    assert option_first(["show", "r", "--units", "trade"]) == ["--units", "trade", "show", "r"]
    assert option_first(["show", "--", "--units"]) == ["show", "--", "--units"]
    settings = tmp_path / "config.toml"
    monkeypatch.setenv("ORBWRIGHT_CONFIG", str(settings))
    table = Section("", columns(">mm"), (("25.4",),))
    with used("metric"):
        settings.write_text('units = "trade"')
        choose_units(None)
        stream = io.StringIO()
        show([table], stream)
        assert stream.getvalue().split() == ["in", "1.000"]
        choose_units("metric")
        assert in_chosen_units([table]) == [table]
    settings.write_text('units = "imperial"')
    with pytest.raises(InputError, match="units is 'imperial', but must be metric or trade"):
        choose_units(None)
    with pytest.raises(InputError, match="must be metric or trade"):
        use("si")


def test_columns_say_their_unit_and_a_row_that_says_one_is_converted():
    wide = (
        "label,layer1_thickness_mm,cor@38.1,driver.carry_m_difference_error,density_g_cm3\n"
        "A,2.54,0.78,0.9144,1.1\n"
    )
    long = "figure,value,unit,difference_error\nmass_g,28.349523,g,\ncor,0.78,1,0.001\n"
    with used("trade"):
        found = csv_in_chosen_units(wide).splitlines(), csv_in_chosen_units(long).splitlines()
    assert found[0] == [
        "label,layer1_thickness_in,cor@38.1,driver.carry_yd_difference_error,density_g_cm3",
        "A,0.1,0.78,1.0,1.1",
    ]
    assert found[1] == [
        "figure,value,unit,difference_error",
        "mass_oz,1.0,oz,",
        "cor,0.78,1,0.001",
    ]
    assert csv_in_chosen_units(wide) == wide


def test_a_scenario_chooses_units_but_for_the_command_line():
    with used("metric"):
        use_scenario("trade")
        assert chosen() == "trade"
        use("metric", firm=True)
        use_scenario("trade")
        assert chosen() == "metric"
        use_scenario(None)
        assert chosen() == "metric"


def test_a_row_in_the_trades_units_has_its_slope_per_its_variables_unit():
    text = (
        "figure,unit,value,change,step,slope,slope_error,slope_per\n"
        "mass_g,g,28.349523,28.349523,+0.1 mm,283.49523,2.8349523,mm\n"
        "cor,1,0.7,0.1,+0.1 mm,1.0,0.5,mm\n"
    )
    with used("trade"):
        _, mass, cor = csv_in_chosen_units(text).splitlines()
    assert mass == "mass_oz,oz,1.0,1.0,+0.00394 in,254.0,2.54,in"
    assert cor == "cor,1,0.7,0.1,+0.00394 in,25.4,12.7,in"


def test_a_tolerance_in_the_trades_units_says_its_limits_in_them():
    text = (
        "kind,name,unit,nominal,deviation,limit\n"
        "rule,diameter_mm,mm,42.672,0.0254,at least 42.672\n"
        "figure,imbalance_g_mm,g mm,720.0778842,,\n"
    )
    with used("trade"):
        _, rule, imbalance = csv_in_chosen_units(text).splitlines()
    assert rule == "rule,diameter_in,in,1.68,0.001,at least 1.68000"
    assert imbalance == "figure,imbalance_oz_in,oz in,1.0,,"


def test_a_pictures_ticks_are_round_numbers_of_the_chosen_unit():
    axes = new_figure(4.0, 3.0).subplots()
    axes.set_xlim(38.0, 42.7)
    with used("trade"):
        use_on(axes.xaxis, "mm")
        use_on(axes.yaxis, "rpm")
    texts = axes.xaxis.get_major_formatter().format_ticks(axes.get_xticks())
    assert {"1.50", "1.55", "1.60", "1.65"} <= set(texts)
    assert [float(text) * 25.4 for text in texts] == pytest.approx(list(axes.get_xticks()))
    assert axes.yaxis.get_major_formatter().format_ticks([0.0, 0.5]) == ["0.0", "0.5"]
