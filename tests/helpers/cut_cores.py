"""The invented cut cores of scenarios/cure.

``python -m tests.helpers.cut_cores`` writes them: an invented lab whose polymerisation, heat
transfer and stiffening differ from the shipped map's by up to 1.3 of its standard deviations, with
the scatter that the map assumes.
"""

from pathlib import Path

import numpy as np

from layers.compound.recipe import read_recipe, with_active
from layers.cure.chemistry import default_chemistry
from layers.cure.cycle import read_cycle
from layers.cure.fit import CutCore, covariance_of
from layers.cure.hardening import PARAMETERS, Noise, hardness
from layers.cure.stock import stock_of

FOLDER = Path(__file__).parents[2] / "scenarios" / "cure"
# Of the invented lab, in standard deviations of the priors.
TRUTH = np.array([-1.2, -1.3, 0.6, 0.5, 0.5, -0.8, 0.0, 0.4, -0.3])
PLACES = np.array([0.0, 3.5, 7.0, 10.5, 14.0, 17.5])
# Co-agent, peroxide, platen, minutes of each core.
ROUND_ONE = {
    "A1": (24.0, 0.5, 160.0, 22.0),
    "A2": (24.0, 0.9, 170.0, 18.0),
    "A3": (32.0, 0.5, 170.0, 18.0),
    "A4": (32.0, 0.9, 160.0, 22.0),
    "A5": (28.0, 0.7, 165.0, 18.0),
}
# The three trials that tell most after the first round, and the closest candidate.
ROUND_TWO = {
    "B1": (38.0, 0.35, 167.0, 14.0),
    "B2": (30.5, 0.4, 176.0, 23.5),
    "B3": (15.0, 1.3, 175.0, 20.5),
    "B4": (37.0, 0.3, 171.0, 14.0),
}


def theta():
    """Return the invented lab's parameters."""
    deviation = np.array([p.deviation for p in PARAMETERS])
    return np.array([p.mean for p in PARAMETERS]) + TRUTH * deviation


def readings(cores, seed):
    """Return the CSV of some cores."""
    rng = np.random.default_rng(seed)
    recipe, cycle = read_recipe(FOLDER / "core.toml"), read_cycle(FOLDER / "cycle.toml")
    head = "core,recipe,cycle,diameter_mm,position_mm,shore_c"
    lines = [f"{head},coagent_phr,peroxide_phr,platen_celsius,cure_minutes"]
    for name, (coagent, peroxide, platen, minutes) in cores.items():
        mixed = with_active(with_active(recipe, "co-agent", coagent), "peroxide", peroxide)
        step = cycle.step[0].model_copy(update={"platen_celsius": platen, "minutes": minutes})
        own = cycle.model_copy(update={"step": (step,)})
        stock = stock_of(mixed, default_chemistry())
        core = CutCore(name, stock, own, 38.6, PLACES, np.zeros(len(PLACES)))
        true = hardness(theta(), stock, own, 38.6, PLACES)
        read = rng.multivariate_normal(true, covariance_of(core, Noise()))
        settings = f"{coagent:g},{peroxide:g},{platen:g},{minutes:g}"
        lines += [
            f"{name},core.toml,cycle.toml,38.6,{place:g},{round(2.0 * value) / 2.0:g},{settings}"
            for place, value in zip(PLACES, read, strict=True)
        ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    (FOLDER / "round_one.csv").write_text(readings(ROUND_ONE, 1), encoding="utf-8")
    (FOLDER / "round_two.csv").write_text(readings(ROUND_TWO, 2), encoding="utf-8")
