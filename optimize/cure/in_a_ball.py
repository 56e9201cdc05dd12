"""A cured core in a ball: its profile in the layer, and what its errors do to figures."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.cure.hardening import HardnessProfile, log_slope
from layers.errors import SolverError
from layers.estimation import estimate_many
from layers.hardness import HARDNESS_SCATTER

_MOST_KNOTS = 25
# Share of the profile's variance that its main deviations must have, and most of these.
_ENOUGH, _MOST = 0.995, 4
# Shift of ln E over which the figures' slope is taken.
_SHIFT = 0.1


@dataclass(frozen=True)
class Spread:
    """A figure of a ball with a cured core.

    Attributes
    ----------
    name, unit : str
        The figure.
    value : float
        By the expected profile.
    by_map : float
        Half width, 95 %, that the map from cure to hardness and the core's own deviation leave.
    with_relation : float
        The same with the scatter of the relation of hardness to modulus.
    """

    name: str
    unit: str
    value: float
    by_map: float
    with_relation: float


def layer_profile(profile: HardnessProfile, diameter_mm: float) -> dict[str, Any]:
    """Return the profile as the table of a layer of a ball file, ground to a diameter.

    Parameters
    ----------
    profile : HardnessProfile
        Of the core as moulded, from its centre.
    diameter_mm : float
        Of the core in the ball.
    """
    at = np.linspace(0.0, 0.5 * diameter_mm, min(len(profile.position_mm), _MOST_KNOTS))
    modulus = np.interp(at, profile.position_mm, profile.modulus_mpa)
    slope = log_slope(profile.modulus_mpa)
    ends = np.zeros(len(slope))
    ends[0], ends[-1] = -slope[0], slope[-1]
    variance = float(ends @ profile.covariance @ ends)
    return {
        "knots": [
            [round(float(r), 4), round(float(e), 4)] for r, e in zip(at, modulus, strict=True)
        ],
        "ratio_scatter_percent": round(min(100.0 * np.sqrt(max(variance, 0.0)), 200.0), 2),
        "source": f"cure; hardness map {profile.source}",
    }


def cured_ball(ball: Ball, profile: HardnessProfile) -> Ball:
    """Return the ball with the profile in its innermost layer.

    Parameters
    ----------
    ball : Ball
        Its core is not larger than the profile.
    profile : HardnessProfile
        Of the core as moulded.

    Raises
    ------
    InputError
        If a modulus is beyond what a layer may have.
    """
    return ball.replace(1, profile=layer_profile(profile, ball.layer[0].outer_diameter_mm))


def figure_spreads(ball: Ball, profile: HardnessProfile, names: Sequence[str]) -> list[Spread]:
    """Return figures of a ball with a cured core, with intervals to first order.

    The covariance of ln E along the radius is taken apart into its main deviations, each of which
    is put into the ball; the relation of hardness to modulus scales the whole profile.

    Parameters
    ----------
    ball : Ball
        The build.
    profile : HardnessProfile
        Of its core as moulded.
    names : sequence of str
        Figures.

    Raises
    ------
    SolverError
        If a figure cannot be computed.
    """
    slope = log_slope(profile.modulus_mpa)
    size, shape = np.linalg.eigh(profile.covariance * np.outer(slope, slope))
    order = np.argsort(size)[::-1]
    share = np.cumsum(size[order]) / size.sum()
    main = order[: min(int(np.searchsorted(share, _ENOUGH)) + 1, _MOST)]
    deviations = [np.zeros(len(slope)), np.full(len(slope), _SHIFT)]
    deviations += [shape[:, i] * np.sqrt(size[i]) for i in main]
    balls = [cured_ball(ball, _shifted(profile, deviation)) for deviation in deviations]
    found = estimate_many(balls, list(names))
    failed = {name: why for one in found for name, why in one.failed.items()}
    if failed:
        raise SolverError("; ".join(f"{name}: {why}" for name, why in failed.items()))
    spreads = []
    for name, figure in found[0].figures.items():
        relation, *own = (one.figures[name].value - figure.value for one in found[1:])
        by_map = profile.width * float(np.linalg.norm(own))
        by_relation = profile.width * HARDNESS_SCATTER * relation / _SHIFT
        spreads.append(
            Spread(name, figure.unit, figure.value, by_map, float(np.hypot(by_map, by_relation)))
        )
    return spreads


def _shifted(profile: HardnessProfile, deviation: FloatArray) -> HardnessProfile:
    modulus = profile.modulus_mpa * np.exp(deviation)
    return HardnessProfile(
        profile.position_mm,
        profile.shore_c,
        modulus,
        profile.covariance,
        profile.width,
        profile.source,
    )
