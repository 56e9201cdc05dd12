"""The bench itself: what the page is told, apart from how it is asked."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from layers.ball import Ball
from layers.conditions import Conditions
from layers.estimation import MODEL_VERSION, estimate
from layers.figures import QUANTITIES, Figure, parse_figure
from optimize.bench.asked import Test
from optimize.bench.desk import Desk, Knob, Setting
from optimize.bench.guesses import emulated_figures, traces
from optimize.bench.hub import Hub
from optimize.bench.learner import Learner
from optimize.report.ball import layer_masses_g, thicknesses_mm, version
from optimize.report.pictures.section import SHADES, SOFTEST, STIFFEST
from optimize.report.words import help_of, label_of, owner_of, short_of, unit_of
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound


@dataclass(frozen=True)
class Bench:
    """All that one session of the bench consists of."""

    desk: Desk
    scenario: Scenario | None
    conditions: Conditions
    swings: tuple[str, ...]
    names: tuple[str, ...]
    tests: tuple[Test, ...]
    bounds: tuple[Bound, ...]
    hub: Hub
    learner: Learner

    def start(self) -> None:
        """Start computing."""
        self.hub.start()
        self.learner.start()

    def close(self) -> None:
        """End every process."""
        self.learner.close()
        self.hub.close()

    def about(self) -> dict[str, Any]:
        """Return what does not change: the ball, its sliders, the figures, the limits."""
        start = self.desk.start()
        fill = self.scenario.fill if self.scenario else None
        return {
            "version": version(),
            "model": MODEL_VERSION,
            "ball": self.desk.ball.name,
            "scenario": self.scenario.name if self.scenario else None,
            "question": self.scenario.question if self.scenario else None,
            "layers": [
                {"role": layer.role, "material": layer.material.label}
                for layer in self.desk.ball.layer
            ],
            "knobs": [_knob_record(knob) for knob in self.desk.knobs],
            "start": start.model_dump(mode="json", exclude={"hold_mass"}),
            "fill": {"layer": fill.layer, "mass_g": fill.mass_g} if fill else None,
            "figures": [_figure_about(name) for name in self.names],
            "learnt": list(self.learner.names),
            "swings": [
                {"name": name, "club": swing.club, "speed_m_s": swing.club_speed_m_s}
                for name in self.swings
                for swing in [self.conditions.swings.find(name)]
            ],
            "bounds": [_bound_record(bound) for bound in self.bounds],
            "shading": {"stops": SHADES, "softest": SOFTEST, "stiffest": STIFFEST},
        }

    def quick(self, setting: Setting, ball: Ball) -> tuple[dict[str, Any], dict[str, Figure]]:
        """Return what can be said at once of a build: geometry, closed forms, the emulator's.

        Returns
        -------
        dict
            Plain data for the page.
        dict of str to Figure
            The figures in it, from which the flights can be drawn.
        """
        closed = [test.names for test in self.tests if test.kind == "closed"]
        figures = dict(estimate(ball, closed[0] if closed else ()).figures)
        known = self.learner.predict(ball)
        if known:
            figures |= emulated_figures(self.names, ball, known, self.conditions)
        record = {
            "build": {
                "setting": setting.model_dump(mode="json"),
                "diameters_mm": [layer.outer_diameter_mm for layer in ball.layer],
                "thicknesses_mm": thicknesses_mm(ball),
                "masses_g": layer_masses_g(ball),
                "densities_g_cm3": [layer.material.density_g_cm3.value for layer in ball.layer],
                "moduli_mpa": [layer.material.youngs_modulus_mpa.value for layer in ball.layer],
            },
            "figures": records(figures),
            "emulator": self._emulator_word(known is not None),
            "state": self.state(),
        }
        return record, figures

    def flights(self, ball: Ball, figures: Mapping[str, Figure]) -> dict[str, Any]:
        """Return the side views of the launches among some figures."""
        return traces(ball, self.swings, figures, self.conditions)

    def state(self) -> dict[str, Any]:
        """Return how the processes fare."""
        return {
            "ready": self.hub.ready,
            "restarts": self.hub.restarts,
            "notice": self.hub.notice,
            "learner": self.learner.state(),
        }

    def _emulator_word(self, spoke: bool) -> str:
        if spoke:
            return "speaks"
        return "outside" if self.learner.state()["fitted_on"] else "learning"


def records(figures: Mapping[str, Figure]) -> dict[str, Any]:
    """Return figures as plain data."""
    return {
        name: {
            "value": figure.value,
            "basis": figure.basis,
            "between": figure.difference_error,
            "alone": figure.absolute_error,
            "flag": figure.flag,
            "caution": figure.caution,
        }
        for name, figure in figures.items()
    }


def _knob_record(knob: Knob) -> dict[str, Any]:
    return asdict(knob) | {"printed": knob.unit.replace("cm3", "cm³")}


def _figure_about(name: str) -> dict[str, Any]:
    return {
        "name": name,
        "label": _label(name),
        "whole": label_of(name),
        "owner": owner_of(name),
        "unit": unit_of(name),
        "help": help_of(name),
        "basis": QUANTITIES[parse_figure(name).quantity].basis,
    }


def _label(name: str) -> str:
    """Name a figure with the speed or loads that it holds for, also the usual ones."""
    figure = parse_figure(name)
    known = QUANTITIES[figure.quantity]
    if "@" in name or known.condition == "none":
        return short_of(name)
    at = " to ".join(f"{value:.4g}" for value in figure.condition)
    return f"{short_of(name)} at {at} {'N' if known.condition == 'loads' else 'm/s'}"


def _bound_record(bound: Bound) -> dict[str, Any]:
    short = bound.source.partition(":")[0].replace("'", "")
    return asdict(bound) | {"short_source": short}
