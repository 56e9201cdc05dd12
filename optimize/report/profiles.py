"""Graded layers as a table: moduli at both ends and what a durometer would read there."""

from collections.abc import Sequence

from layers.ball import Ball
from layers.graded.difference import hardness_difference
from layers.hardness import find_scale, reading_of
from optimize.report.tables import Section, columns

_SHORE_C = find_scale("C")


def profile_words(ball: Ball, number: int) -> str:
    """Write a layer's modulus: one number, or for a graded layer both ends and the mean.

    Parameters
    ----------
    ball : Ball
        The build.
    number : int
        The layer, 1 for the innermost.
    """
    layer, ends = ball.layer[number - 1], ball.ends_mpa(number)
    mean = f"{layer.material.youngs_modulus_mpa.value:.4g} MPa"
    if layer.profile is None:
        return mean
    return f"{ends[0]:.3g} to {ends[1]:.3g} MPa outward, mean {mean}"


def profiles_section(balls: Sequence[Ball], labels: Sequence[str] = ("",)) -> list[Section]:
    """Tabulate the graded layers; nothing where all are even.

    Parameters
    ----------
    balls : sequence of Ball
        The builds.
    labels : sequence of str
        A letter for each.
    """
    rows: list[tuple[str, ...]] = []
    notes: dict[str, None] = {}
    for ball, label in zip(balls, labels, strict=True):
        for number, layer in enumerate(ball.layer, start=1):
            if layer.profile is None:
                continue
            ends = ball.ends_mpa(number)
            hard = [reading_of(_SHORE_C, modulus) for modulus in ends]
            difference, error, caution = hardness_difference(*ends)
            profile = layer.profile
            rows.append(
                (
                    label,
                    layer.role,
                    *(f"{modulus:.3g}" for modulus in ends),
                    f"{profile.contrast:.3g}",
                    f"{len(profile.relative_knots)} knots"
                    if profile.relative_knots
                    else f"{profile.shape:g}",
                    *(f"{reading:.0f}" for reading in hard),
                    f"{difference:.0f} ± {error:.0f}",
                )
            )
            told = f"{layer.role}: {profile.source}"
            if profile.ratio_scatter_percent:
                told += f"; surface over centre ± {profile.ratio_scatter_percent:.0f} %"
            notes[told + "."] = None
            if caution:
                notes[f"* {layer.role}: {caution}."] = None
    if not rows:
        return []
    heads = columns(
        *("", "layer", ">inside, MPa", ">outside, MPa", ">ratio", ">shape"),
        *(">inside, Shore C", ">outside, Shore C", ">difference"),
    )
    return [Section("Graded layers, from inside to outside", heads, tuple(rows), tuple(notes))]
