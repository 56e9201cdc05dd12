"""The re-centred nominal against a truth that is known: a figure of the core's modulus alone.

Kinds: analytic, limits. The stand-in for the solver is 77 + slope u + bend u^3 m/s, u the logarithm
of the core's modulus over the build's; the surrogate of the study has the slope alone.
"""

import math

import numpy as np
import pytest

from layers.ball_file import ball_from_table
from layers.errors import InputError, SolverError
from layers.estimates import Estimate, Figure
from layers.materials import default_catalogue
from optimize.lab.scatter import Scatter
from optimize.tolerance.limits import Limit
from optimize.tolerance.nominal import Move, _rank, _room, recentre
from optimize.tolerance.pass_rates import draws_of, rate_of
from optimize.tolerance.pieces import Source, draw
from optimize.tolerance.study import study
from tests.optimize.tolerance.test_pass_rates import CORE, K1, NAME, limit, made

SLOPE = 1.0
FAR, UNIT = 0.3, 0.6 / 32 / 2**8  # of a modulus: the farthest change, and the last bisection's


class Solver:
    """A mapper that gives the truth, and counts how often it is asked for how many builds."""

    def __init__(self, bend: float, why: str = "") -> None:
        self.bend, self.why, self.asked = bend, why, []

    def truth(self, u):
        return 77.0 + SLOPE * u + self.bend * u**3

    def __call__(self, _, balls, names):
        self.asked.append(len(balls))
        nominal = K1.layer[0].material.youngs_modulus_mpa.value
        moved = [math.log(b.layer[0].material.youngs_modulus_mpa.value / nominal) for b in balls]
        if self.why:
            return [Estimate(b, {}, {NAME: self.why}) for b in balls]
        figures = [Figure(NAME, self.truth(u), "m/s", "finite element", 0.0, 0.0) for u in moved]
        return [Estimate(b, {NAME: f}) for b, f in zip(balls, figures, strict=True)]


def smallest(draws, low, wanted, model):
    """The smallest upward change of the modulus by which `model` brings so many above `low`."""
    place = np.sort(draws.move[:, CORE])[::-1][math.ceil(wanted * len(draws.move)) - 1]
    below, above = 0.0, FAR
    for _ in range(60):
        middle = 0.5 * (below + above)
        below, above = (below, middle) if model(place, middle) >= low else (middle, above)
    return above


def check_reached(bend: float, low: float, corrected: bool):
    found, solver = made(slope=SLOPE), Solver(bend)
    draws = draws_of(found, 2000, 4)
    told = recentre(found, [limit(low=low)], draws, 0.9, solver)
    best = told.move[0]
    assert (best.source.layer, best.source.kind, best.reached) == (0, "modulus", True)
    assert told.wanted == 0.9
    assert told.now == rate_of(77.0 + SLOPE * draws.move[:, CORE] >= low)

    def model(z, by):
        return 77.0 + SLOPE * (z + by) + (bend * by**3 if corrected else 0.0)

    exact = smallest(draws, low, 0.9, model)
    assert 0.0 <= best.by - exact <= UNIT * (1.0 + 1e-9)
    # Grid and bisections: the answer is so many of the last steps.
    assert best.by / UNIT == pytest.approx(round(best.by / UNIT), abs=1e-6)
    passed = model(draws.move[:, CORE], best.by) >= low - 1e-9
    assert best.rate == rate_of(passed)
    assert best.rate.value >= 0.9
    # One solve of each of nine changed numbers in each of three rounds, then the fresh pieces.
    assert solver.asked == [9, 9, 9, 20]
    return found, draws, told, best


def test_analytic_the_corrected_nominal_is_that_of_the_truth():
    found, draws, told, best = check_reached(bend=20.0, low=77.0, corrected=True)
    assert best.surrogate_error < 1e-9
    deviation = (SLOPE * draws.move[:, CORE]).std(ddof=1)
    fresh = draw(found.sources, found.concentricity, 20, np.random.default_rng([CORE, 2]))
    u = fresh.move[:, CORE] + best.by
    wrong = 20.0 * (best.by**3 - u**3)
    assert told.check_error == {NAME: pytest.approx(math.sqrt(np.mean(wrong**2)) / deviation)}


def test_limits_an_error_below_a_fiftieth_of_the_scatter_is_told_and_not_corrected():
    _, draws, _, best = check_reached(bend=0.8, low=77.0, corrected=False)
    deviation = (SLOPE * draws.move[:, CORE]).std(ddof=1)
    assert best.surrogate_error == pytest.approx(0.8 * best.by**3 / deviation)
    assert 0.01 < best.surrogate_error < 0.02


def test_limits_an_error_just_above_a_fiftieth_is_corrected():
    check_reached(bend=1.5, low=77.0, corrected=True)


def test_a_downward_change_is_the_mirror_of_an_upward_one():
    found = made(slope=SLOPE)
    draws = draws_of(found, 2000, 4)
    up = recentre(found, [limit(low=77.0)], draws, 0.9, Solver(20.0)).move[0]
    draws.move[:] *= -1.0
    down = recentre(found, [limit(high=77.0)], draws, 0.9, Solver(20.0)).move[0]
    assert down.by == pytest.approx(-up.by, rel=1e-12)
    assert (down.reached, down.rate) == (True, up.rate)


