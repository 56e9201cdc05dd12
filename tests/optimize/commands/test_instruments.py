"""Launch robot and spring-type tester: fits find the truth that made the readings, or say no."""

import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import QUANTITIES
from layers.strike.swings import SwingTable, default_swings
from optimize.calibration import strike_fit
from optimize.calibration.strike_fit import fit_strike, swings_toml, with_swing
from optimize.commands.app import main
from optimize.lab.measurements import measurements_from_csv

BALLS = Path(__file__).parents[3] / "scenarios" / "balls"
NAMES = ("three_layer_soft_feel", "two_layer_distance")
UNITS = {"ball_speed_m_s": "m/s", "launch_angle_deg": "deg", "spin_rpm": "rpm"}


def balls():
    return [read_ball(BALLS / f"{name}.toml") for name in NAMES]


def readings_of(swing, noise=0.002, seed=4, repeats=5, hit=None):
    """Readings of a robot whose club is `swing`, with relative noise, as CSV text."""
    rng = np.random.default_rng(seed)
    truth = Conditions(swings=SwingTable(swing=(swing,)))
    rows = ["build,stage,figure,unit,value,replicate"]
    for ball in hit or balls():
        names = [f"{swing.name}.{quantity}" for quantity in UNITS]
        made = estimate(ball, names, truth)
        for name, unit in zip(names, UNITS.values(), strict=True):
            for k in range(repeats):
                value = made[name].value * (1.0 + noise * rng.standard_normal())
                rows.append(f'"{ball.name}",ball,{name},{unit},{value:.6g},{k + 1}')
    return "\n".join(rows) + "\n"


def fitted(truth, shipped):
    table = default_swings()
    measured = measurements_from_csv([("robot.csv", readings_of(truth))], balls(), table)
    return fit_strike(shipped, balls(), measured, table)


def test_limits_friction_is_found_again_where_the_ball_slips():
    wedge = default_swings().find("wedge full fast")
    found = fitted(wedge.model_copy(update={"friction": 0.22}), "wedge full fast")
    (friction,) = found.fitted
    assert friction.identified
    assert friction.error < 0.03
    assert abs(friction.value - 0.22) < 3.0 * friction.error
    assert found.swing.friction == friction.value
    assert "robot.csv" in found.swing.source
    assert found.swing.grade == "measured"
    spin = next(row for row in found.launch if row.figure.endswith("spin_rpm"))
    assert abs(spin.after - spin.measured) < 0.2 * abs(spin.before - spin.measured)


def test_limits_a_face_spring_is_found_again():
    driver = default_swings().find("driver fast")
    truth = driver.model_copy(update={"face_stiffness_kn_mm": 6.0})
    found = fitted(truth, "driver fast")
    face = next(f for f in found.fitted if f.field == "face_stiffness_kn_mm")
    assert face.identified
    assert abs(face.value - 6.0) < max(3.0 * face.error, 0.1)


def test_guard_readings_of_another_friction_are_not_called_the_same():
    wedge = default_swings().find("wedge full fast")
    found = fitted(wedge.model_copy(update={"friction": 0.25}), "wedge full fast")
    assert abs(found.fitted[0].value - 0.22) > 3.0 * found.fitted[0].error


def test_what_the_launches_do_not_tell_is_left_and_said(monkeypatch):
    # A model that does not feel friction at all: the fit must not make a number up.
    table = default_swings()
    wedge = table.find("wedge full fast")
    measured = measurements_from_csv([("robot.csv", readings_of(wedge))], balls(), table)
    means = np.array([np.mean(group.values) for group in measured.groups()])
    monkeypatch.setattr(strike_fit, "_launches", lambda swing, groups, by_name: means)
    found = fit_strike("wedge full fast", balls(), measured, table)
    assert not found.fitted[0].identified
    assert found.swing == wedge


def builds():
    """Five builds to hit, the last one to be foretold."""
    three, two = balls()
    firm = three.layer[0].material.with_values("firmer", youngs_modulus_mpa=55.0)
    hard = three.layer[2].material.with_values("firmer", youngs_modulus_mpa=90.0)
    found = [three, read_ball(BALLS / "four_layer_speed_feel.toml")]
    for name, at, card in (("firm core", 0, firm), ("firm cover", 2, hard)):
        layers = list(three.layer)
        layers[at] = layers[at].model_copy(update={"material": card})
        found.append(three.model_copy(update={"name": name, "layer": tuple(layers)}))
    return [*found, two]


def launch_of(ball, names, swing):
    made = estimate(ball, names, Conditions(swings=SwingTable(swing=(swing,))))
    return [made[name].value for name in names]


