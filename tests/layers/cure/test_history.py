"""Heat and reactions of a curing sphere against closed forms."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from layers.compound.recipe import default_ingredients, recipe_from_table
from layers.cure import march as kernel
from layers.cure.chemistry import decomposition_rate, default_chemistry
from layers.cure.cycle import Cycle, one_step
from layers.cure.history import cure_core
from layers.cure.law import Law, doses_before
from layers.cure.stock import stock_of
from layers.errors import InputError, SolverError

PARTS = {
    "polybutadiene, high cis": 100.0,
    "zinc diacrylate": 28.0,
    "dicumyl peroxide": 0.8,
    "zinc oxide": 5.0,
    "barium sulfate": 10.0,
}


def stock(**changes):
    rows = [{"ingredient": name, "phr": phr} for name, phr in PARTS.items()]
    recipe = recipe_from_table({"name": "core", "part": rows}, default_ingredients(), "core.toml")
    return replace(stock_of(recipe, default_chemistry()), **changes)


def inert(**changes):
    return stock(heat_slope=0.0, heat=1800.0, polymerisation=0.0, bridges=0.0, **changes)


def cycle(platen, minutes, **changes):
    return Cycle(
        step=[{"platen_celsius": platen, "minutes": minutes}],
        **{"cooling_minutes": 0.0, "open_minutes": 0.0} | changes,
    )


def series(radius, over, seconds, diffusivity, biot):
    """Temperature of a sphere, 1 at the start and 0 outside; Carslaw and Jaeger 1959, 9.4 (12).

    Its roots have b cot b = 1 - Bi, one in each interval of pi.
    """
    total = np.zeros_like(radius)
    for n in range(60):
        low, high = n * np.pi + 1e-9, (n + 1) * np.pi - 1e-9
        b = brentq(lambda x: x * math.cos(x) - (1.0 - biot) * math.sin(x), low, high)
        weight = 2.0 * (math.sin(b) - b * math.cos(b)) / (b - math.sin(b) * math.cos(b))
        decay = math.exp(-(b**2) * diffusivity * seconds / over**2)
        total += weight * decay * np.sinc(b * radius / over / np.pi)
    return total


@pytest.mark.parametrize("transfer", [30.0, 1000.0, 1e5])
def test_analytic_conduction_in_a_sphere(transfer):
    sphere = inert()
    found = cure_core(sphere, cycle(160.0, 12.0, contact_w_m2_k=transfer), 38.6)
    biot = transfer * 0.0193 / sphere.conductivity
    diffusivity = sphere.conductivity / (sphere.density * sphere.heat)
    for minutes in (2.0, 6.0, 12.0):
        k = int(np.searchsorted(found.minutes, minutes - 1e-9))
        exact = series(
            found.radius_mm, found.outer_mm, 60.0 * found.minutes[k], diffusivity * 1e6, biot
        )
        error = found.temperature_c[k] - (160.0 - 135.0 * exact)
        assert np.abs(error).max() < 1e-3 * 135.0
    # The guard: a diffusivity that is 1 % off is seen.
    off = cure_core(
        replace(sphere, conductivity=1.01 * sphere.conductivity),
        cycle(160.0, 12.0, contact_w_m2_k=transfer),
        38.6,
    )
    assert np.abs(off.temperature_c[-1] - (160.0 - 135.0 * exact)).max() > 1e-3 * 135.0


def test_convergence_of_the_shells_is_second_order():
    sphere, hot = inert(), cycle(160.0, 6.0)
    exact = cure_core(sphere, hot, 38.6, points=160, tolerance=1e-4).temperature_c[-1]
    exact = exact.reshape(-1, 2)  # shells of twice the thickness have their middles between two
    errors = []
    for points in (20, 40):
        found = cure_core(sphere, hot, 38.6, points=points, tolerance=1e-4)
        fine = cure_core(sphere, hot, 38.6, points=2 * points, tolerance=1e-4)
        at = fine.at(found.radius_mm[1:-1], fine.temperature_c[-1])
        errors.append(np.abs(found.temperature_c[-1][1:-1] - at).max())
    assert 3.0 < errors[0] / errors[1] < 5.0


def test_analytic_adiabatic_rise_and_energy_of_the_exotherm():
    warm = stock()
    sealed = cycle(150.0, 200.0, contact_w_m2_k=5.0, preform_celsius=150.0)
    law = Law(contact=1e-12, kappa=20.0)
    found = cure_core(warm, sealed, 38.6, law=law)
    assert found.conversion[-1].min() > 1.0 - 1e-9
    rise = found.temperature_c[-1] - 150.0
    assert rise == pytest.approx(warm.adiabatic_rise(150.0), rel=1e-7)
    # By hand: 1.3494 mol of 2 double bonds at 75 kJ in 1.438 kg, by heat at the mean temperature.
    joule = 28.0 / 207.5 * 10.0 * 2.0 * 75e3 / 1.438
    mean = warm.heat + warm.heat_slope * (150.0 + 0.5 * rise[0])
    assert rise[0] == pytest.approx(joule / mean, rel=1e-6)


def test_the_heat_balance_closes():
    found = cure_core(stock(), one_step(165.0, 20.0), 38.6)
    stored, taken, made = found.heat_balance()
    assert stored == pytest.approx(taken + made, abs=1e-6 * made)
    assert made > 3000.0


def test_half_of_the_peroxide_is_left_after_a_half_life():
    card = default_chemistry().peroxide[0]
    half = math.log(2.0) / decomposition_rate(card, 150.0) / 60.0
    found = cure_core(inert(), cycle(150.0, half, preform_celsius=150.0), 38.6)
    assert found.left[-1] == pytest.approx(0.5, abs=1e-6)
    tenth = cure_core(inert(), cycle(150.0, 10.0 * half, preform_celsius=150.0), 38.6)
    assert tenth.left[-1] == pytest.approx(2.0**-10, abs=1e-6)


def test_analytic_conversion_at_one_temperature():
    # Without heat of its own, Y = 2 kappa (r / k)^0.5 (1 - left^0.5); Tobolsky 1958.
    mild = stock(polymerisation=0.0)
    card = default_chemistry().peroxide[0]
    for celsius in (130.0, 150.0):
        found = cure_core(mild, cycle(celsius, 15.0, preform_celsius=celsius), 38.6)
        k = decomposition_rate(card, celsius)
        kappa = 0.36 * math.exp(-20e3 / 8.31446 * (1 / (celsius + 273.15) - 1 / 433.15))
        log = 2.0 * kappa * math.sqrt(mild.radicals[0] / k) * (1.0 - math.exp(-k * 450.0))
        assert found.conversion[-1] == pytest.approx(1.0 - math.exp(-log), abs=2e-4)
        hold = Cycle(
            before=[{"celsius": celsius, "minutes": 15.0}],
            step=[{"platen_celsius": 150, "minutes": 1}],
        )
        assert doses_before(mild, hold, Law())[1] == pytest.approx(log, rel=1e-6)


@pytest.mark.parametrize("minutes", [0.0, 0.01, 1.0, 600.0, 90_000.0])
def test_analytic_conversion_after_a_hold_however_long(minutes):
    s = stock(polymerisation=0.0)
    hold = Cycle(
        before=[{"celsius": 160.0, "minutes": minutes}],
        step=[{"platen_celsius": 150, "minutes": 1}],
    )
    dose, found = doses_before(s, hold, Law())
    k = s.rate[0]
    log = 2.0 * 0.36 * math.sqrt(s.radicals[0] / k) * -math.expm1(-30.0 * k * minutes)
    assert dose[0] == pytest.approx(60.0 * k * minutes)
    assert found == pytest.approx(log, rel=1e-12)


def test_hot_stock_ends_with_less_coagent_polymerised():
    mild = stock(polymerisation=0.0)
    ends = [cure_core(mild, cycle(c, 240.0), 5.0).conversion[-1, 0] for c in (150.0, 190.0)]
    assert ends[0] > ends[1] + 0.2


def test_a_ramp_is_between_its_two_steps():
    def centre(*steps):
        found = cure_core(stock(), Cycle(step=steps), 38.6)
        return found.temperature_c[found.demoulded, 0]

    first = {"platen_celsius": 120.0, "minutes": 4.0}
    second = {"platen_celsius": 160.0, "minutes": 4.0}
    ramp = centre(first, {**second, "ramp": True})
    assert centre(first, {**first}) < ramp < centre(first, second)


def test_scorch_before_closing_is_flagged():
    safe = cure_core(stock(), one_step(160.0, 20.0), 38.6)
    assert safe.scorch().index < 0.03
    assert "scorch" not in " ".join(safe.flags())
    worn = Cycle(
        step=[{"platen_celsius": 160, "minutes": 20}],
        before=[{"celsius": 120, "minutes": 25}],
    )
    found = cure_core(stock(), worn, 38.6)
    assert found.scorch().index > 0.05
    assert found.scorch().minutes_left == 0.0
    assert "120 C for 25 min" in " ".join(found.flags())
    slow = Cycle(step=[{"platen_celsius": 180, "minutes": 20}], open_minutes=2.0)
    assert "open" in " ".join(cure_core(stock(), slow, 38.6).flags())


def test_a_core_that_reacts_after_demoulding_is_flagged():
    early = cure_core(stock(), one_step(160.0, 9.0), 38.6)
    assert "after demoulding" in " ".join(early.flags())


def test_bad_input_ends_in_a_sentence():
    with pytest.raises(InputError, match="diameter is 4 mm"):
        cure_core(stock(), one_step(160.0, 20.0), 4.0)
    with pytest.raises(InputError, match="shells are 5"):
        cure_core(stock(), one_step(160.0, 20.0), 38.6, points=5)
    with pytest.raises(InputError, match="platen_celsius is 400"):
        one_step(400.0, 20.0)
    with pytest.raises(InputError, match="open_minutes"):
        cure_core(stock(), Cycle(step=[{"platen_celsius": 160, "minutes": 0.1}]), 38.6)


def test_a_march_that_cannot_end_says_so(monkeypatch):
    from layers.cure import history

    monkeypatch.setattr(history, "_MOST_STEPS", 10)
    with pytest.raises(SolverError, match="not followed to its end"):
        cure_core(stock(), one_step(160.0, 20.0), 38.6)


def test_the_kernels_rates_are_those_of_the_law():
    # Inner kernels by py_func: the compiled copies belong to the march.
    s = stock()
    base = (np.zeros(1), np.zeros((1, 1)), np.zeros(1))
    body = (
        np.array([1.0, 0.0, 0.0]),
        np.array([0.36, Law().energy]),
        np.array([s.rate, s.energy, s.radicals]),
        np.ones((2, 1)),
    )
    rates = np.zeros((1, 1))
    speed, slope = kernel._reactions.py_func(150.0, 0, 3.0, base, body, rates)
    near, _ = kernel._reactions.py_func(150.001, 0, 3.0, base, body, rates.copy())
    assert rates[0, 0] == pytest.approx(
        decomposition_rate(default_chemistry().peroxide[0], 150.0), rel=1e-9
    )
    assert slope == pytest.approx((near - speed) / 1e-3, rel=1e-4)


def told(conversion, left, temperature, minutes, **changes):
    """Return a history of two shells by its fields, of a cure that never was."""
    run = cure_core(stock(), one_step(160.0, 10.0), 38.6, points=10, tolerance=1.0)
    press = cycle(160.0, 10.0, open_minutes=2.0, cooling_minutes=5.0)
    return replace(
        run,
        cycle=changes.pop("cycle", press),
        radius_mm=np.array([4.0, 12.0]),
        outer_mm=16.0,
        minutes=np.array(minutes, float),
        conversion=np.array(conversion, float),
        left=np.array(left, float),
        temperature_c=np.array(temperature, float),
    )


MINUTES = (1.0, 2.0, 10.0, 15.0)
WHOLE = ((1.0, 1.0),) * 4
NOTHING = ((0.0, 0.0),) * 4
WARM = ((30.0, 60.0), (40.0, 90.0), (150.0, 160.0), (40.0, 30.0))


def test_analytic_crosslink_index_counts_bridges_and_groups():
    made = stock()
    groups = made.radicals.sum() / 2.0
    found = told([[0.0, 0.3]] * 4, [[1.0, 0.4]] * 4, WARM, MINUTES)
    part = (0.3 * made.bridges + 0.6 * groups) / (made.bridges + groups)
    np.testing.assert_allclose(found.crosslink_index, [[0.0, part]] * 4)
    assert told(WHOLE, NOTHING, WARM, MINUTES).crosslink_index.max() == pytest.approx(1.0)


def test_a_history_finds_its_instants_and_its_peak():
    found = told(NOTHING, WHOLE, WARM, MINUTES)
    assert (found.closed, found.demoulded) == (1, 2)
    assert found.peak == (160.0, 12.0, 10.0)
    late = told(NOTHING, WHOLE, WARM, (1.0, 2.0 + 1e-6, 10.0, 15.0))
    assert late.closed == 1


def test_analytic_profiles_are_read_straight_between_shells_and_to_the_rim():
    found = told(NOTHING, WHOLE, WARM, MINUTES)
    at = np.array([0.0, 2.0, 4.0, 8.0, 12.0, 14.0, 16.0])
    values = found.at(at, np.array([10.0, 20.0]))
    np.testing.assert_allclose(values, [10.0, 10.0, 10.0, 15.0, 20.0, 22.5, 25.0])
    three = replace(found, radius_mm=np.array([2.0, 6.0, 10.0]), outer_mm=12.0)
    assert three.at(np.array([12.0]), np.array([10.0, 20.0, 40.0])) == pytest.approx([50.0])


def test_scorch_is_told_of_the_worst_shell_when_the_mould_closes():
    gone = [[0.0, 0.01], [0.02, 0.04], [0.5, 0.6], [0.6, 0.7]]
    found = told(gone, WHOLE, WARM, MINUTES)
    index = found.crosslink_index
    said = found.scorch()
    assert said.index == pytest.approx(index[1, 1])
    assert (said.celsius, said.radius_mm, said.minutes_left) == (90.0, 12.0, 10.0)
    assert said.before == 0.0
    never = told(NOTHING, WHOLE, WARM, MINUTES).scorch()
    assert never.minutes_left == np.inf
    shut = told(gone, WHOLE, WARM, MINUTES, cycle=cycle(160.0, 10.0, preform_celsius=35.0))
    said = shut.scorch()
    assert (said.index, said.celsius, said.radius_mm) == (0.0, 35.0, 16.0)
    assert said.minutes_left == 10.0


@pytest.mark.parametrize(("rest", "flagged"), [(0.0299, False), (0.0301, True)])
def test_peroxide_left_at_demoulding_is_flagged_where_most_is(rest, flagged):
    left = [[1.0, 1.0], [0.9, 0.9], [rest, 0.01], [0.0, 0.0]]
    said = " ".join(told(NOTHING, left, WARM, MINUTES).flags())
    assert ("3 % of the peroxide is left" in said) == flagged


@pytest.mark.parametrize(
    ("hottest", "when", "words"),
    [
        (209.9, 2, ""),
        (210.1, 2, "210 C is above 210 C, where the rubber degrades"),
        (180.0, 3, "hottest after demoulding: 180 C at 15.0 min"),
    ],
)
def test_heat_is_flagged_by_its_height_and_its_time(hottest, when, words):
    temperature = [list(row) for row in WARM]
    temperature[when][0] = hottest
    left = [[1.0, 1.0], [0.9, 0.9], [0.0, 0.0], [0.0, 0.0]]
    said = told(NOTHING, left, temperature, MINUTES).flags()
    assert " ".join(said).startswith(words)
    assert len(said) == (words != "")


def test_factors_of_the_law_act_as_their_names_say():
    """Rate, heat, conductivity and contact as factors on what the stock and the press have."""
    press = cycle(165.0, 4.0, contact_w_m2_k=400.0)
    made = stock()
    for name, changed in (
        ("rate", {"stock": replace(made, rate=1.3 * made.rate)}),
        ("heat", {"stock": replace(made, polymerisation=1.3 * made.polymerisation)}),
        ("conductivity", {"stock": replace(made, conductivity=1.3 * made.conductivity)}),
        ("contact", {"cycle": cycle(165.0, 4.0, contact_w_m2_k=520.0)}),
    ):
        by_law = cure_core(made, press, 38.6, Law(**{name: 1.3}), points=20)
        given = {"stock": made, "cycle": press} | changed
        by_hand = cure_core(**given, diameter_mm=38.6, points=20)
        np.testing.assert_allclose(
            by_law.temperature_c[-1], by_hand.temperature_c[-1], rtol=1e-9, err_msg=name
        )
    cooled = cycle(165.0, 4.0, cooling_minutes=3.0, cooling_w_m2_k=300.0)
    still = cure_core(made, cooled, 38.6, Law(contact=1.3), points=20)
    pressed = cycle(165.0, 4.0, cooling_minutes=3.0, cooling_w_m2_k=300.0, contact_w_m2_k=1300.0)
    expected = cure_core(made, pressed, 38.6, points=20)  # the cooling's own is left alone
    np.testing.assert_allclose(still.temperature_c[-1], expected.temperature_c[-1], rtol=1e-9)


@pytest.mark.parametrize(
    ("diameter", "points", "said"),
    [
        (5.0, 10, "tried"),
        (60.0, 2000, "tried"),
        (4.99, 10, "from 5 to 60"),
        (60.01, 10, "from 5 to 60"),
        (38.0, 9, "from 10 to 2000"),
        (38.0, 2001, "from 10 to 2000"),
    ],
)
def test_sizes_and_shells_have_ends(monkeypatch, diameter, points, said):
    def tried(*_):
        raise InputError("tried")

    monkeypatch.setattr("layers.cure.history._body", tried)
    with pytest.raises(InputError, match=said):
        cure_core(stock(), one_step(160.0, 10.0), diameter, points=points)
