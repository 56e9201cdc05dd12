"""What to say when an element turned inside out: which layer, and what to change."""

import numpy as np

from layers.arrays import FloatArray, IntArray
from layers.ball import Body

# Volume ratio below which an element counts as crushed.
FLAT = 0.2


def crushed(body: Body, volume_ratio: FloatArray, layer: IntArray, speed: float) -> str:
    """Name the softest of the layers whose elements were nearly flat or turned when it ended.

    Neighbours are torn along within a few steps, and the softest is where it began.

    Parameters
    ----------
    body : Body
    volume_ratio, layer : (m,) array
        Volume of each element over that at rest at the last sound step, NaN where lost; its layer.
    speed : float
        Of the impact, m/s.
    """
    ratio = np.where(np.isfinite(volume_ratio), volume_ratio, -np.inf)
    torn = np.unique(layer[ratio <= max(FLAT, float(ratio.min()))])
    k = int(torn[np.argmin(body.shear_modulus[torn])])
    shear, bulk = body.shear_modulus[k], body.bulk_modulus[k]
    youngs = 9.0 * bulk * shear / (3.0 * bulk + shear)
    return (
        f"an element of layer {k + 1} of {len(body.density)}, counted from the centre (Young's "
        f"modulus {1e-6 * youngs:.3g} MPa), turned inside out at {speed:.3g} m/s: make that layer "
        "firmer or thicker, or the impact slower."
    )
