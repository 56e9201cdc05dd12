"""Options that look into an impact: energy by layer, picture, animation, mesh."""

from collections.abc import Sequence
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
SwingNames = Annotated[
    list[str] | None,
    typer.Option(
        "--swing",
        metavar="NAME",
        help="also compute every figure of this swing; may be given several times. With --energy "
        "or --picture instead the one impact that they look into. 'orbwright figures' lists them. "
        "[default: no swing; for --energy and --picture a rigid barrier at 38.1 m/s]",
        show_default=False,
    ),
]
Shade = Annotated[
    str | None,
    typer.Option(metavar="strain|loss", help="what the picture is shaded by. [default: strain]"),
]


class Look(NamedTuple):
    """What is asked about an impact; `swings` are those whose figures are wanted."""

    energy: bool
    picture: Path | None
    swing: str | None
    shade: Literal["strain", "loss"]
    swings: tuple[str, ...] = ()


def look(
    energy: bool, picture: Path | None, swing: Sequence[str] | None, shade: str | None
) -> Look:
    """Check the options before anything is computed.

    Parameters
    ----------
    energy : bool
    picture : Path or None
    swing : sequence of str, or None
    shade : str or None
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
    swings = tuple(swing or ())
    looks = energy or picture is not None
    if looks and len(swings) > 1:
        raise InputError(
            f"--energy and --picture look into one impact, not {len(swings)}; give --swing once."
        )
    if picture and picture.suffix.lower() not in (".png", ".svg", ".gif", ".vtu", ".vtk"):
        raise InputError(f"picture {picture} must end in .png, .svg, .gif, .vtu or .vtk.")
    shaded: Literal["strain", "loss"] = "loss" if shade == "loss" else "strain"
    if looks:
        return Look(energy, picture, next(iter(swings), None), shaded)
    return Look(energy, picture, None, shaded, swings)


def figures_of(asked: Look, conditions: "Conditions") -> list[str]:
    """Return the names of every figure of the swings that are asked for.

    Parameters
    ----------
    asked : Look
    conditions : Conditions
        Where the swings are found.

    Raises
    ------
    InputError
        If there is no such swing.
    """
    from layers.figures import QUANTITIES

    names = [name for name, known in QUANTITIES.items() if known.of == "swing"]
    found = [conditions.swings.find(swing).name for swing in asked.swings]
    return [f"{swing}.{name}" for swing in dict.fromkeys(found) for name in names]


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