@pytest.mark.slow
@pytest.mark.parametrize("unseen", [1, 2, 3])
def test_limits_a_richer_head_reverses_no_order_and_the_unseen_ball_is_foretold(unseen):
    """Launches off a head that turns and rolls, fitted by a head that does neither.

    Inertia, height and roll are then forced into loft, attack and the face's spring: the balls that
    were hit keep their order in spin and speed, and one that was not hit lies within the interval.
    """
    truth = default_swings().find("driver moderate")
    poorer = truth.model_copy(
        update={
            "moi_g_cm2": None,
            "depth_mm": 0.0,
            "impact_height_mm": 0.0,
            "roll_radius_mm": None,
        }
    )
    table = SwingTable(swing=(poorer,))
    every = builds()
    hit = [ball for k, ball in enumerate(every) if k != unseen]
    text = readings_of(truth, seed=5, hit=hit)
    measured = measurements_from_csv([("robot.csv", text)], hit, table)
    found = fit_strike("driver moderate", hit, measured, table, ("loft", "attack"))
    names = [f"driver moderate.{quantity}" for quantity in UNITS]
    fitted, true = (
        [launch_of(ball, names, swing) for ball in every] for swing in (found.swing, truth)
    )
    for quantity, here, there in zip(UNITS, np.transpose(fitted), np.transpose(true), strict=True):
        # Pairs that the truth itself tells apart by more than the model's resolution.
        for a, b in itertools.combinations(range(len(every)), 2):
            apart = there[a] / there[b] - 1.0
            if abs(apart) > QUANTITIES[quantity].difference_percent / 100.0:
                assert (here[a] - here[b]) * apart > 0.0, (quantity, every[a].name, every[b].name)
        off = abs(here[unseen] / there[unseen] - 1.0)
        assert 100.0 * off < found.interval_percent[quantity]
        assert found.interval_percent[quantity] < 25.0


def test_a_large_misfit_is_refused_with_advice():
    table = default_swings()
    truth = table.find("driver fast").model_copy(update={"dynamic_loft_deg": 22.0})
    two = balls()[1:]
    measured = measurements_from_csv([("robot.csv", readings_of(truth, hit=two))], two, table)
    with pytest.raises(InputError, match=r"cannot be fitted.*set loft, attack, height free"):
        fit_strike("driver fast", two, measured, table)


def test_settings_that_may_be_free_are_known():
    table = default_swings()
    measured = measurements_from_csv(
        [("robot.csv", readings_of(table.find("driver fast")))], balls(), table
    )
    with pytest.raises(InputError, match="free is 'lie', but must be one of: loft, attack, height"):
        fit_strike("driver fast", balls(), measured, table, ("lie",))
    still = table.find("driver fast").model_copy(
        update={"moi_g_cm2": None, "depth_mm": 0.0, "impact_height_mm": 0.0}
    )
    with pytest.raises(InputError, match="cannot turn: give it moi_g_cm2"):
        fit_strike("driver fast", balls(), measured, with_swing(table, still), ("height",))


def test_limits_a_loft_set_wrong_is_found_again_and_printed_as_written():
    table = default_swings()
    truth = table.find("driver fast").model_copy(update={"dynamic_loft_deg": 14.4})
    measured = measurements_from_csv([("robot.csv", readings_of(truth))], balls(), table)
    found = fit_strike("driver fast", balls(), measured, table, ("loft",))
    loft = next(f for f in found.fitted if f.field == "dynamic_loft_deg")
    assert loft.identified
    assert abs(loft.value - 14.4) < max(3.0 * loft.error, 0.15)
    for row in found.fitted:
        if row.identified:
            assert getattr(found.swing, row.field) == row.value
    again = Conditions(swings=SwingTable(swing=(found.swing,)), precision="double")
    for row in found.launch:
        ball = next(b for b in balls() if b.name == row.build)
        assert estimate(ball, (row.figure,), again)[row.figure].value == row.after


def test_too_few_readings_are_refused():
    table = default_swings()
    rows = readings_of(table.find("wedge full fast"))
    measured = measurements_from_csv([("robot.csv", rows)], balls(), table)
    with pytest.raises(InputError, match="0 launch figures of swing 'driver fast'"):
        fit_strike("driver fast", balls(), measured, table)


def test_a_table_of_swings_written_reads_back():
    table = default_swings()
    changed = table.find("driver slow").model_copy(update={"friction": 0.3, "source": 'a "b" \\ c'})
    again = SwingTable.from_toml(swings_toml(with_swing(table, changed)))
    assert again.find("driver slow") == changed
    assert [s.name for s in again.swing] == [s.name for s in table.swing]


def test_fit_club_writes_a_table_that_estimate_takes(tmp_path, capsys):
    wedge = default_swings().find("wedge full fast").model_copy(update={"friction": 0.22})
    readings, out = tmp_path / "robot.csv", tmp_path / "swings.toml"
    readings.write_text(readings_of(wedge))
    files = [str(BALLS / f"{name}.toml") for name in NAMES]
    asked = ["fit-club", *files, "--measurements", str(readings), "--out", str(out)]
    code = main([*asked, "--swing", "wedge full fast"])
    assert code == 0
    assert "fitted" in capsys.readouterr().out
    assert SwingTable.from_toml(out.read_text()).find("wedge full fast").grade == "measured"
    code = main([*asked, "--swing", "wedge fast"])
    assert code == 2
    assert "wedge full fast" in capsys.readouterr().err


def test_tester_scores_only_with_two_unlike_references(capsys):
    soft, firm = (str(BALLS / f"{name}.toml") for name in NAMES)
    middle = str(BALLS / "four_layer_speed_feel.toml")
    references = ["--reference", f"{soft}=76", "--reference", f"{firm}=95"]
    assert main(["tester", middle, *references]) == 0
    row = next(r for r in capsys.readouterr().out.splitlines() if r.startswith("score"))
    assert 76.0 < float(row.split()[1]) < 95.0
    assert main(["tester", middle, *references[:2]]) == 2
    assert "at least 2" in capsys.readouterr().err
    assert main(["tester", middle, "--reference", "soft.toml"]) == 2
    assert "like soft.toml=62" in capsys.readouterr().err


def test_help_names_the_commands_and_loads_nothing_heavy():
    code = "import sys; from optimize.commands.app import app; print('scipy' in sys.modules)"
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "False"
