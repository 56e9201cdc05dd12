"""Local sensitivities of one ball: tables, CSV and plain records."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from layers.estimates import Figure
from layers.figures import canonical, parse_figure
from layers.files.escaping import csv_text
from layers.strike.swings import SwingTable, check_owner
from optimize.report.ball import digits_of, layers_section, version, warnings_section
from optimize.report.tables import Section, columns, number, signed
from optimize.report.words import heading_of, unit_of
from optimize.sensitivity.perturbation import PERTURBATIONS, DesignVariable, Kind
from optimize.sensitivity.slopes import Slope, Slopes

# Figures that are asked of a ball, and of every swing that is named.
OF_BALL = (
    "mass_g",
    "moi_g_cm2",
    "deflection_mm",
    "frequency_hz",
    "cor",
    "contact_time_us",
)
OF_SWING = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "carry_m")

# Numbers are written to this share of the largest in their row, or to their error if that is more.
_FINEST = 0.02
_MOST_NAMED = 4
_NOTHING = ("0", "≈0")


def names_asked(figures: Sequence[str], swings: Sequence[str], table: SwingTable) -> list[str]:
    """Return the figures to study: those named, else the ball's; and those of each swing.

    Parameters
    ----------
    figures : sequence of str
        Names of figures; the ball's if empty.
    swings : sequence of str
        Names of swings whose launch and flight are added.
    table : SwingTable
        The swings known.

    Raises
    ------
    InputError
        If a figure or a swing is not known.
    """
    asked = [*(figures or OF_BALL), *(f"{swing}.{name}" for swing in swings for name in OF_SWING)]
    names = canonical(asked)
    for name in names:
        check_owner(parse_figure(name), table)
    return names


def row_of(result: Slopes, name: str) -> dict[DesignVariable, Slope]:
    """Return the slopes of one figure, by variable."""
    return {v: result.slopes[name, v] for v in result.variables if (name, v) in result.slopes}


def strongest(row: Mapping[DesignVariable, Slope]) -> float:
    """Return the largest resolved change of a figure by one practical step; 0 if there is none."""
    return max((abs(d.change) for d in row.values() if d.resolved), default=0.0)


def change_text(slope: Slope, largest: float, scale: float = 1.0) -> str:
    """Write a change with the digits that its error and the row's largest allow.

    Parameters
    ----------
    slope : Slope
        Its change is written.
    largest : float
        Largest change of the row, in the figure's unit.
    scale : float
        Unit of the text, in the figure's unit.
    """
    if slope.value == 0.0 or abs(slope.change) < 1e-9 * largest:
        return "0"
    digits = max(slope.change_error, _FINEST * largest) / scale
    text = signed(slope.change / scale, digits)
    return text if float(text) else "≈0"


def layer_name(result: Slopes, variable: DesignVariable) -> str:
    """Return the role of a variable's layer, numbered where two layers have the same."""
    roles = [layer.role for layer in result.estimate.ball.layer]
    role = roles[variable.layer]
    if roles.count(role) == 1:
        return role
    return f"{role} {roles[: variable.layer + 1].count(role)}"


def slopes_sections(result: Slopes) -> list[Section]:
    """Tabulate the slopes: the largest of each figure, then one table for each kind of variable."""
    sections = [layers_section(result.estimate.ball), _strongest_section(result)]
    for kind, variables in groupby(result.variables, key=lambda variable: variable.kind):
        sections.append(_kind_section(result, kind, list(variables)))
    failed = [
        f"not known: {name} by {layer_name(result, v)} {PERTURBATIONS[v.kind].label}: {why}"
        for (name, v), why in result.failed.items()
        if name not in result.estimate.failed
    ]
    notes = (
        "Each change is that of the figure for one step of one design variable, the others held. "
        "A diameter moves one interface; the outermost changes the ball's diameter.",
        "'≈': smaller than its own error, so that the sign is not known. The error is that of the "
        "slope at this mesh (95 %). A finer mesh changed no sign over two builds and eight "
        "figures; it changed the values by 1 % (median) and at most 18 % (COR: 27 %) of the "
        "largest in their row.",
    )
    return [*sections, *warnings_section(result.estimate), Section("", notes=(*failed, *notes))]


