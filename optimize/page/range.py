"""A session of the indoor range, or a surface alone, as one HTML page."""

from collections.abc import Iterator
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from layers.files.paths import write_text
from layers.range.rows_file import RangeRows
from layers.range.session import Session
from layers.range.surface import Surface
from layers.range.symmetry import Symmetry
from optimize.page.write import filled, json_for_html
from optimize.report.range_surface import surface_sections
from optimize.report.range_tracks import plain, session_sections
from optimize.report.tables import Section
from optimize.report.units import in_chosen_units

# Lines of the surface's charts: spin ratios over Reynolds number, and the other way about.
_SPIN_RATIOS = (0.0, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6)
_REYNOLDS = (0.5e5, 0.6e5, 0.8e5, 1.0e5, 1.25e5, 1.5e5, 1.75e5, 2.0e5, 2.2e5)
_OVER_RE, _OVER_S = np.linspace(0.45e5, 2.3e5, 75), np.linspace(0.0, 0.7, 71)
_DIGITS = 5


def write_range_page(
    path: Path,
    title: str,
    rows: RangeRows | None,
    surface: Surface | None,
    session: Session | None = None,
    symmetry: Symmetry | None = None,
) -> None:
    """Write the page.

    Parameters
    ----------
    path : Path
        The HTML file.
    title : str
        What was shot.
    rows : RangeRows, optional
        What the surface was fitted to.
    surface : Surface, optional
        Without one, the page has the tracks alone.
    session : Session, optional
        Without one, the page has the surface alone.
    symmetry : Symmetry, optional
        Of two orientations.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    write_text(path, range_html(title, rows, surface, session, symmetry))


def range_html(
    title: str,
    rows: RangeRows | None,
    surface: Surface | None,
    session: Session | None = None,
    symmetry: Symmetry | None = None,
) -> str:
    """Return the page; see `write_range_page`.

    Parameters
    ----------
    title, rows, surface, session, symmetry
        As `write_range_page` takes them.
    """
    data: dict[str, Any] = {"launches": [], "surface": None}
    tables: list[Section] = []
    said = []
    if session:
        data["launches"] = list(_launches(session))
        tables += session_sections(session)
        said.append(f"{len(session.reduction.speed)} launches, each fitted on its whole track")
    if surface and rows:
        data["surface"] = _surface(surface, rows)
        tables += surface_sections(surface, rows, symmetry)
        said.append(f"drag and lift from {len(rows.launch)} rows, with their errors everywhere")
    words = {
        "title": "Indoor range",
        "question": escape(title),
        "skip": "range",
        "switch": "",
        "summary": escape(f"{'; '.join(said)}."),
        "tables": "".join(map(_table, in_chosen_units(tables))),
        "data": json_for_html(data),
    }
    return filled("range.html", ("charts.js", "range_charts.js", "range.js"), words)


def _launches(session: Session) -> Iterator[dict[str, Any]]:
    """Yield each launch: its facts, and readings as [x, y, deviations along, up, right, used]."""
    r, errors = session.reduction, session.errors
    for i, name in enumerate(r.tracks.launch):
        there = np.isfinite(r.tracks.position[i, :, 0])
        off = r.tracks.position[i] - r.fit.path[i]
        readings = [
            [
                _short(r.tracks.position[i, j, 0]),
                _short(r.tracks.position[i, j, 1]),
                *(_short(1e3 * v) for v in off[j]),
                bool((r.used[i, j] | np.isnan(r.tracks.position[i, j])).all()),
            ]
            for j in np.flatnonzero(there)
        ]
        path = [[_short(v) for v in r.fit.path[i, j, :2]] for j in np.flatnonzero(there)]
        yield {
            "name": name,
            "ball": " ".join(filter(None, (r.tracks.ball[i], r.tracks.orientation[i]))),
            "reynolds": plain(r.reynolds[i]),
            "spin_ratio": plain(r.spin_ratio[i]),
            "speed": plain(r.speed[i]),
            "drag": [plain(r.drag[i]), plain(errors[i, 0])],
            "lift": [plain(r.lift[i]), plain(errors[i, 1])],
            "readings": readings,
            "path": path,
        }


def _surface(surface: Surface, rows: RangeRows) -> dict[str, Any]:
    """Return lines of the surface with their standard deviations, and what rows are off it."""
    by_re = [_line(surface, _OVER_RE, np.full(_OVER_RE.shape, s)) for s in _SPIN_RATIOS]
    by_s = [_line(surface, np.full(_OVER_S.shape, re), _OVER_S) for re in _REYNOLDS]
    r = rows.rows
    drag, lift = surface.coefficients(r.reynolds, r.spin_ratio)
    left = (r.drag - drag, r.drag_error, r.lift - lift, r.lift_error)
    cells = zip(r.reynolds, r.spin_ratio, *left, strict=True)
    return {
        "reynolds": [_short(v / 1e5) for v in _OVER_RE],
        "spin_ratios": [_short(v) for v in _OVER_S],
        "at_spin_ratio": list(_SPIN_RATIOS),
        "at_reynolds": [_short(v / 1e5) for v in _REYNOLDS],
        "by_reynolds": by_re,
        "by_spin_ratio": by_s,
        "rows": [[_short(re / 1e5), *map(_short, rest)] for re, *rest in cells],
        "names": list(rows.launch),
    }


def _line(surface: Surface, re: Any, s: Any) -> dict[str, list[float | None]]:
    (drag, lift), (drag_sd, lift_sd) = surface.coefficients(re, s), surface.standard_errors(re, s)
    columns = {
        "drag": drag,
        "drag_sd": drag_sd,
        "lift": lift,
        "lift_sd": lift_sd,
        "outside": surface.outside(re, s),
    }
    return {name: [_short(v) for v in values] for name, values in columns.items()}


def _short(value: float) -> float | None:
    found = plain(value)
    return None if found is None else round(found, _DIGITS)


def _table(section: Section) -> str:
    """Write a section as HTML: a heading, a table that scrolls by itself, sentences."""
    title = escape(section.title)
    parts = [f"<h3>{title}</h3>"]
    if section.columns:
        heads = "".join(
            f'<th scope="col"{" class=n" if c.right else ""}>{escape(c.title)}</th>'
            for c in section.columns
        )
        body = "".join(
            "<tr>"
            + "".join(
                f"<td{' class=n' if c.right else ''}>{escape(cell).replace('-', '−')}</td>"
                if c.right
                else f"<td>{escape(cell)}</td>"
                for c, cell in zip(section.columns, row, strict=True)
            )
            + "</tr>\n"
            for row in section.rows
        )
        parts.append(
            f'<div class="scroll" tabindex="0" role="region" aria-label="{title}: table"><table>'
            f'<caption class="spoken">{title}</caption>'
            f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table></div>"
        )
    parts += [f'<p class="note">{escape(note)}</p>' for note in section.notes]
    return "".join(parts)
