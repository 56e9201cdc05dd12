"""The command line's part for the lab: sheet, recipe, concentricity, calibrate, next."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import DEFAULT_LEDGER, AsJson, LedgerFile, Workers, cores, existing
from optimize.report.writing import write_text

if TYPE_CHECKING:
    from layers.ball import Ball
    from layers.compound.recipe import Batch, Recipe
    from layers.compound.trials import Trials

lab_app = typer.Typer()

BallFile = Annotated[Path, typer.Argument(metavar="BALL.toml", help="the build: a TOML file")]
ChargeGrams = Annotated[
    float | None, typer.Option(metavar="G", help="mass of a mill charge, to weigh it out")
]
ScaleGrams = Annotated[float, typer.Option(metavar="G", help="smallest step of the scale")]


@lab_app.command(short_help="Write a build's prototype sheet for the bench.")
def sheet(
    ball: BallFile,
    process: Annotated[
        Path | None,
        typer.Option(metavar="P.toml", help="the lab's allowances, tolerances, pieces"),
    ] = None,
    recipe: Annotated[
        list[str] | None,
        typer.Option(
            metavar="N=R.toml", help="the compound of layer N; with --charge-g, weighed out"
        ),
    ] = None,
    charge_g: ChargeGrams = None,
    scale_g: ScaleGrams = 0.1,
    rules: Annotated[
        str | None, typer.Option(metavar="NAME", help="point out windows beyond this rule set")
    ] = None,
    form: Annotated[
        str, typer.Option("--format", metavar="md|csv|html", help="what to write")
    ] = "md",
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FILE", help="where to, not printed")
    ] = None,
) -> None:
    """Write a build's prototype sheet: moulds, charges, steps, targets, columns to fill in.

    The CSV form, filled in, is read back by 'orbwright calibrate'.

    Example: orbwright sheet ball.toml --recipe 1=core.toml --charge-g 1500 --format html -o k1.html
    """
    from layers.ball_file import read_ball
    from layers.estimation import estimate_many
    from layers.rules.screen import rule_set
    from optimize.lab.process import Process, read_process
    from optimize.lab.prototype import STAGE_FIGURES, prototype_sheet
    from optimize.report.sheet import to_csv, to_html, to_markdown

    writers = {"md": to_markdown, "csv": to_csv, "html": to_html}
    if form not in writers:
        raise InputError(f"--format is {form!r}, but must be one of: {', '.join(writers)}.")
    build = read_ball(ball)
    lab = read_process(process) if process else Process()
    chosen = rule_set(rules) if rules else None
    batches = _batches(recipe or [], charge_g, scale_g)
    tell_of_compiling(STAGE_FIGURES)
    stages = estimate_many([build.stage(n + 1) for n in range(len(build.layer))], STAGE_FIGURES)
    text = writers[form](prototype_sheet(build, stages, lab, batches, chosen))
    if output:
        write_text(output, text)
        say(f"Prototype sheet written to {output}.")
    else:
        say(text.rstrip("\n"), sys.stdout)


def _batches(given: Sequence[str], charge_g: float | None, scale_g: float) -> "dict[int, Batch]":
    from layers.compound.recipe import batch_weights, read_recipe

    if given and charge_g is None:
        raise InputError("--recipe needs --charge-g, the mass of the mill charge.")
    if charge_g is not None and not given:
        raise InputError("--charge-g needs --recipe N=R.toml, what the charge is of.")
    batches = {}
    for text in given:
        number, _, path = text.partition("=")
        if not number.isdecimal() or not path:
            raise InputError(f"--recipe is {text!r}, but must be a layer's number, =, and a file.")
        if int(number) in batches:
            raise InputError(f"--recipe names layer {int(number)} twice.")
        batches[int(number)] = batch_weights(read_recipe(Path(path)), charge_g or 0.0, scale_g)
    return batches


@lab_app.command(short_help="Density, filler, mill charge and stiffness of a core recipe.")
def recipe(
    recipe: Annotated[Path, typer.Argument(metavar="R.toml", help="the compound, in phr")],
    density: Annotated[
        float | None, typer.Option(metavar="G/CM3", help="set the filler to reach this density")
    ] = None,
    filler: Annotated[
        str | None, typer.Option(metavar="NAME", help="the ingredient that sets the density")
    ] = None,
    charge_g: ChargeGrams = None,
    scale_g: ScaleGrams = 0.1,
    trials: Annotated[
        Path | None,
        typer.Option(metavar="T.csv", help="the lab's recipe trials: they alone tell stiffness"),
    ] = None,
    minutes: Annotated[float | None, typer.Option(metavar="MIN", help="time of cure")] = None,
    celsius: Annotated[
        float | None, typer.Option(metavar="C", help="temperature of the press")
    ] = None,
    deflection_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="find settings of this core deflection")
    ] = None,
    modulus_mpa: Annotated[
        float | None, typer.Option(metavar="MPA", help="the same, for trials of the modulus")
    ] = None,
    free: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SETTING",
            help="what may change for it; may be given several times. [default: coagent_phr]",
        ),
    ] = None,
) -> None:
    """Say what a core compound weighs, what to weigh out, and how stiff the lab's trials make it.

    Settings found for a wanted deflection are taken over before the filler is set.

    Example: orbwright recipe core.toml --density 1.16 --filler "barium sulfate" --charge-g 1500
    """
    from layers.compound.recipe import batch_weights, filler_for_density, read_recipe
    from optimize.report import lab as labreport

    if (density is None) != (filler is None):
        raise InputError("--density and --filler go together: the filler reaches the density.")
    compound = read_recipe(recipe)
    target = {"deflection_mm": deflection_mm, "modulus_mpa": modulus_mpa}
    given = {name: value for name, value in target.items() if value is not None}
    if len(given) > 1:
        raise InputError("--deflection-mm and --modulus-mpa cannot go together; choose one.")
    compound, stiffness = _stiffness(compound, trials, (minutes, celsius), given, free)
    if density is not None and filler is not None:
        compound = filler_for_density(compound, filler, density)
    sections = [labreport.recipe_section(compound), stiffness]
    if charge_g is not None:
        sections.append(labreport.batch_section(batch_weights(compound, charge_g, scale_g)))
    print_sections(sections)


def _stiffness(
    compound: "Recipe",
    path: Path | None,
    cure: tuple[float | None, float | None],
    target: dict[str, float],
    free: Sequence[str] | None,
) -> "tuple[Recipe, Any]":
    """Return the recipe, changed if a target asks for it, and the section on its stiffness."""
    from layers.compound.reach import Reached, reach
    from layers.compound.response import fit_surface, predict
    from layers.compound.trials import read_trials, settings_of
    from optimize.report import lab as labreport

    trials = read_trials(path) if path else None
    surface = fit_surface(trials)
    if trials is None:
        if target or free or any(value is not None for value in cure):
            raise InputError("--trials T.csv is needed to say anything of stiffness.")
        return compound, labreport.stiffness_section(surface, None, None)
    minutes, celsius = cure
    if minutes is None or celsius is None:
        raise InputError("--trials needs --minutes and --celsius, the cure of this compound.")
    start = settings_of(compound, minutes, celsius)
    now = predict(surface, start)
    if not target:
        return compound, labreport.stiffness_section(surface, now, None)
    [(response, value)] = target.items()
    _check_response(trials, response)
    found = reach(surface, value, start, free or ["coagent_phr"])
    if isinstance(found, Reached):
        compound = _with_settings(compound, start, found.settings)
    return compound, labreport.stiffness_section(surface, now, found)


def _check_response(trials: "Trials", asked: str) -> None:
    if trials.response != asked:
        raise InputError(
            f"--{asked.replace('_', '-')} is given, but the trials measured {trials.response}."
        )


def _with_settings(
    compound: "Recipe", start: dict[str, float], settings: dict[str, float]
) -> "Recipe":
    """Take changed co-agent and peroxide over into the recipe's lines."""
    from layers.compound.recipe import IngredientRole, with_phr

    roles: dict[str, IngredientRole] = {"coagent_phr": "co-agent", "peroxide_phr": "peroxide"}
    for setting, role in roles.items():
        if settings[setting] == start[setting]:
            continue
        lines = [part for part in compound.part if part.ingredient.role == role]
        if len(lines) != 1:
            raise InputError(
                f"{compound.name} has {len(lines)} lines of {role}, but {setting} can be set in "
                "one only."
            )
        card = lines[0].ingredient
        compound = with_phr(compound, card.name, settings[setting] * 100.0 / card.active_percent)
    return compound


