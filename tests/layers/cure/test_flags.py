"""What a history says of a cycle: limits at and just beside their edges, whole sentences."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from layers.cure import history
from layers.cure.chemistry import decomposition_rate, default_chemistry
from layers.cure.history import cure_core
from layers.cure.law import Law, doses_before
from tests.layers.cure.test_history import (
    MINUTES,
    NOTHING,
    WARM,
    WHOLE,
    cycle,
    inert,
    series,
    stock,
    told,
)
from tests.test_house import ROOT

LEFT_NONE = [[1.0, 1.0], [0.9, 0.9], [0.0, 0.0], [0.0, 0.0]]
# Bridges of one and next to no radicals: the crosslink index is the conversion itself.
OF_BRIDGES = {"bridges": 1.0, "radicals": np.array([1e-300])}


def gone(second, third=0.3):
    """Return a history whose index is `second` as the mould closes, then `third`."""
    conversion = [[0.0, 0.0], [0.0, second], [third, third], [third, third]]
    made = told(conversion, LEFT_NONE, WARM, MINUTES)
    return replace(made, stock=replace(made.stock, **OF_BRIDGES))


def test_stock_has_scorched_at_the_limit_itself():
    below = float(np.nextafter(0.05, 0.0))
    at, beside = gone(0.05), gone(below)
    assert (at.scorch().index, at.scorch().minutes_left) == (0.05, 2.0)
    assert (beside.scorch().index, beside.scorch().minutes_left) == (below, 10.0)
    [said] = at.flags()
    assert said == (
        "scorched before the mould is closed: after 2 min in the open mould the index is 0.05 at "
        "90 C, the limit is 0.05; close within 2.0 min"
    )
    assert beside.flags() == ()


def test_stock_that_came_scorched_is_told_so(monkeypatch):
    """The index before the mould, by the closed form of one temperature (Tobolsky 1958)."""
    hold = {"celsius": 120.0, "minutes": 25.0}
    before = cycle(160.0, 10.0, open_minutes=2.0, before=[hold, {"celsius": -20, "minutes": 1}])
    made = replace(told(WHOLE, LEFT_NONE, WARM, MINUTES), cycle=before)
    s, law = made.stock, Law()
    k = decomposition_rate(default_chemistry().peroxide[0], 120.0)
    kappa = law.kappa * math.exp(-law.energy * (1.0 / 393.15 - 1.0 / 433.15))
    left = math.exp(-1500.0 * k)
    log = 2.0 * kappa * math.sqrt(s.radicals[0] / k) * (1.0 - math.sqrt(left))
    groups = s.radicals[0] / 2.0
    index = (s.bridges * (1.0 - math.exp(-log)) + groups * (1.0 - left)) / (s.bridges + groups)
    said = made.scorch()
    assert said.before == pytest.approx(index, rel=1e-4)
    assert said.minutes_left == 0.0
    assert made.flags()[0] == (
        "scorched before it is in the mould: 120 C for 25 min, -20 C for 1 min give a crosslink "
        f"index of {index:.2f}, the limit is 0.05"
    )
    monkeypatch.setattr(history, "SCORCHED", said.before)
    assert made.scorch().minutes_left == 0.0
    assert made.flags()[0].startswith("scorched before it is in the mould")
    monkeypatch.setattr(history, "SCORCHED", float(np.nextafter(said.before, 1.0)))
    assert made.scorch().minutes_left == 1.0
    assert "before it is in the mould" not in " ".join(made.flags())


def test_radicals_left_before_the_mould_are_those_of_all_peroxides(monkeypatch):
    made = told(NOTHING, LEFT_NONE, WARM, MINUTES)
    two = replace(made, stock=replace(made.stock, radicals=np.array([0.3, 0.1]), bridges=0.5))
    given = np.array([0.2, 1.5])
    monkeypatch.setattr(history, "doses_before", lambda *_: (given, 0.4))
    lost = (0.3 * (1.0 - math.exp(-0.2)) + 0.1 * (1.0 - math.exp(-1.5))) / 2.0
    index = (0.5 * (1.0 - math.exp(-0.4)) + lost) / 0.7
    assert two.scorch().before == pytest.approx(index, rel=1e-12)


def test_limits_are_not_passed_by_reaching_them():
    """Heat of 210 C, 3 % of peroxide and a peak at demoulding are no fault yet."""
    temperature = [list(row) for row in WARM]
    temperature[2][0] = 210.0
    left = [[1.0, 1.0], [0.9, 0.9], [0.03, 0.01], [0.0, 0.0]]
    assert told(NOTHING, left, temperature, MINUTES).flags() == ()
    left[2][1] = 0.048
    temperature[2][0] = 216.0
    assert told(NOTHING, left, temperature, MINUTES).flags() == (
        "5 % of the peroxide is left at demoulding where most is, the usual limit is 3 %",
        "216 C is above 210 C, where the rubber degrades",
    )


def test_a_peak_soon_after_demoulding_is_told():
    temperature = [list(row) for row in WARM]
    temperature[3][0] = 170.0
    [said] = told(NOTHING, LEFT_NONE, temperature, (1.0, 2.0, 10.0, 10.5)).flags()
    assert said == (
        "hottest after demoulding: 170 C at 10.5 min, without pressure; cure for longer"
    )


def test_instants_are_the_first_at_or_after_closing_and_demoulding():
    times = (1.0, 1.5, 2.0, 2.5, 9.5, 10.0, 10.5)
    rows = [[0.0, 0.0]] * 7
    found = told(rows, rows, rows, times)
    assert (found.closed, found.demoulded) == (2, 5)
    between = told(rows, rows, rows, (1.0, 1.5, 2.5, 3.0, 9.5, 10.5, 11.0))
    assert (between.closed, between.demoulded) == (2, 5)


def test_the_heat_balance_closes_for_stock_with_a_past():
    worn = cycle(165.0, 10.0, cooling_minutes=5.0, before=[{"celsius": 120, "minutes": 25}])
    found = cure_core(stock(), worn, 38.6, points=20)
    stored, taken, made = found.heat_balance()
    assert stored == pytest.approx(taken + made, abs=1e-6 * made)
    log = doses_before(found.stock, worn, Law())[1]
    fresh = replace(found, cycle=cycle(165.0, 10.0, cooling_minutes=5.0)).heat_balance()[2]
    volume = 4.0 / 3.0 * math.pi * 0.0193**3
    past = found.stock.polymerisation * volume * (1.0 - math.exp(-log))
    assert fresh - made == pytest.approx(past, rel=1e-9)
    assert past > 0.01 * made


def test_analytic_cooling_is_by_its_own_heat_transfer():
    """Stock as hot as the platen stays so until it is demoulded, then cools as a sphere does."""
    sphere = inert()
    air = cycle(
        150.0, 4.0, preform_celsius=150.0, cooling_minutes=3.0, cooling_w_m2_k=300.0,
        cooling_celsius=20.0,
    )  # fmt: skip
    for law in (None, Law(contact=1.3)):  # a factor on the press alone
        found = cure_core(sphere, air, 38.6, law)
        np.testing.assert_allclose(found.temperature_c[: found.demoulded + 1], 150.0, rtol=1e-12)
        biot = 300.0 * 0.0193 / sphere.conductivity
        diffusivity = 1e6 * sphere.conductivity / (sphere.density * sphere.heat)
        exact = series(found.radius_mm, found.outer_mm, 180.0, diffusivity, biot)
        np.testing.assert_allclose(found.temperature_c[-1], 20.0 + 130.0 * exact, atol=0.14)
        assert found.minutes[-1] == pytest.approx(7.0, rel=1e-12)
        assert found.outside_c[[found.demoulded, -1]].tolist() == [150.0, 20.0]


def test_a_profile_has_the_shells_that_the_page_states():
    [stated] = re.findall(r"(\d+) shells, enthalpy", (ROOT / "docs" / "cure.md").read_text("utf-8"))
    found = cure_core(inert(), cycle(160.0, 0.1), 38.6)
    assert found.radius_mm.shape == (int(stated),)
    width = 19.3 / int(stated)
    np.testing.assert_allclose(found.radius_mm[[0, -1]], [0.5 * width, 19.3 - 0.5 * width])
    assert found.outer_mm == pytest.approx(19.3)


def test_a_finer_step_of_time_is_within_the_error_asked_for():
    """The default error of a step, 0.01 K, keeps a whole cure within some tenths of a kelvin."""
    hot = cycle(170.0, 8.0)
    usual, fine = (
        cure_core(stock(), hot, 38.6, points=20, **asked) for asked in ({}, {"tolerance": 1e-4})
    )
    apart = np.abs(usual.temperature_c[-1] - fine.temperature_c[-1]).max()
    assert apart < 0.1
    assert len(usual.minutes) < len(fine.minutes) / 3
