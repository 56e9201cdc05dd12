"""Energy by layer: sums, the limit of small loss, frames, the contact patch.

Meshes are coarse: what is compared is computed on the same one.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers import energy
from layers.ball import Body
from layers.conditions import Conditions
from layers.energy.barrier import record_barrier
from layers.energy.contact import Before, patch_of
from layers.energy.impact import record_impact
from layers.energy.record import ImpactRecord, chosen
from layers.energy.strike import record_strike
from layers.errors import InputError
from layers.impact import barrier
from layers.impact.model import Resolution
from layers.strike import march as rows
from layers.strike.launch import Strike
from layers.strike.settings import LEVELS, Settings
from layers.strike.start import start_of_strike
from layers.strike.strike import strike_ball
from layers.strike.swings import find_swing
from tests.layers.impact.test_barrier import reference_ball

DRIVER = Strike(0.2, 45.0, math.radians(13.0), math.radians(1.0), 0.3, 8e6, 0.03)
WEDGE = Strike(0.3, 36.0, math.radians(46.0), math.radians(-5.0), inertia=5e-5, depth=0.01)
COARSE = Settings(normal=4, lateral=3, upward=6, core_rings=2, cover_rings=1, precision="double")
FLAT = Resolution(side=4, angles=16, core_rings=3, thick_rings=2, thin_rings=1, precision="double")


@pytest.fixture(scope="module")
def body() -> Body:
    return reference_ball().body()


@pytest.fixture(scope="module", params=[DRIVER, WEDGE], ids=["driver", "wedge"])
def strike(request: pytest.FixtureRequest) -> Strike:
    return request.param


@pytest.fixture(scope="module")
def record(body: Body, strike: Strike) -> ImpactRecord:
    return record_strike(body, strike, COARSE, 12, "any")


@pytest.fixture(scope="module")
def bounce(body: Body) -> ImpactRecord:
    return record_barrier(body, 40.0, FLAT, 12)


def mechanical(record: ImpactRecord) -> float:
    """Energy that is not lost in the material, J."""
    return record.energy.given - float(record.energy.lost.sum()) - record.energy.residual


def kept_back(record: ImpactRecord) -> float:
    """Energy that is neither speed of the ball nor of the head, J."""
    table = record.energy
    return table.given - table.whole["speed"] - table.whole.get("head", 0.0)


def only(body: Body, scale: float, layer: int | None = None) -> Body:
    """The body with little loss, in one layer or in all."""
    strength = scale * body.relaxation_strength
    if layer is not None:
        strength[np.arange(len(strength)) != layer] = 0.0
    return replace(body, relaxation_strength=strength)


def test_analytic_strike_energy_adds_up_to_the_balance(
    body: Body, strike: Strike, record: ImpactRecord
) -> None:
    table, balance = record.energy, strike_ball(body, strike, COARSE).energy
    bar = 1e-3 * balance["given"]
    assert table.given == pytest.approx(balance["given"], rel=1e-12)
    assert abs(table.residual - balance["residual"]) < bar
    assert abs(table.lost.sum() - balance["relaxation"]) < bar
    numerical = balance["bulk viscosity"] + balance["hourglass"]
    assert abs(table.numerical.sum() - numerical) < bar
    for name, same in (
        ("speed", "ball, translation"),
        ("spin", "ball, spin"),
        ("head", "club"),
        ("face friction", "friction"),
        ("contact", "contact damping"),
    ):
        assert abs(table.whole[name] - balance[same]) < bar, name
    left = balance["ball, vibration"] + balance["ball, strain"]
    assert abs(table.vibration.sum() - left) < bar


def test_guard_one_layer_less_breaks_the_sum(body: Body, record: ImpactRecord) -> None:
    lost = record.energy.lost
    said = strike_ball(body, DRIVER if record.speed == 45.0 else WEDGE, COARSE).energy["relaxation"]
    assert lost.min() > 5.0 * abs(lost.sum() - said)


def test_analytic_layers_lose_what_the_march_says_it_lost(body: Body) -> None:
    """At one sample, summed element by element: equal but for rounding."""
    run = start_of_strike(body, DRIVER, COARSE)
    result, history = np.zeros(rows.RESULT_ROWS), np.zeros((rows.HISTORY_ROWS, 512))
    run.advance(2e-4, math.inf, history, result)
    u, state, branch = run.u.copy(), run.state.copy(), run.model.branch.copy()
    run.advance(energy.strike.SHORTEST, math.inf, history, result)
    step = float(result[rows.ELAPSED])
    assert result[rows.STEPS] == 1
    rates = energy.strike.loss_rates(run.model, u, state, branch, step)
    volume = run.model.volume
    for own, row in zip(rates, (rows.LOSS_RELAXATION, rows.LOSS_BULK), strict=True):
        said = result[row] / (rows.SAMPLE_EVERY * step)
        assert float(own @ volume) == pytest.approx(said, rel=1e-9)


def test_analytic_barrier_energy_adds_up_to_the_balance(body: Body, bounce: ImpactRecord) -> None:
    table = bounce.energy
    balance = barrier.outcome(barrier.throw(body, 40.0, FLAT)).energy
    assert table.given == pytest.approx(balance.initial_kinetic, rel=1e-12)
    assert table.residual == pytest.approx(balance.residual, abs=1e-9 * table.given)
    assert table.lost.sum() == pytest.approx(balance.viscous, rel=1e-12)
    kept = table.whole["speed"] + table.vibration.sum()
    assert kept == pytest.approx(balance.final_kinetic + balance.elastic + balance.network)
    cor = math.sqrt(table.whole["speed"] / table.given)
    assert cor == pytest.approx(bounce.results["cor"], rel=1e-9)


@pytest.mark.parametrize("layer", range(3))
def test_limits_loss_of_a_layer_is_that_with_the_others_lossless(body: Body, layer: int) -> None:
    small = 1e-3
    throw = [record_barrier(only(body, small, k), 40.0, FLAT, 2).energy for k in (None, layer)]
    assert throw[0].lost[layer] == pytest.approx(throw[1].lost.sum(), rel=0.05)
    hit = [record_strike(only(body, small, k), DRIVER, COARSE, 2, "").energy for k in (None, layer)]
    assert hit[0].lost[layer] == pytest.approx(hit[1].lost.sum(), rel=0.05)
    others = [k for k in range(3) if k != layer]
    assert np.all(hit[1].lost[others] == 0.0)


def test_limits_what_a_layer_loses_is_missing_from_the_rest(body: Body) -> None:
    """An account that knows nothing of layers: the energy left with and without the core's loss."""
    lossy, lossless = (record_barrier(only(body, s, 0), 40.0, FLAT, 2) for s in (0.02, 0.0))
    assert mechanical(lossless) - mechanical(lossy) == pytest.approx(
        float(lossy.energy.lost[0]), rel=0.05
    )


