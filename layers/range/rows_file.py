"""Rows of a range read from an aerodynamic table, and written as one."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.files.csv import MOST_CSV_BYTES
from layers.files.escaping import csv_text
from layers.files.paths import StrPath
from layers.files.text import read_text
from layers.flight.aero_file import AeroTable, table_from_csv
from layers.flight.aerodynamics import ferguson_2022
from layers.range.reduction import Reduction
from layers.range.surface import Rows

# A row whose drag and lift are this far from published laws, on average, is likely another thing.
_FAR = 0.1
_SLOPE_STEP = 1e-3


@dataclass(frozen=True)
class RangeRows:
    """Rows of a file: the numbers, who they are of, and what looks odd in them."""

    rows: Rows
    launch: tuple[str, ...]
    ball: tuple[str, ...]
    orientation: tuple[str, ...]
    lines: tuple[int, ...]
    warnings: tuple[str, ...]

    def of(self, ball: str = "", orientation: str = "") -> "RangeRows":
        """Return the rows of one ball or orientation; of all where neither is given.

        Raises
        ------
        InputError
            If there is none.
        """
        kept = [
            i
            for i in range(len(self.launch))
            if ball in ("", self.ball[i]) and orientation in ("", self.orientation[i])
        ]
        if not kept:
            known = ", ".join(sorted({*self.ball} - {""})) or "none is named"
            raise InputError(f"the table has no row of ball {ball!r}; balls: {known}.")
        picked = {name: values[kept] for name, values in self.rows.__dict__.items()}

        def some(texts: tuple[str, ...]) -> tuple[str, ...]:
            return tuple(texts[i] for i in kept)

        return RangeRows(
            Rows(**picked),
            some(self.launch),
            some(self.ball),
            some(self.orientation),
            tuple(self.lines[i] for i in kept),
            self.warnings,
        )


def read_rows(path: StrPath) -> RangeRows:
    """Read the rows of a range from an aerodynamic table.

    Parameters
    ----------
    path : str or path
        A CSV with the columns of `layers.flight.aero_file.COLUMNS`.

    Raises
    ------
    InputError
        If the file cannot be read or a cell cannot be used; row and column are named.
    """
    path = Path(path)
    return rows_of(table_from_csv(read_text(path, MOST_CSV_BYTES), path.name), path.name)


def rows_of(table: AeroTable, what: str) -> RangeRows:
    """Return the rows of a parsed table whose name for messages is `what`.

    An error of the spin ratio becomes one of lift and drag by the slopes of a published law.

    Raises
    ------
    InputError
        If lift is above drag in all rows of little spin, as in a file of swapped columns.
    """
    re, s, drag, lift = table.rows.T
    little = s < 0.3
    if little.any() and (lift > drag)[little].all():
        lines = [line for line, one in zip(table.lines, little, strict=True) if one]
        raise InputError(
            f"{what}: lift_coefficient is above drag_coefficient in every row of spin ratio below "
            f"0.3 (row {lines[0]}{' and others' * (len(lines) > 1)}), which no ball shows: swapped?"
        )
    above, below = (ferguson_2022(re, np.maximum(s + d, 0.0)) for d in (_SLOPE_STEP, -_SLOPE_STEP))
    wide = table.errors[:, 2] / (2.0 * _SLOPE_STEP)
    rows = Rows(
        re,
        s,
        drag,
        lift,
        np.hypot(table.errors[:, 0], wide * (above.drag - below.drag)),
        np.hypot(table.errors[:, 1], wide * (above.lift - below.lift)),
    )
    warnings = tuple(
        f"{what}: {name} is {off:+.2f} away from published balls on average: are columns swapped, "
        "or is spin_ratio not radius times spin over speed?"
        for name, off in (
            ("drag_coefficient", float(np.mean(drag - ferguson_2022(re, s).drag))),
            ("lift_coefficient", float(np.mean(lift - ferguson_2022(re, s).lift))),
        )
        if abs(off) > _FAR
    )
    texts = table.texts
    return RangeRows(
        rows, texts["launch"], texts["ball"], texts["orientation"], table.lines, warnings
    )


_HEADS = (
    "launch",
    "ball",
    "orientation",
    "reynolds",
    "spin_ratio",
    "drag_coefficient",
    "lift_coefficient",
    "drag_standard_error",
    "lift_standard_error",
    "spin_ratio_standard_error",
    "side_coefficient",
    "side_standard_error",
    "spin_decay",
    "spin_decay_standard_error",
    "speed_m_s",
    "spin_rpm",
)


def rows_text(reduction: Reduction, truncation: FloatArray | None = None) -> str:
    """Write the launches whose drag, lift and spin are known as an aerodynamic table.

    Parameters
    ----------
    reduction : Reduction
        The session.
    truncation : (n, 2) array, optional
        What the length of each track adds to drag and lift; a part of the standard errors.
    """
    r = reduction
    added = np.zeros((len(r.drag), 2)) if truncation is None else np.nan_to_num(truncation)
    numbers = np.column_stack(
        [
            r.reynolds,
            r.spin_ratio,
            r.drag,
            r.lift,
            np.hypot(r.drag_sd, added[:, 0]),
            np.hypot(r.lift_sd, added[:, 1]),
            r.spin_ratio_sd,
            r.side,
            r.side_sd,
            r.spins.decay,
            r.spins.decay_sd,
            r.speed,
            r.spins.spin * 30.0 / np.pi,
        ]
    )
    whole = np.flatnonzero(np.isfinite(numbers[:, :4]).all(axis=1))
    texts = (r.tracks.launch, r.tracks.ball, r.tracks.orientation)
    return csv_text(
        _HEADS,
        (
            [*(t[i] for t in texts), *("" if np.isnan(v) else f"{v:.7g}" for v in numbers[i])]
            for i in whole
        ),
    )
