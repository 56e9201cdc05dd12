"""Prototype sheets: masses and sizes against an independent computation, rendering, the docs."""

import csv
import doctest
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import ball_from_table
from layers.compound.batch import batch_weights
from layers.compound.recipe import default_ingredients, filler_for_density, recipe_from_table
from layers.errors import InputError
from layers.estimates import Estimate
from layers.estimation import estimate
from layers.mass import inertia
from layers.materials import default_catalogue
from layers.rules.screen import rule_set
from optimize.lab import prototype
from optimize.lab import tooling as tooling_module
from optimize.lab.process import LayerProcess, Operation, Process, process_from_table, read_process
from optimize.lab.prototype import prototype_sheet
from optimize.report.sheet import to_csv, to_html, to_markdown

ROOT = Path(__file__).parents[3]
CLOSED = ("diameter_mm", "mass_g", "moi_g_cm2")
LAYERS = (
    ("inner core", 24.0, "core rubber, very soft", 1.30),
    ("outer core", 38.0, "core rubber, medium", 1.12),
    ("mantle", 40.4, "ionomer, firm", 0.96),
    ("cover", 42.75, "urethane, soft", 1.10),
)


def build(layers=LAYERS, name="trial", **changes):
    rows = [
        {"role": role, "outer_diameter_mm": d, "material": card, "density_g_cm3": rho}
        for role, d, card, rho in layers
    ]
    return ball_from_table(
        {"name": name, "layer": rows} | changes, default_catalogue(), "ball.toml"
    )


def sheet_of(ball, process=None, figures=CLOSED, **more):
    stages = [estimate(ball.stage(n), figures) for n in range(1, len(ball.layer) + 1)]
    return prototype_sheet(ball, stages, process or Process(), **more)


def tooling(stage):
    return {quantity.name: quantity.value for quantity in stage.tooling}


def check_masses_add_up():
    ball = build()
    sheet = sheet_of(ball)
    layers = [tooling(stage)["layer_g"] for stage in sheet.stage]
    assert sum(layers) == pytest.approx(1e3 * inertia.mass(ball.body()), rel=1e-12)
    for count, total in enumerate(np.cumsum(layers)[:-1], start=1):
        assert total == pytest.approx(1e3 * inertia.mass(ball.stage(count).body()), rel=1e-12)


def test_analytic_finished_layers_add_up_to_the_ball_less_dimples():
    check_masses_add_up()


def test_guard_a_diameter_ten_microns_off_is_seen(monkeypatch):
    true = tooling_module.sphere_cm3
    monkeypatch.setattr(tooling_module, "sphere_cm3", lambda d: true(d + 0.01))
    with pytest.raises(AssertionError):
        check_masses_add_up()


def test_analytic_slug_cavity_and_grinding():
    own = {"flash_percent": 10, "shrinkage_percent": 2.5, "grinding_stock_mm": 0.8}
    process = process_from_table({"outer_core": own}, "lab.toml")
    found = tooling(sheet_of(build(), process).stage[1])
    outer, inner = 38.8 / 20, 24.0 / 20  # cm, as moulded and finished inside
    volume = 4 / 3 * np.pi * (outer**3 - inner**3)
    assert found["charge_g"] == pytest.approx(1.1 * 1.12 * volume)
    assert found["charge_cm3"] == pytest.approx(1.1 * volume)
    assert found["cavity_mm"] * (1 - 0.025) == pytest.approx(38.8)
    assert found["removed_by_grinding_g"] == pytest.approx(
        1.12 * 4 / 3 * np.pi * (outer**3 - (38.0 / 20) ** 3)
    )
    assert found["charge_g"] / 1.1 - found["removed_by_grinding_g"] == pytest.approx(
        found["layer_g"]
    )


def test_windows_are_targets_and_tolerances():
    process = process_from_table(
        {"core": {"mass_tolerance_g": 0.4, "moi_tolerance_percent": 2}}, "lab.toml"
    )
    ball = build(LAYERS[1:], name="x")
    ball = ball.model_copy(
        update={"layer": (ball.layer[0].model_copy(update={"role": "core"}), *ball.layer[1:])}
    )
    by_name = {t.name: t for t in sheet_of(ball, process).stage[0].target}
    mass, spin = by_name["mass_g"], by_name["moi_g_cm2"]
    assert (mass.low, mass.high) == pytest.approx((mass.value - 0.4, mass.value + 0.4))
    assert spin.high == pytest.approx(1.02 * spin.value)
    assert by_name["diameter_mm"].low == pytest.approx(37.95)
    assert "minimum_thickness_mm" not in by_name