def test_what_cannot_reach_the_yield_is_told_with_the_best_it_can():
    found, solver = made(slope=SLOPE), Solver(0.0)
    draws = draws_of(found, 500, 4)
    window = limit(76.98, 77.02)
    told = recentre(found, [window], draws, 0.9, solver)
    assert not any(move.reached for move in told.move)
    assert len(told.move) == 9
    best = told.move[0]
    assert (best.source.kind, best.source.layer) == ("modulus", 0)
    rates = {
        by: np.mean(window.passed(77.0 + draws.move[:, CORE] + by))
        for by in np.linspace(-FAR, FAR, 33)
    }
    assert best.rate.value == max(rates.values()) >= told.now.value
    assert rates[best.by] == best.rate.value
    # The others change nothing: of equal yields the unchanged build is taken.
    for move in told.move[1:]:
        assert (move.by, move.rate, move.surrogate_error) == (0.0, told.now, 0.0)


def test_limits_a_yield_that_is_reached_already_needs_no_change():
    found, solver = made(slope=SLOPE), Solver(0.0)
    draws = draws_of(found, 500, 4)
    asked = [limit(low=77.0)]
    share = float(np.mean(draws.move[:, CORE] >= -1e-9))
    told = recentre(found, asked, draws, share, solver)
    assert (told.move, told.check_error, told.now.value) == ((), {}, share)
    assert solver.asked == []
    assert recentre(found, asked, draws, share + 1e-6, solver).move


@pytest.mark.parametrize("wanted", [0.0, 1.0, -0.5, 1.5])
def test_a_yield_of_nothing_or_everything_is_refused(wanted):
    found = made()
    with pytest.raises(InputError, match=f"yield is {wanted:g}, but must be above 0 and below 1"):
        recentre(found, [limit(low=77.0)], draws_of(found, 10, 1), wanted)


def test_a_yield_of_no_limits_is_refused():
    found = made()
    with pytest.raises(InputError, match="limits are empty, but a yield needs at least one"):
        recentre(found, [], draws_of(found, 10, 1), 0.5)


def test_a_changed_nominal_that_cannot_be_computed_is_told():
    found = made(slope=SLOPE)
    words = f"{NAME} of K1 prototype with a changed nominal failed: crushed"
    with pytest.raises(SolverError, match=words):
        recentre(found, [limit(low=77.0)], draws_of(found, 50, 1), 0.9, Solver(0.0, "crushed"))


def test_closed_forms_are_solved_without_the_solver():
    found, solver = study(K1, ("mass_g",)), Solver(0.0)
    heavy = Limit("mass_g", 45.7, None, "given")
    told = recentre(found, [heavy], draws_of(found, 1000, 1), 0.9, solver)
    assert solver.asked == []
    assert told.check_error == {}
    assert all(move.surrogate_error == 0.0 for move in told.move)
    reached = [(m.source.kind, m.source.layer) for m in told.move if m.reached]
    assert ("density", 0) in reached
    assert all(kind != "modulus" for kind, _ in reached)
    sizes = [abs(m.by) / {"diameter": 0.1, "density": 0.01}[m.source.kind] for m in told.move
             if m.reached]  # fmt: skip
    assert sizes == sorted(sizes)


def test_changes_are_ranked_by_what_is_easy_in_a_lab():
    def move(kind, by, reached=True, share=0.5):
        return Move(Source(0, kind, 0.0), by, reached, rate_of(np.arange(10) < 10 * share), 0.0)

    easy, harder = move("modulus", -0.12), move("density", 0.015)
    hardest = move("diameter", -0.2)
    best, worse = move("diameter", 0.01, False, 0.8), move("density", 0.08, False, 0.3)
    order = [easy, harder, hardest, best, worse]
    assert sorted([worse, hardest, best, harder, easy], key=_rank) == order
    assert _rank(hardest) == (False, 2.0)
    assert _rank(best) == (True, -0.8)


def ball(mantle_mm: float, cover_mm: float):
    inner = 42.7 - 2.0 * cover_mm
    diameters = (inner - 2.0 * mantle_mm, inner, 42.7)
    rows = [
        {"role": role, "material": material, "outer_diameter_mm": diameter}
        for role, material, diameter in zip(
            ("core", "mantle", "cover"),
            ("core rubber, soft", "ionomer, firm", "urethane, soft"),
            diameters,
            strict=True,
        )
    ]
    return ball_from_table({"name": "thin", "layer": rows}, default_catalogue(), "test")


def test_limits_a_changed_diameter_leaves_the_thinner_layer_beside_it():
    thin = study(ball(0.5, 1.5), ("mass_g",), Scatter.model_validate(TIGHT))
    rooms = {(s.kind, s.layer): _room(thin, s) for s in thin.sources}
    # Of the thinner layer beside it two fifths, twice for a diameter.
    assert rooms["diameter", 0] == pytest.approx(2.0 * 0.4 * 0.5)
    assert rooms["diameter", 1] == pytest.approx(2.0 * 0.4 * 0.5)
    assert rooms["diameter", 2] == pytest.approx(0.8)  # as far as any diameter
    for layer in range(3):
        assert rooms["density", layer] == 0.08
        assert rooms["modulus", layer] == 0.3
    # But never below the thinnest layer that a ball may have, 0.2 mm.
    thinner = study(ball(0.25, 1.5), ("mass_g",), Scatter.model_validate(TIGHT))
    assert _room(thinner, thinner.sources[0]) == pytest.approx(2.0 * 0.05)
    assert _room(thinner, thinner.sources[2]) == pytest.approx(0.8)
    outer = study(ball(1.5, 0.6), ("mass_g",), Scatter.model_validate(TIGHT))
    assert _room(outer, outer.sources[2]) == pytest.approx(2.0 * 0.4 * 0.6)
    assert _room(outer, outer.sources[0]) == pytest.approx(0.8)


TIGHT = {
    role: {"diameter_mm": 0.01, "concentricity_mm": 0.01} for role in ("core", "mantle", "cover")
}
