"""What drives what, as an engineer reads it: tables, CSV, plain records and a picture."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from layers.figures import Figure, parse_figure
from layers.strike.swings import SwingTable, check_owner
from optimize.report.ball import digits_of, layers_section, version, warnings_section
from optimize.report.tables import Section, columns, csv_text, number, signed
from optimize.sensitivity.slopes import WAYS, Driver, Drivers, Freedom, Kind

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

    Raises
    ------
    InputError
        If a figure or a swing is not known.
    """
    asked = [*(figures or OF_BALL), *(f"{swing}.{name}" for swing in swings for name in OF_SWING)]
    for name in asked:
        check_owner(parse_figure(name), table)
    return list(dict.fromkeys(asked))


def row_of(found: Drivers, name: str) -> dict[Freedom, Driver]:
    """Return how one figure answers to each freedom that it can depend on."""
    return {f: found.drivers[name, f] for f in found.freedoms if (name, f) in found.drivers}


def strongest(row: Mapping[Freedom, Driver]) -> float:
    """Return the largest resolved change of a figure by one practical step; 0 if there is none."""
    return max((abs(d.change) for d in row.values() if d.resolved), default=0.0)


def change_text(driver: Driver, largest: float, scale: float = 1.0) -> str:
    """Write a change, over `scale`, with the digits that its error and the row's largest give."""
    if driver.slope == 0.0 or abs(driver.change) < 1e-9 * largest:
        return "0"
    digits = max(driver.change_error, _FINEST * largest) / scale
    text = signed(driver.change / scale, digits)
    return text if float(text) else "≈0"


def layer_name(found: Drivers, freedom: Freedom) -> str:
    """Return the role of a freedom's layer, numbered where two layers have the same."""
    roles = [layer.role for layer in found.estimate.ball.layer]
    role = roles[freedom.layer]
    if roles.count(role) == 1:
        return role
    return f"{role} {roles[: freedom.layer + 1].count(role)}"


def drivers_sections(found: Drivers) -> list[Section]:
    """Tabulate the slopes: the strongest of each figure, then a table a kind of freedom."""
    sections = [layers_section(found.estimate.ball), _strongest_section(found)]
    for kind, freedoms in groupby(found.freedoms, key=lambda freedom: freedom.kind):
        sections.append(_kind_section(found, kind, list(freedoms)))
    failed = [
        f"not known: {name} over {layer_name(found, f)} {WAYS[f.kind].label}: {why}"
        for (name, f), why in found.failed.items()
        if name not in found.estimate.failed
    ]
    notes = (
        "Every change is that of the figure by one step of one number, the others held; a "
        "diameter moves one interface, the outermost lets the ball grow.",
        "'≈': less than its own error, so that not even the sign is known. The error is that of "
        "the slope at this mesh (95 %). A finer mesh turned no sign around over two builds and "
        "eight figures; it moved changes by 1 % of the strongest of their row in the middle, by "
        "up to 18 % (speed ratio 27 %) at most.",
    )
    return [*sections, *warnings_section(found.estimate), Section("", notes=(*failed, *notes))]


def _strongest_section(found: Drivers) -> Section:
    rows = []
    for name, figure in found.estimate.figures.items():
        row = row_of(found, name)
        largest = strongest(row)
        order = sorted(
            (item for item in row.items() if item[1].resolved and item[1].slope != 0.0),
            key=lambda item: -abs(item[1].change),
        )
        words = [
            f"{change_text(d, largest)} {layer_name(found, f)} {WAYS[f.kind].label}"
            for f, d in order[:_MOST_NAMED]
            if change_text(d, largest) not in _NOTHING
        ]
        rows.append((name, number(figure.value, digits_of(figure)), "; ".join(words)))
    steps = ", ".join(
        f"{WAYS[kind].label} {WAYS[kind].practical_words}"
        for kind in dict.fromkeys(freedom.kind for freedom in found.freedoms)
    )
    heads = columns("figure", ">value", "~strongest first")
    return Section("What drives each figure most", heads, tuple(rows), (f"By steps of: {steps}.",))


def _kind_section(found: Drivers, kind: Kind, freedoms: Sequence[Freedom]) -> Section:
    way = WAYS[kind]
    rows = []
    for name in found.estimate.figures:
        row = row_of(found, name)
        cells = [_cell(row.get(freedom), strongest(row)) for freedom in freedoms]
        if any(cells):
            rows.append((name, *cells))
    heads = columns("figure", *(f">{layer_name(found, f)}" for f in freedoms))
    return Section(f"Change by {way.practical_words} of {way.label}", heads, tuple(rows))


def _cell(driver: Driver | None, largest: float) -> str:
    if driver is None:
        return ""
    text = change_text(driver, largest)
    if text in _NOTHING or driver.resolved:
        return f"**{text}**" if abs(driver.change) == largest != 0.0 else text
    return f"{text} (≈)"


def drivers_record(found: Drivers) -> dict[str, Any]:
    """Return plain data for JSON: the estimate and a record for each slope."""
    return {
        "orbwright": version(),
        **found.estimate.as_record(),
        "drivers": _records(found),
        "unknown": [
            {"figure": name, **_place(found, freedom), "why": why}
            for (name, freedom), why in found.failed.items()
        ],
    }


def _place(found: Drivers, freedom: Freedom) -> dict[str, Any]:
    return {
        "layer": freedom.layer + 1,
        "role": found.estimate.ball.layer[freedom.layer].role,
        "moved": freedom.kind,
    }


_SLOPE_PER = {
    "outer_diameter_mm": "mm",
    "youngs_modulus_mpa": "unit of ln(modulus)",
    "density_g_cm3": "g/cm3",
    "friction": "1",
}


def _records(found: Drivers) -> list[dict[str, Any]]:
    return [
        {
            "figure": name,
            "unit": figure.unit,
            "value": figure.value,
            **_place(found, freedom),
            "step": WAYS[freedom.kind].practical_words.replace("³", "3"),
            "change": d.change,
            "change_error": d.change_error,
            "change_percent": 100.0 * d.change / figure.value if figure.value else None,
            "resolved": d.resolved,
            "slope": d.slope,
            "slope_error": d.slope_error,
            "slope_per": _SLOPE_PER[freedom.kind],
        }
        for name, figure in found.estimate.figures.items()
        for freedom, d in row_of(found, name).items()
    ]


def drivers_csv(found: Drivers) -> str:
    """Write one row a figure and freedom."""
    records = _records(found)
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
