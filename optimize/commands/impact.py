"""Options that look into an impact: energy by layer, picture, animation, mesh."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple

import typer

from layers.errors import InputError
from optimize.commands.console import say, tell_of_compiling

if TYPE_CHECKING:
    from layers.ball import Ball
    from layers.conditions import Conditions
    from layers.energy.record import ImpactRecord

Energy = Annotated[
    bool,
    typer.Option(
        "--energy", help="also tabulate where the energy of an impact goes, layer by layer"
    ),
]
Picture = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        help="also draw the deformed ball: .png or .svg at greatest compression, .gif as an "
        "animation, .vtu or .vtk as a mesh",
    ),
]
SwingName = Annotated[
    str | None,
    typer.Option(
        "--swing",
        metavar="NAME",
        help="the impact of --energy and --picture; 'orbwright swings' lists them. "
        "[default: a rigid barrier at 38.1 m/s]",
    ),
]
Shade = Annotated[
    str | None,
    typer.Option(metavar="strain|loss", help="what the picture is shaded by. [default: strain]"),
]


class Look(NamedTuple):
    """What is asked about an impact."""

    energy: bool
    picture: Path | None
    swing: str | None
    shade: Literal["strain", "loss"]


def look(energy: bool, picture: Path | None, swing: str | None, shade: str | None) -> Look:
    """Check the options before anything is computed.

    Parameters
    ----------
    energy : bool
    picture : Path or None
    swing, shade : str or None
        As given.

    Raises
    ------
    InputError
        If they do not go together, or a value is not known.
    """
    if shade not in (None, "strain", "loss"):
        raise InputError(f"--shade is {shade!r}, but must be strain or loss.")
    if picture is None and shade is not None:
        raise InputError("--shade is for --picture; give the file of the picture, too.")
    if picture is None and not energy and swing is not None:
        raise InputError("--swing is for --energy or --picture; give one of them, too.")
    if picture and picture.suffix.lower() not in (".png", ".svg", ".gif", ".vtu", ".vtk"):
        raise InputError(f"picture {picture} must end in .png, .svg, .gif, .vtu or .vtk.")
    return Look(energy, picture, swing, "loss" if shade == "loss" else "strain")


def record_of(asked: Look, build: "Ball", conditions: "Conditions") -> "ImpactRecord | None":
    """Record the impact that is asked about, if any, and draw it.

    Parameters
    ----------
    asked : Look
    build : Ball
    conditions : Conditions
        Where the swing is found.
    """
    if not asked.energy and asked.picture is None:
        return None
    from layers.energy.impact import record_impact

    swing = conditions.swings.find(asked.swing).name if asked.swing else None
    tell_of_compiling([f"{swing}.spin_rpm" if swing else "cor"])
    record = record_impact(build, swing, conditions=conditions)
    if asked.picture:
        _draw(record, build, asked.picture, asked.shade)
        say(f"Picture written to {asked.picture}.")
    return record


def _draw(record: "ImpactRecord", build: "Ball", path: Path, shade: Any) -> None:
    from optimize.report.impact_mesh import save_mesh
    from optimize.report.pictures.impact import draw_impact, save_gif
    from optimize.report.pictures.section import save

    ending = path.suffix.lower()
    if ending == ".gif":
        save_gif(record, build, path, shade)
    elif ending in (".vtu", ".vtk"):
        save_mesh(record, path)
    else:
        save(draw_impact(record, build, shade), path)
