"""The command line's part for tolerances: orbwright tolerance."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.lab import BallFile
from optimize.commands.options import (
    AsJson,
    DeviceName,
    Workers,
    computing_with,
    cores,
    read_balls,
)

if TYPE_CHECKING:
    from optimize.tolerance.limits import Limit
    from optimize.tolerance.nominal import Recentred
    from optimize.tolerance.pass_rates import Tolerance

tolerance_app = typer.Typer()

_OFF_A_SWING = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "carry_m")

ProcessFile = Annotated[
    Path | None,
    typer.Option(metavar="P.toml", help="the lab's tolerances and, in [scatter.core], its scatter"),
]
ScatterFile = Annotated[
    Path | None,
    typer.Option(metavar="S.toml", help="the scatter alone, by [core], [mantle], [cover]"),
]
Figures = Annotated[
    list[str] | None,
    typer.Option(
        "--figure",
        "-f",
        metavar="NAME",
        help="only this figure; may be given several times. [default: all of the ball]",
    ),
]
Limits = Annotated[
    list[str] | None,
    typer.Option(metavar="FIGURE>=X", help="a further limit, >= or <=; may be given several times"),
]
Windows = Annotated[bool, typer.Option("--windows", help="also the windows of the prototype sheet")]
Rules = Annotated[str, typer.Option(metavar="NAME", help="the rule set, or 'none'")]
Samples = Annotated[int, typer.Option(min=100, max=1_000_000, metavar="N", help="number of pieces")]
Seed = Annotated[int, typer.Option(min=0, metavar="N", help="same seed, same pieces")]
Yield = Annotated[
    float | None,
    typer.Option(
        "--yield", metavar="SHARE", help="re-centre the nominal for this yield, such as 0.99"
    ),
]
Swings = Annotated[
    list[str] | None,
    typer.Option(
        "--swing",
        metavar="NAME",
        help="also ball speed, launch angle, spin and carry off this swing",
    ),
]
CalibrationFile = Annotated[
    Path | None,
    typer.Option(
        metavar="C.toml",
        help="calibrated materials; what it leaves uncertain is common to all pieces",
    ),
]
AsCsv = Annotated[bool, typer.Option("--csv", help="print CSV, a row for each figure and limit")]
AsMarkdown = Annotated[bool, typer.Option("--markdown", help="print Markdown tables")]


@tolerance_app.command(short_help="Process scatter: figures, yield, re-centred nominal.")
def tolerance(
    ball: BallFile,
    process: ProcessFile = None,
    scatter: ScatterFile = None,
    figure: Figures = None,
    limit: Limits = None,
    windows: Windows = False,
    rules: Rules = "present",
    samples: Samples = 10_000,
    seed: Seed = 0,
    wanted: Yield = None,
    swing: Swings = None,
    calibration: CalibrationFile = None,
    workers: Workers = None,
    device: DeviceName = "cpu",
    as_json: AsJson = False,
    as_csv: AsCsv = False,
    as_markdown: AsMarkdown = False,
) -> None:
    """Draw pieces from the process's scatter: distribution of the figures, yield, what to tighten.

    Lots and the model's error, common to all pieces, give the yield an interval.
    With --yield, also the re-centred nominal. With --device gpu every piece's impacts are computed,
    in place of a surrogate; what to tighten and the re-centred nominal stay by the surrogate.

    Example: orbwright tolerance ball.toml --process lab.toml --windows --yield 0.95
    """
    from layers.conditions import Conditions
    from layers.figures import BALL_FIGURES
    from optimize.calibration.calibrated import (
        calibrated_build,
        calibrated_estimate,
        read_calibration,
    )
    from optimize.compute.card import OnCard
    from optimize.compute.pool import mapping
    from optimize.lab.process import Process, read_process
    from optimize.lab.scatter import read_scatter
    from optimize.report.words import use_currency_of
    from optimize.tolerance import pass_rates
    from optimize.tolerance.exact import is_balance
    from optimize.tolerance.limits import sheet_windows
    from optimize.tolerance.nominal import recentre
    from optimize.tolerance.study import study, with_levels

    if as_json + as_csv + as_markdown > 1:
        raise InputError("--json, --csv and --markdown cannot go together; choose one.")
    (build,) = read_balls([ball])
    lab = read_process(process) if process else Process()
    use_currency_of(lab)
    limits = _limits(limit, rules)
    _check_yield(wanted, bool(limits or windows))
    names = [*(figure or ([] if swing else BALL_FIGURES)), *(one.figure for one in limits)]
    names += [f"{one}.{what}" for one in swing or () for what in _OFF_A_SWING]
    calibrated = read_calibration(calibration) if calibration else None
    computing = computing_with(workers, None, device)
    if calibrated and isinstance(computing, OnCard):
        raise InputError("--device gpu computes pieces as cards are: leave --calibration out.")
    with mapping(workers or cores(), Conditions().in_double()) as mapper:
        if windows:
            limits += sheet_windows(build, lab, mapper)
            names += [one.figure for one in limits]
        tell_of_compiling([name for name in names if not is_balance(name)], "double")
        own = read_scatter(scatter) if scatter else lab.scatter
        if calibrated:
            found = study(calibrated_build(calibrated, build), names, own, seed, mapper)
            levels = calibrated_estimate(calibrated, build, tuple(found.nominal), mapper=mapper)
            found = with_levels(found, levels.figures)
        else:
            found = study(build, names, own, seed, mapper)
        if isinstance(computing, OnCard):
            from optimize.tolerance.direct import computed

            with computing.computing(Conditions().in_double()) as compute:
                found = computed(found, samples, seed, compute)
        drawn = pass_rates.tolerance(found, limits, samples, seed)
        recentred = None
        if wanted is not None:
            pieces = pass_rates.draws_of(found, samples, seed)
            recentred = recentre(found, limits, pieces, wanted, mapper)
    _print(
        drawn, recentred, "json" if as_json else "csv" if as_csv else "md" if as_markdown else ""
    )


def _limits(given: list[str] | None, rules: str) -> "list[Limit]":
    from layers.rules.screen import rule_set
    from optimize.tolerance.limits import parse_limit, rule_limits

    limits = [parse_limit(text) for text in given or ()]
    return limits if rules == "none" else [*limits, *rule_limits(rule_set(rules))]


def _check_yield(wanted: float | None, limited: bool) -> None:
    if wanted is None:
        return
    if not 0.0 < wanted < 1.0:
        raise InputError(f"--yield is {wanted:g}, but must be above 0 and below 1.")
    if not limited:
        raise InputError("--yield needs a --limit, --windows or --rules.")


def _print(drawn: "Tolerance", recentred: "Recentred | None", form: str) -> None:
    from optimize.report.tables import markdown
    from optimize.report.tolerance import tolerance_sections
    from optimize.report.tolerance_record import tolerance_csv, tolerance_record
    from optimize.report.trade_columns import csv_in_chosen_units

    if form == "json":
        print_json(tolerance_record(drawn, recentred))
    elif form == "csv":
        say(csv_in_chosen_units(tolerance_csv(drawn)).rstrip("\n"), sys.stdout)
    else:
        sections: list[Any] = tolerance_sections(drawn, recentred)
        name = drawn.study.ball.name
        if form == "md":
            say(markdown(sections, name).rstrip("\n"), sys.stdout)
        else:
            print_sections(sections, name)
