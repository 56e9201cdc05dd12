"""Notes on a prototype sheet: uncertain targets, windows beyond the rules, eccentricity."""

from collections.abc import Mapping, Sequence

import numpy as np

from layers.ball import Ball
from layers.compound.batch import Batch
from layers.figures import QUANTITIES, parse_figure
from layers.mass.concentricity import off_centre
from layers.rules.screen import RuleSet
from optimize.lab.process import Process
from optimize.lab.sheet import StageSheet, Target

# A recipe is flagged when its density differs from its layer's by more than this.
_DENSITY_PERCENT = 0.5


def notes_of(
    ball: Ball, stages: Sequence[StageSheet], process: Process, batches: Mapping[int, Batch]
) -> tuple[str, ...]:
    """List what to read first: uncertain targets, wrong mill charges, eccentricity.

    Parameters
    ----------
    ball : Ball
        The build.
    stages : sequence of StageSheet
        Its stages, innermost first.
    process : Process
        The lab's tolerances.
    batches : mapping of int to Batch
        Mill charges by layer number, counted from 1.
    """
    notes = []
    vague = [
        f"{_label(target)} of stage {stage.number} (+/- {target.model_error:.2f} {target.unit})"
        for stage in stages
        for target in stage.target
        if target.high is not None and (target.model_error or 0.0) > target.high - target.value
    ]
    if vague:
        notes.append(
            f"Targets less certain than their windows are wide: {', '.join(vague)}. Use the first "
            "lot to measure, not to pass or fail."
        )
    for number, batch in batches.items():
        wanted = ball.layer[number - 1].material.density_g_cm3.value
        if abs(batch.density_g_cm3 / wanted - 1.0) > _DENSITY_PERCENT / 100.0:
            notes.append(
                f"Layer {number}: the mill charge has {batch.density_g_cm3:.3f} g/cm3, the build "
                f"{wanted:.3f}. Adjust the filler before mixing."
            )
    if len(ball.layer) > 1:
        notes.append(_concentricity_note(ball, process))
    return tuple(notes)


def _concentricity_note(ball: Ball, process: Process) -> str:
    """Balance in the worst case: every body at its concentricity tolerance, all the same way."""
    at_most = [process.of(layer.role).concentricity_tolerance_mm for layer in ball.layer[1:]]
    gap = [
        (outer.outer_diameter_mm - inner.outer_diameter_mm) / 2.0
        for inner, outer in zip(ball.layer[:-1], ball.layer[1:], strict=True)
    ]
    # An interface moves with every body it lies in, and no body leaves the next.
    moved = np.minimum(at_most, gap)[::-1].cumsum()[::-1] * 1e-3
    found = off_centre(ball.body(), np.column_stack([moved, 0 * moved, 0 * moved]))
    return (
        "Worst case, every body eccentric by its tolerance in one direction: static imbalance "
        f"{found.imbalance * 1e6:.2f} g mm, MOI asymmetry {100.0 * found.anisotropy:.3f} %."
    )


def _label(target: Target) -> str:
    return QUANTITIES[parse_figure(target.name).quantity].label


def rule_notes(stage: StageSheet, rules: RuleSet | None) -> tuple[str, ...]:
    """List the windows that reach beyond a limit of the rule set."""
    notes = []
    windows = {t.name: t for t in stage.target}
    for limit in rules.limit if rules else ():
        target = windows.get(limit.figure)
        if target is None or target.low is None or target.high is None:
            continue
        if limit.at_most is not None and target.high > limit.at_most + 1e-9:
            notes.append(_passes(target, target.high, "at most", limit.at_most))
        if limit.at_least is not None and target.low < limit.at_least - 1e-9:
            notes.append(_passes(target, target.low, "at least", limit.at_least))
    return tuple(notes)


def _passes(target: Target, end: float, word: str, limit: float) -> str:
    return (
        f"{target.label}: the window ends at {end:.2f} {target.unit}, but the rule set allows "
        f"{word} {limit:g}. Pieces between the two do not conform."
    )
