"""The prototype sheet: what the lab needs to make and measure a build, stage by stage."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from layers.ball import Ball, Layer
from layers.compound.recipe import Batch
from layers.errors import InputError
from layers.figures import Estimate, Figure, parse_figure
from layers.mass import inertia
from layers.mass.concentricity import off_centre
from layers.rules.screen import RuleSet
from optimize.lab.process import LayerProcess, Process

# Figures of a stage that the lab can check; an estimate may hold more of them.
STAGE_FIGURES = ("diameter_mm", "mass_g", "deflection_mm", "moi_g_cm2")

_LABELS = {
    "diameter_mm": "Diameter, mean of three axes",
    "mass_g": "Mass",
    "deflection_mm": "Compression: deflection from 98 N to 1275 N",
    "moi_g_cm2": "Moment of inertia",
}

# Rows that say nothing where nothing is ground.
_GROUND = ("moulded_mm", "ground_g")

# A recipe whose density misses its layer's by more than this is pointed out.
_DENSITY_PERCENT = 0.5


@dataclass(frozen=True)
class Target:
    """One figure to measure. Without a window `low` and `high` are None: write down what comes.

    `model_error` is the half width within which the target itself is trusted, None for plain
    geometry.
    """

    name: str
    label: str
    unit: str
    value: float
    low: float | None
    high: float | None
    model_error: float | None
    basis: str


@dataclass(frozen=True)
class Quantity:
    """A number of the tooling, and how it came about."""

    name: str
    label: str
    unit: str
    value: float
    how: str


@dataclass(frozen=True)
class Step:
    """One operation; `caution` are the keys of its cautions on the sheet."""

    title: str
    text: str
    caution: tuple[str, ...]


@dataclass(frozen=True)
class StageSheet:
    """What the lab needs for one stage; `missing` tells figures that were not computed."""

    number: int
    title: str
    material: str
    tooling: tuple[Quantity, ...]
    batch: Batch | None
    step: tuple[Step, ...]
    target: tuple[Target, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Sheet:
    """A build's prototype sheet; `caution` maps keys to title and text, in order of need."""

    name: str
    pieces: int
    source: str
    stage: tuple[StageSheet, ...]
    caution: dict[str, tuple[str, str]]
    note: tuple[str, ...]


def prototype_sheet(
    ball: Ball,
    stage_estimates: Sequence[Estimate],
    process: Process,
    batches: Mapping[int, Batch] | None = None,
    rules: RuleSet | None = None,
) -> Sheet:
    """Make the prototype sheet of a build.

    Parameters
    ----------
    ball : Ball
        The build.
    stage_estimates : sequence of Estimate
        One for each stage, innermost first: estimates of ``ball.stage(1)``, ``ball.stage(2)`` and
        so on, usually of `STAGE_FIGURES`. Further figures are listed without a window.
    process : Process
        Allowances and tolerances.
    batches : mapping of int to Batch, optional
        Mill charges by layer number, counted from 1.
    rules : RuleSet, optional
        A window of the finished ball that passes one of its limits is pointed out.

    Raises
    ------
    InputError
        If the estimates are not one a stage of this ball, or a batch names a layer it lacks.
    """
    count = len(ball.layer)
    if [e.ball for e in stage_estimates] != [ball.stage(n) for n in range(1, count + 1)]:
        raise InputError(
            f"stage_estimates must be {count} estimates, one for each stage of {ball.name}, "
            "innermost first."
        )
    batches = batches or {}
    for number in batches:
        if not 1 <= number <= count:
            raise InputError(f"a batch is given for layer {number}, but must be 1 to {count}.")
    stages = tuple(
        _stage(ball, n, estimate, process, batches.get(n))
        for n, estimate in enumerate(stage_estimates, start=1)
    )
    used = {key: None for stage in stages for step in stage.step for key in step.caution}
    cautions = _operations()["caution"]
    return Sheet(
        name=ball.name,
        pieces=process.pieces,
        source=process.source,
        stage=stages,
        caution={k: (cautions[k]["title"], cautions[k]["text"]) for k in ["defer", *used]},
        note=(*_notes(ball, stages, process, batches), *_rule_notes(stages[-1], rules)),
    )


