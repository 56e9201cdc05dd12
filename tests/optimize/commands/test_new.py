"""`orbwright new`: by options, by questions on a terminal, never over another file."""

import os
import pty
import subprocess
import sys

from tests.optimize.commands.test_app import ROOT, refused, run

COMMAND = "import sys; from optimize.start import main; sys.exit(main())"


def test_options_alone_write_a_ball_that_the_next_command_takes(tmp_path):
    file = tmp_path / "four.toml"
    code, out, err = run("new", "ball", file, "--layers", "4", "--cover", "ionomer, soft")
    assert (code, out) == (0, "")
    assert f"orbwright estimate {file}" in err
    code, out, _ = run("estimate", file, "-f", "mass_g")
    assert code == 0
    assert "ionomer, soft" in out


def test_a_file_that_is_there_stays_as_it_is(tmp_path):
    file = tmp_path / "mine.toml"
    file.write_text("mine")
    for kind in ("ball", "scenario", "materials", "swings"):
        assert "is there already" in refused("new", kind, file)
    assert file.read_text() == "mine"


def test_a_wrong_option_is_named(tmp_path):
    file = tmp_path / "s.toml"
    assert "choose from: distance, ball speed" in refused("new", "scenario", file, "--goal", "joy")
    assert "known: 'urethane, soft'" in refused("new", "ball", file, "--cover", "urethane, sofd")
    assert not file.exists()


def test_cards_and_swings_are_read_by_the_commands_they_are_for(tmp_path):
    ball, swings = tmp_path / "ball.toml", tmp_path / "robot.toml"
    assert run("new", "ball", ball)[0] == 0
    assert run("new", "swings", swings, "--name", "robot", "--speed-m-s", "40")[0] == 0
    code, _, err = run("estimate", ball, "--swings", swings, "-f", "driver fast.spin_rpm")
    assert code == 2
    assert "robot" in err
    cards, brief = tmp_path / "cards.toml", tmp_path / "brief.toml"
    assert run("new", "materials", cards, "--name", "ours", "--family", "urethane")[0] == 0
    assert run("new", "scenario", brief, "--goal", "soft feel")[0] == 0
    text = brief.read_text().replace('"urethane, soft"', '"ours"')
    brief.write_text(f'catalogue = "{cards.name}"\n{text}')
    from optimize.scenario.brief import read_scenario

    assert "ours" in {card.name for card in read_scenario(brief).material}


def answered(answers, *arguments):
    """Answer a command's questions on a terminal; return its exit code and what it said."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-c", COMMAND, "new", *map(str, arguments)],
        stdin=theirs,
        stderr=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    )
    os.write(ours, answers)
    _, err = child.communicate(timeout=600)
    os.close(ours)
    os.close(theirs)
    return child.returncode, err


def test_questions_come_again_until_the_answer_can_be(tmp_path):
    file = tmp_path / "asked.toml"
    answers = b"Asked brief\nmany\n4\nelegance\nsoft feel; low driver spin\n"
    code, err = answered(answers, "scenario", file, "--player", "fast")
    assert code == 0, err
    assert "'many' is not a whole number from 2 to 6" in err
    assert "goal 'elegance' is not known" in err
    text = file.read_text()
    assert 'name = "Asked brief"' in text
    assert 'figure = "driver fast.spin_rpm"' in text
    assert text.count("[[layer]]") == 4


def test_an_answer_may_say_its_unit(tmp_path):
    file = tmp_path / "cards.toml"
    code, err = answered(b"\n\n3 g\n0.01 ksi\n7.25 ksi\n", "materials", file)
    assert code == 0, err
    assert "'3 g' is a mass" in err
    assert "'0.01 ksi' is not a number from 0.5 to 3000 MPa" in err
    assert "youngs_modulus_mpa = { value = 49.98" in file.read_text()


def test_a_ball_of_one_layer_has_no_question_of_a_cover_and_its_name_can_be_typed(tmp_path):
    file = tmp_path / "one piece.toml"
    code, err = answered(b"\n1\n\n", "ball", file)
    assert code == 0, err
    assert "cover" not in err
    assert f'orbwright estimate "{file}"' in err


def test_the_end_of_the_input_is_no_ctrl_c(tmp_path):
    code, err = answered(b"\n\x04", "ball", tmp_path / "x.toml")
    assert code == 130
    assert "stopped by the end of the input" in err


def test_a_shell_completes_names_of_figures():
    words = {"COMP_WORDS": "orbwright estimate b.toml -f driver fast.s", "COMP_CWORD": "4"}
    shell = {"_ORBWRIGHT_COMPLETE": "complete_bash", **words, "COMP_CWORD": "4"}
    shell["COMP_WORDS"] = "orbwright estimate b.toml -f co"
    done = subprocess.run(
        [sys.executable, "-m", "optimize.start"], env=os.environ | shell, cwd=ROOT, check=False
    )
    assert done.returncode == 0