def test_thickness_window_follows_concentricity():
    process = process_from_table({"cover": {"concentricity_tolerance_mm": 0.1}}, "lab.toml")
    thickness = [
        t for t in sheet_of(build(), process).stage[3].target if t.name.endswith("thickness_mm")
    ]
    assert [w.label.split()[-1] for w in thickness] == ["minimum", "maximum"]
    assert all((w.low, w.high) == pytest.approx((1.075, 1.275)) for w in thickness)


def test_steps_and_cautions_follow_the_material():
    sheet = sheet_of(build())
    used = [{key for step in stage.step for key in step.caution} for stage in sheet.stage]
    assert {"mill", "press", "peroxide", "dust", "grinding", "tester"} <= used[0]
    assert "isocyanate" not in used[0]
    assert {"injection", "fumes"} <= used[2]
    assert "mill" not in used[2]
    assert "isocyanate" in used[3]
    assert next(iter(sheet.caution)) == "defer"
    assert set(sheet.caution) == {"defer"}.union(*used)
    titles = [[step.title for step in stage.step] for stage in sheet.stage]
    assert titles[0].index("Weigh") < titles[0].index("Cure in the hot press")
    assert "Cut preforms" in titles[0]
    assert "Form half shells" in titles[1]
    assert "Grind to size" not in titles[3]  # the cover's stock is nothing
    assert titles[3][-2] == "Finish the ball"
    for stage in sheet.stage:
        for step in stage.step:
            assert not re.search(r"[{}]", step.text)


def test_every_caution_and_family_has_its_text():
    known = prototype.operation_texts()
    rows = known["step"] + known["grind"] + known["finish"] + known["measure"]
    assert {key for row in rows for key in row["caution"]} == set(known["caution"]) - {"defer"}
    assert {row["family"] for row in known["step"]} == {"rubber", "ionomer", "urethane", "other"}
    deferring = known["caution"]["defer"]["text"]
    for word in ("codes", "data sheet", "trained", "licensed"):
        assert word in deferring


def test_notes_warn_of_vague_targets_rules_and_density():
    heavy = build((*LAYERS[:3], ("cover", 42.70, "urethane, soft", 1.10)))
    recipe = recipe_from_table(
        {"part": [{"ingredient": "polybutadiene, high cis", "phr": 100}]},
        default_ingredients(),
        "x",
    )
    sheet = sheet_of(
        heavy, batches={1: batch_weights(recipe, 100.0, 0.1)}, rules=rule_set("mass and diameter")
    )
    notes = " ".join(sheet.note)
    assert "at least 42.67" in notes  # 42.70 - 0.06
    assert "0.910 g/cm3, the build 1.300" in notes
    assert "less certain" not in notes  # closed-form figures are sharper than their windows
    tight = process_from_table({"cover": {"mass_tolerance_g": 0.05}}, "lab.toml")
    assert "mass of stage 4" in " ".join(sheet_of(heavy, tight).note)


def test_concentricity_note_is_the_worst_case_in_line():
    process = process_from_table(
        {
            r: {"concentricity_tolerance_mm": c}
            for r, c in (("outer_core", 0.3), ("mantle", 0.2), ("cover", 0.1))
        },
        "lab.toml",
    )
    note = next(n for n in sheet_of(build(), process).note if "imbalance" in n)
    steps, radii = np.array([1.30 - 1.12, 1.12 - 0.96, 0.96 - 1.10]), np.array([12.0, 19.0, 20.2])
    moved = np.array([0.3 + 0.2 + 0.1, 0.2 + 0.1, 0.1])
    expected = abs(np.sum(steps * 4 / 3 * np.pi * radii**3 * 1e-3 * moved))
    assert f"imbalance {expected:.2f} g mm" in note


def test_a_failed_figure_is_told_not_invented():
    ball = build(LAYERS[:1])
    told = Estimate(ball, estimate(ball, CLOSED).figures, {"deflection_mm": "no convergence"})
    sheet = prototype_sheet(ball, [told], Process())
    assert sheet.stage[0].missing == ("deflection_mm: no convergence",)
    for text in (to_markdown(sheet), to_html(sheet)):
        assert "no convergence" in text.replace("\\", "")


def test_wrong_estimates_and_batches_are_refused():
    ball = build()
    stages = [estimate(ball.stage(n), CLOSED) for n in range(1, 5)]
    with pytest.raises(InputError, match="4 estimates"):
        prototype_sheet(ball, stages[:3], Process())
    with pytest.raises(InputError, match="innermost first"):
        prototype_sheet(ball, stages[::-1], Process())
    recipe = recipe_from_table(
        {"part": [{"ingredient": "polybutadiene, high cis", "phr": 100}]},
        default_ingredients(),
        "x",
    )
    with pytest.raises(InputError, match="layer 9"):
        prototype_sheet(ball, stages, Process(), {9: batch_weights(recipe, 100.0, 0.1)})


