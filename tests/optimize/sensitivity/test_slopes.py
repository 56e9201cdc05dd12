"""What drives what: slopes against closed forms, scaling laws and the errors they claim."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from layers.ball import Ball, Layer
from layers.errors import InputError
from layers.estimation import estimate
from layers.mass import inertia
from layers.materials import Material
from optimize.sensitivity.perturbation import (
    PERTURBATIONS,
    DesignVariable,
    Perturbation,
    perturbed,
    plan,
)
from optimize.sensitivity.slopes import fit_slopes, sensitivities
from tests.helpers.builds import random_balls

FOUR = random_balls(3, seed=5)[2]
# Its moduli drive every figure of MECHANICS, far over the noise.
TWO = random_balls(1, seed=11)[0]
MECHANICS = ("deflection_mm", "cor", "driver fast.ball_speed_m_s")


@pytest.fixture(scope="module")
def two():
    return sensitivities(TWO, MECHANICS)


def _read(found, figure, kind):
    """Slopes and errors of a figure along one kind of variable, centre outward."""
    slopes = [d for (name, f), d in found.slopes.items() if (name, f.kind) == (figure, kind)]
    return np.array([d.value for d in slopes]), np.array([d.error for d in slopes])


def _slopes(ball, figure, kind, **options):
    return _read(sensitivities(ball, (figure,), **options), figure, kind)


# Analytic: mass and moment of inertia.


def _mass_slopes(ball):
    """Closed form in g, mm, g/cm3: M = 4/3 pi sum rho (b^3 - a^3) less the dimples' share."""
    body = ball.body()
    r, rho = body.outer_radius, body.density
    share = body.dimple_volume_fraction
    step = rho - np.append(rho[1:], 0.0)
    by_radius = 4.0 * np.pi * r**2 * step
    by_radius[-1] -= 4.0 * np.pi * r[-1] ** 2 * rho[-1] * share
    by_density = inertia.layer_volume(body)
    by_density[-1] -= share * 4.0 / 3.0 * np.pi * r[-1] ** 3
    return by_radius * 0.5, by_density * 1e6  # kg/m of radius to g/mm of diameter; m3 to cm3


def test_mass_slopes_are_the_closed_form_ones():
    by_diameter, by_density = _mass_slopes(FOUR)
    assert _slopes(FOUR, "mass_g", "outer_diameter_mm")[0] == pytest.approx(by_diameter, rel=1e-9)
    assert _slopes(FOUR, "mass_g", "density_g_cm3")[0] == pytest.approx(by_density, rel=1e-9)
    assert not np.any(_slopes(FOUR, "mass_g", "youngs_modulus_mpa")[0])


def test_inertia_slopes_are_the_closed_form_ones():
    body = FOUR.body()
    r, rho = body.outer_radius, body.density
    # d/dr of 8 pi/15 r^5 times the step in density; the outermost carries the dimples too.
    inner = (8.0 / 3.0 * np.pi * r**4 * (rho - np.append(rho[1:], 0.0)))[:-1]
    slopes, errors = _slopes(FOUR, "moi_g_cm2", "outer_diameter_mm")
    assert slopes[:-1] == pytest.approx(inner * 0.5e-3 * 1e7, rel=1e-5)
    assert np.all(np.abs(slopes[:-1] - inner * 0.5e4) <= errors[:-1])


# Limits: scaling laws of the mechanics.


def _elastic(modulus_mpa=100.0):
    card = Material.model_validate(
        {
            "name": "elastic",
            "youngs_modulus_mpa": modulus_mpa,
            "poisson_ratio": 0.48,
            "density_g_cm3": 1.13,
        }
    )
    return Ball(
        layer=(Layer(role="core", outer_diameter_mm=42.67, material=card),),
        dimple_volume_percent=0.0,
    )