@pytest.mark.parametrize("layer", range(3))
def test_limits_a_joule_more_returned_is_so_much_speed(body: Body, layer: int) -> None:
    """A tenth less loss in one layer: the speed gained against the account of what came back."""
    strength = body.relaxation_strength.copy()
    strength[layer] *= 0.9
    better = replace(body, relaxation_strength=strength)
    slow, fast = (record_barrier(b, 40.0, FLAT, 2) for b in (body, better))
    gained = 40.0 * (fast.results["cor"] - slow.results["cor"])
    came_back = kept_back(slow) - kept_back(fast)
    assert gained == pytest.approx(came_back * slow.speed_per_joule, rel=0.05)
    # Less than if all of it came back: the other layers lose some, vibration keeps some.
    own = float(slow.energy.lost[layer] - fast.energy.lost[layer]) * slow.speed_per_joule
    assert 0.4 * own < gained < own


def test_limits_a_joule_more_returned_is_so_much_speed_by_a_club(body: Body) -> None:
    level = Strike(0.2, 45.0, 0.0, 0.0, 0.3)
    better = replace(body, relaxation_strength=0.95 * body.relaxation_strength)
    slow, fast = (record_strike(b, level, COARSE, 2, "") for b in (body, better))
    gained = fast.results["ball_speed"] - slow.results["ball_speed"]
    came_back = kept_back(slow) - kept_back(fast)
    assert gained == pytest.approx(came_back * slow.speed_per_joule, rel=0.05)


def test_limits_a_record_is_the_march_that_is_never_stopped(
    body: Body, bounce: ImpactRecord
) -> None:
    thrown = barrier.throw(body, 40.0, FLAT)
    looks, _ = energy.barrier._marched(body, thrown, FLAT, barrier.impact_mesh(body, FLAT))
    end = looks[-1]
    flown = end.time - thrown.time[-1]
    centre = [
        thrown.model.mass @ x / thrown.model.mass.sum() for x in (end.points[1], thrown.model.x[1])
    ]
    rise = thrown.model.mass @ thrown.v[1] / thrown.model.mass.sum()
    assert centre[0] - centre[1] == pytest.approx(rise * flown, abs=1e-6)
    assert end.lost.sum() == pytest.approx(bounce.energy.lost.sum(), rel=2e-3)


def test_limits_frames_run_from_touch_to_release(
    record: ImpactRecord, bounce: ImpactRecord
) -> None:
    for seen in (record, bounce):
        times = [frame.time for frame in seen.frames]
        lost = np.array([frame.lost for frame in seen.frames])
        assert 2 <= len(times) <= 12
        assert times == sorted(times)
        assert times[0] == 0.0
        assert seen.frames[0].shear_strain.max() == pytest.approx(0.0, abs=1e-12)
        assert times[-1] == pytest.approx(seen.results["contact_time"], rel=0.1)
        assert np.all(np.diff(lost, axis=0) >= 0.0)
        peak = seen.frames[seen.peak]
        assert peak.force > 0.5 * max(frame.force for frame in seen.frames)
        assert peak.stored.sum() == max(frame.stored.sum() for frame in seen.frames) or (
            peak.stored.sum() > 0.9 * max(frame.stored.sum() for frame in seen.frames)
        )
        assert 0.05 < peak.shear_strain.max() < 2.0


