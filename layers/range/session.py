"""A reduced session and all that is made of it: rows, surface, window of the track, checks."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.flight.aero_file import table_from_csv
from layers.flight.aerodynamics import ferguson_2022
from layers.range.checks import Checks, check_session
from layers.range.reduction import Reduction, reduce_tracks
from layers.range.rows_file import RangeRows, rows_of, rows_text
from layers.range.surface import MOST_ROWS, Surface, fit_surface
from layers.range.tracks import Setup, Tracks
from layers.range.windows import Window, truncation, windows

# Rows from which on a session's own surface serves its checks; below, a published law does.
FEWEST_ROWS = 4


@dataclass(frozen=True)
class Session:
    """A reduced session.

    Attributes
    ----------
    reduction : Reduction
    text : str
        Its launches as an aerodynamic table; see `rows_text`.
    rows : RangeRows or None
        The same; None where no launch has drag, lift and spin.
    surface : Surface or None
        Fitted to the rows, where there are enough.
    windows : tuple of Window
    truncation : (n, 2) array
        What the length of each track adds to drag and lift.
    checks : Checks
    """

    reduction: Reduction
    text: str
    rows: RangeRows | None
    surface: Surface | None
    windows: tuple[Window, ...]
    truncation: FloatArray
    checks: Checks

    @property
    def errors(self) -> FloatArray:
        """Standard errors of drag and lift, of the readings and the track's length, (n, 2)."""
        measured = np.stack([self.reduction.drag_sd, self.reduction.lift_sd], axis=1)
        return np.asarray(np.hypot(measured, np.nan_to_num(self.truncation)))


def reduce_session(
    tracks: Tracks, setup: Setup | None = None, what: str = "the tracks", keep: bool = False
) -> Session:
    """Reduce a session and study it; see `layers.range.reduction.reduce_tracks`.

    Parameters
    ----------
    tracks, setup, what, keep
        As `reduce_tracks` takes them.

    Raises
    ------
    InputError
        If no launch can be reduced.
    """
    found = reduce_tracks(tracks, setup, what, keep)
    _, surface = _surface(rows_text(found), what)
    # The truncation of each launch under this surface is an error of its rows; they fit it anew.
    law = surface or ferguson_2022
    added = truncation(found, law)
    text = rows_text(found, added)
    rows, surface = _surface(text, what)
    checks = check_session(found, surface)
    return Session(found, text, rows, surface, windows(found, law), added, checks)


def _surface(text: str, what: str) -> tuple[RangeRows | None, Surface | None]:
    """Read rows and fit their surface, where there are enough and of one ball."""
    count = len(text.splitlines()) - 1
    if not count:
        return None, None
    rows = rows_of(table_from_csv(text, what), what)
    enough = FEWEST_ROWS <= count <= MOST_ROWS and len({*rows.ball}) == 1
    return rows, fit_surface(rows.rows, what=what) if enough else None