@cache
def _operations() -> dict[str, Any]:
    text = resources.files("optimize.lab").joinpath("operations.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _stage(
    ball: Ball, number: int, estimate: Estimate, process: Process, batch: Batch | None
) -> StageSheet:
    layer, last = ball.layer[number - 1], number == len(ball.layer)
    own = process.of(layer.role)
    tooling = _tooling(ball, number, own)
    inner = ball.layer[number - 2].outer_diameter_mm if number > 1 else 0.0
    shown = [_target(figure, own) for figure in estimate.figures.values()]
    return StageSheet(
        number=number,
        title=_stage_title(ball, number),
        material=f"{layer.material.label} ({layer.material.family})",
        tooling=tooling,
        batch=batch,
        step=_steps(layer, tooling, own, inner, last),
        target=(*shown, *_wall(layer, inner, own)),
        missing=tuple(f"{name}: {why}" for name, why in estimate.failed.items()),
    )


def _stage_title(ball: Ball, number: int) -> str:
    """Call a stage as a lab does: the core alone, the mantled core, the ball."""
    if number == len(ball.layer):
        return "ball" if number > 1 else "one-piece ball"
    role = ball.layer[number - 1].role
    if role == "outer core":
        return "core (inner and outer)"
    mantles = sum(layer.role == "mantle" for layer in ball.layer[:number])
    if role == "mantle":
        return "mantled core" if mantles == 1 else f"mantled core, {mantles} mantles"
    return role


def _tooling(ball: Ball, number: int, own: LayerProcess) -> tuple[Quantity, ...]:
    """Sizes and masses of a stage from the finished diameter back to the charge.

    moulded = finished + stock; cavity = moulded / (1 - shrinkage); charge = (1 + flash) x density x
    (volume of the moulded sphere - volume of the finished stage inside - dimples).
    """
    layer = ball.layer[number - 1]
    density = layer.material.density_g_cm3.value
    finished = layer.outer_diameter_mm
    inner = ball.layer[number - 2].outer_diameter_mm if number > 1 else 0.0
    moulded = finished + own.grinding_stock_mm
    cavity = moulded / (1.0 - own.shrinkage_percent / 100.0)
    dimples = inertia.dimple_mass(ball.body()) * 1e3 if number == len(ball.layer) else 0.0
    mass = density * (_sphere_cm3(moulded) - _sphere_cm3(inner)) - dimples
    ground = density * (_sphere_cm3(moulded) - _sphere_cm3(finished))
    charge = mass * (1.0 + own.flash_percent / 100.0)
    flash, shrink = (
        f"{own.flash_percent:g} % flash",
        f"as moulded, {own.shrinkage_percent:g} % shrinkage",
    )
    stock = f"{own.grinding_stock_mm:g} mm grinding stock"
    charge_label = {
        "rubber": "Preform (slug) mass",
        "ionomer": "Shot mass, without runner",
        "urethane": "Cast mass, both components",
    }.get(layer.material.family, "Charge mass")
    rows = (
        Quantity("finished_mm", "Finished diameter", "mm", finished, "the build"),
        Quantity("moulded_mm", "Diameter as moulded", "mm", moulded, f"finished + {stock}"),
        Quantity("cavity_mm", "Mould cavity diameter, cold", "mm", cavity, shrink),
        Quantity("density_g_cm3", "Density of the layer", "g/cm3", density, "the build"),
        Quantity("layer_g", "Layer mass, finished", "g", mass - ground, "the build"),
        Quantity("ground_g", "Ground off", "g", ground, stock),
        Quantity("charge_g", charge_label, "g", charge, f"layer as moulded + {flash}"),
        Quantity("charge_cm3", "Volume of it", "cm3", charge / density, "mass / density"),
    )
    return rows if own.grinding_stock_mm > 0.0 else tuple(q for q in rows if q.name not in _GROUND)


def _sphere_cm3(diameter_mm: float) -> float:
    return float(np.pi / 6.0 * (diameter_mm / 10.0) ** 3)


