"""Coverage of the stated errors between builds: default against fine mesh on unseen builds.

``python -m tests.benchmarks.mesh_errors BUILDS SEED [body|swing]`` draws builds of two to six
layers, thin ones among them, and prints, figure by figure, the share of builds whose default figure
is within the stated error of the fine one, and the half width that would hold 95 % of them.
Bar: 92 to 98 %.
"""

import sys

import numpy as np

from layers.ball import Ball, Layer, Role
from layers.estimation import estimate
from layers.figures import QUANTITIES
from layers.materials import Material, RelaxationPair

ROLES: dict[int, tuple[Role, ...]] = {
    2: ("core", "cover"),
    3: ("core", "mantle", "cover"),
    4: ("inner core", "outer core", "mantle", "cover"),
    5: ("inner core", "outer core", "mantle", "mantle", "cover"),
    6: ("inner core", "outer core", "mantle", "mantle", "mantle", "cover"),
}
# Lowest and highest Young's modulus, MPa, and thickness of the shells, mm.
MODULUS = {"core": (15.0, 110.0), "mantle": (40.0, 400.0), "cover": (20.0, 400.0)}
THICKNESS = {"mantle": (0.3, 2.0), "cover": (0.3, 2.0)}
SWINGS = ("driver fast", "wedge half slow")


def builds(count: int, seed: int) -> list[Ball]:
    """Draw balls of two to six layers in turn, log-uniform in modulus and thickness."""
    rng = np.random.default_rng(seed)
    return [_build(rng, 2 + number % 5, number) for number in range(count)]


def _build(rng: np.random.Generator, count: int, number: int) -> Ball:
    roles, outward = ROLES[count], [42.67]
    for role in roles[:0:-1]:
        if role == "outer core":
            outward.append(rng.uniform(15.0, 30.0))
        else:
            thin, thick = np.log(THICKNESS[role])
            outward.append(outward[-1] - 2.0 * float(np.exp(rng.uniform(thin, thick))))
    layers = [
        Layer(role=role, outer_diameter_mm=diameter, material=_material(rng, role))
        for role, diameter in zip(roles, reversed(outward), strict=True)
    ]
    return Ball(name=f"build {number}", layer=tuple(layers))


def _material(rng: np.random.Generator, role: str) -> Material:
    pair = RelaxationPair(strength=rng.uniform(0.15, 1.0), time_us=rng.uniform(20.0, 70.0))
    return Material.model_validate(
        {
            "name": f"drawn {role}",
            "youngs_modulus_mpa": float(np.exp(rng.uniform(*np.log(MODULUS[role.split()[-1]])))),
            "poisson_ratio": rng.uniform(0.45, 0.49),
            "density_g_cm3": rng.uniform(0.95, 1.25),
            "dynamic_modulus_ratio": rng.uniform(1.1, 1.6),
            "relaxation": (pair,),
        }
    )


def figures(kind: str) -> list[str]:
    """Return the figures that rest on finite elements, of the ball or of two swings."""
    found = [n for n, q in QUANTITIES.items() if q.of == kind and q.basis == "finite element"]
    return found if kind == "body" else [f"{s}.{n}" for s in SWINGS for n in found]


def main() -> None:
    """Print the coverage of every figure."""
    count, seed = (int(argument) for argument in sys.argv[1:3])
    names = figures((sys.argv[3:] or ["body"])[0])
    misses: dict[str, list[float]] = {name: [] for name in names}
    for done, ball in enumerate(builds(count, seed), start=1):
        default, fine = estimate(ball, names), estimate(ball, names, level="fine")
        for name in set(default.figures) & set(fine.figures):
            figure = default.figures[name]
            misses[name].append(abs(figure.value - fine.figures[name].value) / abs(figure.value))
        print(f"\r{done} of {count} builds", end="", file=sys.stderr, flush=True)
    print(f"{'figure':36} builds  within stated %  stated %  holds 95 %, %  largest %")
    for name, found in misses.items():
        stated = QUANTITIES[name.rpartition(".")[2]].difference_percent
        percent = 100.0 * np.array(found)
        within = 100.0 * np.mean(percent <= stated)
        ends = f"{np.quantile(percent, 0.95):14.3f} {percent.max():10.3f}"
        print(f"{name:36} {len(found):6} {within:16.1f} {stated:9.2f} {ends}")


if __name__ == "__main__":
    main()
