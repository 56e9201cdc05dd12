"""A graded core cut into sub-layers: each a step, or a piece of the profile on the same mesh."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from layers.ball import Ball, Layer
from layers.graded.curve import RadialCurve
from layers.graded.profile import Profile


def graded_ball(profile: Profile | None = None) -> Ball:
    """Core of 36 mm with a profile, mantle and cover."""
    layers = (
        Layer(role="core", outer_diameter_mm=36.0, material="core rubber, medium", profile=profile),
        Layer(role="mantle", outer_diameter_mm=39.6, material="ionomer, firm"),
        Layer(role="cover", outer_diameter_mm=42.7, material="urethane, soft"),
    )
    return Ball(name="graded", layer=layers)


def sub_layered(ball: Ball, steps: int):
    """Return (staircase, pieces): bodies whose core is `steps` shells of equal thickness.

    Each step has the mean of its piece by volume; the pieces keep the profile itself.
    """
    body = ball.body()
    curve = body.modulus_curve[0]
    edges = np.linspace(0.0, body.outer_radius[0], steps + 1)
    means = np.array([_mean_within(curve, a, b) for a, b in pairwise(edges)])

    def spread(values):
        return np.concatenate([np.repeat(values[:1], steps, axis=0), values[1:]])

    common = {
        name: spread(getattr(body, name))
        for name in ("density", "shear_modulus", "bulk_modulus", "dynamic_modulus_ratio",
                     "relaxation_strength", "relaxation_time")
    }  # fmt: skip
    common["outer_radius"] = np.concatenate([edges[1:], body.outer_radius[1:]])
    factor = np.concatenate([means, np.ones(len(body.density) - 1)])
    stepped = replace(body, **common, modulus_curve=())
    stepped = replace(
        stepped,
        shear_modulus=stepped.shear_modulus * factor,
        bulk_modulus=stepped.bulk_modulus * factor,
    )
    rest = body.modulus_curve[1:]
    return stepped, replace(body, **common, modulus_curve=(curve,) * steps + rest)


def _mean_within(curve: RadialCurve, inner: float, outer: float) -> float:
    """Mean by volume of a curve over part of its layer, by Gauss points."""
    x, w = np.polynomial.legendre.leggauss(12)
    r = 0.5 * (inner + outer) + 0.5 * (outer - inner) * x
    return float((w * r**2 * curve.at(r)).sum() / (w * r**2).sum())
