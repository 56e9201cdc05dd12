"""The command line's part for the indoor range: `orbwright range reduce`, `surface` and `next`."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.options import AsJson

if TYPE_CHECKING:
    from layers.range.rows_file import RangeRows
    from layers.range.symmetry import Symmetry

# Typical launches, common practice: m/s, deg, rpm.
_USUAL = {
    "driver, fast": (76.0, 10.5, 2550.0),
    "driver, slow": (58.0, 13.0, 3000.0),
    "mid iron": (53.0, 17.0, 6500.0),
}

range_app = typer.Typer(
    no_args_is_help=True,
    short_help="Indoor range: tracks to coefficients, surface, next shots.",
)

RowsFile = Annotated[
    Path, typer.Argument(metavar="ROWS.csv", help="an aerodynamic table, as 'range reduce' writes")
]
BallName = Annotated[
    str, typer.Option(metavar="NAME", help="take the rows of this ball only. [default: all]")
]
PageFile = Annotated[
    Path | None, typer.Option(metavar="P.html", help="write the result as one HTML page")
]
CommonError = Annotated[
    float,
    typer.Option(
        metavar="%",
        min=0.0,
        max=20.0,
        help="error that all rows have in common, as of air density, mass or diameter",
    ),
]


@range_app.callback()
def range_group() -> None:
    """Reduce tracks of an indoor range to drag and lift, fit a surface, choose the next shots."""


@range_app.command("reduce", short_help="Tracks to Reynolds number, spin ratio, drag, lift, decay.")
def reduce(
    tracks: Annotated[
        Path, typer.Argument(metavar="TRACKS.csv", help="a row a reading: launch, time_s, x_m, ...")
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="ROWS.csv", help="write the launches as a table")
    ] = None,
    page: PageFile = None,
    position_sd_mm: Annotated[
        float, typer.Option(metavar="MM", min=0.001, max=50.0, help="error of a position")
    ] = 0.5,
    time_sd_us: Annotated[
        float, typer.Option(metavar="US", min=0.0, max=5000.0, help="error of a time")
    ] = 2.0,
    spin_sd_rpm: Annotated[
        float, typer.Option(metavar="RPM", min=0.1, max=1000.0, help="error of a reading of spin")
    ] = 20.0,
    mark_sd_deg: Annotated[
        float, typer.Option(metavar="DEG", min=0.01, max=60.0, help="error of a mark's angle")
    ] = 2.0,
    climb_sd_deg: Annotated[
        float,
        typer.Option(
            metavar="DEG", min=0.0, max=20.0, help="unknown climb of tracks without heights"
        ),
    ] = 1.0,
    gravity: Annotated[
        float, typer.Option(metavar="M/S2", min=9.7, max=9.9, help="gravity at the place")
    ] = 9.80665,
    drift: Annotated[
        tuple[float, float, float],
        typer.Option(metavar="X Y Z", help="drift of the range's air, m/s: along, up, right"),
    ] = (0.0, 0.0, 0.0),
    keep_outliers: Annotated[
        bool, typer.Option("--keep-outliers", help="name outliers but leave them in the fit")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Fit each launch's track on the equations of motion; print coefficients with standard errors.

    Tracks of cameras and of screens, with or without heights. Outliers are named; both errors of
    the track's length, and checks of gravity, drift and trend are printed. 'range surface' and
    a scenario's aerodynamics_table read what --out writes.

    Example: orbwright range reduce tracks.csv --out rows.csv --page range.html
    """
    from layers.range.session import reduce_session
    from layers.range.tracks import Setup
    from layers.range.tracks_file import read_tracks
    from optimize.report.range_tracks import session_record, session_sections

    if any(abs(speed) > 20.0 for speed in drift):
        raise InputError(f"--drift is {drift}, but each must be from -20 to 20 m/s.")
    setup = Setup(
        position_sd_mm * 1e-3,
        time_sd_us * 1e-6,
        spin_sd_rpm * math.pi / 30.0,
        math.radians(mark_sd_deg),
        math.radians(climb_sd_deg),
        gravity,
        drift,
    )
    session = reduce_session(read_tracks(tracks), setup, tracks.name, keep_outliers)
    if out:
        write_text(out, session.text)
        say(f"{out}: {len(session.text.splitlines()) - 1} rows.")
    if page:
        from optimize.page.range import write_range_page

        write_range_page(page, tracks.stem, session.rows, session.surface, session)
        say(f"{page} written; open it in a browser.")
    count = len(session.reduction.speed)
    if as_json:
        print_json(session_record(session))
    else:
        print_sections(session_sections(session), f"{tracks.name}: {count} launches")


