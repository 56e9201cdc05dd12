"""Pictures of a recorded impact: the deformed section, the contact, the energy by layer; animated.

Shades run evenly from dark to light and so survive colour blindness and a black-and-white printer.
"""

import io
import math
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.energy.record import ImpactRecord
from layers.energy.section import Section, section_of
from layers.errors import InputError
from layers.files.paths import StrPath
from optimize.report.pictures.section import INK, graded_words, new_figure, plain
from optimize.report.pictures.units import factor_of, use_on
from optimize.report.units import heading_in_chosen_units, text_in_chosen_units

Shade = Literal["strain", "loss"]
# What is shaded: label, factor to its unit, colour map of general use.
_SHADES: dict[str, tuple[str, float, str]] = {
    "strain": ("greatest shear strain, %", 100.0, "viridis"),
    "loss": ("energy lost in the material so far, J/cm³", 1e-6, "inferno"),
}
_LEVELS = 24
_TOUCH, _FACE_INK = "#d1495b", "#6b7780"
_KEPT, _LOST = "#9db8c9", "#b5542f"
_SMALL: dict[str, Any] = {"fontsize": 8, "color": INK}
# Of an animation: pixels an inch, milliseconds a frame, how often longer the last one stays,
# colours.
_DOTS, _TICK, _REST, _COLOURS = 80, 90, 8, 128


def draw_impact(record: ImpactRecord, ball: Ball, shade: Shade = "strain") -> Figure:
    """Draw the section at greatest compression, the contact patch and the energy by layer.

    Parameters
    ----------
    record : ImpactRecord
    ball : Ball
        Of which it is the record.
    shade : {"strain", "loss"}
        What the section is shaded by.

    Returns
    -------
    matplotlib.figure.Figure
        To be written with `optimize.report.pictures.section.save`.
    """
    figure = new_figure(11.4, 7.0)
    section = figure.add_axes((0.02, 0.14, 0.47, 0.72))
    top = _top(record, record.peak, shade)
    _draw_section(section, record, record.peak, shade, top)
    _colour_bar(figure, (0.09, 0.095, 0.34, 0.018), shade, top)
    contact = figure.add_axes((0.60, 0.555, 0.36, 0.315))
    if record.swing:
        _draw_patch(figure, contact, record)
    else:
        _draw_force(contact, record, record.peak)
    _draw_energy(figure.add_axes((0.60, 0.115, 0.36, 0.265)), record, ball)
    figure.text(0.03, 0.955, plain(ball.name, 60), fontsize=13, weight="bold", color=INK)
    words = text_in_chosen_units(_words(record))
    figure.text(0.03, 0.92, words, fontsize=9, color=INK)
    figure.text(0.03, 0.893, text_in_chosen_units(graded_words(ball)), fontsize=9, color=INK)
    return figure


def impact_gif(record: ImpactRecord, ball: Ball, shade: Shade = "strain") -> bytes:
    """Draw the impact from touch to release as an animated GIF.

    Parameters
    ----------
    record, ball, shade
        As for `draw_impact`; a frame of the record is a frame of the animation.
    """
    from PIL import Image

    images: list[Image.Image] = []
    top = _top(record, record.peak if shade == "strain" else len(record.frames) - 1, shade)
    for index in range(len(record.frames)):
        figure = new_figure(6.6, 6.2)
        section = figure.add_axes((0.03, 0.30, 0.94, 0.62))
        _draw_section(section, record, index, shade, top)
        _colour_bar(figure, (0.10, 0.245, 0.34, 0.016), shade, top)
        _draw_force(figure.add_axes((0.60, 0.10, 0.36, 0.17)), record, index)
        figure.text(0.03, 0.955, plain(ball.name, 48), fontsize=11, weight="bold", color=INK)
        what = f"{record.swing or 'rigid barrier'}, {record.speed:g} m/s"
        figure.text(0.03, 0.06, text_in_chosen_units(what), **_SMALL)
        figure.text(0.03, 0.10, f"{1e6 * record.frames[index].time:.0f} µs", fontsize=15, color=INK)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=_DOTS, metadata={"Software": None})
        images.append(Image.open(buffer).convert("RGB"))
    # One palette for all, of the frame that shows every shade.
    palette = images[record.peak if shade == "strain" else -1].quantize(_COLOURS)
    images = [image.quantize(palette=palette, dither=Image.Dither.NONE) for image in images]
    out = io.BytesIO()
    ticks = [_TICK] * (len(images) - 1) + [_REST * _TICK]
    images[0].save(
        out, format="GIF", save_all=True, append_images=images[1:], duration=ticks, loop=0
    )
    return out.getvalue()


