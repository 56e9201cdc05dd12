"""Tracks read from CSV: a row a reading, of cameras or of screens; faults by row and column."""

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import MOST_FAULTS
from layers.files.csv import MOST_CSV_BYTES, Column, check_header, read_number, refuse, table
from layers.files.escaping import from_csv_cell
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.flight.air import moist_air_density, sutherland_viscosity
from layers.range.tracks import Tracks

_TEXTS = {
    "launch": "name of the launch, the same in each of its rows",
    "ball": "which ball; may be left out",
    "orientation": "how the ball was placed, such as pole or seam; may be left out",
    "note": "any text; may be left out",
}
_NUMBERS = {
    "time_s": Column("s", "time of the reading", -1e5, 1e5),
    "x_m": Column("m", "position down the range; of a screen, its plane's", -100.0, 400.0),
    "y_m": Column("m", "height; may be left out", -50.0, 100.0),
    "z_m": Column("m", "to the right; may be left out", -50.0, 50.0),
    "spin_rpm": Column(
        "rpm", "rate of spin, on any reading that has one; may be left out", 0.0, 20000.0
    ),
    "mark_deg": Column("deg", "angle of a mark, growing with backspin; may be left out", -1e6, 1e6),
    "mass_g": Column("g", "of the ball, on one reading or all; may be left out", 5.0, 100.0),
    "diameter_mm": Column("mm", "of the ball; may be left out", 20.0, 80.0),
    "temperature_celsius": Column("deg C", "of the air; may be left out", -20.0, 50.0),
    "pressure_hpa": Column("hPa", "of the air at the place itself; may be left out", 500.0, 1100.0),
    "humidity_percent": Column("%", "relative humidity; may be left out", 0.0, 100.0),
}
_NEEDED = ("launch", "time_s", "x_m")
COLUMNS: dict[str, Column | str] = {**_TEXTS, **_NUMBERS}

# Where the file says nothing. Mass and diameter are the rules' limits; the air is that of flights.
_ASSUMED = {
    "mass_g": (45.93, "g"),
    "diameter_mm": (42.67, "mm"),
    "temperature_celsius": (20.0, "C"),
    "pressure_hpa": (1013.25, "hPa"),
    "humidity_percent": (50.0, "%"),
}
_SLOWEST, _FASTEST = 3.0, 130.0  # m/s


@dataclass(frozen=True)
class _Reading:
    line: int
    number: dict[str, float]
    text: dict[str, str]


def read_tracks(path: StrPath) -> Tracks:
    """Read the tracks of a session.

    Parameters
    ----------
    path : str or path
        A CSV with the columns of `COLUMNS`; see docs/range.md.

    Raises
    ------
    InputError
        If the file cannot be read or a cell cannot be used; row and column of each fault are named.
    """
    path = Path(path)
    return tracks_from_csv(read_text(path, MOST_CSV_BYTES), path.name)


def tracks_from_csv(text: str, what: str) -> Tracks:
    """Parse the CSV text of a session whose name for messages is `what`; see `read_tracks`."""
    header, lines = table(text, what)
    optional = [name for name in COLUMNS if name not in _NEEDED]
    check_header(header, list(COLUMNS), optional, what)
    faults: list[str] = []
    launches: dict[str, list[_Reading]] = defaultdict(list)
    for line, cells in lines:
        reading = _reading(header, line, cells, faults)
        launches[reading.text.get("launch", "")].append(reading)
        if len(faults) > MOST_FAULTS:
            break
    refuse(faults, what)
    for name, readings in launches.items():
        readings.sort(key=lambda reading: reading.number["time_s"])
        _check_launch(name, readings, faults)
    _check_repeats(launches, faults)
    refuse(faults, what)
    return _tracks(dict(launches))


def _reading(header: list[str], line: int, cells: list[str], faults: list[str]) -> _Reading:
    """Read one row; empty cells of optional columns are left out."""
    if len(cells) != len(header):
        faults.append(f"row {line} has {len(cells)} cells, but must have {len(header)}")
    given = dict(zip(header, cells, strict=False))
    texts = {name: from_csv_cell(given[name]) for name in _TEXTS if given.get(name)}
    numbers: dict[str, float] = {}
    if not texts.get("launch"):
        faults.append(f"row {line}, launch is empty: fill it in")
    for name, column in _NUMBERS.items():
        cell = given.get(name, "")
        if not cell and name not in _NEEDED:
            continue
        value = read_number(cell, line, name, column.unit, faults)
        if not np.isnan(value) and not column.low <= value <= column.high:
            faults.append(
                f"row {line}, {name} is {cell}, but must be from {column.low:g} to "
                f"{column.high:g} {column.unit}"
            )
        numbers[name] = value
    return _Reading(line, numbers, texts)


