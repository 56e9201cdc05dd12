"""The command line: `orbwright estimate`, `compare`, `drivers` and lists; and its one way out.

`optimize.commands.runs` adds `search`, `show` and `export`, `optimize.commands.lab` the lab's.
Nothing heavy is imported here: each command imports what it needs, so that help comes at once.
"""

import errno
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError, OrbwrightError
from optimize.commands.bench import live
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.instruments import instruments
from optimize.commands.lab import lab_app
from optimize.commands.ledger import ledgers
from optimize.commands.options import AsJson, Workers, cores
from optimize.commands.page import page_app
from optimize.commands.runs import runs
from optimize.commands.shares import freedoms_app
from optimize.commands.tolerance import tolerance_app

if TYPE_CHECKING:
    from layers.ball import Ball
    from layers.conditions import Conditions
    from layers.figures import Estimate
    from layers.rules.overall_distance import DistanceTest


BAD_INPUT, CLOSED_PIPE, INTERRUPTED = 2, 141, 130

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

# Commands of its own only so that help lists them last.
lists = typer.Typer()

BallFile = Annotated[Path, typer.Argument(metavar="BALL.toml", help="the ball: a TOML file")]
FigureNames = Annotated[
    list[str] | None,
    typer.Option(
        "--figure",
        "-f",
        metavar="NAME",
        help="compute only this figure; may be given several times. "
        "'orbwright figures' lists the names.",
    ),
]
SwingsFile = Annotated[
    Path | None,
    typer.Option(metavar="FILE.toml", help="your own swings, in place of the shipped ones"),
]
Drawing = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="also draw the cross-section; ends in .svg or .png"),
]


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="print the version and end")] = False,
) -> None:
    """Compute what a layered golf ball does, and search builds worth prototyping.

    A ball is a TOML file of layers, centre outward. Figures come from finite elements, each with
    how far it can be trusted. Results go to standard output, messages to standard error; the exit
    code is 0, 2 if the input cannot be used, or 130 after Ctrl-C.
    """
    if version:
        from optimize.report.ball import version as installed

        say(f"orbwright {installed()}", sys.stdout)
        raise typer.Exit
    if context.invoked_subcommand is None:
        say(context.get_help(), sys.stdout)


@app.command(short_help="Estimate one ball: compression, speed ratio, mass ...")
def estimate(
    ball: BallFile,
    figure: FigureNames = None,
    stage: Annotated[
        str | None,
        typer.Option(
            metavar="N|all",
            help="a stage of the build instead of the ball: its innermost N layers; "
            "'all' gives every stage",
        ),
    ] = None,
    rules: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="screen the ball against this rule set; 'none' for no screen. "
            "[default: present, unless --figure or --stage N is given]",
        ),
    ] = None,
    calibration: Annotated[
        Path | None,
        typer.Option(
            metavar="C.toml", help="calibrated materials, from 'orbwright calibrate --out'"
        ),
    ] = None,
    distance_test: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="also screen the ball against this overall-distance test: present or revised",
        ),
    ] = None,
    swings: SwingsFile = None,
    as_json: AsJson = False,
    drawing: Drawing = None,
) -> None:
    """Estimate one ball: mass, compression, speed ratio, contact time and more.

    Every figure says what it rests on and how far it is trusted, both between builds and by itself.

    Example: orbwright estimate my_ball.toml --stage all --drawing my_ball.svg
    """
    from layers.ball_file import read_ball
    from layers.rules.screen import rule_set, screen
    from optimize.report import ball as report

    build = read_ball(ball)
    if rules is None and not figure and stage in (None, "all"):
        rules = "present"
    chosen = None if rules in (None, "none") else rule_set(str(rules))
    distance = _distance_test(distance_test, calibration) if distance_test else None
    conditions = _conditions(swings)
    names = _stage_names(build, figure, stage)
    if chosen:
        names = list(dict.fromkeys([*names, *(limit.figure for limit in chosen.limit)]))
    if drawing:
        from optimize.report.pictures.section import draw_ball, save

        save(draw_ball(build), drawing)
        say(f"Drawing written to {drawing}.")
    if calibration:
        result = _calibrated(build, names, calibration, conditions)
    else:
        result = _estimates([build], names, conditions)[0]
    margins = screen(result, chosen) if chosen else ()
    record = report.estimate_record(result, chosen, margins) if as_json else {}
    sections = report.estimate_sections(result, chosen, margins)
    if distance:
        from layers.rules.overall_distance import screen_ball
        from optimize.report.overall_distance import distance_record, distance_section

        launch, flown = screen_ball(build, distance)
        record["distance_screen"] = distance_record(launch, flown, distance)
        sections.insert(-1, distance_section(launch, flown, distance))
    if as_json:
        print_json(record)
    else:
        print_sections(sections, build.name)


def _distance_test(name: str, calibration: Path | None) -> "DistanceTest":
    """Find the test before anything is computed."""
    from layers.rules.overall_distance import distance_test

    if calibration:
        raise InputError("--distance-test and --calibration cannot go together; choose one.")
    return distance_test(name)