def save_gif(record: ImpactRecord, ball: Ball, path: StrPath, shade: Shade = "strain") -> None:
    """Write the animation of `impact_gif` to a file.

    Parameters
    ----------
    record, ball, shade
        As for `draw_impact`.
    path : path
        Of the file.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    try:
        with open(path, "wb") as file:
            file.write(impact_gif(record, ball, shade))
    except OSError as error:
        raise InputError(f"animation {path} cannot be written: {error.strerror}.") from error


def _words(record: ImpactRecord) -> str:
    frame, results = record.frames[record.peak], record.results
    if record.swing:
        how = f"{record.swing}: head at {record.speed:g} m/s; peak deformation"
        out = f"ball leaves at {results['ball_speed']:.1f} m/s"
    else:
        how = f"rigid barrier at {record.speed:g} m/s; peak travel of the ball's centre"
        out = f"impact speed ratio (COR) {results['cor']:.3f}"
    return (
        f"{how} {1e3 * results['peak_deformation']:.1f} mm, at "
        f"{1e6 * frame.time:.0f} of {1e6 * results['contact_time']:.0f} µs; {out}"
    )


def _top(record: ImpactRecord, index: int, shade: Shade) -> float:
    """Return the end of the shading, past which are 0.5 % of a frame's elements."""
    return max(float(np.quantile(_values(section_of(record, index), shade), 0.995)), 1e-9)


def _values(seen: Section, shade: Shade) -> FloatArray:
    return _SHADES[shade][1] * (seen.shear_strain if shade == "strain" else seen.loss)