@range_app.command("surface", short_help="Rows to drag and lift over Re and S, with their error.")
def surface(
    rows_file: RowsFile,
    ball: BallName = "",
    page: PageFile = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="P.svg|.png", help="draw drag and lift over Reynolds number"),
    ] = None,
    common_error: CommonError = 0.0,
    as_json: AsJson = False,
) -> None:
    """Fit drag and lift over Reynolds number and spin ratio, with a standard deviation everywhere.

    Any number of rows, at any conditions: what they cannot tell is said. Where the rows have two
    orientations, they are compared (symmetry screen).

    Example: orbwright range surface rows.csv --page surface.html
    """
    from layers.range.surface import fit_surface
    from optimize.report.range_surface import surface_record, surface_sections

    rows = _rows(rows_file, ball)
    fitted = fit_surface(rows.rows, common_error / 100.0, rows_file.name)
    symmetry = _symmetry(rows, rows_file.name)
    if page:
        from optimize.page.range import write_range_page

        write_range_page(page, ball or rows_file.stem, rows, fitted, symmetry=symmetry)
        say(f"{page} written; open it in a browser.")
    if picture:
        from optimize.report.pictures.range import draw_surface
        from optimize.report.pictures.section import save

        save(draw_surface(fitted, ball or rows_file.stem), picture)
        say(f"{picture} written.")
    if as_json:
        print_json(surface_record(fitted, rows, symmetry))
    else:
        heading = f"{rows_file.name}: {len(rows.launch)} rows"
        print_sections(surface_sections(fitted, rows, symmetry), heading)


@range_app.command("next", short_help="Next shots of the range that shrink carry's error most.")
def next_shots(
    rows_file: RowsFile,
    ball: BallName = "",
    launch: Annotated[
        list[str] | None,
        typer.Option(
            metavar="M/S,DEG,RPM",
            help="a flight whose carry matters: speed, angle, spin; may be given several times. "
            "[default: a fast and a slow driver, a mid iron]",
        ),
    ] = None,
    count: Annotated[int, typer.Option(metavar="N", min=1, max=30, help="shots to choose")] = 6,
    as_json: AsJson = False,
) -> None:
    """Choose the launches of the range that would shrink the error of carry most.

    Carry's sensitivity along each flight times the covariance of the surface tells what a row
    anywhere would leave of the error.

    Example: orbwright range next rows.csv --launch 76,10.5,2550 --launch 53,17,6500
    """
    from layers.flight.influence import influence
    from layers.range.next_shots import plan_shots
    from layers.range.surface import fit_surface
    from optimize.report.range_surface import plan_record, plan_sections

    launches = dict(map(_launch, launch)) if launch else _USUAL
    fitted = fit_surface(_rows(rows_file, ball).rows, what=rows_file.name)
    flights = [
        influence(
            speed,
            math.radians(angle),
            spin * math.pi / 30.0,
            mass=0.04593,
            diameter=0.04267,
            law=fitted,
        )
        for speed, angle, spin in launches.values()
    ]
    plan = plan_shots(fitted, flights, count)
    if as_json:
        print_json(plan_record(plan, list(launches)))
    else:
        print_sections(plan_sections(plan, list(launches)), f"{rows_file.name}: next shots")


def _rows(path: Path, ball: str) -> "RangeRows":
    from layers.range.rows_file import read_rows

    rows = read_rows(path)
    balls = sorted({*rows.ball} - {""})
    if not ball and len(balls) > 1:
        raise InputError(
            f"{path.name} has rows of {len(balls)} balls ({', '.join(balls)}): choose one with "
            "--ball NAME."
        )
    return rows.of(ball)


def _symmetry(rows: "RangeRows", what: str) -> "Symmetry | None":
    from layers.range.symmetry import compare_orientations

    named = {*rows.orientation} - {""}
    return compare_orientations(rows, what) if len(named) == 2 else None


def _launch(text: str) -> tuple[str, tuple[float, float, float]]:
    try:
        speed, angle, spin = map(float, text.split(","))
    except ValueError:
        raise InputError(
            f"--launch is {text!r}, but must be speed, angle and spin such as 76,10.5,2550."
        ) from None
    return f"{speed:g} m/s, {angle:g} deg, {spin:g} rpm", (speed, angle, spin)
