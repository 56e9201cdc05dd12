"""The command line's `pattern`: drag and lift that players want, launch that a pattern wants."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import (
    AsJson,
    BallFile,
    ConditionsFile,
    SwingsFile,
    conditions_with,
    read_balls,
)

if TYPE_CHECKING:
    from layers.rules.overall_distance import DistanceTest

pattern_app = typer.Typer()

_SWINGS = ("driver fast", "driver moderate", "driver slow", "mid iron moderate")


Swings = Annotated[
    list[str] | None,
    typer.Option(
        "--swing",
        metavar="NAME",
        help="whose flight counts; may be given several times. [default: the drivers and the "
        "moderate mid iron]",
        show_default=False,
    ),
]
TestName = Annotated[
    str,
    typer.Option(
        metavar="NAME",
        help="overall-distance test whose printed launch may not gain: present, revised, none",
    ),
]
Allowed = Annotated[
    float,
    typer.Option("--allow-m", metavar="M", min=-50, max=50, help="what that launch may gain"),
]
Reach = Annotated[
    float, typer.Option(metavar="C", min=0.0005, max=0.1, help="largest change of CD and of CL")
]
CrossWind = Annotated[
    float, typer.Option("--cross-wind-m-s", metavar="V", min=0.1, max=20, help="for the drift")
]
Map = Annotated[
    Path | None, typer.Option(metavar="FILE", help="also draw the regions; ends in .svg or .png")
]


@pattern_app.command(
    name="pattern", short_help="What drag and lift players want, and what launch a pattern wants."
)
def pattern(
    ball: BallFile,
    swing: Swings = None,
    conditions: ConditionsFile = None,
    swings: SwingsFile = None,
    distance_test: TestName = "present",
    allow: Allowed = 0.0,
    reach: Reach = 0.01,
    cross_wind: CrossWind = 5.0,
    picture: Map = None,
    as_json: AsJson = False,
) -> None:
    """Divide flights among regions of Reynolds number and spin ratio: where drag and lift count.

    For the designer of the pattern: the changes of drag and lift, region by region, that add the
    most carry while the overall-distance test gains nothing. For the construction: the launch that
    the pattern wants.

    Example: orbwright pattern my_ball.toml --swing "driver slow" --picture regions.svg
    """
    from optimize.pattern.wants import wants
    from optimize.report.pattern import pattern_record, pattern_sections

    if picture and picture.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"picture {picture} must end in .svg or .png.")
    test = _test(distance_test)
    (build,) = read_balls([ball])
    found_conditions = conditions_with(swings, conditions=conditions)
    names = [found_conditions.swings.find(name).name for name in swing or _SWINGS]
    tell_of_compiling([f"{name}.carry_m" for name in names])
    found = wants(
        build,
        names,
        found_conditions,
        test=test,
        reach=reach,
        allowed=allow,
        cross_wind=cross_wind,
    )
    if picture:
        from optimize.report.pictures.plane import draw_plane
        from optimize.report.pictures.section import save

        save(draw_plane(found), picture)
        say(f"Picture written to {picture}.")
    if as_json:
        print_json(pattern_record(found))
    else:
        print_sections(pattern_sections(found), build.name)


def _test(name: str) -> "DistanceTest | None":
    from layers.rules.overall_distance import distance_test

    return None if name == "none" else distance_test(name)
