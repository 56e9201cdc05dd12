"""The command line as its users meet it: results, exit codes, one sentence for bad input."""

import io
import json
import os
import subprocess
import sys
import tempfile
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layers.figures import QUANTITIES
from optimize.commands.app import main

ROOT = Path(__file__).parents[3]
BALLS = ROOT / "scenarios" / "balls"
THREE = BALLS / "three_layer_soft_feel.toml"
TWO = BALLS / "two_layer_distance.toml"


def run(*arguments: object) -> tuple[int, str, str]:
    """Run the command line in this process; return exit code, standard output and error."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(a) for a in arguments])
    return code, out.getvalue(), err.getvalue()


def refused(*arguments: object) -> str:
    """Run what must be refused; return the one sentence that says why."""
    code, out, err = run(*arguments)
    assert code == 2, (code, out, err)
    assert out == ""
    assert err.count("\n") == 1
    assert err.startswith("orbwright: ")
    assert err.endswith((".\n", "?\n"))
    assert "Traceback" not in err
    return err


def process(*arguments: str, **options: object) -> subprocess.CompletedProcess:
    command = [
        sys.executable,
        "-c",
        "import sys; from optimize.start import main; sys.exit(main())",
    ]
    return subprocess.run(
        [*command, *arguments], capture_output=True, timeout=600, cwd=ROOT, check=False, **options
    )


# What the commands answer.


def test_estimate_shows_value_unit_basis_and_both_errors():
    code, out, _ = run("estimate", THREE, "-f", "mass_g", "-f", "deflection_mm")
    assert code == 0
    [mass] = [line.split() for line in out.splitlines() if line.startswith("mass ")]
    assert mass == ["mass", "45.87", "g", "exact", "0.23", "closed", "form"]
    [deflection] = [line.split() for line in out.splitlines() if line.startswith("deflection ")]
    assert deflection[:6] == ["deflection", "from", "98.07", "to", "1275", "N"]
    assert 3.0 < float(deflection[6]) < 4.5
    assert deflection[-2:] == ["finite", "element"]
    assert 0.0 < float(deflection[8]) < float(deflection[9])


def test_estimate_json_is_pure_and_has_every_stage():
    code, out, _ = run("estimate", THREE, "--json", "-f", "mass_g", "--stage", "all")
    assert code == 0
    record = json.loads(out)
    masses = [record["figures"][f"{s}mass_g"]["value"] for s in ("stage1.", "stage2.", "")]
    assert masses == sorted(masses)
    assert [layer["role"] for layer in record["ball"]["layer"]] == ["core", "mantle", "cover"]


def test_one_stage_has_the_figures_of_its_layers_alone():
    _, one, _ = run("estimate", THREE, "--json", "-f", "diameter_mm", "--stage", "1")
    assert json.loads(one)["figures"]["stage1.diameter_mm"]["value"] == 38.5
    _, last, _ = run("estimate", THREE, "--json", "-f", "diameter_mm", "--stage", "3")
    assert json.loads(last)["figures"]["diameter_mm"]["value"] == 42.7


def test_rule_screen_is_worded_as_a_screen_and_tells_the_margin():
    code, out, _ = run("estimate", THREE, "-f", "mass_g", "--rules", "mass and diameter")
    assert code == 0
    assert "a screen, not a ruling" in out
    [row] = [line for line in out.splitlines() if line.startswith("mass ") and "at most" in line]
    assert row.split() == [
        "mass",
        "at",
        "most",
        "45.93",
        "g",
        "45.87",
        "+0.06",
        "0.23",
        "g",
        "within",
    ]


def test_a_heavy_ball_is_outside_the_rules(tmp_path):
    heavy = tmp_path / "heavy.toml"
    heavy.write_text(THREE.read_text().replace("1.165", "1.300"))
    _, out, _ = run("estimate", heavy, "--json", "-f", "mass_g", "--rules", "mass and diameter")
    verdicts = [m["verdict"] for m in json.loads(out)["rule_screen"]["margins"]]
    assert verdicts == ["outside", "within"]


def test_compare_marks_what_the_model_cannot_tell_apart(tmp_path):
    near = tmp_path / "near.toml"
    near.write_text(THREE.read_text().replace('material = "urethane, soft"', _NEARLY_SOFT))
    code, out, _ = run("compare", THREE, near, TWO, "-f", "deflection_mm")
    assert code == 0
    rows = [r for r in out.splitlines() if r.startswith("deflection ")]
    values, steps = (r.partition(" N, mm ")[2].split() for r in rows)
    assert len(values) == 3
    assert steps[0] == "≈"
    assert steps[1].strip("()").startswith("-")  # the firm two-layer ball deflects less
    assert "**" not in out


def test_two_balls_stand_in_one_table_with_their_difference():
    _, out, _ = run("compare", THREE, TWO, "-f", "diameter_mm", "-f", "moi_ratio")
    label = QUANTITIES["moi_ratio"].label
    [row] = [r.removeprefix(label).split() for r in out.splitlines() if r.startswith(label)]
    assert abs(float(row[1]) - float(row[0]) - float(row[2].strip("()"))) < 1.1e-5


_NEARLY_SOFT = 'material = "urethane, soft"\nyoungs_modulus_mpa = 45.1'


def test_compare_json_and_csv_agree():
    _, text, _ = run("compare", THREE, TWO, "-f", "moi_ratio", "--json")
    [other] = json.loads(text)["differences"]
    _, table, _ = run("compare", THREE, TWO, "-f", "moi_ratio", "--csv")
    heads, first, second = (line.split(",") for line in table.replace('"', "").splitlines())
    at = heads.index("difference_from_first") - len(heads)
    assert float(second[at]) == other["figures"]["moi_ratio"]["difference"]
    assert first[at] == ""


def test_drawing_is_written_as_asked_and_is_the_same_each_time(tmp_path):
    first, second = tmp_path / "a.svg", tmp_path / "b.svg"
    for path in (first, second):
        assert run("estimate", THREE, "-f", "mass_g", "--drawing", path)[0] == 0
    assert first.read_bytes() == second.read_bytes()
    assert b"<svg" in first.read_bytes()
    picture = tmp_path / "c.png"
    assert run("compare", THREE, TWO, "-f", "mass_g", "--drawing", picture)[0] == 0
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_lists_of_figures_and_materials():
    _, out, _ = run("figures", "--json")
    assert json.loads(out)["deflection_mm"]["unit"] == "mm"
    _, out, _ = run("materials", "--json")
    cards = json.loads(out)["material"]
    assert all(card["youngs_modulus_mpa"]["source"] != "not stated" for card in cards)
    _, out, _ = run("materials", "--sources")
    assert "polybutadiene" in out


def test_every_help_page_comes_with_an_example_or_a_sentence():
    for command in ("", "estimate", "compare", "figures", "materials"):
        code, out, _ = run(*command.split(), "--help")
        assert code == 0
        assert out.startswith("Usage: orbwright")


def test_figures_are_asked_for_by_label_or_synonym_in_any_case():
    asked = ("-f", "Impact speed ratio", "-f", "MOI", "-f", "driver fast.Smash")
    _, out, _ = run("estimate", THREE, "--json", *asked)
    assert list(json.loads(out)["figures"]) == ["cor", "moi_g_cm2", "driver fast.smash_factor"]


def test_page_of_words_is_what_the_figure_table_says():
    code, out, _ = run("figures", "--markdown")
    assert code == 0
    page = (ROOT / "docs" / "words.md").read_text(encoding="utf-8")
    assert out == page, "regenerate: orbwright figures --markdown > docs/words.md"


# What is refused, in one sentence.


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("outer_diameter_mm = 42.7", "outer_diameter_mm = -42.7", "outer_diameter_mm is -42.7"),
        ("outer_diameter_mm = 42.7", "outer_diameter_mm = nan", "outer_diameter_mm is nan"),
        ("outer_diameter_mm = 42.7", "outer_diameter_mm = inf", "outer_diameter_mm is inf"),
        ("outer_diameter_mm = 42.7", "outer_diameter_mm = 40.0", "diameters grow outward"),
        ("outer_diameter_mm = 42.7", "outer_diamter_mm = 42.7", "did you mean outer_diameter_mm"),
        ('role = "cover"', 'role = "cover"\nroll = 1', "did you mean role"),
        ("outer_diameter_mm = 42.7", "outer_diameter_mm = '42.7 kg'", "outer_diameter_mm"),
        ("density_g_cm3 = 1.165", "density_g_cm3 = nan", "density_g_cm3"),
        ("density_g_cm3 = 1.165", "density_g_cm3 = 116.5", "must be from 0.4 to 12"),
        ('"urethane, soft"', '"urethane, sot"', "urethane, soft"),
        ("[[layer]]", "[[layer]", "not valid TOML"),
        ("[[layer]]", "[[shell]]", "shell is not a known field"),
    ],
)
def test_bad_ball_is_refused_by_field_and_value(tmp_path, old, new, words):
    text = THREE.read_text()
    assert old in text
    bad = tmp_path / "bad.toml"
    bad.write_text(text.replace(old, new))
    message = refused("estimate", bad, "-f", "mass_g")
    assert words in message
    assert "bad.toml" in message


def test_files_that_cannot_be_read_are_refused(tmp_path):
    assert "No such file" in refused("estimate", tmp_path / "missing.toml")
    assert "directory" in refused("estimate", tmp_path)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(bytes(range(256)))
    assert "not UTF-8" in refused("estimate", binary)
    binary.write_bytes(b"\x00\x01name")
    assert "control character" in refused("estimate", binary)
    deep = tmp_path / "deep.toml"
    deep.write_text("a = " + "[" * 100_000)
    refused("estimate", deep)


def test_bad_options_are_refused_before_anything_is_computed(tmp_path):
    assert "did you mean mass_g" in refused("estimate", THREE, "-f", "mas")
    assert "from 1 to 3" in refused("estimate", THREE, "--stage", "4")
    assert "from 1 to 3" in refused("estimate", THREE, "--stage", "-1")
    assert "rule set 'past'" in refused("estimate", THREE, "--rules", "past")
    assert ".svg or .png" in refused("estimate", THREE, "--drawing", tmp_path / "a.bmp")
    lost = tmp_path / "no" / "a.svg"
    assert "cannot be written" in refused("estimate", THREE, "--drawing", lost)
    assert "two to four" in refused("compare", THREE)
    assert "choose one" in refused("compare", THREE, TWO, "--json", "--csv")
    assert "--bogus" in refused("estimate", THREE, "--bogus")
    assert "BALL.toml" in refused("estimate")
    assert "No such command" in refused("estimat", THREE)


# As a process: pipes, full disks, colours, start-up.


def test_results_and_messages_keep_to_their_streams(tmp_path):
    done = process("estimate", str(THREE), "--json", "-f", "mass_g", "--drawing", "/dev/null.bmp")
    assert (done.returncode, done.stdout) == (2, b"")
    drawing = str(tmp_path / "a.svg")
    done = process("estimate", str(THREE), "--json", "-f", "mass_g", "--drawing", drawing)
    assert json.loads(done.stdout)["figures"]["mass_g"]["unit"] == "g"
    assert done.stderr.decode() == f"Drawing written to {drawing}.\n"


def test_a_pipe_gets_whole_lines_and_no_escape_codes():
    done = process("figures", env={**os.environ, "COLUMNS": "40", "FORCE_COLOR": ""})
    lines = done.stdout.decode().splitlines()
    assert b"\x1b" not in done.stdout
    assert any(line.startswith("initial_velocity_m_s") and "striker" in line for line in lines)


def test_a_closed_pipe_is_no_error_to_talk_about():
    reader, writer = os.pipe()
    os.close(reader)
    command = "import sys; from optimize.commands.app import main; sys.exit(main(['figures']))"
    done = subprocess.run(
        [sys.executable, "-c", command], stdout=writer, stderr=subprocess.PIPE, check=False
    )
    os.close(writer)
    assert (done.returncode, done.stderr) == (141, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_a_full_disk_is_one_sentence():
    command = (
        "import sys; from optimize.commands.app import main; sys.exit(main(['figures', '--json']))"
    )
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", command], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert done.returncode == 2
    assert done.stderr == b"orbwright: the output cannot be used: No space left on device.\n"


def test_a_poor_terminal_gets_question_marks_not_a_traceback():
    done = process("figures", env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0
    done = process(
        "estimate", str(THREE), "-f", "mass_g", env={**os.environ, "PYTHONIOENCODING": "ascii"}
    )
    assert (done.returncode, done.stderr) == (0, b"")


def test_help_imports_nothing_heavy():
    command = (
        "import sys; from optimize.commands.app import main; main(['--help']); "
        "sys.exit(any(m in sys.modules for m in ('numpy', 'scipy', 'numba', 'matplotlib', "
        "'pymoo', 'pandas')))"
    )
    done = subprocess.run([sys.executable, "-c", command], capture_output=True, check=False)
    assert done.returncode == 0


def test_keys_of_a_file_on_the_screen():
    code, out, _ = run("keys", "scenario")
    assert (code, "[[layer]]" in out, "thickness_mm" in out) == (0, True, True)
    assert "aerodynamics" in run("keys")[1]
    assert json.loads(run("keys", "ball", "--json")[1])[1]["heading"] == "[[layer]]"
    assert json.loads(run("keys", "ball", "--schema")[1])["title"] == "orbwright ball"
    assert run("keys", "trials", "--example")[1].startswith("trial,")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("balls",), "known: ball"),
        (("trials", "--schema"), "CSV"),
        (("--schema",), "name a file format"),
        (("ball", "--schema", "--json"), "choose one"),
    ],
)
def test_bad_use_of_keys_is_one_sentence(arguments, words):
    code, out, error = run("keys", *arguments)
    assert (code, out) == (2, "")
    assert words in error


# Any text at all.

_WORDS = st.sampled_from(
    [
        *("name", "layer", "material", "role", "outer_diameter_mm", "density_g_cm3", "core"),
        *("dimple_volume_percent", "youngs_modulus_mpa", "relaxation", "cover", "x", "family"),
    ]
)
_SCALARS = st.one_of(
    st.integers(), st.floats(), st.booleans(), st.text(max_size=8), _WORDS, st.none()
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_WORDS, inner, max_size=3),
    max_leaves=6,
)


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    if value is None:
        return "1979-05-27"
    return json.dumps(value) if isinstance(value, str | bool | int) else repr(value)


def _estimate_text(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "fuzz.toml")
        path.write_bytes(data)
        code, out, err = run("estimate", path, "-f", "mass_g", "--json")
    if code == 0:
        json.loads(out)
    else:
        assert (code, out) == (2, "")
        assert err.count("\n") == 1


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda t: t.encode("utf-8", "replace")))
def test_any_bytes_end_in_an_answer_or_one_sentence(data):
    _estimate_text(data)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(_WORDS, _VALUES, max_size=5))
def test_any_table_ends_in_an_answer_or_one_sentence(table):
    text = "\n".join(f"{key} = {_toml(value)}" for key, value in table.items())
    _estimate_text(text.encode("utf-8", "replace"))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_value_in_a_good_file_ends_in_an_answer_or_one_sentence(data):
    lines = THREE.read_text().splitlines()
    settable = [i for i, line in enumerate(lines) if " = " in line]
    place = data.draw(st.sampled_from(settable))
    lines[place] = lines[place].partition(" = ")[0] + " = " + _toml(data.draw(_VALUES))
    _estimate_text("\n".join(lines).encode("utf-8", "replace"))
