"""The command line's balls: `orbwright estimate` and `compare`."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.impact import Energy, Picture, Shade, SwingNames, figures_of, look, record_of
from optimize.commands.options import (
    AsJson,
    BallFile,
    ConditionsFile,
    FigureNames,
    PrecisionName,
    ProcessFile,
    SwingsFile,
    conditions_with,
    precision_of,
    read_balls,
)

if TYPE_CHECKING:
    from layers.ball import Ball
    from layers.conditions import Conditions
    from layers.estimates import Difference, Estimate
    from layers.rules.overall_distance import DistanceTest
    from layers.rules.screen import RuleSet

balls_app = typer.Typer()

Drawing = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="also draw the cross-section; ends in .svg or .png"),
]


Stage = Annotated[
    str | None,
    typer.Option(
        metavar="N|all",
        help="a stage of the build instead of the ball: its innermost N layers; "
        "'all' gives every stage",
    ),
]
Rules = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="screen the ball against this rule set; 'none' for no screen. "
        "[default: present, unless --figure or --stage N is given]",
    ),
]
CalibrationFile = Annotated[
    Path | None,
    typer.Option(metavar="C.toml", help="calibrated materials, from 'orbwright calibrate --out'"),
]
DistanceTestName = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="also screen the ball against this overall-distance test: present or revised",
    ),
]


@balls_app.command(short_help="Figures of one ball: mass, MOI, deflection, COR, spin ...")
def estimate(
    ball: BallFile,
    figure: FigureNames = None,
    stage: Stage = None,
    rules: Rules = None,
    calibration: CalibrationFile = None,
    distance_test: DistanceTestName = None,
    swings: SwingsFile = None,
    conditions: ConditionsFile = None,
    process: ProcessFile = None,
    precision: PrecisionName = None,
    as_json: AsJson = False,
    drawing: Drawing = None,
    energy: Energy = False,
    picture: Picture = None,
    swing: SwingNames = None,
    shade: Shade = None,
) -> None:
    """Estimate one ball: mass, moment of inertia, deflection, impact speed ratio and more.

    Every figure comes with its basis and its error, between builds and absolute.

    Example: orbwright estimate my_ball.toml --stage all --drawing my_ball.svg
    """
    from layers.rules.screen import screen
    from optimize.report import ball as report

    asked = look(energy, picture, swing, shade)
    if calibration and (energy or picture):
        raise InputError("--calibration cannot go with --energy or --picture; leave one out.")
    (build,) = read_balls([ball])
    chosen = _rules(rules, default=not figure and stage in (None, "all"))
    distance = _distance_test(distance_test, calibration) if distance_test else None
    given = conditions_with(swings, process, conditions, precision_of(precision))
    names = _stage_names(build, figure, stage, figures_of(asked, given))
    if chosen:
        names = list(dict.fromkeys([*names, *(limit.figure for limit in chosen.limit)]))
    if drawing:
        from optimize.report.pictures.section import draw_ball, save

        save(draw_ball(build), drawing)
        say(f"Drawing written to {drawing}.")
    recorded = record_of(asked, build, given)
    if calibration:
        result = _calibrated(build, names, calibration, given)
    else:
        result = _estimates([build], names, given)[0]
    margins = screen(result, chosen) if chosen else ()
    record = report.estimate_record(result, chosen, margins) if as_json else {}
    sections = report.estimate_sections(result, chosen, margins)
    if conditions:
        from optimize.report import flight_errors as errors

        of_flights = errors.flight_errors(result, given)
        record["flight_errors"] = errors.flight_errors_record(of_flights)
        sections[-1:-1] = errors.flight_errors_sections(of_flights)
    if distance:
        from layers.rules.overall_distance import screen_ball
        from optimize.report.overall_distance import distance_record, distance_section

        launch, flown = screen_ball(build, distance, given.law_of(build.dimple_pattern))
        record["distance_screen"] = distance_record(launch, flown, distance)
        sections.insert(-1, distance_section(launch, flown, distance))
    if recorded and energy:
        from optimize.report.impact import energy_sections, impact_record

        record["energy"] = impact_record(recorded, build)
        sections[-1:-1] = energy_sections(recorded, build)
    if as_json:
        print_json(record)
    else:
        print_sections(sections, build.name)


def _rules(name: str | None, default: bool) -> "RuleSet | None":
    """Find the rule set of this name; where none is named, the present one or none."""
    from layers.rules.screen import rule_set

    wanted = name or ("present" if default else "none")
    return None if wanted == "none" else rule_set(wanted)


def _distance_test(name: str, calibration: Path | None) -> "DistanceTest":
    """Find the test before anything is computed."""
    from layers.rules.overall_distance import distance_test

    if calibration:
        raise InputError("--distance-test and --calibration cannot go together; choose one.")
    return distance_test(name)


def _stage_names(
    build: "Ball", figures: Sequence[str] | None, stage: str | None, of_swings: Sequence[str]
) -> list[str]:
    """Return the canonical names of the figures wanted, with their stages and swings."""
    from layers.figures import BALL_FIGURES, QUANTITIES, canonical, parse_figure

    asked = canonical([*(figures or BALL_FIGURES), *of_swings])
    count = len(build.layer)
    if stage is None or (stage == str(count) and stage.isdecimal()):
        return asked
    known = [str(n) for n in range(1, count + 1)]
    if stage != "all" and stage not in known:
        raise InputError(f"--stage is {stage!r}, but must be from 1 to {count}, or all.")
    whole = [name for name in asked if QUANTITIES[parse_figure(name).quantity].of != "body"]
    if any(parse_figure(name).stage for name in asked) or (stage != "all" and whole):
        raise InputError(
            "--stage cannot go together with --swing, or a figure of a swing or with its own stage."
        )
    if stage != "all":
        return [f"stage{stage}.{name}" for name in asked]
    staged = [name for name in asked if name not in whole]
    return [f"stage{n}.{name}" for n in known[:-1] for name in staged] + asked


def _estimates(
    balls: "Sequence[Ball]", names: Sequence[str], conditions: "Conditions"
) -> "list[Estimate]":
    """Estimate the balls; say first if code has to be compiled."""
    from layers.estimation import estimate

    _check_and_tell(names, conditions)
    return [estimate(ball, names, conditions) for ball in balls]


def _check_and_tell(names: Sequence[str], conditions: "Conditions") -> None:
    """Refuse unknown swings before any code is compiled."""
    from layers.figures import parse_figure
    from layers.strike.swings import check_owner

    for name in names:
        check_owner(parse_figure(name), conditions.swings)
    tell_of_compiling(names, conditions.precision)


def _calibrated(
    build: "Ball", names: Sequence[str], path: Path, conditions: "Conditions"
) -> "Estimate":
    """Estimate a ball with calibrated materials; figures outside the calibration are flagged."""
    from optimize.calibration.calibrated import calibrated_estimate, read_calibration

    known = read_calibration(path)
    _check_and_tell(names, conditions)
    return calibrated_estimate(known, build, names, conditions)


@balls_app.command(short_help="Compare two to four balls side by side.")
def compare(
    balls: Annotated[
        list[Path],
        typer.Argument(metavar="BALL.toml", help="two to four balls, the reference first"),
    ],
    figure: FigureNames = None,
    calibration: CalibrationFile = None,
    swings: SwingsFile = None,
    conditions: ConditionsFile = None,
    process: ProcessFile = None,
    as_json: AsJson = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="print CSV, a row for each ball and figure")
    ] = False,
    drawing: Drawing = None,
) -> None:
    """Compare two to four balls side by side; the first is the reference.

    A difference is shown only above the model's resolution; '≈' marks one below it. With
    --calibration the builds share its posterior, which parts them better than their own errors.

    Example: orbwright compare now.toml new.toml -f deflection_mm -f cor
    """
    from layers.figures import BALL_FIGURES, canonical
    from optimize.report import comparison
    from optimize.report.trade_columns import csv_in_chosen_units

    if not 2 <= len(balls) <= 4:
        raise InputError(f"compare takes two to four balls, not {len(balls)}.")
    if as_json and as_csv:
        raise InputError("--json and --csv cannot go together; choose one.")
    builds = read_balls(balls)
    if drawing:
        from optimize.report.pictures.section import draw_balls, save

        titles = [f"{letter}: {b.name}" for letter, b in zip("ABCD", builds, strict=False)]
        save(draw_balls(builds, titles), drawing)
        say(f"Drawing written to {drawing}.")
    names = canonical(figure or BALL_FIGURES)
    given = conditions_with(swings, process, conditions)
    if calibration:
        results, steps = _calibrated_comparison(builds, names, calibration, given)
    else:
        results = _estimates(builds, names, given)
        steps = comparison.from_first(results)
    if as_json:
        print_json(comparison.comparison_record(results, steps))
    elif as_csv:
        text = csv_in_chosen_units(comparison.comparison_csv(results, steps))
        say(text.rstrip("\n"), sys.stdout)
    else:
        print_sections(comparison.comparison_sections(results, steps))


def _calibrated_comparison(
    builds: "Sequence[Ball]", names: Sequence[str], path: Path, conditions: "Conditions"
) -> "tuple[list[Estimate], list[dict[str, Difference]]]":
    """Estimate balls by one calibration, and the differences of the others from the first."""
    from optimize.calibration.calibrated import calibrated_differences, read_calibration

    known = read_calibration(path)
    _check_and_tell(names, conditions)
    pairs = [
        calibrated_differences(known, builds[0], other, names, conditions) for other in builds[1:]
    ]
    return [pairs[0][0], *(other for _, other, _ in pairs)], [steps for _, _, steps in pairs]