def _strongest_section(result: Slopes) -> Section:
    rows = []
    for name, figure in result.estimate.figures.items():
        row = row_of(result, name)
        largest = strongest(row)
        unit = unit_of(name) if unit_of(name) in ("", "°") else f" {unit_of(name)}"
        order = sorted(
            (item for item in row.items() if item[1].resolved and item[1].value != 0.0),
            key=lambda item: -abs(item[1].change),
        )
        words = [
            f"{change_text(d, largest)}{unit} {layer_name(result, v)} {PERTURBATIONS[v.kind].label}"
            for v, d in order[:_MOST_NAMED]
            if change_text(d, largest) not in _NOTHING
        ]
        value = number(figure.value, digits_of(figure))
        rows.append((heading_of(name), value, "; ".join(words)))
    steps = ", ".join(
        f"{PERTURBATIONS[kind].label} {PERTURBATIONS[kind].practical_text}"
        for kind in dict.fromkeys(variable.kind for variable in result.variables)
    )
    heads = columns("~figure", ">value", "~largest first")
    return Section("Largest slopes", heads, tuple(rows), (f"By steps of: {steps}.",))


def _kind_section(result: Slopes, kind: Kind, variables: Sequence[DesignVariable]) -> Section:
    perturbation = PERTURBATIONS[kind]
    rows = []
    for name in result.estimate.figures:
        row = row_of(result, name)
        cells = [_cell(row.get(variable), strongest(row)) for variable in variables]
        if any(cells):
            rows.append((heading_of(name), *cells))
    heads = columns("~figure", *(f">{layer_name(result, v)}" for v in variables))
    return Section(
        f"Change by {perturbation.practical_text} of {perturbation.label}", heads, tuple(rows)
    )


def _cell(slope: Slope | None, largest: float) -> str:
    if slope is None:
        return ""
    text = change_text(slope, largest)
    if text in _NOTHING or slope.resolved:
        return f"**{text}**" if abs(slope.change) == largest != 0.0 else text
    return f"{text} (≈)"


def slopes_record(result: Slopes) -> dict[str, Any]:
    """Return plain data for JSON: the estimate and a record for each slope."""
    return {
        "orbwright": version(),
        **result.estimate.as_record(),
        "slopes": _records(result),
        "unknown": [
            {"figure": name, **_place(result, variable), "why": why}
            for (name, variable), why in result.failed.items()
        ],
    }


def _place(result: Slopes, variable: DesignVariable) -> dict[str, Any]:
    return {
        "layer": variable.layer + 1,
        "role": result.estimate.ball.layer[variable.layer].role,
        "moved": variable.kind,
    }


_SLOPE_PER = {
    "outer_diameter_mm": "mm",
    "youngs_modulus_mpa": "unit of ln(modulus)",
    "surface_over_centre": "unit of ln(ratio)",
    "shape": "unit of ln(shape)",
    "density_g_cm3": "g/cm3",
    "friction": "1",
}


def _records(result: Slopes) -> list[dict[str, Any]]:
    return [
        {
            "figure": name,
            "unit": figure.unit,
            "value": figure.value,
            **_place(result, variable),
            "step": PERTURBATIONS[variable.kind].practical_text.replace("³", "3"),
            "change": d.change,
            "change_error": d.change_error,
            "change_percent": 100.0 * d.change / figure.value if figure.value else None,
            "resolved": d.resolved,
            "slope": d.value,
            "slope_error": d.error,
            "slope_per": _SLOPE_PER[variable.kind],
        }
        for name, figure in result.estimate.figures.items()
        for variable, d in row_of(result, name).items()
    ]


def slopes_csv(result: Slopes) -> str:
    """Write one row for each figure and variable."""
    records = _records(result)
    heads = list(records[0]) if records else ["figure"]
    return csv_text(heads, [list(record.values()) for record in records])


def figure_groups(figures: Mapping[str, Figure]) -> list[tuple[str, list[str]]]:
    """Group figures by what they belong to: the ball, a stage or a swing."""
    groups: dict[str, list[str]] = {}
    for name in figures:
        parsed = parse_figure(name)
        owner = parsed.swing or (f"stage {parsed.stage}" if parsed.stage else "ball")
        groups.setdefault(owner, []).append(name)
    return list(groups.items())


def plain_name(name: str) -> str:
    """Return a figure's name without the stage or swing before it."""
    parsed = parse_figure(name)
    return name.partition(".")[2] if parsed.stage or parsed.swing else name