def _steps(
    layer: Layer, tooling: Sequence[Quantity], own: LayerProcess, inner_mm: float, last: bool
) -> tuple[Step, ...]:
    known = _operations()
    place = "over" if inner_mm else "core"
    rows = [row for row in known["step"] if row["family"] == layer.material.family]
    rows += known["grind"] if own.grinding_stock_mm > 0.0 else []
    rows += known["finish"] if last else []
    rows += known["measure"]
    rows = [row for row in rows if row.get("place", place) == place]
    values = {"moulded_mm": f"{layer.outer_diameter_mm:.2f}"}
    values |= {q.name: f"{q.value:.2f}" for q in tooling} | {
        "inner_mm": f"{inner_mm:.2f}",
        "cure": _cure(own),
    }
    return tuple(
        Step(row["title"], row["text"].format(**values), tuple(row["caution"])) for row in rows
    )


def _cure(own: LayerProcess) -> str:
    minutes = "____" if own.cure_minutes is None else f"{own.cure_minutes:g}"
    celsius = "____" if own.cure_celsius is None else f"{own.cure_celsius:g}"
    return f"Mould at {celsius} C for {minutes} min"


def _target(figure: Figure, own: LayerProcess) -> Target:
    parsed = parse_figure(figure.name)
    half = {
        "diameter_mm": own.diameter_tolerance_mm,
        "mass_g": own.mass_tolerance_g,
        "deflection_mm": own.deflection_tolerance_mm,
        "moi_g_cm2": abs(figure.value) * own.inertia_tolerance_percent / 100.0,
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
            name=f"wall_{end}_mm",
            label=f"Wall of a cut piece, {end}",
            unit="mm",
            value=wall,
            low=wall - own.concentricity_tolerance_mm,
            high=wall + own.concentricity_tolerance_mm,
            model_error=None,
            basis="the build; concentricity",
        )
        for end in ("thinnest", "thickest")
    )


def _notes(
    ball: Ball, stages: Sequence[StageSheet], process: Process, batches: Mapping[int, Batch]
) -> tuple[str, ...]:
    notes = []
    vague = [
        f"{target.name} of stage {stage.number} (+/- {target.model_error:.2f} {target.unit})"
        for stage in stages
        for target in stage.target
        if target.high is not None and (target.model_error or 0.0) > target.high - target.value
    ]
    if vague:
        notes.append(
            f"The model is less sure of a target than its window is wide: {', '.join(vague)}. Take "
            "the first lot as a measurement, not as a pass or a fail."
        )
    for number, batch in batches.items():
        wanted = ball.layer[number - 1].material.density_g_cm3.value
        if abs(batch.density_g_cm3 / wanted - 1.0) > _DENSITY_PERCENT / 100.0:
            notes.append(
                f"Layer {number}: the mill charge has {batch.density_g_cm3:.3f} g/cm3, the build "
                f"{wanted:.3f}: set the filler before mixing."
            )
    if len(ball.layer) > 1:
        notes.append(_concentricity_note(ball, process))
    return tuple(notes)


def _concentricity_note(ball: Ball, process: Process) -> str:
    """Balance when every body lies at its concentricity tolerance, all the same way: the worst case."""
    at_most = [process.of(layer.role).concentricity_tolerance_mm for layer in ball.layer[1:]]
    gap = [
        (outer.outer_diameter_mm - inner.outer_diameter_mm) / 2.0
        for inner, outer in zip(ball.layer[:-1], ball.layer[1:], strict=True)
    ]
    # An interface moves with every body it lies in, and no body leaves the next.
    moved = np.minimum(at_most, gap)[::-1].cumsum()[::-1] * 1e-3
    found = off_centre(ball.body(), np.column_stack([moved, 0 * moved, 0 * moved]))
    return (
        "Every body off centre by its tolerance, all the same way: static imbalance "
        f"{found.imbalance * 1e6:.2f} g mm, principal moments "
        f"{100.0 * found.anisotropy:.3f} % apart."
    )


def _rule_notes(stage: StageSheet, rules: RuleSet | None) -> tuple[str, ...]:
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
        f"{word} {limit:g}: pieces between must not count as conforming."
    )