def test_csv_reads_back_with_blank_columns():
    sheet = sheet_of(build(name="=HYPERLINK(1)"), Process(pieces=8))
    rows = list(csv.DictReader(io.StringIO(to_csv(sheet))))
    assert rows[0]["build"] == "'=HYPERLINK(1)"
    measured = [row for row in rows if row["kind"] == "measure"]
    assert len(measured) == sum(len(stage.target) for stage in sheet.stage)
    mass = next(r for r in measured if (r["stage"], r["figure"]) == ("4", "mass_g"))
    assert float(mass["target"]) == pytest.approx(1e3 * inertia.mass(build().body()), rel=1e-5)
    assert float(mass["low"]) < float(mass["target"]) < float(mass["high"])
    assert [mass[f"piece_{n}"] for n in range(1, 9)] == [""] * 8


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.open, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_html_is_escaped_balanced_and_without_scripts():
    evil = '<script>alert("x")</script> & $name'
    rows = [(*LAYERS[0][:2], LAYERS[0][2], 1.3)]
    sheet = sheet_of(build(rows, name=evil), Process(pieces=8, source="<img src=x>"))
    page = _Page()
    page.feed(to_html(sheet))
    assert page.open == []
    assert not {"script", "img", "a", "link"} & set(page.tags)
    assert evil in "".join(page.text)
    assert page.tags.count("section") == 1
    assert "@page" in to_html(sheet)
    blanks = to_html(sheet).count('class="blank"')
    assert blanks == 8 * len(sheet.stage[0].target)


def test_markdown_is_escaped():
    text = to_markdown(sheet_of(build(LAYERS[:1], name="a|b <b>*c*</b>")))
    assert text.startswith("# Prototype sheet: a\\|b \\<b\\>\\*c\\*\\</b\\>")
    assert text.count("- [ ]") + text.count("[ ]") >= 7


def test_a_mill_charge_stands_on_the_sheet():
    recipe = recipe_from_table(
        {
            "part": [
                {"ingredient": "polybutadiene, high cis", "phr": 100},
                {"ingredient": "barium sulfate", "phr": 1},
            ]
        },
        default_ingredients(),
        "x",
    )
    batch = batch_weights(filler_for_density(recipe, "barium sulfate", 1.30), 1000.0, 0.1)
    sheet = sheet_of(build(), batches={1: batch})
    for text in (to_markdown(sheet), to_html(sheet)):
        assert f"{batch.line[1].weighed_g:.6g}" in text
    assert not any("g/cm3" in note for note in sheet.note)


def test_a_roles_table_keeps_the_roles_other_defaults(tmp_path):
    process = process_from_table({"cover": {"flash_percent": 12}}, "lab.toml")
    assert process.cover.flash_percent == 12
    assert process.cover.grinding_stock_mm == Process().cover.grinding_stock_mm == 0
    assert process.core == LayerProcess()
    assert "lab.toml" in process.source
    assert "from memory" in Process().source
    path = tmp_path / "lab.toml"
    path.write_text("pieces = 99")
    with pytest.raises(InputError, match="pieces is 99, but must be at most 12"):
        read_process(path)
    path.write_text("[core]\nflash = 3")
    with pytest.raises(InputError, match="core, flash is not a known field"):
        read_process(path)
    path.write_text("[core]\ninertia_tolerance_percent = 3")
    with pytest.raises(InputError, match=r"core: key .* is now named 'moi_tolerance_percent'"):
        read_process(path)
    path.write_text("[scatter.cover]\ncentring_mm = 0.1")
    with pytest.raises(InputError, match=r"scatter, cover: key .* now named 'concentricity_mm'"):
        read_process(path)
    with pytest.raises(InputError, match="cannot be read"):
        read_process(tmp_path / "none.toml")


def test_every_number_of_the_process_has_unit_bounds_and_help():
    fields = dict(LayerProcess.model_fields) | {"pieces": Process.model_fields["pieces"]}
    fields |= Operation.model_fields
    texts = ("operation", "name", "press")
    for name, field in fields.items():
        assert field.description, name
        if name in texts:
            continue
        assert field.json_schema_extra["unit"], name
        assert len(field.metadata) == 2, name


def test_the_documentation_recomputes(monkeypatch):
    monkeypatch.chdir(ROOT)
    text = (ROOT / "docs/prototype.md").read_text(encoding="utf-8")
    test = doctest.DocTestParser().get_doctest(text, {}, "prototype.md", None, 0)
    said = []
    result = doctest.DocTestRunner().run(test, out=said.append)
    assert result.attempted > 30
    assert result.failed == 0, "".join(said)
