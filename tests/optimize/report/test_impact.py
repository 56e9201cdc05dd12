"""Pictures, tables and meshes of an impact: what they show is what was recorded."""

import io
import json
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from layers.ball import Ball
from layers.compression.deck import deck_text, deflection_of, read_results
from layers.energy.barrier import record_barrier
from layers.energy.record import ImpactRecord
from layers.energy.section import section_of
from layers.energy.strike import record_strike
from layers.errors import InputError
from layers.estimates import Estimate
from layers.figures import QUANTITIES
from optimize.commands.app import main
from optimize.report import impact_mesh
from optimize.report.impact import energy_sections, impact_record
from optimize.report.pictures import impact as pictures
from optimize.report.pictures.drawing import impact_section
from tests.layers.energy.test_energy import COARSE, DRIVER, FLAT
from tests.layers.impact.test_barrier import BALLS, reference_ball

BALL = str(BALLS / "three_layer_soft_feel.toml")


@pytest.fixture(scope="module")
def ball() -> Ball:
    return reference_ball()


@pytest.fixture(scope="module", params=["driver", "barrier"])
def record(request: pytest.FixtureRequest, ball: Ball) -> ImpactRecord:
    if request.param == "driver":
        return record_strike(ball.body(), DRIVER, COARSE, 4, "driver")
    return record_barrier(ball.body(), 40.0, FLAT, 4)


def texts(figure) -> str:
    axes = [t for a in figure.axes for t in (*a.texts, a.title, a.xaxis.label, a.yaxis.label)]
    lefts = [a.get_title(loc="left") for a in figure.axes]
    ticks = [t.get_text() for a in figure.axes for t in a.get_yticklabels()]
    return "\n".join([t.get_text() for t in (*figure.texts, *axes)] + lefts + ticks)


@pytest.mark.parametrize("shade", ["strain", "loss"])
def test_the_picture_names_layers_units_contact_and_time(record, ball, shade):
    said = texts(pictures.draw_impact(record, ball, shade))
    for layer in ball.layer:
        assert layer.role in said
    for words in ("contact", "10 mm", "µs", f"{record.energy.given:.4g} J given"):
        assert words in said
    assert ("shear strain, %" if shade == "strain" else "J/cm³") in said
    assert f"{record.energy.lost[0]:.2f} J" in said


def test_the_legend_of_the_energy_covers_no_bar_and_no_label(record, ball):
    for lost in (record.energy.lost, record.energy.lost[::-1]):  # whichever layer loses most
        one = replace(record, energy=replace(record.energy, lost=lost))
        figure = pictures.draw_impact(one, ball)
        figure.canvas.draw()
        axes = next(a for a in figure.axes if a.get_legend())
        legend = axes.get_legend().get_window_extent()
        others = [*axes.patches, *axes.texts, axes.xaxis.label, *axes.get_xticklabels()]
        assert not any(legend.overlaps(other.get_window_extent()) for other in others)
        assert figure.bbox.contains(*legend.min)
        assert figure.bbox.contains(*legend.max)
        assert not axes.xaxis.label.get_window_extent().overlaps(
            axes.get_xticklabels()[0].get_window_extent()
        )


def test_the_animation_is_short_and_has_a_frame_an_instant(record, ball):
    few = replace(record, frames=record.frames[record.peak - 1 : record.peak + 1], peak=1)
    data = pictures.impact_gif(few, ball)
    moving = Image.open(io.BytesIO(data))
    assert moving.format == "GIF"
    assert moving.n_frames == 2
    assert len(data) < 1_500_000 / 32 * 2


def test_the_section_touches_the_face_where_it_says(record):
    """No point of the section is beyond the plate or far beyond the face; the patch is on it."""
    seen = section_of(record, record.peak)
    assert seen.patch.shape[1] > 1
    normal = np.array([np.cos(record.tilt), np.sin(record.tilt)])
    assert (normal @ seen.points).min() > -1.5e-3
    assert np.abs(normal @ seen.patch).max() < 1e-3
    middle = section_of(replace(record), 0)
    assert middle.shear_strain.max() == pytest.approx(0.0, abs=1e-12)


def test_tables_add_up(record, ball):
    layered, whole = energy_sections(record, ball)
    joules = {row[0]: float(row[1]) for row in whole.rows}
    given = joules.pop("given")
    assert sum(joules.values()) == pytest.approx(given, abs=0.01)
    lost = sum(float(row[2]) for row in layered.rows)
    assert lost == pytest.approx(joules["lost in the materials"], abs=0.02)
    plain = impact_record(record, ball)
    assert json.loads(json.dumps(plain)) == plain
    total = sum(e["lost_j"] + e["vibration_j"] + e["mesh_j"] for e in plain["layers"])
    total += sum(plain["whole"].values()) + plain["residual_j"]
    assert total == pytest.approx(plain["given_j"], rel=1e-12)


def test_the_mesh_is_read_back(record, tmp_path):
    meshio = pytest.importorskip("meshio")
    path = tmp_path / "ball.vtu"
    impact_mesh.save_mesh(record, path)
    read = meshio.read(path)
    frame = record.frames[record.peak]
    assert np.allclose(read.points[:, : len(frame.points)], frame.points.T)
    (cells,) = read.cells
    assert cells.type == ("hexahedron" if record.swing else "quad")
    assert np.allclose(read.cell_data["shear_strain_percent"][0], 100.0 * frame.shear_strain)
    if record.swing:  # VTK's order is right-handed: every volume is positive
        a, b, _, d, e = (read.points[cells.data[:, k]] for k in (0, 1, 2, 3, 4))
        assert (np.cross(b - a, d - a) * (e - a)).sum(axis=1).min() > 0.0


