"""The prototype sheet: what the lab needs to make and measure a build, stage by stage."""

from collections.abc import Iterable, Mapping, Sequence

from layers.ball import Ball, Layer, made_as
from layers.compound.batch import Batch
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.figures import parse_figure
from layers.rules.screen import RuleSet
from optimize.lab.cure_sheet import Cure, cure_sheet, cut_step
from optimize.lab.operations import operation_texts, steps_of
from optimize.lab.process import LayerProcess, Process
from optimize.lab.sheet import CureSheet, Sheet, StageSheet, Target
from optimize.lab.sheet_notes import notes_of, rule_notes
from optimize.lab.tooling import tooling_of

# Figures of a stage that the lab measures; an estimate may have more.
STAGE_FIGURES = ("diameter_mm", "mass_g", "deflection_mm", "moi_g_cm2")

_LABELS = {
    "diameter_mm": "Diameter, mean of three axes",
    "mass_g": "Mass",
    "deflection_mm": "Compression: deflection from 98 N to 1275 N",
    "moi_g_cm2": "Moment of inertia",
}


def prototype_sheet(
    ball: Ball,
    stage_estimates: Sequence[Estimate],
    process: Process,
    batches: Mapping[int, Batch] | None = None,
    rules: RuleSet | None = None,
    cures: Mapping[int, Cure] | None = None,
) -> Sheet:
    """Write the prototype sheet of a build.

    Parameters
    ----------
    ball : Ball
        The build.
    stage_estimates : sequence of Estimate
        One for each stage, innermost first: estimates of ``ball.stage(1)``, ``ball.stage(2)`` and
        so on, usually of `STAGE_FIGURES`. Other figures are listed without a window.
    process : Process
        Allowances and tolerances.
    batches : mapping of int to Batch, optional
        Mill charges by layer number, counted from 1.
    rules : RuleSet, optional
        Windows of the finished ball that reach beyond one of its limits are listed in the notes.
    cures : mapping of int to Cure, optional
        Recipe and press cycle by layer number; only the innermost layer's profile is computed.

    Raises
    ------
    InputError
        If there is not one estimate for each stage of this ball, a batch is of a layer that the
        ball does not have, or a cure of another layer than the innermost.
    """
    count = len(ball.layer)
    if [e.ball for e in stage_estimates] != [ball.stage(n) for n in range(1, count + 1)]:
        raise InputError(
            f"stage_estimates must be {count} estimates, one for each stage of {ball.name}, "
            "innermost first."
        )
    batches, cures = batches or {}, cures or {}
    _check_layers(batches, cures, count)
    stages = tuple(
        _stage(ball, n, estimate, process, batches.get(n), cures.get(n))
        for n, estimate in enumerate(stage_estimates, start=1)
    )
    used = {key: None for stage in stages for step in stage.step for key in step.caution}
    cautions = operation_texts()["caution"]
    return Sheet(
        name=ball.name,
        pieces=process.pieces,
        source=process.source,
        stage=stages,
        caution={k: (cautions[k]["title"], cautions[k]["text"]) for k in ["defer", *used]},
        note=(*notes_of(ball, stages, process, batches), *rule_notes(stages[-1], rules)),
    )


def _check_layers(batches: Iterable[int], cures: Iterable[int], count: int) -> None:
    for number in batches:
        if not 1 <= number <= count:
            raise InputError(
                f"batch is of layer {number}, but the layer must be from 1 to {count}."
            )
    for number in cures:
        if number != 1:
            raise InputError(f"cure is of layer {number}, but must be of layer 1, the core.")


def _stage(
    ball: Ball,
    number: int,
    estimate: Estimate,
    process: Process,
    batch: Batch | None,
    cure: Cure | None,
) -> StageSheet:
    layer, last = ball.layer[number - 1], number == len(ball.layer)
    own = process.of(layer.role)
    tooling = tooling_of(ball, number, own)
    inner = ball.layer[number - 2].outer_diameter_mm if number > 1 else 0.0
    shown = [_target(figure, own) for figure in estimate.figures.values()]
    card: CureSheet | None = None
    readings: tuple[Target, ...] = ()
    if cure:
        card, readings = cure_sheet(cure, layer.outer_diameter_mm + own.grinding_stock_mm)
    told = f"Press cycle: {cure.cycle.name}" if cure else ""
    steps = steps_of(layer, tooling, own, inner, last, told)
    return StageSheet(
        number=number,
        title=_stage_title(ball, number),
        material=f"{layer.material.label} ({layer.material.family})",
        tooling=tooling,
        batch=batch,
        step=(*steps, cut_step(readings)) if readings else steps,
        target=(*shown, *_wall(layer, inner, own), *readings),
        missing=tuple(f"{name}: {why}" for name, why in estimate.failed.items()),
        cure=card,
    )


def _stage_title(ball: Ball, number: int) -> str:
    """Name a stage as a lab does: core, mantled core, ball."""
    if number == len(ball.layer):
        return "ball" if number > 1 else "one-piece ball"
    role = made_as(ball.layer[number - 1].role)
    if role == "outer core":
        return "core (inner and outer)"
    mantles = sum(made_as(layer.role) == "mantle" for layer in ball.layer[:number])
    if role == "mantle":
        return "mantled core" if mantles == 1 else f"mantled core, {mantles} mantles"
    return role


def _target(figure: Figure, own: LayerProcess) -> Target:
    parsed = parse_figure(figure.name)
    half = {
        "diameter_mm": own.diameter_tolerance_mm,
        "mass_g": own.mass_tolerance_g,
        "deflection_mm": own.deflection_tolerance_mm,
        "moi_g_cm2": abs(figure.value) * own.moi_tolerance_percent / 100.0,
    }.get(parsed.quantity if figure.name == parsed.quantity else "")
    return Target(
        name=figure.name,
        label=_LABELS.get(figure.name, figure.name),
        unit=figure.unit,
        value=figure.value,
        low=None if half is None else figure.value - half,
        high=None if half is None else figure.value + half,
        model_error=figure.absolute_error if figure.name != "diameter_mm" else None,
        basis=figure.basis + (f"; {figure.flag}" if figure.flag else ""),
    )


def _wall(layer: Layer, inner_mm: float, own: LayerProcess) -> tuple[Target, ...]:
    if not inner_mm:
        return ()
    wall = (layer.outer_diameter_mm - inner_mm) / 2.0
    return tuple(
        Target(
            name=f"{end}_thickness_mm",
            label=f"Thickness of a cut piece, {end}",
            unit="mm",
            value=wall,
            low=wall - own.concentricity_tolerance_mm,
            high=wall + own.concentricity_tolerance_mm,
            model_error=None,
            basis="the build; concentricity",
        )
        for end in ("minimum", "maximum")
    )
