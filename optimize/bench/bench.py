"""The bench: the data that the page shows, apart from how they are requested."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from layers.ball import Ball
from layers.conditions import Conditions
from layers.estimates import Figure
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from layers.model_version import MODEL_VERSION
from layers.resolution.difference import differences
from optimize.bench.choices import Choices, materials_of
from optimize.bench.figures import Test
from optimize.bench.jobs import BARRIER
from optimize.bench.prediction import emulated_figures, traces
from optimize.bench.queue import BuildQueue
from optimize.bench.settings import Setting
from optimize.bench.shelf import Shelf
from optimize.bench.sliders import Slider
from optimize.bench.training import Trainer
from optimize.report.ball import layer_masses_g, thicknesses_mm, version
from optimize.report.pictures.section import SHADES, SOFTEST, STIFFEST, steps_of
from optimize.report.units import by_metric_unit, converted_text, stated_in_trade
from optimize.report.words import described_of, help_of, label_of, owner_of, unit_of
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.variables import Fill


@dataclass(frozen=True)
class Bench:
    """The parts of one session of the bench."""

    choices: Choices
    scenario: Scenario | None
    conditions: Conditions
    swings: tuple[str, ...]
    names: tuple[str, ...]
    tests: tuple[Test, ...]
    bounds: tuple[Bound, ...]
    queue: BuildQueue
    trainer: Trainer
    shelf: Shelf = field(default_factory=Shelf)

    def start(self) -> None:
        """Start computing."""
        self.queue.start()
        self.trainer.start()

    def close(self) -> None:
        """End every process."""
        self.trainer.close()
        self.queue.close()

    def about(self) -> dict[str, Any]:
        """Return what does not change: the ball, its sliders, the figures, the limits."""
        ball = self.choices.ball
        fill = self.scenario.fill if self.scenario else None
        return {
            "version": version(),
            "model": MODEL_VERSION,
            "ball": ball.name,
            "scenario": self.scenario.name if self.scenario else None,
            "question": self.scenario.question if self.scenario else None,
            "layers": [
                {
                    "role": layer.role,
                    "material": layer.material.label,
                    "cards": self.choices.names(i),
                    "wanted": self.choices.wanted(i),
                }
                for i, layer in enumerate(ball.layer)
            ],
            **self.panel(materials_of(ball)),
            "patterns": self.choices.patterns,
            "fill": _fill_record(fill),
            "figures": [_figure_about(name) for name in self.names],
            "emulated": list(self.trainer.names),
            "swings": [
                {"name": name, "club": swing.club, "speed_m_s": swing.club_speed_m_s}
                for name in self.swings
                for swing in [self.conditions.swings.find(name)]
            ],
            "impacts": [BARRIER, *self.swings],
            "bounds": [_bound_record(bound) for bound in self.bounds],
            "units": by_metric_unit({name: unit_of(name) for name in self.names}),
            "shading": {"stops": SHADES, "softest": SOFTEST, "stiffest": STIFFEST},
        }

    def panel(self, materials: Sequence[str]) -> dict[str, Any]:
        """Return the sliders of a choice of materials, and the setting that they start from."""
        panel = self.choices.panel(materials)
        start = panel.start().model_dump(mode="json", exclude={"hold_mass"})
        first = self.choices.ball.dimple_pattern or next(iter(self.choices.patterns), None)
        start["dimple_pattern"] = first if self.choices.patterns else None
        for row, name in zip(start["layer"], materials, strict=True):
            row["material"] = name
        return {"sliders": [_slider_record(slider) for slider in panel.sliders], "start": start}

    def quick(self, setting: Setting, ball: Ball) -> tuple[dict[str, Any], dict[str, Figure]]:
        """Return what is known at once of a build: geometry, closed forms, emulated figures.

        Parameters
        ----------
        setting : Setting
            Values of the sliders.
        ball : Ball
            The ball that they make.

        Returns
        -------
        dict
            Plain data for the page.
        dict of str to Figure
            The figures in it, for the flights.
        """
        closed = [test.names for test in self.tests if test.kind == "closed"]
        figures = dict(estimate(ball, closed[0] if closed else ()).figures)
        self.trainer.turn_to(ball)
        known = self.trainer.predict(ball)
        if known:
            figures |= emulated_figures(known)
        self.shelf.put(ball, figures)
        record = {
            "build": {
                "setting": setting.model_dump(mode="json"),
                "diameters_mm": [layer.outer_diameter_mm for layer in ball.layer],
                "thicknesses_mm": thicknesses_mm(ball),
                "masses_g": layer_masses_g(ball),
                "densities_g_cm3": [layer.material.density_g_cm3.value for layer in ball.layer],
                "moduli_mpa": [layer.material.youngs_modulus_mpa.value for layer in ball.layer],
                "shells": [steps_of(ball, n) for n in range(1, len(ball.layer) + 1)],
            },
            "figures": records(figures),
            "emulator": self._emulator_state(ball, known is not None),
            "state": self.state(),
        }
        return record, figures

    def differences(self, reference: Ball, others: Sequence[Ball]) -> list[dict[str, Any]]:
        """Subtract the figures of a reference from those of other builds, as far as told before.

        Parameters
        ----------
        reference : Ball
            The build from which differences are taken.
        others : sequence of Ball
            The builds compared with it.

        Returns
        -------
        list of dict
            Of each: by figure, the difference, its 95 % error with the parts, and whether it is
            beyond that.
        """
        told = self.shelf.of(reference)
        return [
            {
                name: {
                    "value": found.value,
                    "error": found.error,
                    "parts": found.parts,
                    "beyond": found.beyond_error,
                }
                for name, found in differences(told, self.shelf.of(other)).items()
            }
            for other in others
        ]

    def flights(self, ball: Ball, figures: Mapping[str, Figure]) -> dict[str, Any]:
        """Return the side views of the launches among some figures."""
        return traces(ball, self.swings, figures, self.conditions)

    def state(self) -> dict[str, Any]:
        """Return the state of the processes and of the emulator."""
        return {
            "ready": self.queue.ready,
            "restarts": self.queue.restarts,
            "notice": self.queue.notice,
            "trainer": self.trainer.state(),
        }

    def _emulator_state(self, ball: Ball, predicted: bool) -> str:
        if predicted:
            return "ready"
        return "outside" if self.trainer.fitted(ball) else "training"


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


def _slider_record(slider: Slider) -> dict[str, Any]:
    return asdict(slider) | {
        "positions": slider.positions(),
        "unit_printed": slider.unit.replace("cm3", "cm³"),
    }


def _fill_record(fill: Fill | None) -> dict[str, Any] | None:
    """Return what the scenario says of its filler: layer, mass, the densities it can reach."""
    return fill.model_dump(mode="json") if fill else None


def _figure_about(name: str) -> dict[str, Any]:
    words = {"label": described_of(name), "whole": label_of(name), "help": help_of(name)}
    return {
        "name": name,
        **words,
        "in_trade": {key: converted_text(text) for key, text in words.items()},
        "owner": owner_of(name),
        "unit": unit_of(name),
        "basis": QUANTITIES[parse_figure(name).quantity].basis,
    }


def _bound_record(bound: Bound) -> dict[str, Any]:
    short = bound.source.partition(":")[0].replace("'", "")
    stated = stated_in_trade(bound.value, unit_of(bound.figure), bound.figure)
    return asdict(bound) | {"short_source": short, "stated_in_trade": stated}