def test_a_mesh_without_meshio_is_one_sentence(record, tmp_path, monkeypatch):
    monkeypatch.setattr(impact_mesh, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"orbwright\[mesh\]"):
        impact_mesh.save_mesh(record, tmp_path / "ball.vtu")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--swing", "driver fats"], "known: driver fast"),
        (["--swing", "driver fast", "--stage", "1"], "--stage cannot go together with --swing"),
        (
            ["--energy", "--swing", "driver fast", "--swing", "driver slow"],
            "look into one impact, not 2",
        ),
        (["--shade", "loss"], "--shade is for --picture"),
        (["--picture", "x.png", "--shade", "red"], "--shade is 'red'"),
        (["--picture", "x.bmp"], "must end in .png, .svg, .gif, .vtu or .vtk"),
        (["--energy", "--swing", "croquet"], "croquet"),
        (["--energy", "--calibration", "c.toml"], "--calibration cannot go with"),
    ],
)
def test_bad_options_end_in_one_sentence(options, said, capsys):
    assert main(["estimate", BALL, "-f", "mass_g", *options]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1


def test_swings_alone_add_their_figures(capsys, monkeypatch):
    """Every quantity of a swing, for each swing once, beside the figures that are named."""
    asked = []

    def estimate(ball, names, conditions):
        asked.extend(names)
        return Estimate(ball, {}, {})

    monkeypatch.setattr("layers.estimation.estimate", estimate)
    monkeypatch.setattr("optimize.commands.balls.tell_of_compiling", lambda *_: None)
    options = ["--swing", "Driver Fast", "--swing", "driver slow", "--swing", "driver fast"]
    assert main(["estimate", BALL, "-f", "mass_g", *options, "--rules", "none"]) == 0
    of_a_swing = [name for name, known in QUANTITIES.items() if known.of == "swing"]
    wanted = [f"driver {player}.{name}" for player in ("fast", "slow") for name in of_a_swing]
    assert asked == ["mass_g", *wanted]
    assert len(of_a_swing) == 11


def test_estimate_draws_and_tabulates(tmp_path, capsys, monkeypatch, record, ball):
    monkeypatch.setattr("layers.energy.impact.record_impact", lambda *_, **__: record)
    path = tmp_path / "impact.svg"
    asked = ["estimate", BALL, "-f", "mass_g", "--energy"]
    assert main([*asked, "--picture", str(path), "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["energy"]["given_j"] == record.energy.given
    assert path.read_text("utf-8").startswith("<?xml")
    assert main(asked) == 0
    assert "Balance of the impact" in capsys.readouterr().out


def test_the_python_face_draws(ball):
    drawing = impact_section(ball)
    assert drawing.title == ball.name
    with pytest.raises(InputError, match="shade is 'red'"):
        impact_section(ball, shade="red")


def test_a_deck_holds_every_layer_and_its_moduli(ball):
    body = ball.body()
    text = deck_text(body, 6)
    for number, shear in enumerate(body.shear_modulus):
        assert f"ELSET=LAYER{number}" in text
        assert f"{shear * 0.5e-6:.12g},{2e6 / body.bulk_modulus[number]:.12g}" in text
    assert deck_text(body, 6, travel=3.0).count("PLATENODES,2,2,-3") == 1


def printed(times, forces) -> str:
    return "\n".join(
        f" total force (fx,fy,fz) for set PLATENODES and time {t:.6E}\n\n 0.0 {-f / 180:.6E} 0.0"
        for t, f in zip(times, forces, strict=True)
    )


def test_results_of_hertz_are_read_back():
    """F = k d^(3/2): the deflection between two loads in closed form."""
    times = np.linspace(0.05, 1.0, 20)
    stiff = 2000.0 / 4e-3**1.5
    force, deflection = read_results(printed(times, stiff * (4e-3 * times) ** 1.5))
    assert np.allclose(deflection, 4e-3 * times)
    exact = (1274.8645 / stiff) ** (2 / 3) - (98.0665 / stiff) ** (2 / 3)
    assert deflection_of(force, deflection) == pytest.approx(exact, rel=1e-5)
    with pytest.raises(InputError, match="reach 500 N"):
        read_results(printed([1.0], [500.0]))
    with pytest.raises(InputError, match="reach 0 N"):
        read_results("nothing")


def test_export_deck_writes_and_compares(tmp_path, capsys):
    deck = tmp_path / "job.inp"
    assert main(["export-deck", BALL, "--out", str(deck), "--elements", "6"]) == 0
    said = capsys.readouterr().err
    assert re.search(r"ccx -i \S+job\n", said)
    assert deck.read_text("ascii").startswith("*NODE")
    assert main(["export-deck", BALL]) == 2
    assert main(["export-deck", BALL, "--out", str(tmp_path / "job.txt")]) == 2
    assert main(["export-deck", BALL, "--out", str(deck), "--elements", "7"]) == 2
    assert "must be even" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("ccx") is None, reason="ccx is not installed")
def test_limits_the_written_deck_gives_our_deflection(tmp_path, capsys):
    deck = tmp_path / "job.inp"
    assert main(["export-deck", BALL, "--out", str(deck), "--elements", "12"]) == 0
    subprocess.run(["ccx", "-i", "job"], cwd=tmp_path, check=True, capture_output=True)
    capsys.readouterr()
    results = str(tmp_path / "job.dat")
    assert main(["export-deck", BALL, "--results", results, "--json"]) == 0
    both = json.loads(capsys.readouterr().out)
    assert both["deflection_mm"] == pytest.approx(both["calculix_deflection_mm"], rel=0.02)