def _conditions(swings: Path | None) -> "Conditions":
    """Return the shipped conditions, or those with the user's own swings."""
    from layers.conditions import Conditions
    from layers.strike.swings import read_swings

    return Conditions(swings=read_swings(swings)) if swings else Conditions()


def _stage_names(build: "Ball", figures: Sequence[str] | None, stage: str | None) -> list[str]:
    """Spell the wanted figures with the stages they are wanted of."""
    from layers.figures import BALL_FIGURES, QUANTITIES, parse_figure

    asked = list(dict.fromkeys(figures or BALL_FIGURES))
    for name in asked:
        parse_figure(name)
    count = len(build.layer)
    if stage is None or (stage == str(count) and stage.isdecimal()):
        return asked
    known = [str(n) for n in range(1, count + 1)]
    if stage != "all" and stage not in known:
        raise InputError(f"--stage is {stage!r}, but must be from 1 to {count}, or all.")
    whole = [name for name in asked if QUANTITIES[parse_figure(name).quantity].of != "body"]
    if any(parse_figure(name).stage for name in asked) or (stage != "all" and whole):
        raise InputError(
            "--stage cannot go together with a figure that names its own stage, or of a swing."
        )
    if stage != "all":
        return [f"stage{stage}.{name}" for name in asked]
    staged = [name for name in asked if name not in whole]
    return [f"stage{n}.{name}" for n in known[:-1] for name in staged] + asked


def _estimates(
    balls: "Sequence[Ball]", names: Sequence[str], conditions: "Conditions"
) -> "list[Estimate]":
    """Estimate the balls, telling first if code has to be compiled."""
    from layers.estimation import estimate

    _check_and_tell(names, conditions)
    return [estimate(ball, names, conditions) for ball in balls]


def _check_and_tell(names: Sequence[str], conditions: "Conditions") -> None:
    """Refuse swings that are not there before telling of code to compile."""
    from layers.figures import parse_figure
    from layers.strike.swings import check_owner

    for name in names:
        check_owner(parse_figure(name), conditions.swings)
    tell_of_compiling(names)


def _calibrated(
    build: "Ball", names: Sequence[str], path: Path, conditions: "Conditions"
) -> "Estimate":
    """Estimate a ball with calibrated materials; what lies outside the calibration is flagged."""
    from optimize.calibration.calibrated import calibrated_estimate, read_calibration

    known = read_calibration(path)
    _check_and_tell(names, conditions)
    return calibrated_estimate(known, build, names, conditions)


@app.command(short_help="Compare two to four balls side by side.")
def compare(
    balls: Annotated[
        list[Path],
        typer.Argument(metavar="BALL.toml", help="two to four balls, the reference first"),
    ],
    figure: FigureNames = None,
    swings: SwingsFile = None,
    as_json: AsJson = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="print CSV, a row for each ball and figure")
    ] = False,
    drawing: Drawing = None,
) -> None:
    """Compare two to four balls side by side; the first is the reference.

    A difference is shown only where the model can tell the builds apart; '≈' stands where it
    cannot.

    Example: orbwright compare now.toml new.toml -f deflection_mm -f cor
    """
    from layers.ball_file import read_ball
    from layers.figures import BALL_FIGURES
    from optimize.report import comparison

    if not 2 <= len(balls) <= 4:
        raise InputError(f"compare takes two to four balls, not {len(balls)}.")
    if as_json and as_csv:
        raise InputError("--json and --csv cannot go together; choose one.")
    builds = [read_ball(path) for path in balls]
    if drawing:
        from optimize.report.pictures.section import draw_balls, save

        titles = [f"{letter}: {b.name}" for letter, b in zip("ABCD", builds, strict=False)]
        save(draw_balls(builds, titles), drawing)
        say(f"Drawing written to {drawing}.")
    results = _estimates(builds, list(dict.fromkeys(figure or BALL_FIGURES)), _conditions(swings))
    if as_json:
        print_json(comparison.comparison_record(results))
    elif as_csv:
        say(comparison.comparison_csv(results).rstrip("\n"), sys.stdout)
    else:
        print_sections(comparison.comparison_sections(results))