def test_analytic_the_section_is_a_disc(record: ImpactRecord, bounce: ImpactRecord) -> None:
    """The quadrilaterals of the section fill the circle, or half of it, and turn one way."""
    for seen, axes, share in ((record, [0, 2], 1.0), (bounce, [0, 1], 0.5)):
        grid = seen.grid
        x, y = grid.points[axes][:, grid.quads]
        area = 0.5 * ((x[2] - x[0]) * (y[3] - y[1]) - (x[3] - x[1]) * (y[2] - y[0]))
        radius = np.ptp(grid.points[axes[1]]) / 2.0
        assert np.abs(area).sum() == pytest.approx(share * math.pi * radius**2, rel=0.03)


def test_analytic_the_patch_carries_the_force_and_sticks_as_the_march_says(
    body: Body, strike: Strike
) -> None:
    run = start_of_strike(body, strike, COARSE)
    result, history = np.zeros(rows.RESULT_ROWS), np.zeros((rows.HISTORY_ROWS, 512))
    shares = []
    for _ in range(9):
        run.advance(4e-5, math.inf, history, result)
        before = Before(run.u.copy(), run.club.copy(), run.stretch.copy())
        run.advance(energy.strike.SHORTEST, math.inf, history, result)
        patch = patch_of(run, before, float(result[rows.ELAPSED]))
        force = patch.pressure * patch.area
        assert force.sum() == pytest.approx(2.0 * history[rows.NORMAL, 0], rel=1e-6)
        stuck = float(force[~patch.sliding].sum() / force.sum())
        # Points that leave within the step count as sticking here, whatever they did.
        assert stuck == pytest.approx(history[rows.STUCK, 0], abs=0.03)
        shares.append(stuck)
        slip = float(force @ np.hypot(*patch.slip) / force.sum())
        assert slip == pytest.approx(history[rows.SLIP, 0], rel=0.02)
    assert min(shares) < 0.999


def test_limits_without_friction_all_of_the_patch_slides(body: Body) -> None:
    smooth = record_strike(body, replace(WEDGE, friction=0.0), COARSE, 6, "")
    patch = smooth.frames[smooth.peak].patch
    assert patch is not None
    assert patch.sliding.all()
    assert smooth.energy.whole["face friction"] == pytest.approx(0.0, abs=1e-9)
    assert smooth.energy.whole["spin"] < 1e-3 * smooth.energy.whole["speed"]


def test_chosen_instants_hold_the_peak() -> None:
    times = np.arange(10.0)
    picked, at = chosen(times, 8.0, 3, 4)
    assert len(picked) == 4
    assert picked[at] == 3
    assert picked[0] == 0
    assert chosen(times, 20.0, 9, 3) == ([0, 4, 9], 2)


def test_what_is_recorded_where_no_more_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """A throw at 125 ft/s, as for the impact speed ratio, on the shipped mesh, 32 frames."""
    monkeypatch.setattr(energy.impact, "record_barrier", lambda *given: given)
    monkeypatch.setattr(energy.impact, "record_strike", lambda *given: given)
    ball = reference_ball()
    _, speed, resolution, frames = record_impact(ball)
    assert speed == pytest.approx(125.0 * 0.3048)
    assert (resolution, frames) == (barrier.LEVELS["default"], 32)
    double = Conditions().in_double()
    _, _, resolution, frames = record_impact(ball, None, 40.0, double, "fine", 200)
    assert resolution == replace(barrier.LEVELS["fine"], precision="double")
    _, strike, settings, frames, name = record_impact(ball, "driver fast", frames=2)
    assert (settings, frames, name) == (LEVELS["default"], 2, "driver fast")
    assert strike == find_swing("driver fast").strike()
    _, _, settings, *_ = record_impact(ball, "driver fast", conditions=double, level="fine")
    assert settings == replace(LEVELS["fine"], precision="double")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"frames": 1}, "frames is 1"),
        ({"frames": 201}, "frames is 201, but must be from 2 to 200"),
        ({"frames": 2, "level": "none"}, "level is 'none'"),
        ({"frames": 200, "level": "none"}, "level is 'none'"),
        ({"swing": "croquet"}, "croquet"),
        ({"speed": 200.0}, "speed is 200"),
        ({"level": "finest"}, "level is 'finest'"),
    ],
)
def test_bad_input_is_refused(given: dict, said: str) -> None:
    with pytest.raises(InputError, match=said):
        record_impact(reference_ball(), **given)