def _draw_section(axes: Axes, record: ImpactRecord, index: int, shade: Shade, top: float) -> None:
    """Fill the deformed section; everything in mm, seen from the face."""
    seen = section_of(record, index)
    values, colours = _values(seen, shade), _SHADES[shade][2]
    levels = np.linspace(0.0, top, _LEVELS + 1)
    for layer in range(int(seen.layer.max()) + 1):
        own = seen.layer == layer
        net, smooth = _triangles(seen, values, own)
        axes.tricontourf(
            net, np.clip(smooth, 0.0, levels[-1]), levels=levels, cmap=colours, extend="max"
        )
    for name, lines in edges_of(seen).items():
        axes.add_collection(
            LineCollection(
                list(1e3 * lines),
                colors=INK if name == "surface" else "white",
                linewidths=1.3 if name == "surface" else 1.0,
            )
        )
    axes.plot(*(1e3 * seen.face), color=_FACE_INK, linewidth=2.2)
    axes.plot(*(1e3 * seen.patch), color=_TOUCH, linewidth=4.5, solid_capstyle="butt")
    radius = 1e3 * float(np.ptp(record.grid.points[-1])) / 2.0
    _frame_view(axes, record, radius)
    if seen.patch.size:
        x, y = 1e3 * seen.patch[:, seen.patch.shape[1] // 2]
        back = -3.0 * np.array([math.cos(record.tilt), math.sin(record.tilt)])
        turn = math.degrees(record.tilt) - 90.0
        axes.text(
            x + back[0], y + back[1], "contact", rotation=turn, rotation_mode="anchor",
            color=_TOUCH, fontsize=8, ha="center", va="center",
        )  # fmt: skip
    _scale(axes)


def _frame_view(axes: Axes, record: ImpactRecord, radius: float) -> None:
    """Keep the ball in view from touch to release, whatever the loft."""
    axes.set_aspect("equal")
    axes.axis("off")
    if record.swing:
        middle = radius * np.array([math.cos(record.tilt), math.sin(record.tilt)])
    else:
        middle = np.array([0.0, radius])
    axes.set_xlim(middle[0] - 1.32 * radius, middle[0] + 1.32 * radius)
    axes.set_ylim(middle[1] - 1.32 * radius, middle[1] + 1.32 * radius)


def _scale(axes: Axes) -> None:
    """Draw 10 mm, or half an inch, at the lower right of the view."""
    right, low = axes.get_xlim()[1] - 1.0, axes.get_ylim()[0]
    factor = factor_of("mm")
    size, words = (10.0, "10 mm") if factor == 1.0 else (0.5 / factor, "0.5 in")
    axes.plot([right - size, right], [low + 1.5] * 2, color=INK, linewidth=1.2)
    axes.text(right - 0.5 * size, low + 2.0, words, ha="center", va="bottom", **_SMALL)


def _triangles(
    seen: Section, values: FloatArray, own: FloatArray
) -> tuple[Triangulation, FloatArray]:
    """Split a layer's quadrilaterals; the value at a node is the mean of those around it."""
    quads = seen.quads[:, own]
    used, place = np.unique(quads, return_inverse=True)
    place = place.reshape(quads.shape)
    count = np.bincount(place.ravel(), minlength=len(used))
    smooth = np.bincount(place.ravel(), np.tile(values[own], 4), len(used)) / count
    triangles = np.concatenate([place[[0, 1, 2]], place[[0, 2, 3]]], axis=1).T
    x, y = 1e3 * seen.points[:, used]
    return Triangulation(x, y, triangles), smooth


def edges_of(seen: Section) -> dict[str, FloatArray]:
    """Edges of the surface and of the interfaces between layers, (k, 2, 2) m each."""
    ends = np.stack([seen.quads, np.roll(seen.quads, -1, axis=0)])
    pairs = np.sort(ends.reshape(2, -1), axis=0).T
    places: dict[tuple[int, int], list[int]] = {}
    for edge, layer in zip(map(tuple, pairs.tolist()), np.tile(seen.layer, 4), strict=True):
        places.setdefault(edge, []).append(int(layer))
    axis = np.abs(seen.points[0]) < 1e-12  # of a mirrored half, whose edges have one side
    found: dict[str, list[tuple[int, int]]] = {"interface": [], "surface": []}
    for edge, sides in places.items():
        if len(set(sides)) == 2:
            found["interface"].append(edge)
        elif len(sides) == 1 and not axis[list(edge)].all():
            found["surface"].append(edge)
    return {
        name: seen.points[:, np.array(edges, dtype=int).reshape(-1, 2)].transpose(1, 2, 0)
        for name, edges in found.items()
    }


def _colour_bar(
    figure: Figure, place: tuple[float, float, float, float], shade: Shade, top: float
) -> None:
    label, _, colours = _SHADES[shade]
    norm = Normalize(0.0, top)
    bar = figure.colorbar(
        ScalarMappable(norm, colours),
        cax=figure.add_axes(place),
        orientation="horizontal",
        extend="max",
    )
    bar.ax.tick_params(labelsize=7.5, colors=INK, length=2.5)
    bar.set_label(label, fontsize=8, color=INK)


def _draw_patch(figure: Figure, axes: Axes, record: ImpactRecord) -> None:
    """Plot pressure and slip on the face at greatest compression, seen by the face, mm."""
    patch = record.frames[record.peak].patch
    assert patch is not None  # of a strike
    x, z = 1e3 * patch.place
    size = 5.5e7 * patch.area
    dots = axes.scatter(
        x, z, s=size, c=1e-6 * patch.pressure, cmap="cividis", vmin=0.0, linewidths=0.0
    )
    on = patch.sliding
    speed = np.hypot(*patch.slip[:, on])
    if len(speed) and speed.max() > 0.0:
        axes.quiver(
            x[on], z[on], *patch.slip[:, on],
            color=_TOUCH, angles="xy", width=0.006, scale=14.0 * max(speed.max(), 1.0),
        )  # fmt: skip
    force = patch.pressure * patch.area
    share = 100.0 * float(force[on].sum() / force.sum())
    words = (
        f"arrows: slip, up to {speed.max(initial=0.0):.1f} m/s, under {share:.0f} % of the force"
    )
    frame = record.frames[record.peak]
    title = f"Contact then: {1e6 * frame.contact_area:.0f} mm², {1e-3 * frame.force:.1f} kN"
    both = text_in_chosen_units(f"{title}\n{words if on.any() else 'no slip'}")
    axes.set_title(both, fontsize=8.5, loc="left", color=INK)
    reach = 1.2 * max(float(np.abs(x).max(initial=1.0)), float(np.ptp(z)) / 2.0)
    middle = 0.5 * float(z.max(initial=0.0) + z.min(initial=0.0))
    axes.set_aspect("equal")
    axes.set_xlim(-reach, reach)
    axes.set_ylim(middle - reach, middle + reach)
    axes.set_xlabel(heading_in_chosen_units("heel to toe, mm"), fontsize=8, color=INK)
    axes.set_ylabel(heading_in_chosen_units("up the face, mm"), fontsize=8, color=INK)
    use_on(axes.xaxis, "mm")
    use_on(axes.yaxis, "mm")
    axes.tick_params(labelsize=7.5, colors=INK, length=2.5)
    bar = figure.colorbar(dots, ax=axes, shrink=0.9)
    bar.set_label(heading_in_chosen_units("pressure, MPa"), fontsize=8, color=INK)
    use_on(bar.ax.yaxis, "MPa")
    bar.ax.tick_params(labelsize=7.5, colors=INK, length=2.5)


def _draw_force(axes: Axes, record: ImpactRecord, index: int) -> None:
    """Plot the normal force over time and mark one instant."""
    time = 1e6 * np.array([frame.time for frame in record.frames])
    force = 1e-3 * np.array([frame.force for frame in record.frames])
    axes.plot(time, force, color=INK, linewidth=1.2)
    axes.plot(time[index], force[index], "o", color=_TOUCH, markersize=5)
    axes.set_xlabel("time since first touch, µs", fontsize=8, color=INK)
    axes.set_ylabel(heading_in_chosen_units("force, kN"), fontsize=8, color=INK)
    use_on(axes.yaxis, "kN")
    axes.set_ylim(0.0, 1.12 * max(float(force.max()), 1e-6))
    axes.set_xlim(0.0, float(time[-1]))
    axes.tick_params(labelsize=7.5, colors=INK, length=2.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _draw_energy(axes: Axes, record: ImpactRecord, ball: Ball) -> None:
    """Plot what each layer loses and keeps as vibration, outermost first, J."""
    table = record.energy
    names = [layer.role for layer in ball.layer]
    rows = np.arange(len(names))
    axes.barh(rows, table.lost, color=_LOST, height=0.62, label="lost in the material")
    axes.barh(
        rows, table.vibration, left=table.lost, color=_KEPT, height=0.62, label="left as vibration"
    )
    for row, lost, kept in zip(rows, table.lost, table.vibration, strict=True):
        words = f"  {lost:.2f} J, {100 * lost / table.given:.1f} %"
        axes.text(lost + kept, float(row), words, va="center", **_SMALL)
    axes.set_yticks(rows, labels=names, fontsize=8, color=INK)
    axes.set_xlim(0.0, 1.45 * float((table.lost + table.vibration).max()))
    axes.set_xlabel("J", fontsize=8, color=INK)
    axes.tick_params(labelsize=7.5, colors=INK, length=2.5)
    # Below the axis: within it, the longest bar of some ball would reach it.
    under: dict[str, Any] = {"loc": "upper center", "bbox_to_anchor": (0.45, -0.23), "ncols": 2}
    axes.legend(fontsize=7.5, frameon=False, **under)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    shown = ("head", "speed", "spin", "face friction")
    kept = ", ".join(f"{n} {table.whole[n]:.4g} J" for n in shown if n in table.whole)
    title = f"Of {table.given:.4g} J given\n{kept}\nand in each layer, with its share:"
    axes.set_title(title, fontsize=8.5, loc="left", color=INK, x=-0.17)