@app.command(short_help="Tell what drives what: slopes over every layer's size and material.")
def drivers(
    ball: BallFile,
    figure: FigureNames = None,
    swing: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="also launch and flight of this swing, such as 'driver fast'; may be given "
            "several times",
        ),
    ] = None,
    swings: SwingsFile = None,
    workers: Workers = None,
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV, a row for each slope")] = False,
    as_markdown: Annotated[bool, typer.Option("--markdown", help="print Markdown tables")] = False,
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="also draw the matrix; ends in .svg or .png"),
    ] = None,
) -> None:
    """Tell what drives what: how figures answer to each layer's diameter, modulus and density.

    Each number of the build is moved a little, the others held; strikes also answer to the cover's
    friction. A change that is less than its own error is marked '≈'.

    Example: orbwright drivers my_ball.toml --swing "driver fast" --drawing drivers.png
    """
    from layers.ball_file import read_ball
    from optimize.compute.pool import computing
    from optimize.report import slopes as tables
    from optimize.report.tables import markdown
    from optimize.sensitivity.slopes import plan, read_off

    if as_json + as_csv + as_markdown > 1:
        raise InputError("--json, --csv and --markdown cannot go together; choose one.")
    if drawing and drawing.suffix.lower() not in (".svg", ".png"):
        # Said now, not after the computation.
        raise InputError(f"drawing {drawing} must end in .svg or .png.")
    build = read_ball(ball)
    conditions = _conditions(swings)
    study = plan(build, tables.names_asked(figure or (), swing or (), conditions.swings))
    tell_of_compiling(study.figures)
    say(f"Estimating {len(study.requests)} builds.")
    with computing(workers or cores(), conditions) as compute:
        done = dict(compute(study.requests))
    found = read_off(study, [done[i] for i in range(len(done))])
    if drawing:
        from optimize.report.pictures.section import save
        from optimize.report.pictures.slopes import draw_drivers

        save(draw_drivers(found), drawing)
        say(f"Drawing written to {drawing}.")
    if as_json:
        print_json(tables.drivers_record(found))
    elif as_csv:
        say(tables.drivers_csv(found).rstrip("\n"), sys.stdout)
    elif as_markdown:
        say(markdown(tables.drivers_sections(found), build.name).rstrip("\n"), sys.stdout)
    else:
        print_sections(tables.drivers_sections(found), build.name)


@lists.command(short_help="List the figures: names, units, meaning.")
def figures(as_json: AsJson = False) -> None:
    """List the figures that can be estimated, searched for or limited: names, units, meaning."""
    from layers.figures import QUANTITIES
    from optimize.report.listings import figures_sections

    if as_json:
        fields = ["unit", "help", "basis", "of", "condition", "default"]
        fields += ["difference_percent", "absolute_percent"]
        print_json(
            {name: {f: getattr(q, f) for f in fields} for name, q in QUANTITIES.items()},
        )
    else:
        print_sections(figures_sections())


@lists.command(short_help="List the shipped materials and their sources.")
def materials(
    sources: Annotated[bool, typer.Option(help="show where each number comes from")] = False,
    as_json: AsJson = False,
) -> None:
    """List the shipped materials; your own go into the ball's file as [[material]] tables.

    The shipped numbers are representative, from memory of the open literature: good for ranking
    builds, not for absolute claims.
    """
    from layers.materials import default_catalogue
    from optimize.report.listings import materials_sections

    catalogue = default_catalogue()
    if as_json:
        print_json(catalogue.model_dump(mode="json"))
    else:
        print_sections(materials_sections(catalogue, sources))


app.add_typer(runs)
app.add_typer(page_app)
app.add_typer(freedoms_app)
app.add_typer(live)
app.add_typer(lab_app)
app.add_typer(tolerance_app)
app.add_typer(instruments)
app.add_typer(ledgers, name="ledger")
app.add_typer(lists)


def _fail(text: str) -> int:
    sentence = " ".join(text.split())
    say(f"orbwright: {sentence}{'' if sentence.endswith(('.', '?')) else '.'}")
    return BAD_INPUT


# The library's base of errors in the arguments, wherever this version of it keeps that class.
_UsageError: Any = typer.BadParameter.__bases__[0]


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        In place of the process's own.

    Returns
    -------
    int
        Exit code: 0, 2 if the input cannot be used, 130 after Ctrl-C, 141 if the reader of
        standard output has gone.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that lacks a sign gets a question mark for it, not a traceback.
            stream.reconfigure(errors="replace")
    try:
        code = app(args=arguments, prog_name="orbwright", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except OrbwrightError as error:
        return _fail(str(error))
    except _UsageError as error:
        return _fail(_usage(error))
    except (KeyboardInterrupt, typer.Abort):
        say("\norbwright: stopped by Ctrl-C.")
        return INTERRUPTED
    except (BrokenPipeError, SystemExit):  # the library ends the process on a closed pipe
        _drop_output()
        return CLOSED_PIPE
    except OSError as error:
        return _file_trouble(error)
    except RecursionError:
        return _fail("the input is nested too deeply to be read.")


def _usage(error: Any) -> str:
    path = error.ctx.command_path if error.ctx else "orbwright"
    return f"{error.format_message().rstrip('.')}; see {path} --help."


def _file_trouble(error: OSError) -> int:
    if error.filename is None and error.errno in (errno.ENOSPC, errno.EIO):
        _drop_output()
    what = error.filename or "the output"
    return _fail(f"{what} cannot be used: {error.strerror or error}.")


def _drop_output() -> None:
    """Point standard output at nothing, so that the interpreter's last flush stays quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