def test_small_load_deflection_approaches_hertz():
    """Hertz 1882: deflection goes as E^(-2/3) in the limit of a small contact.

    The samples are far apart: the discretisation noise that the contact's edge makes, as it passes
    from element to element, averages over them.
    """
    names = ("deflection_mm@2-15", "deflection_mm@15-49", "deflection_mm@49-98")
    step = 0.3
    variable = DesignVariable(0, "youngs_modulus_mpa", step)
    balls = [perturbed(_elastic(), variable, k * step) for k in range(-3, 4)]
    found = [estimate(ball, names, level="fine") for ball in balls]
    values = np.log([[e[name].value for e in found] for name in names])
    slopes, _ = fit_slopes(values, np.full(3, step))
    away = np.abs(slopes + 2.0 / 3.0)
    assert away[0] <= 0.01 * 2.0 / 3.0
    assert away[0] < away[1] < away[2] < 0.03
    assert abs(0.98 * slopes[0] + 2.0 / 3.0) > 0.01 * 2.0 / 3.0  # a law 2 % off would fail


def test_frequency_goes_as_the_root_of_modulus_over_density():
    """Without relaxation the modes go as sqrt(E / rho) of all layers together."""
    layers = [
        layer.model_copy(update={"material": layer.material.model_copy(update={"relaxation": ()})})
        for layer in FOUR.layer
    ]
    ball = FOUR.model_copy(update={"layer": tuple(layers), "dimple_volume_percent": 0.0})
    value = estimate(ball, ("frequency_hz",))["frequency_hz"].value
    stiff, _ = _slopes(ball, "frequency_hz", "youngs_modulus_mpa")
    heavy, _ = _slopes(ball, "frequency_hz", "density_g_cm3")
    density = ball.body().density * 1e-3
    assert stiff.sum() / value == pytest.approx(0.5, rel=1e-5)
    assert heavy @ density / value == pytest.approx(-0.5, rel=1e-5)


def _all_stiffer(ball, by):
    for layer in range(len(ball.layer)):
        ball = perturbed(ball, DesignVariable(layer, "youngs_modulus_mpa", 0.0), by)
    return ball


def _together(ball, names):
    """Estimate seven balls whose moduli are multiplied alike."""
    step = PERTURBATIONS["youngs_modulus_mpa"].step
    return [estimate(_all_stiffer(ball, k * step), names) for k in range(-3, 4)]


@pytest.fixture(scope="module")
def three_balls():
    """Slopes by each modulus, and by all together, of balls of two layers."""
    balls = [TWO, *(random_balls(1, seed=seed)[0] for seed in (12, 13))]
    return [(sensitivities(ball, MECHANICS), _together(ball, MECHANICS)) for ball in balls]


@pytest.mark.parametrize("name", MECHANICS)
def test_slopes_add_up_to_that_of_all_moduli_together(name, three_balls):
    """Euler: the slope along a common factor of all moduli is the sum of the layers' slopes.

    Each error is a 95 % half width from three degrees of freedom, so one ball of three may be out.
    """
    within = []
    for found, together in three_balls:
        slopes, errors = _read(found, name, "youngs_modulus_mpa")
        values = np.array([[e[name].value for e in together]])
        slope, error = fit_slopes(values, np.array([PERTURBATIONS["youngs_modulus_mpa"].step]))
        allowed = float(np.hypot(np.linalg.norm(errors), error[0]))
        within.append(abs(slopes.sum() - slope[0]) <= allowed)
        assert allowed < 0.2 * np.abs(slopes).max()  # leaving the strongest layer out would fail
    assert sum(within) >= 2


# Noise and errors.


def test_errors_cover_the_truth_at_the_stated_level():
    rng = np.random.default_rng(7)
    x = np.arange(-3.0, 4.0)
    covered = []
    for _ in range(300):
        rows = 2.0 * x + 0.3 * x**2 - 0.05 * x**3 + rng.normal(size=(4, 7))
        slopes, errors = fit_slopes(rows, np.ones(4))
        covered += list(np.abs(slopes - 2.0) <= errors)
    assert 0.93 < np.mean(covered) < 0.97


