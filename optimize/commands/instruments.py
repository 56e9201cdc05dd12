"""The command line's part for launch robot and spring-type tester: fit-club and tester."""

from pathlib import Path
from typing import Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import AsJson, read_balls

# Loads beyond the usual ones, which a stiff tester's spring may reach, N.
BEYOND = (1800.0, 2500.0)

instruments = typer.Typer()


@instruments.command(
    "fit-club", short_help="Fit a club's friction and face stiffness to robot launches."
)
def fit_club(
    balls: Annotated[
        list[Path], typer.Argument(metavar="BALL.toml", help="the builds that were hit")
    ],
    swing: Annotated[str, typer.Option(metavar="NAME", help="the swing of the robot")],
    measurements: Annotated[
        list[Path],
        typer.Option(
            metavar="M.csv", help="readings: build, stage, figure, unit, value, replicate"
        ),
    ],
    swings: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="your own swings, in place of the shipped ones"),
    ] = None,
    free: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="a setting to be fitted too: loft, attack or height"),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="S.toml", help="write the swings, with the fitted one, to this file"),
    ] = None,
) -> None:
    """Fit friction, and face stiffness where the swing has it, to launches of known builds.

    Ball speed, launch angle, spin and contact time are used; loft, attack and impact height may be
    fitted too, each with a prior (1 deg, 1 deg, 3 mm). A number that is not identifiable from the
    launches is left unchanged. 'orbwright estimate BALL.toml --swings S.toml' uses the result.

    Example: orbwright fit-club k1.toml k2.toml --swing "driver fast" --measurements robot.csv
    --free loft --free attack
    """
    from layers.strike.swings import default_swings, read_swings
    from optimize.calibration.strike_fit import fit_strike, swings_toml, with_swing
    from optimize.lab.measurements import read_measurements
    from optimize.report.strike_fit import fit_sections

    table = read_swings(swings) if swings else default_swings()
    builds = read_balls(balls)
    table.find(swing)
    readings = read_measurements(measurements, builds, table)
    tell_of_compiling([f"{swing}.spin_rpm"], "double")
    found = fit_strike(swing, builds, readings, table, free or ())
    if out:
        write_text(out, swings_toml(with_swing(table, found.swing)))
        say(f"Swings written to {out}.")
    print_sections(fit_sections(found), f"Swing {swing!r} fitted")


@instruments.command("tester", short_help="Score a ball on a calibrated spring-type tester.")
def score_ball(
    ball: Annotated[Path, typer.Argument(metavar="BALL.toml", help="the ball to score")],
    reference: Annotated[
        list[str] | None,
        typer.Option(
            metavar="R.toml=SCORE",
            help="a ball of known score; two or more, of different stiffness",
        ),
    ] = None,
) -> None:
    """Score a ball on a spring-type tester, calibrated by references.

    The tester's spring and travel are found from two or more balls of known score. The references'
    curves are computed from their builds.

    Example: orbwright tester new.toml --reference soft.toml=62 --reference firm.toml=95
    """
    import numpy as np

    from layers.ball_file import read_ball
    from layers.compression.curve import DEFAULT_LOADS, compress
    from layers.compression.tester import Reference, SpringTester, calibrated, score
    from optimize.report.strike_fit import score_sections

    known = [_reference(text) for text in reference or []]
    (built,) = read_balls([ball])
    tell_of_compiling(["deflection_mm"])
    loads = np.array([*DEFAULT_LOADS, *BEYOND])
    references = tuple(
        Reference(points, compress(r.body(), loads), r.diameter_mm * 1e-3)
        for r, points in ((read_ball(path), points) for path, points in known)
    )
    spring = calibrated(SpringTester(), references)
    found = score(spring, compress(built.body(), loads), built.diameter_mm * 1e-3)
    print_sections(score_sections(found, spring), built.name)


@instruments.command(short_help="Modulus of a Shore or JIS-C hardness, and back.")
def hardness(
    value: Annotated[float, typer.Argument(metavar="VALUE", help="reading; with --modulus, MPa")],
    scale: Annotated[str, typer.Option(metavar="A|C|JIS-C|D", help="scale of the reading")] = "D",
    modulus: Annotated[bool, typer.Option("--modulus", help="VALUE is a Young's modulus")] = False,
    as_json: AsJson = False,
) -> None:
    """Convert a durometer reading to Young's modulus and to the other scales, or a modulus back.

    Each relation is published and has a range and a scatter; a measured modulus is better.

    Example: orbwright hardness 58 --scale D
    """
    from optimize.report.hardness import hardness_record, hardness_sections

    record = hardness_record(value, None if modulus else scale)
    if as_json:
        print_json(record)
    else:
        print_sections(hardness_sections(record))


def _reference(text: str) -> tuple[Path, float]:
    path, equals, points = text.rpartition("=")
    try:
        if not equals:
            raise ValueError
        return Path(path), float(points)
    except ValueError:
        raise InputError(f"--reference is {text!r}, but must be like soft.toml=62.") from None