@lab_app.command(short_help="What a core off centre does to balance and moments.")
def concentricity(
    ball: BallFile,
    offset: Annotated[
        list[str],
        typer.Option(
            metavar="N=X,Y,Z",
            help="interface N, the outside of layer N, off the ball's centre, mm; may be given "
            "several times, others stay centred",
        ),
    ],
) -> None:
    """Say what interfaces off centre do to balance, principal moments and least thickness; exact.

    A core that carries interfaces inside it moves them all: give each of them its offset.

    Example: orbwright concentricity ball.toml --offset 1=0.2,0,0
    """
    import numpy as np

    from layers.ball_file import read_ball
    from layers.mass.concentricity import off_centre
    from optimize.report.lab import concentricity_sections

    build = read_ball(ball)
    inner = len(build.layer) - 1
    moved = np.zeros((inner, 3))
    for text in offset:
        number, _, vector = text.partition("=")
        try:
            place, values = int(number), [float(part) for part in vector.split(",")]
        except ValueError:
            place, values = 0, []
        if not 1 <= place <= inner or len(values) != 3:
            raise InputError(
                f"--offset is {text!r}, but must be N=X,Y,Z with N from 1 to {inner} and three "
                "numbers in mm."
            )
        moved[place - 1] = np.array(values) * 1e-3
    print_sections(concentricity_sections(off_centre(build.body(), moved)), build.name)


