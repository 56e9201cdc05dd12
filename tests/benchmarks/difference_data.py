"""Builds near and far from each other, computed on several meshes: data for errors of differences.

``python -m tests.benchmarks.difference_data FILE CYCLES SEED`` appends a line of JSON a build to
the file, and goes on where it ended. A cycle is a family (a build and three that differ from it
little, more and much, in one or all of their numbers) and four single builds of another seed. All
are computed on the default and the fine mesh; three builds of every fourth family also on a finest
one, and three of every fourth with contact on the club three times as stiff.
"""

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from layers.arrays import Level
from layers.ball import Ball
from layers.compression import curve
from layers.estimation import estimate
from layers.figures import QUANTITIES
from layers.impact import barrier
from layers.materials import Material
from layers.strike import settings
from tests.benchmarks.mesh_errors import MODULUS, THICKNESS, builds

SINGLES = 4  # a cycle
NEARNESS = ((0.01, 0.06), (0.06, 0.25), (0.25, 0.8))  # of the half ranges
CLUBS = ("driver fast", "mid iron fast", "wedge half fast")
SINGLE_CLUBS = (*CLUBS, "wedge half slow")
# The finest mesh: three times the default's elements along an edge, under the club twice.
FINEST = replace(
    settings.LEVELS["fine"],
    normal=16,
    lateral=12,
    upward=24,
    core_rings=6,
    small_core_rings=2,
    shell_rings=6,
    mantle_rings=3,
    cover_rings=4,
    thinnest_step=0.33e-6,
)
STIFF = replace(settings.LEVELS["fine"], contact_stiffness=3.0)


class Case(NamedTuple):
    """A build to be computed, under a club, on some meshes."""

    key: str
    ball: Ball
    club: str
    levels: tuple[str, ...]


def register() -> None:
    """Make the levels ``finest`` and ``stiff`` known to the solvers."""
    curve.LEVELS["finest"] = 3
    barrier.LEVELS["finest"] = barrier.DEFAULT.refined(3)
    settings.LEVELS |= {"finest": FINEST, "stiff": STIFF}


def near(ball: Ball, rng: np.random.Generator, scale: float, name: str) -> Ball:
    """Return a build that differs in thicknesses, moduli, one card or everything."""
    kind = rng.choice(["thicknesses", "moduli", "one card", "all"])
    chosen = int(rng.integers(len(ball.layer)))
    outward = [ball.layer[-1].outer_diameter_mm]
    pairs = list(zip(ball.layer, ball.layer[1:], strict=False))
    for inner, outer in reversed(pairs):
        step = outer.outer_diameter_mm - inner.outer_diameter_mm
        if kind in ("thicknesses", "all"):
            step = _thickness(outer.role, step, rng, scale)
        outward.append(outward[-1] - step)
    layers = []
    for k, (layer, diameter) in enumerate(zip(ball.layer, reversed(outward), strict=True)):
        card = layer.material
        if kind in ("moduli", "all") or (kind == "one card" and k == chosen):
            card = _card(card, layer.role, rng, scale, whole=kind != "moduli")
        layers.append(
            layer.model_copy(update={"outer_diameter_mm": float(diameter), "material": card})
        )
    return Ball(name=name, layer=tuple(layers))


def _thickness(role: str, step: float, rng: np.random.Generator, scale: float) -> float:
    if role == "outer core":
        return float(np.clip(step + scale * rng.uniform(-7.5, 7.5), 4.0, 30.0))
    low, high = (2.0 * t for t in THICKNESS[role])
    half = 0.5 * np.log(high / low)
    return float(np.clip(step * np.exp(scale * rng.uniform(-half, half)), low, high))


def _card(
    card: Material, role: str, rng: np.random.Generator, scale: float, whole: bool
) -> Material:
    low, high = MODULUS[role.split()[-1]]
    half = 0.5 * np.log(high / low)
    modulus = card.youngs_modulus_mpa.value * np.exp(scale * rng.uniform(-half, half))
    values: dict[str, Any] = card.model_dump(mode="json")
    values["youngs_modulus_mpa"]["value"] = float(np.clip(modulus, low, high))
    if whole:
        pair = values["relaxation"][0]

        def moved(value: float, low: float, high: float) -> float:
            step = scale * rng.uniform(-0.5, 0.5) * (high - low)
            return float(np.clip(value + step, low, high))

        pair["strength"] = moved(pair["strength"], 0.15, 1.0)
        pair["time_us"] = moved(pair["time_us"], 20.0, 70.0)
        for field, ends in (
            ("poisson_ratio", (0.45, 0.49)),
            ("density_g_cm3", (0.95, 1.25)),
            ("dynamic_modulus_ratio", (1.1, 1.6)),
        ):
            values[field]["value"] = moved(values[field]["value"], *ends)
    return Material.model_validate(values)


def cases(cycles: int, seed: int) -> Iterator[Case]:
    """Draw the builds, cycle by cycle."""
    bases, singles = builds(cycles, seed), builds(SINGLES * cycles, seed + 1)
    for i, base in enumerate(bases):
        rng = np.random.default_rng((seed, i))
        more = ("finest",) if i % 4 == 0 else ("stiff",) if i % 4 == 2 else ()
        club, extra = CLUBS[(i // 4) % len(CLUBS)], ("default", "fine", *more)
        yield Case(f"family {i}.0", base, club, extra)
        for k, (low, high) in enumerate(NEARNESS, start=1):
            scale = float(np.exp(rng.uniform(np.log(low), np.log(high))))
            levels = extra if k < len(NEARNESS) else ("default", "fine")
            yield Case(f"family {i}.{k}", near(base, rng, scale, f"{base.name}.{k}"), club, levels)
        for j in range(SINGLES * i, SINGLES * (i + 1)):
            club = SINGLE_CLUBS[(j // 5) % len(SINGLE_CLUBS)]
            yield Case(f"single {j}", singles[j], club, ("default", "fine"))


def computed(case: Case) -> dict[str, Any]:
    """Compute a build on its meshes."""
    finite = {n: q for n, q in QUANTITIES.items() if q.basis == "finite element"}
    body = tuple(n for n, q in finite.items() if q.of == "body")
    swing = tuple(f"{case.club}.{n}" for n, q in finite.items() if q.of == "swing")
    found = {}
    for level in case.levels:
        names = swing if level == "stiff" else (*body, *swing)
        done = _estimate(case.ball, names, level)
        found[level] = done
    return {
        "key": case.key,
        "club": case.club,
        "ball": case.ball.model_dump(mode="json"),
        "figures": found,
    }


def _estimate(ball: Ball, names: tuple[str, ...], level: str) -> dict[str, float]:
    chosen: Level = level  # type: ignore[assignment]  # `register` made it one
    done = estimate(ball, names, level=chosen)
    return {n: f.value for n, f in done.figures.items() if not f.flag}


def read(path: Path) -> list[dict[str, Any]]:
    """Read what was computed."""
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def main() -> None:
    """Append what is missing."""
    path, cycles, seed = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    register()
    done = {row["key"] for row in read(path)}
    for case in cases(cycles, seed):
        if case.key not in done:
            row = json.dumps(computed(case))
            with path.open("a") as file:
                file.write(row + "\n")


if __name__ == "__main__":
    main()