def _check_launch(name: str, readings: list[_Reading], faults: list[str]) -> None:
    """Add faults that only a launch's rows together show."""
    for before, after in pairwise(readings):
        if after.number["time_s"] == before.number["time_s"]:
            faults.append(
                f"row {after.line}, time_s stands already in row {before.line} of launch {name}: "
                "rename one launch or remove a row"
            )
    for column in _ASSUMED:
        found = {r.number[column]: r.line for r in readings if column in r.number}
        if column in ("mass_g", "diameter_mm") and len(found) > 1:
            (one, _), (other, line) = list(found.items())[:2]
            faults.append(
                f"row {line}, {column} is {other:g}, but launch {name} has {one:g} in another row"
            )
    for column in ("ball", "orientation"):
        said = {r.text[column]: r.line for r in readings if column in r.text}
        if len(said) > 1:
            (one_text, _), (other_text, line) = list(said.items())[:2]
            faults.append(
                f"row {line}, {column} is {other_text!r}, but launch {name} has {one_text!r} in "
                "another row"
            )
    if len(readings) > 1:
        _check_speed(name, readings, faults)


def _check_speed(name: str, readings: list[_Reading], faults: list[str]) -> None:
    first, last = readings[0], readings[-1]

    def way(column: str) -> float:
        return abs(last.number.get(column, 0.0) - first.number.get(column, 0.0))

    lasting = last.number["time_s"] - first.number["time_s"]
    if lasting <= 0.0:
        return
    speed = way("x_m") / lasting
    if not _SLOWEST <= speed <= _FASTEST:
        hint = "x_m and time_s swapped, or another unit?"
        for other in ("y_m", "z_m"):
            if way(other) > way("x_m") and _SLOWEST <= way(other) / lasting <= _FASTEST:
                hint = f"x_m and {other} swapped?"
        faults.append(
            f"rows {first.line} to {last.line}, x_m and time_s give launch {name} a speed of "
            f"{speed:.3g} m/s, but it must be from {_SLOWEST:g} to {_FASTEST:g} m/s ({hint})"
        )
    elif max(way("y_m"), way("z_m")) > way("x_m"):
        other = "y_m" if way("y_m") > way("z_m") else "z_m"
        faults.append(
            f"rows {first.line} to {last.line}, launch {name} goes farther along {other} than "
            "along x_m (swapped?)"
        )


def _check_repeats(launches: dict[str, list[_Reading]], faults: list[str]) -> None:
    """Add a fault for each launch whose readings are another's."""
    seen: dict[tuple[tuple[float, float], ...], tuple[str, int]] = {}
    for name, readings in launches.items():
        key = tuple((r.number["time_s"], r.number["x_m"]) for r in readings)
        if len(key) > 1 and key in seen:
            other, line = seen[key]
            faults.append(
                f"row {readings[0].line}, launch {name} has the times and positions of launch "
                f"{other} in row {line}: remove one"
            )
        seen.setdefault(key, (name, readings[0].line))


def _tracks(launches: dict[str, list[_Reading]]) -> Tracks:
    shape = len(launches), max(map(len, launches.values()))
    line = np.zeros(shape, dtype=np.int64)
    cells = {name: np.full(shape, np.nan) for name in _NUMBERS}
    for i, readings in enumerate(launches.values()):
        for j, reading in enumerate(readings):
            line[i, j] = reading.line
            for name, value in reading.number.items():
                cells[name][i, j] = value
    constant, notes = _constants(cells)
    kelvin = constant["temperature_celsius"] + 273.15
    density = [
        moist_air_density(celsius, 100.0 * pressure, humidity / 100.0)
        for celsius, pressure, humidity in zip(
            constant["temperature_celsius"],
            constant["pressure_hpa"],
            constant["humidity_percent"],
            strict=True,
        )
    ]

    def said(column: str) -> tuple[str, ...]:
        return tuple(
            next((r.text[column] for r in readings if column in r.text), "")
            for readings in launches.values()
        )

    return Tracks(
        tuple(launches),
        said("ball"),
        said("orientation"),
        line,
        cells["time_s"],
        np.stack([cells["x_m"], cells["y_m"], cells["z_m"]], axis=-1),
        cells["spin_rpm"] * np.pi / 30.0,
        np.deg2rad(cells["mark_deg"]),
        constant["mass_g"] * 1e-3,
        constant["diameter_mm"] * 1e-3,
        np.array(density),
        np.array([sutherland_viscosity(k) for k in kelvin]),
        notes,
    )


def _constants(cells: dict[str, FloatArray]) -> tuple[dict[str, FloatArray], tuple[str, ...]]:
    """Return mass, diameter and air of each launch, and what was assumed."""
    found, notes = {}, []
    for column, (usual, unit) in _ASSUMED.items():
        known = np.isfinite(cells[column])
        count = known.sum(axis=1)
        total = np.where(known, cells[column], 0.0).sum(axis=1)
        found[column] = np.where(count > 0, total / np.maximum(count, 1), usual)
        missing = int(np.sum(count == 0))
        if missing:
            notes.append(
                f"{column} is not given for {missing} of {len(count)} launches: {usual:g} {unit} "
                "was assumed."
            )
    return found, tuple(notes)
