"""What is read off a ball that has left the wall: by impulses that are written down."""

import numpy as np
import pytest

from layers.impact import barrier
from layers.impact.barrier import Thrown
from layers.impact.model import Resolution, impact_model
from tests.layers.impact.test_barrier import reference_ball

TINY = Resolution(side=2, angles=8, core_rings=1, thick_rings=1, thin_rings=1, precision="double")


@pytest.mark.parametrize("total", [1.0, 3.0])
def test_analytic_the_end_of_a_contact_that_fades_as_hertz_s(total):
    """Impulse to come as (T - t)^(5/2): T, from times well before it and from a graze after."""
    time = np.linspace(0.0, 1.2, 120_001)
    impulse = total * (1.0 - np.maximum(0.0, 1.0 - time) ** 2.5)
    assert barrier._contact_time(time, impulse) == pytest.approx(1.0, rel=1e-6)
    late = impulse + total * 1e-5 * (time > 1.15)
    assert barrier._contact_time(time, late) == pytest.approx(1.0, rel=5e-3)


def test_analytic_the_peak_force_is_the_greatest_mean_over_a_window():
    """Of a triangle of force up to F at T: F (1 - w / 2 T) over the last w of its rise."""
    time = np.linspace(0.0, 2.0, 20_001)[1:]
    force = np.where(time < 1.0, 8.0 * time, 0.0)
    impulse = np.cumsum(force) * (time[1] - time[0])
    for window in (0.1, 0.5):
        found = barrier._peak_force(time, impulse, window)
        assert found == pytest.approx(8.0 * (1.0 - 0.5 * window), rel=1e-3)
    # Before the first touch there is no impulse.
    assert barrier._peak_force(time, impulse, 4.0) == pytest.approx(4.0 / 4.0, rel=1e-3)


def test_analytic_figures_of_a_ball_that_a_steady_push_throws_back():
    """Deceleration a from v: v^2 / 2 a deep after v / a; a peak force that is the steady one."""
    model = impact_model(reference_ball().body(), TINY)
    whole = float(model.mass.sum())
    v = np.zeros_like(model.x)
    v[1] = 20.0
    count, slowing, speed = 4000, 1e5, 40.0
    time = np.linspace(0.0, 60.0 / slowing, count + 1)[1:]
    out = barrier.outcome(Thrown(model, v, speed, time, whole * slowing * time, -3.0))
    assert out.speed == speed
    assert out.cor == pytest.approx(0.5)
    assert out.peak_force == pytest.approx(whole * slowing, rel=1e-3)
    assert out.peak_deformation == pytest.approx(speed**2 / (2.0 * slowing), rel=1e-3)
    energy = out.energy
    assert energy.initial_kinetic == pytest.approx(0.5 * whole * speed**2)
    assert energy.final_kinetic == pytest.approx(0.5 * whole * 20.0**2)
    assert (energy.contact, energy.contact_damping) == (0.0, 3.0)
    assert energy.residual == pytest.approx(0.5 * whole * (speed**2 - 20.0**2) - 3.0)
    assert "is off by" in out.flag


def test_several_speeds_are_thrown_in_order(monkeypatch):
    monkeypatch.setattr(barrier, "barrier_impact", lambda *given: given)
    found = barrier.barrier_impacts("body", (30.0, 20.0), "fine")
    assert found == [("body", 30.0, "fine"), ("body", 20.0, "fine")]
    assert barrier.barrier_impacts("body", (30.0,)) == [("body", 30.0, "default")]