@lab_app.command(short_help="Calibrate materials and model on the lab's measurements.")
def calibrate(
    balls: Annotated[
        list[Path], typer.Argument(metavar="BALL.toml", help="the builds that were measured")
    ],
    measurements: Annotated[
        list[Path],
        typer.Option(
            metavar="M.csv",
            help="readings: build, stage, figure, unit, value, repeat; or a prototype sheet "
            "filled in; may be given several times",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="C.toml", help="write the calibration here")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="plot predicted against measured; .svg or .png"),
    ] = None,
    drop_outliers: Annotated[
        bool, typer.Option("--drop-outliers", help="leave out the readings flagged as outliers")
    ] = False,
    workers: Workers = None,
) -> None:
    """Calibrate cards of materials, and the model's own error, on the lab's measurements.

    Nothing is taken from a file that has a fault. Outliers are pointed out and kept unless
    --drop-outliers is given. 'orbwright estimate BALL.toml --calibration C.toml' uses the result.

    Example: orbwright calibrate k1.toml k2.toml --measurements lab.csv --out lab.toml
    """
    from layers.ball_file import read_ball
    from optimize.calibration.calibrate import calibrate as calibrated
    from optimize.calibration.calibrated import calibration_toml
    from optimize.compute.pool import mapping
    from optimize.lab.measurements import read_measurements
    from optimize.lab.readings import outliers
    from optimize.report.calibration import calibration_sections

    builds = [read_ball(path) for path in balls]
    readings = read_measurements(measurements, builds)
    if drop_outliers:
        readings = readings.without([o.reading for o in outliers(readings)])
    tell_of_compiling({r.figure for r in readings.reading})
    with mapping(workers or cores()) as mapper:
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


@lab_app.command("next", short_help="Choose the prototypes that tell most.")
def next_builds(
    balls: Annotated[
        list[Path] | None,
        typer.Argument(metavar="BALL.toml", help="candidates; or give --run"),
    ] = None,
    budget: Annotated[
        int, typer.Option("--budget", "-n", min=1, metavar="N", help="how many can be made")
    ] = 2,
    run: Annotated[
        str | None, typer.Option(metavar="RUN", help="take a finished run's short list and goals")
    ] = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    goal: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FIGURE",
            help="what to become surer of; may be given several times. "
            "[default: the run's goals that can be measured; or deflection_mm and cor]",
        ),
    ] = None,
    about: Annotated[
        str, typer.Option(metavar="both|figures|materials", help="what counts")
    ] = "both",
    calibration: Annotated[
        Path | None, typer.Option(metavar="C.toml", help="what is known by now")
    ] = None,
    pieces: Annotated[int, typer.Option(min=1, max=100, metavar="N", help="measured a stage")] = 6,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Choose, among candidates, the prototypes whose measurements tell most; with reasons.

    Example: orbwright next a.toml b.toml c.toml --budget 2 --calibration lab.toml
    """
    from typing import get_args

    from layers.ball_file import read_ball
    from optimize.calibration.calibrated import read_calibration
    from optimize.calibration.next_round import BALL_PLAN, GOALS, STAGE_PLAN, About, next_round
    from optimize.compute.pool import mapping
    from optimize.report import lab as labreport

    if about not in get_args(About):
        raise InputError(f"--about is {about!r}, but must be one of: {', '.join(get_args(About))}.")
    if bool(balls) == bool(run):
        raise InputError("next takes candidates as BALL.toml files, or a --run; not both or none.")
    candidates, goals = [read_ball(path) for path in balls or ()], list(GOALS)
    if run:
        candidates, goals = _short_list(run, ledger)
    known = read_calibration(calibration) if calibration else None
    asked = list(dict.fromkeys(goal or goals))
    tell_of_compiling([*asked, *STAGE_PLAN, *BALL_PLAN])
    with mapping(workers or cores()) as mapper:
        chosen = next_round(
            candidates,
            asked,
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
    """Return a run's short list, named by its letters, and those of its goals that are measured."""
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
