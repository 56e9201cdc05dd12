"""The command line's part for calibration: orbwright calibrate and orbwright next."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.noted import Done, LedgerToNote, note_files, refuse_missing
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    LedgerFile,
    Who,
    Workers,
    cores,
    existing,
    read_balls,
)

if TYPE_CHECKING:
    from layers.ball import Ball
    from optimize.lab.readings import Measurements

calibration_app = typer.Typer()

Candidates = Annotated[
    list[Path] | None, typer.Argument(metavar="BALL.toml", help="candidates, unless --run is given")
]
Budget = Annotated[int, typer.Option("--budget", "-n", min=1, metavar="N", help="number of builds")]
FromRun = Annotated[
    str | None, typer.Option(metavar="RUN", help="use a finished run's short list and goals")
]
Goals = Annotated[
    list[str] | None,
    typer.Option(
        metavar="FIGURE",
        help="figure whose uncertainty to reduce; may be given several times. "
        "[default: the run's goals that can be measured; or deflection_mm and cor]",
    ),
]
Criterion = Annotated[str, typer.Option(metavar="both|figures|materials", help="the criterion")]
CalibrationFile = Annotated[
    Path | None, typer.Option(metavar="C.toml", help="the present calibration")
]
PiecesMeasured = Annotated[
    int, typer.Option(min=1, max=100, metavar="N", help="pieces measured of each stage")
]


@calibration_app.command(short_help="Calibrate materials and model on measurements.")
def calibrate(
    balls: Annotated[
        list[Path], typer.Argument(metavar="BALL.toml", help="the builds that were measured")
    ],
    measurements: Annotated[
        list[Path],
        typer.Option(
            metavar="M.csv",
            help="readings: build, stage, figure, unit, value, replicate; or a filled-in prototype "
            "sheet; may be given several times",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="C.toml", help="write the calibration to this file")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="plot predicted against measured; .svg or .png"),
    ] = None,
    drop_outliers: Annotated[
        bool, typer.Option("--drop-outliers", help="exclude the readings flagged as outliers")
    ] = False,
    workers: Workers = None,
    ledger: LedgerToNote = None,
    who: Who = None,
) -> None:
    """Calibrate cards of materials, and the model discrepancy, on the lab's measurements.

    A file with a fault is refused. Outliers are flagged, and used unless --drop-outliers is
    given. 'orbwright estimate BALL.toml --calibration C.toml' uses the result. With --ledger, the
    history of each build has its files of readings and the calibration.

    Example: orbwright calibrate k1.toml k2.toml --measurements lab.csv --out lab.toml
    """
    from layers.conditions import Conditions
    from optimize.calibration.calibrate import calibrate as calibrated
    from optimize.calibration.calibrated import calibration_toml
    from optimize.compute.pool import mapping
    from optimize.lab.measurements import read_measurements
    from optimize.lab.outliers import outliers
    from optimize.report.calibration import calibration_sections

    refuse_missing(ledger)
    builds = read_balls(balls)
    readings = read_measurements(measurements, builds)
    if drop_outliers:
        readings = readings.without([o.reading for o in outliers(readings)])
    tell_of_compiling({r.figure for r in readings.reading}, "double")
    with mapping(workers or cores(), Conditions().in_double()) as mapper:
        found = calibrated(builds, readings, mapper=mapper)
    if out:
        write_text(out, calibration_toml(found))
        say(f"Calibration written to {out}.")
    if plot:
        from optimize.report.pictures.calibration import draw_calibration
        from optimize.report.pictures.section import save

        save(draw_calibration(found), plot)
        say(f"Plot written to {plot}.")
    print_sections(calibration_sections(found), found.title)
    if ledger:
        note_files(ledger, who, _files_of(builds, readings, measurements, out))


def _files_of(
    builds: "list[Ball]", readings: "Measurements", files: list[Path], out: Path | None
) -> Iterator[Done]:
    """Yield each build with the files that have readings of it, and with the calibration."""
    for ball in builds:
        places = [r.place for r in readings.reading if r.build == ball.name]
        for path in files:
            if any(place.startswith(f"{path.name} row ") for place in places):
                yield "measured", ball, path.name, path.read_bytes()
        if out and places:
            yield "calibrated", ball, out.name, out.read_bytes()


@calibration_app.command("next", short_help="Choose the most informative prototypes.")
def next_builds(
    balls: Candidates = None,
    budget: Budget = 2,
    run: FromRun = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    goal: Goals = None,
    about: Criterion = "both",
    calibration: CalibrationFile = None,
    pieces: PiecesMeasured = 6,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Choose the candidates whose measurements reduce uncertainty most, with reasons.

    Example: orbwright next a.toml b.toml c.toml --budget 2 --calibration lab.toml
    """
    from typing import get_args

    from layers.conditions import Conditions
    from optimize.calibration.calibrated import read_calibration
    from optimize.calibration.linearised import About
    from optimize.calibration.next_round import BALL_PLAN, GOALS, STAGE_PLAN, next_round
    from optimize.compute.pool import mapping
    from optimize.report import lab as labreport

    if about not in get_args(About):
        raise InputError(f"--about is {about!r}, but must be one of: {', '.join(get_args(About))}.")
    if bool(balls) == bool(run):
        raise InputError("next needs candidates as BALL.toml files, or a --run, not both.")
    candidates, goals = read_balls(balls or ()), list(GOALS)
    if run:
        candidates, goals = _short_list(run, ledger)
    known = read_calibration(calibration) if calibration else None
    wanted = list(dict.fromkeys(goal or goals))
    tell_of_compiling([*wanted, *STAGE_PLAN, *BALL_PLAN], "double")
    with mapping(workers or cores(), Conditions().in_double()) as mapper:
        chosen = next_round(
            candidates,
            wanted,
            budget,
            known,
            about,  # type: ignore[arg-type]
            pieces,
            mapper=mapper,
        )
    if as_json:
        print_json(labreport.next_round_record(chosen))
    else:
        print_sections(labreport.next_round_sections(chosen))


def _short_list(run: str, ledger: Path) -> "tuple[list[Ball], list[str]]":
    """Return a run's short list, named by its letters, and its measurable goals."""
    from layers.figures import parse_figure
    from optimize.calibration.next_round import GOALS
    from optimize.lab.uncertainty import lab_data
    from optimize.search.run import load_run

    with existing(ledger) as book:
        found = load_run(book, run)
    balls = [m.ball.model_copy(update={"name": f"build {m.label}"}) for m in found.short_list]
    names = [goal.figure for goal in found.scenario.goal]
    goals = [n for n in names if parse_figure(n).quantity in lab_data().figure]
    return balls, goals or list(GOALS)
