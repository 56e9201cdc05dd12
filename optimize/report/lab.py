"""Tables for the lab: recipe and mill charge, core eccentricity, the next round."""

from typing import Any

from layers.compound.batch import Batch
from layers.compound.reach import Reached
from layers.compound.recipe import Recipe, density
from layers.compound.response import Prediction, Surface, Unknown
from layers.compound.trials import RESPONSES, SETTINGS
from layers.mass.concentricity import Concentricity
from optimize.calibration.next_round import NextRound
from optimize.report.tables import Section, columns
from optimize.report.words import in_words, label_of


def recipe_section(recipe: Recipe) -> Section:
    """Tabulate a compound and its density."""
    rows = tuple(
        (
            part.ingredient.name,
            part.ingredient.role,
            f"{part.phr:.2f}",
            f"{part.ingredient.density_g_cm3.value:.4g}",
            part.ingredient.density_g_cm3.grade,
        )
        for part in recipe.part
    )
    heads = columns("ingredient", "role", ">phr", ">g/cm3", "grade")
    note = (
        f"Density of the mixed compound {density(recipe):.4f} g/cm3, by the rule of mixtures; "
        "curing makes it slightly denser."
    )
    return Section(f"Recipe: {recipe.name}", heads, rows, (note,))


def batch_section(batch: Batch) -> Section:
    """Tabulate the weighings."""
    rows = tuple(
        (line.ingredient, f"{line.exact_g:.2f}", f"{line.weighed_g:.6g}", line.flag)
        for line in batch.line
    )
    heads = columns("ingredient", ">exact, g", ">weigh, g", "note")
    note = f"Total {batch.total_g:.6g} g; density as weighed {batch.density_g_cm3:.4f} g/cm3."
    return Section("Mill charge", heads, rows, (note,))


def stiffness_section(
    surface: Surface | Unknown, now: Prediction | Unknown | None, reached: Reached | Unknown | None
) -> Section:
    """Tabulate the compound's stiffness by the trials, and the settings that reach a target.

    Parameters
    ----------
    surface : Surface or Unknown
        Of `layers.compound.response.fit_surface`.
    now : Prediction, Unknown or None
        Stiffness of the recipe as given.
    reached : Reached, Unknown or None
        Settings that reach a target, if one was given.
    """
    if isinstance(surface, Unknown):
        return Section("Stiffness", notes=(f"Unknown: {surface.reason}.",))
    response = surface.trials.response
    rows = [("as given", *_prediction_cells(now))] if isinstance(now, Prediction) else []
    notes = [
        f"Leave-one-out error {surface.left_out_percent:.1f} %. Intervals are for one new core of "
        f"{surface.trials.core_diameter_mm:.1f} mm."
    ]
    notes += [f"Trial {name} is an outlier." for name in surface.outliers]
    if isinstance(reached, Reached):
        rows.append(("reached", *_prediction_cells(reached.prediction)))
        for name, (low, high) in reached.within.items():
            unit = SETTINGS[name].unit
            notes.append(
                f"{name} {reached.settings[name]:.2f} {unit} reaches the target; the target is "
                f"inside the interval from {low:.2f} to {high:.2f} {unit}."
            )
    heads = columns("settings", f">{response}", ">low", ">high", "unit", "note")
    help_text = RESPONSES[response].help
    return Section(help_text[:1].upper() + help_text[1:], heads, tuple(rows), tuple(notes))


def _prediction_cells(p: Prediction) -> tuple[str, ...]:
    return f"{p.value:.3g}", f"{p.low:.3g}", f"{p.high:.3g}", p.unit, p.flag


def concentricity_sections(found: Concentricity) -> list[Section]:
    """Tabulate balance, principal moments and minimum thicknesses."""
    x, y, z = (1e3 * float(c) for c in found.centre_of_mass)
    moments = ", ".join(f"{1e7 * float(m):.4f}" for m in found.principal_moments)
    rows = (
        ("mass", f"{1e3 * found.mass:.3f}", "g"),
        ("static imbalance", f"{1e6 * found.imbalance:.4f}", "g mm"),
        ("centre of mass", f"{x:.4f}, {y:.4f}, {z:.4f}", "mm"),
        ("principal moments of inertia", moments, "g cm2"),
        ("MOI asymmetry", f"{100 * found.anisotropy:.5f}", "%"),
    )
    thickness = tuple(
        (str(number), f"{1e3 * float(t):.3f}")
        for number, t in enumerate(found.thinnest[1:], start=2)
    )
    return [
        Section("Core eccentricity", columns("figure", ">value", "unit"), rows),
        Section("Minimum thickness", columns("layer", ">mm"), thickness),
    ]


def next_round_sections(chosen: NextRound) -> list[Section]:
    """List the builds to make, with reasons and the expected uncertainties."""
    rows = tuple(
        (str(number), pick.ball.name, in_words(pick.reason, chosen.figures))
        for number, pick in enumerate(chosen.pick, start=1)
    )
    widths = tuple(
        (label_of(name), f"{now:.2f}", f"{then:.2f}")
        for name, (now, then) in chosen.figures.items()
    )
    measure = f"Measure {'; '.join(chosen.measured)}."
    return [
        Section("Make next", columns("", "build", "~reason"), rows, (measure,)),
        Section(
            "Expected uncertainty over all candidates, half width of 95 %",
            columns("figure", ">now, %", ">after, %"),
            widths,
        ),
    ]


def next_round_record(chosen: NextRound) -> dict[str, Any]:
    """Return the next round as plain data for JSON."""
    return {
        "make": [
            {"build": p.ball.name, "reason": p.reason, "half_width_percent": p.figures}
            for p in chosen.pick
        ],
        "half_width_percent": chosen.figures,
        "measure": list(chosen.measured),
    }
