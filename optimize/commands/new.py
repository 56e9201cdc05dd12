"""The command line's files to start from: `orbwright new`."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from layers.errors import InputError
from layers.files.other_units import read_quantity
from optimize.commands.console import say

new_app = typer.Typer(
    help="Write a commented file to start from, by a few questions or by options.",
    no_args_is_help=True,
)

NewFile = Annotated[Path, typer.Argument(metavar="FILE.toml", help="the file to write")]
Called = Annotated[str | None, typer.Option("--name", metavar="NAME", help="what it is called")]
Layers = Annotated[
    int | None, typer.Option(min=1, max=6, metavar="N", help="number of layers. [default: 3]")
]


@new_app.command("ball", short_help="A ball of so many layers, at the mass the rules allow.")
def new_ball(
    file: NewFile,
    name: Called = None,
    layers: Layers = None,
    core: Annotated[
        str | None,
        typer.Option(metavar="CARD", help="the cores' card. [default: core rubber, medium]"),
    ] = None,
    cover: Annotated[
        str | None, typer.Option(metavar="CARD", help="the cover's card. [default: urethane, soft]")
    ] = None,
) -> None:
    """Write a ball to start from: layers of usual thickness, the cores filled to 45.8 g.

    Asks for what no option says, if a terminal is there; otherwise takes the defaults.

    Example: orbwright new ball my_ball.toml --layers 4
    """
    from optimize.templates.ball import ball_text, known_material

    def _rubber(answer: str) -> str:
        return known_material(answer, "rubber")

    _check_free(file)
    called = _ask(name, "Name of the ball", file.stem)
    count = _ask(layers, "Number of layers, 1 to 6", 3, _whole(1, 6))
    inner = _ask(core, "Card of the cores", "core rubber, medium", _rubber)
    outer = cover or "urethane, soft"
    if count > 1:
        outer = _ask(cover, "Card of the cover", outer, known_material)
    _write(file, ball_text(called, count, inner, outer), f"orbwright estimate {_typed(file)}")


@new_app.command("scenario", short_help="A brief for a search: layers, goals, limits.")
def new_scenario(
    file: NewFile,
    name: Called = None,
    layers: Annotated[
        int | None, typer.Option(min=2, max=6, metavar="N", help="number of layers. [default: 3]")
    ] = None,
    goal: Annotated[
        list[str] | None,
        typer.Option(
            metavar="GOAL",
            help="distance, ball speed, soft feel, gentle strike, greenside spin or low driver "
            "spin; one to four. [default: distance and greenside spin]",
        ),
    ] = None,
    player: Annotated[
        str | None,
        typer.Option(metavar="slow|moderate|fast", help="whose swings count. [default: moderate]"),
    ] = None,
    builds: Annotated[
        int | None,
        typer.Option(min=20, max=100_000, metavar="N", help="builds to compute. [default: 160]"),
    ] = None,
) -> None:
    """Write a brief for a search: layers with ranges to vary, goals, a limit on deflection, rules.

    Asks for what no option says, if a terminal is there; otherwise takes the defaults.

    Example: orbwright new scenario brief.toml --layers 4 --goal distance --goal "soft feel"
    """
    from optimize.templates.scenario import PLAYERS, WISHES, scenario_text, wishes

    _check_free(file)
    asked = _ask(name, "Name of the brief", file.stem)
    count = _ask(layers, "Number of layers, 2 to 6", 3, _whole(2, 6))
    whose = _ask(player, f"Whose swings: {', '.join(PLAYERS)}", "moderate", _one_of(PLAYERS))
    goals = _ask(
        goal,
        f"Goals, one to four with semicolons between: {'; '.join(WISHES)}",
        "distance; greenside spin",
        lambda t: _known_goals(t, lambda names: wishes(names, "moderate")),
    )
    if isinstance(goals, str):
        goals = _split(goals)
    text = scenario_text(asked, count, goals, whose, builds or 160)
    _write(file, text, f"orbwright search {_typed(file)}")


@new_app.command("materials", short_help="A material card of your own.")
def new_materials(
    file: NewFile,
    name: Called = None,
    family: Annotated[
        str | None,
        typer.Option(metavar="rubber|ionomer|urethane", help="its family. [default: rubber]"),
    ] = None,
    modulus_mpa: Annotated[
        float | None,
        typer.Option(min=0.5, max=3000.0, metavar="MPA", help="Young's modulus. [default: 50]"),
    ] = None,
) -> None:
    """Write a material card; its family fills in what you have not measured.

    Asks for what no option says, if a terminal is there; otherwise takes the defaults.

    Example: orbwright new materials our_cards.toml --family urethane --modulus-mpa 40
    """
    from layers.families import families
    from optimize.templates.cards import materials_text

    _check_free(file)
    known = tuple(families())
    text = materials_text(
        _ask(name, "Name of the material", file.stem),
        _ask(family, f"Family: {', '.join(known)}", "rubber", _one_of(known)),
        _ask(
            modulus_mpa,
            "Young's modulus in MPa, or with another unit",
            50.0,
            _number("MPa", 0.5, 3000.0),
        ),
    )
    _write(file, text, f'catalogue = "{file.name}" in a scenario')


@new_app.command("swings", short_help="A swing of your own, started from a shipped one.")
def new_swings(
    file: NewFile,
    name: Called = None,
    like: Annotated[
        str | None,
        typer.Option(metavar="SWING", help="a shipped swing to start from. [default: driver fast]"),
    ] = None,
    speed_m_s: Annotated[
        float | None,
        typer.Option(min=1.0, max=75.0, metavar="M/S", help="head speed. [default: that swing's]"),
    ] = None,
) -> None:
    """Write a swing with all its numbers, those of a shipped swing until you change them.

    Asks for what no option says, if a terminal is there; otherwise takes the defaults.

    Example: orbwright new swings robot.toml --like "driver fast" --speed-m-s 49
    """
    from layers.strike.swings import find_swing
    from optimize.templates.cards import swings_text

    _check_free(file)
    known = _ask(like, "Start from the swing", "driver fast", lambda t: find_swing(t).name)
    start = find_swing(known)
    text = swings_text(
        _ask(name, "Name of the swing, lower-case words", f"our {start.club}"),
        start.name,
        _ask(
            speed_m_s,
            "Head speed in m/s, or with another unit",
            start.club_speed_m_s,
            _number("m/s", 1.0, 75.0),
        ),
    )
    _write(file, text, f"orbwright estimate BALL.toml --swings {_typed(file)}")


def _ask(
    given: Any, question: str, default: Any, check: Callable[[str], Any] = lambda text: text
) -> Any:
    """Return what an option gave; else ask, where there is a terminal; else take the default.

    Parameters
    ----------
    given : object
        The option's value; None where it was left out.
    question : str
        What is asked.
    default : object
        What an empty answer means.
    check : callable
        Reads an answer; an InputError of it is shown, and the question comes again.
    """
    if given is not None:
        return given
    if not sys.stdin.isatty():
        return default

    def read(text: str) -> Any:
        try:
            return check(str(text).strip())
        except InputError as error:
            raise typer.BadParameter(str(error)) from error

    return typer.prompt(question, default=default, value_proc=read, err=True)


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isdecimal() and low <= int(text) <= high):
            raise InputError(f"{text!r} is not a whole number from {low} to {high}.")
        return int(text)

    return read


def _number(unit: str, low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            said = read_quantity(text, unit, "the answer")
            value = float(text) if said is None else said
        except ValueError as error:
            if isinstance(error, InputError):
                raise
            value = float("nan")
        if not low <= value <= high:
            raise InputError(f"{text!r} is not a number from {low:g} to {high:g} {unit}.")
        return value

    return read


def _one_of(names: Sequence[str]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.lower() not in names:
            raise InputError(f"{text!r} is not one of: {', '.join(names)}.")
        return text.lower()

    return read


def _split(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]


def _known_goals(text: str, check: Callable[[list[str]], Any]) -> list[str]:
    names = _split(text)
    check(names)
    return names


def _typed(file: Path) -> str:
    """Write a file's name as it is typed in a command."""
    return f'"{file}"' if " " in str(file) else str(file)


def _check_free(file: Path) -> None:
    if file.exists():
        raise InputError(f"{file} is there already; give another name: nothing is overwritten.")


def _write(file: Path, text: str, further: str) -> None:
    from layers.files.paths import write_text

    write_text(file, text)
    say(f"Written to {file}. Next: {further}")
