"""A surface of drag and lift, a symmetry screen and the next shots, as tables and plain data."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from layers.range.next_shots import Plan
from layers.range.rows_file import RangeRows
from layers.range.surface import Surface
from layers.range.symmetry import Difference, Symmetry
from optimize.report.tables import Section, columns, number, signed

# Where a surface is tabulated.
REYNOLDS = (0.6e5, 0.9e5, 1.2e5, 1.5e5, 1.8e5, 2.1e5)
SPIN_RATIOS = (0.03, 0.08, 0.15, 0.25, 0.4)
# A row that the others miss by more is named.
_APART = 3.5
_RPM = 30.0 / np.pi


def surface_sections(
    surface: Surface, rows: RangeRows, symmetry: Symmetry | None = None
) -> list[Section]:
    """Tabulate a surface: forms compared, values with errors, rows apart, what it cannot tell.

    Parameters
    ----------
    surface : Surface
        Fitted to `rows`.
    rows : RangeRows
        With the names of launches.
    symmetry : Symmetry, optional
        Of two orientations.
    """
    sections = [_forms(surface), _values(surface)]
    apart = rows_apart(surface, rows)
    if apart:
        sections.append(Section("Rows apart", notes=tuple(apart)))
    if symmetry:
        sections.append(_symmetry(symmetry))
    cannot = (*cannot_tell(surface), *rows.warnings)
    if cannot:
        sections.append(Section("What these rows cannot tell", notes=cannot))
    return sections


def _forms(surface: Surface) -> Section:
    rows = []
    for coefficient, chosen in (("drag", surface.drag), ("lift", surface.lift)):
        for process in surface.rivals[coefficient]:
            rows.append(
                (
                    coefficient,
                    process.form.name,
                    f"{process.left_out_rms:.4f}",
                    f"{process.score:.2f}",
                    f"{process.scatter:.4f}",
                    f"{process.inflation:.2f}",
                    "chosen" if process is chosen else "",
                )
            )
    heads = columns(
        "coefficient",
        "~form",
        ">left-out error",
        ">log density",
        ">scatter of rows",
        ">errors inflated by",
        "result",
    )
    note = (
        "Each row is predicted from all others: root mean square error, and mean log density of "
        "the row, which decides. Scatter is what rows have beyond their own standard errors."
    )
    return Section("Forms compared", heads, tuple(rows), (note,))


def _values(surface: Surface) -> Section:
    rows = []
    for reynolds in REYNOLDS:
        re, s = np.full(len(SPIN_RATIOS), reynolds), np.array(SPIN_RATIOS)
        values, errors = surface.coefficients(re, s), surface.standard_errors(re, s)
        for i, outside in enumerate(surface.outside(re, s)):
            cells = [
                text
                for value, error in zip(values, errors, strict=True)
                for text in (number(value[i], error[i]), number(error[i], error[i]))
            ]
            far = f"{outside:.1f}" if outside > 0.0 else ""
            rows.append((f"{reynolds / 1e5:.1f}", f"{s[i]:.2f}", *cells, far))
    heads = columns(">Re, 1e5", ">S", ">CD", ">±", ">CL", ">±", ">outside")
    note = (
        "± is one standard deviation. Outside: how far from the rows, in units of 1e5 of Reynolds "
        "number or 0.1 of spin ratio; there the surface is an extrapolation towards a published "
        "law."
    )
    return Section("Surface", heads, tuple(rows), (note,))


def rows_apart(surface: Surface, rows: RangeRows) -> list[str]:
    """Name rows that the others miss by far; none is left out."""
    found = []
    for name, process in (("drag", surface.drag), ("lift", surface.lift)):
        for i in np.flatnonzero(np.abs(process.left_out_z) > _APART):
            launch = f" (launch {rows.launch[i]})" if rows.launch[i] else ""
            found.append(
                f"Row {rows.lines[i]}{launch}: {name} is {abs(process.left_out_z[i]):.1f} standard "
                "deviations from what the other rows predict; it is kept."
            )
    return found


def cannot_tell(surface: Surface) -> list[str]:
    """Say in sentences what the conditions of the rows leave to the prior."""
    rows, said = surface.rows, []
    count = len(rows.reynolds)
    if count < 5:
        said.append(
            f"{count} row{'s' * (count != 1)}: scatter and smoothness are those of the prior, a "
            "judgement, and away from the rows the surface is a published law moved to them."
        )
    if np.ptp(rows.reynolds) < 0.02 * rows.reynolds.mean():
        said.append(
            "All rows are at one Reynolds number: how drag and lift change with it is a published "
            "law's, with the spread of published laws as its error."
        )
    ratios = np.unique(np.round(rows.spin_ratio, 2))
    if len(ratios) == 1:
        said.append(
            "All rows are at one spin ratio: how drag and lift change with it is a published "
            "law's, with the spread of published laws as its error."
        )
    elif len(ratios) == 2:
        said.append(
            "The rows are at two spin ratios: how drag and lift bend between and beyond them is a "
            "published law's."
        )
    elif len(surface.domain.corners) < 3:
        said.append("The rows lie on one line: across it the surface is a published law's.")
    return said


def _symmetry(symmetry: Symmetry) -> Section:
    first, second = symmetry.names
    rows = tuple(
        (name, signed(d.value, d.error), number(d.error, d.error), _verdict(d))
        for name, d in (("drag", symmetry.drag), ("lift", symmetry.lift))
    )
    notes = [
        f"Mean difference of {second} ({symmetry.counts[1]} rows) less {first} "
        f"({symmetry.counts[0]} rows), wherever each was shot; ± is one standard error."
    ]
    if symmetry.outside > 0.5:
        notes.append(
            f"Some rows of {second} are {symmetry.outside:.1f} units outside those of {first}: "
            "shoot both at the same conditions."
        )
    heads = columns("coefficient", ">difference", ">±", "~result")
    return Section("Symmetry screen", heads, rows, tuple(notes))


def _verdict(difference: Difference) -> str:
    if difference.differs:
        return "differs"
    return f"no difference beyond {1.96 * difference.error:.4f} (95 %)"


def surface_record(
    surface: Surface, rows: RangeRows, symmetry: Symmetry | None = None
) -> dict[str, Any]:
    """Return a surface as plain data, over the conditions of the printed table.

    Parameters
    ----------
    surface : Surface
        Fitted to `rows`.
    rows : RangeRows
        With the names of launches.
    symmetry : Symmetry, optional
        Of two orientations.
    """
    re, s = (g.ravel() for g in np.meshgrid(REYNOLDS, SPIN_RATIOS, indexing="ij"))
    cells = np.column_stack(
        [
            re,
            s,
            *surface.coefficients(re, s),
            *surface.standard_errors(re, s),
            surface.outside(re, s),
        ]
    )
    names = (
        "reynolds",
        "spin_ratio",
        "drag_coefficient",
        "lift_coefficient",
        "drag_standard_deviation",
        "lift_standard_deviation",
        "outside",
    )
    return {
        "rows": len(surface.rows.reynolds),
        "forms": [
            {
                "coefficient": coefficient,
                "form": process.form.name,
                "left_out_error": process.left_out_rms,
                "log_density": process.score,
                "scatter": process.scatter,
                "inflation": process.inflation,
                "chosen": process is chosen,
            }
            for coefficient, chosen in (("drag", surface.drag), ("lift", surface.lift))
            for process in surface.rivals[coefficient]
        ],
        "surface": [dict(zip(names, map(float, row), strict=True)) for row in cells],
        "hull": surface.domain.corners.tolist(),
        "rows_apart": rows_apart(surface, rows),
        "cannot_tell": [*cannot_tell(surface), *rows.warnings],
        "symmetry": None if symmetry is None else _symmetry_record(symmetry),
    }


def _symmetry_record(symmetry: Symmetry) -> dict[str, Any]:
    found: dict[str, Any] = {
        "orientations": list(symmetry.names),
        "rows": list(symmetry.counts),
        "outside": symmetry.outside,
    }
    for name, d in (("drag", symmetry.drag), ("lift", symmetry.lift)):
        found[name] = {"difference": d.value, "standard_error": d.error, "differs": d.differs}
    return found


def plan_sections(plan: Plan, names: Sequence[str]) -> list[Section]:
    """Tabulate the next shots and what they leave of each flight's error.

    Parameters
    ----------
    plan : Plan
        From `layers.range.next_shots.plan_shots`.
    names : sequence of str
        Of the flights.
    """
    flights = tuple(
        (
            name,
            f"{plan.carry[i]:.1f}",
            f"{plan.carry_sd[i]:.2f}",
            f"{plan.shots[-1].carry_sd[i]:.2f}",
            f"{100.0 * plan.outside_share[i]:.0f}",
        )
        for i, name in enumerate(names)
    )
    shots = tuple(
        (
            str(k),
            f"{shot.speed:.0f}",
            f"{shot.spin * _RPM:.0f}",
            f"{shot.reynolds / 1e5:.2f}",
            f"{shot.spin_ratio:.3f}",
            f"{shot.outside:.1f}" if shot.outside > 0.0 else "",
            *(f"{sd:.2f}" for sd in shot.carry_sd),
        )
        for k, shot in enumerate(plan.shots, start=1)
    )
    after = tuple(f">± {name}, m" for name in names)
    note = (
        "Each shot takes most off the sum of the carries' variances, after those before it. ± is "
        "one standard error of carry that the surface leaves. A new row is taken to scatter by "
        f"{plan.row_sd[0]:.4f} in CD and {plan.row_sd[1]:.4f} in CL, as the rows so far. Speed and "
        "spin are those at the middle of the track."
    )
    return [
        Section(
            "Flights",
            columns("~flight", ">carry, m", ">± now, m", ">± after, m", ">outside rows, %"),
            flights,
            ("Outside rows: share of the change in carry by conditions that no row surrounds.",),
        ),
        Section(
            "Next shots",
            columns(">shot", ">speed, m/s", ">spin, rpm", ">Re, 1e5", ">S", ">outside", *after),
            shots,
            (note,),
        ),
    ]


def plan_record(plan: Plan, names: Sequence[str]) -> dict[str, Any]:
    """Return the next shots as plain data.

    Parameters
    ----------
    plan : Plan
        From `layers.range.next_shots.plan_shots`.
    names : sequence of str
        Of the flights.
    """
    return {
        "flights": [
            {
                "flight": name,
                "carry_m": float(plan.carry[i]),
                "standard_error_m": float(plan.carry_sd[i]),
                "standard_error_after_m": float(plan.shots[-1].carry_sd[i]),
                "outside_share": float(plan.outside_share[i]),
            }
            for i, name in enumerate(names)
        ],
        "shots": [
            {
                "speed_m_s": shot.speed,
                "spin_rpm": shot.spin * _RPM,
                "reynolds": shot.reynolds,
                "spin_ratio": shot.spin_ratio,
                "outside": shot.outside,
                "carry_standard_errors_m": shot.carry_sd.tolist(),
            }
            for shot in plan.shots
        ],
    }