def test_slope_of_seven_points_is_that_of_savitzky_and_golay():
    values = np.random.default_rng(1).normal(size=7)
    weights = np.array([22.0, -67.0, -58.0, 0.0, 58.0, 67.0, -22.0]) / 252.0
    slope, _ = fit_slopes(values[None, :], np.array([0.5]))
    assert slope[0] == pytest.approx(weights @ values / 0.5, rel=1e-12)


def test_a_wider_spacing_gives_the_same_slopes_within_the_errors(monkeypatch, two):
    kind = "youngs_modulus_mpa"
    first = _read(two, "cor", kind)
    monkeypatch.setitem(PERTURBATIONS, kind, Perturbation("modulus", 0.03, 0.1, ""))
    second = _slopes(TWO, "cor", kind)
    assert np.all(np.abs(first[0] - second[0]) <= np.hypot(first[1], second[1]))


# What is moved, and what is not.


def test_moving_an_interface_keeps_the_others():
    other = perturbed(FOUR, DesignVariable(1, "outer_diameter_mm", 0.1), 0.1)
    change = other.body().outer_radius - FOUR.body().outer_radius
    assert change == pytest.approx([0.0, 0.05e-3, 0.0, 0.0], abs=1e-12)
    stiffer = perturbed(FOUR, DesignVariable(2, "youngs_modulus_mpa", 0.02), np.log(1.1)).body()
    ratio = stiffer.shear_modulus / FOUR.body().shear_modulus
    assert ratio == pytest.approx([1.0, 1.0, 1.1, 1.0], rel=1e-12)


def test_friction_is_moved_for_strikes_only():
    assert "friction" not in {f.kind for f in plan(FOUR, ("mass_g",)).variables}
    study = plan(FOUR, ("mass_g", "driver fast.spin_rpm"))
    assert len(study.variables) == 3 * 4 + 1
    asked = [names for _, names in study.requests]
    assert asked.count(("driver fast.spin_rpm",)) == 6


def test_a_thin_layer_and_the_end_of_a_range_are_respected():
    layers = list(FOUR.layer)
    outside = FOUR.diameter_mm
    layers[2] = layers[2].model_copy(update={"outer_diameter_mm": outside - 0.6})
    thin = Ball(layer=tuple(layers))
    steps = {f.layer: f.step for f in plan(thin, ("mass_g",)).variables if f.kind.startswith("out")}
    assert 0.0 < steps[3] < steps[0] == 0.1
    layers[2] = layers[2].model_copy(update={"outer_diameter_mm": outside - 0.41})
    found = sensitivities(Ball(layer=tuple(layers)), ("mass_g",))
    assert {f.layer for _, f in found.failed} == {2, 3}
    assert all("too thin" in why for why in found.failed.values())
    largest = _elastic().layer[0].model_copy(update={"outer_diameter_mm": 60.0})
    assert plan(Ball(layer=(largest,)), ("mass_g",)).variables[0].step == 0.0


def test_a_figure_that_breaks_down_has_no_slope():
    soft = perturbed(
        _elastic(), DesignVariable(0, "youngs_modulus_mpa", 0.0), np.log(0.5 / 100.0 * 1.1)
    )
    found = sensitivities(soft, ("deflection_mm", "mass_g"))
    assert all(name == "deflection_mm" for name, _ in found.failed)
    assert len([1 for name, _ in found.slopes if name == "mass_g"]) >= 2


def test_unknown_names_are_refused():
    with pytest.raises(InputError, match="did you mean mass_g"):
        sensitivities(FOUR, ("mas_g",))
    with pytest.raises(InputError, match="at least one"):
        plan(FOUR, ())


def test_slopes_do_not_depend_on_who_computes_them():
    names = ("mass_g", "frequency_hz")
    alone = sensitivities(TWO, names)
    with ThreadPoolExecutor(2) as pool:
        assert sensitivities(TWO, names, mapper=pool.map).slopes == alone.slopes
