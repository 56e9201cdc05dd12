"""A hardness, its modulus and the other scales, as plain data and as a table."""

from typing import Any

from layers.errors import InputError
from layers.hardness import (
    HARDNESS_SCATTER,
    SCALES,
    converted_hardness,
    find_scale,
    hardness_from_modulus,
    modulus_from_hardness,
    modulus_words,
)
from optimize.report.tables import Section, columns


def hardness_record(value: float, scale: str | None) -> dict[str, Any]:
    """Return a modulus and its readings as plain data.

    Parameters
    ----------
    value : float
        A reading; a Young's modulus, MPa, where there is no scale.
    scale : str or None
        Of the reading.

    Raises
    ------
    InputError
        If the scale is unknown, or no scale's relation holds there.
    """
    given = find_scale(scale) if scale else None
    modulus = modulus_from_hardness(given.name, value) if given else value
    readings: list[dict[str, Any]] = []
    for other in SCALES:
        record: dict[str, Any] = {"scale": other.label, "source": other.source}
        try:
            if other is given:
                reading, scatter = value, 0.0
            elif given:
                reading, scatter = converted_hardness(value, given.name, other.name)
            else:
                reading, scatter = hardness_from_modulus(other.name, modulus)
        except InputError:
            record["outside"] = f"{other.low:g} to {other.high:g}"
        else:
            record |= {"points": reading, "scatter_points": scatter}
        readings.append(record)
    if all("outside" in record for record in readings):
        raise InputError(f"no scale's relation holds for a modulus of {value:g} MPa.")
    relation = f"{given.label} {value:g} by {given.source}" if given else "as given"
    scatter = HARDNESS_SCATTER if given else 0.0
    return {
        "youngs_modulus_mpa": modulus,
        "scatter_fraction": scatter,
        "relation": relation,
        "readings": readings,
    }


def hardness_sections(record: dict[str, Any]) -> list[Section]:
    """Tabulate a modulus, to the digits that it deserves, and its readings.

    Parameters
    ----------
    record : dict
        From `hardness_record`.
    """
    modulus, share = record["youngs_modulus_mpa"], record["scatter_fraction"]
    spread = modulus_words(share * modulus) if share else ""
    value = modulus_words(modulus) if share else f"{modulus:g}"
    rows = [("Young's modulus, MPa", value, spread, record["relation"])]
    for reading in record["readings"]:
        if "outside" in reading:
            said = f"outside {reading['outside']}, where the relation holds"
            rows.append((reading["scale"], "-", "", said))
        else:
            scatter = reading["scatter_points"]
            points = f"{reading['points']:.0f}" if scatter else f"{reading['points']:g}"
            rows.append(
                (reading["scale"], points, f"{scatter:.0f}" if scatter else "", reading["source"])
            )
    note = "± is the scatter of the relations. Readings at once, on a flat plaque."
    heads = columns("", ">value", ">±", "~relation")
    return [Section("Hardness", heads, tuple(rows), (note,))]
