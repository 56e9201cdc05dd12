"""Slopes of figures over the numbers of cards that only one of two builds has.

``python -m tests.benchmarks.difference_sensitivity FILE BUILDS SEED`` writes, by figure, role and
number, the root mean square over builds of d ln(figure) / d ln(number) over that of the layer's
thickness as a share of the radius; `tests.benchmarks.difference_errors` puts it into the model.
"""

import json
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from layers.ball import Ball
from layers.estimation import estimate
from layers.figures import QUANTITIES
from layers.materials import Material
from layers.resolution.grades import NUMBERS
from tests.benchmarks.difference_data import CLUBS
from tests.benchmarks.mesh_errors import builds

STEP = 0.05


def moved(card: Material, number: str) -> Material:
    """Return a card with one number raised by the step."""
    values: dict[str, Any] = card.model_dump(mode="json")
    if number == "relaxation_strength":
        for pair in values["relaxation"]:
            pair["strength"] *= 1.0 + STEP
    elif number == "dynamic_modulus_ratio":
        values[number]["value"] = 1.0 + (values[number]["value"] - 1.0) * (1.0 + STEP)
    else:
        values[number]["value"] *= 1.0 + STEP
    return Material.model_validate(values)


def with_card(ball: Ball, place: int, card: Material) -> Ball:
    layers = list(ball.layer)
    layers[place] = layers[place].model_copy(update={"material": card})
    return ball.model_copy(update={"layer": tuple(layers)})


def main() -> None:
    path, count, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    slopes: dict[tuple[str, str, str], list[tuple[float, float]]] = defaultdict(list)
    for i, ball in enumerate(builds(count, seed)):
        club = CLUBS[(i // 5) % len(CLUBS)]
        names = [n for n, q in QUANTITIES.items() if q.of == "body" and n != "diameter_mm"]
        names += [f"{club}.{n}" for n, q in QUANTITIES.items() if q.of == "swing"]
        here = estimate(ball, names).figures
        inner = 0.0
        for place, layer in enumerate(ball.layer):
            share = (layer.outer_diameter_mm - inner) / ball.layer[-1].outer_diameter_mm
            inner = layer.outer_diameter_mm
            for number in NUMBERS:
                if number == "friction" and layer.role != "cover":
                    continue
                wanted = [n for n in names if number != "friction" or "." in n]
                there = estimate(with_card(ball, place, moved(layer.material, number)), wanted)
                for name, figure in there.figures.items():
                    if name in here:
                        slope = (figure.value / here[name].value - 1.0) / np.log1p(STEP)
                        key = (name.rpartition(".")[2], layer.role, number)
                        slopes[key].append((float(slope), share))
    found: dict[str, dict[str, dict[str, float]]] = {}
    for (figure, role, number), values in slopes.items():
        slope, share = np.sqrt(np.mean(np.square(values), axis=0))
        size = float(slope / share)
        found.setdefault(figure, {}).setdefault(role, {})[number] = size
    path.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
