"""Sizes and masses of a stage, from the finished diameter back to mould and charge."""

from dataclasses import dataclass

import numpy as np

from layers.ball import Ball
from layers.mass import inertia
from optimize.lab.process import LayerProcess

# Rows without content where nothing is ground.
_GROUND = ("moulded_mm", "removed_by_grinding_g")


@dataclass(frozen=True)
class Quantity:
    """A size or mass of the tooling, and how it was computed."""

    name: str
    label: str
    unit: str
    value: float
    how: str


def tooling_of(ball: Ball, number: int, own: LayerProcess) -> tuple[Quantity, ...]:
    """Sizes and masses of a stage, from the finished diameter back to the charge.

    moulded = finished + stock; cavity = moulded / (1 - shrinkage); charge = (1 + flash) x density x
    (volume of the moulded sphere - volume of the finished stage inside - dimples).

    Parameters
    ----------
    ball : Ball
        The build.
    number : int
        Stage, counted from 1.
    own : LayerProcess
        Allowances of its outermost layer.
    """
    layer = ball.layer[number - 1]
    density = layer.material.density_g_cm3.value
    finished = layer.outer_diameter_mm
    inner = ball.layer[number - 2].outer_diameter_mm if number > 1 else 0.0
    moulded = finished + own.grinding_stock_mm
    cavity = moulded / (1.0 - own.shrinkage_percent / 100.0)
    dimples = inertia.dimple_mass(ball.body()) * 1e3 if number == len(ball.layer) else 0.0
    mass = density * (sphere_cm3(moulded) - sphere_cm3(inner)) - dimples
    ground = density * (sphere_cm3(moulded) - sphere_cm3(finished))
    charge = mass * (1.0 + own.flash_percent / 100.0)
    flash, shrink = (
        f"{own.flash_percent:g} % flash allowance",
        f"as moulded, {own.shrinkage_percent:g} % linear shrinkage",
    )
    stock = f"{own.grinding_stock_mm:g} mm grinding stock"
    charge_label = {
        "rubber": "Preform (slug) mass",
        "ionomer": "Shot mass, without runner",
        "urethane": "Cast mass, both components",
    }.get(layer.material.family, "Charge mass")
    rows = (
        Quantity("finished_mm", "Finished diameter", "mm", finished, "the build"),
        Quantity("moulded_mm", "Diameter as moulded", "mm", moulded, f"finished + {stock}"),
        Quantity("cavity_mm", "Mould cavity diameter, cold", "mm", cavity, shrink),
        Quantity("density_g_cm3", "Density of the layer", "g/cm3", density, "the build"),
        Quantity("layer_g", "Layer mass, finished", "g", mass - ground, "the build"),
        Quantity("removed_by_grinding_g", "Removed by grinding", "g", ground, stock),
        Quantity("charge_g", charge_label, "g", charge, f"layer as moulded + {flash}"),
        Quantity("charge_cm3", "Charge volume", "cm3", charge / density, "mass / density"),
    )
    return rows if own.grinding_stock_mm > 0.0 else tuple(q for q in rows if q.name not in _GROUND)


def sphere_cm3(diameter_mm: float) -> float:
    """Volume of a sphere, cm3."""
    return float(np.pi / 6.0 * (diameter_mm / 10.0) ** 3)
