"""Seeded random builds that tests and benchmarks share: realistic layers, 42.67 mm outside."""

import numpy as np

from layers.ball import Ball, Body, Layer, Role
from layers.materials import Material, RelaxationPair

BALL_DIAMETER_MM = 42.67

# Young's modulus (MPa), Poisson's ratio, density (g/cm3), dynamic/static modulus ratio: the range.
Range = tuple[float, float]
_CARDS: dict[str, tuple[Range, Range, Range, Range]] = {
    "core": ((15.0, 110.0), (0.480, 0.495), (1.10, 1.25), (1.2, 1.6)),
    "mantle": ((40.0, 400.0), (0.440, 0.480), (0.94, 1.05), (1.05, 1.3)),
    "cover": ((25.0, 400.0), (0.440, 0.490), (0.95, 1.15), (1.05, 1.3)),
}

_ROLES: dict[int, tuple[Role, ...]] = {
    2: ("core", "cover"),
    3: ("core", "mantle", "cover"),
    4: ("inner core", "outer core", "mantle", "cover"),
    5: ("inner core", "outer core", "mantle", "mantle", "cover"),
}


def random_balls(n: int, seed: int) -> list[Ball]:
    """Draw balls of 2 to 5 layers (each count in turn) with material cards.

    Core Young's modulus 15-110 MPa, mantles 40-400, covers 25-400 (log-uniform); mantles 0.8-2 mm,
    covers 0.5-2 mm thick, an inner core 15-30 mm across; one relaxation pair for each material.
    Equal `n` and `seed` give equal balls; a larger `n` begins with the same balls.
    """
    rng = np.random.default_rng(seed)
    return [_random_ball(rng, 2 + number % 4, number) for number in range(n)]


def random_bodies(n: int, seed: int) -> list[Body]:
    """Return the SI bodies of `random_balls`."""
    return [ball.body() for ball in random_balls(n, seed)]


def _random_ball(rng: np.random.Generator, count: int, number: int) -> Ball:
    roles = _ROLES[count]
    diameters = [BALL_DIAMETER_MM]
    for role in roles[:0:-1]:
        if role == "cover":
            diameters.append(diameters[-1] - 2.0 * rng.uniform(0.5, 2.0))
        elif role == "mantle":
            diameters.append(diameters[-1] - 2.0 * rng.uniform(0.8, 2.0))
        else:
            diameters.append(rng.uniform(15.0, 30.0))
    layers = [
        Layer(role=role, outer_diameter_mm=diameter, material=_random_material(rng, role))
        for role, diameter in zip(roles, reversed(diameters), strict=True)
    ]
    return Ball(name=f"random ball {number}", layer=tuple(layers))


def _random_material(rng: np.random.Generator, role: Role) -> Material:
    modulus, poisson, density, ratio = _CARDS[role.split()[-1]]
    return Material.model_validate(
        {
            "name": f"random {role}",
            "youngs_modulus_mpa": float(np.exp(rng.uniform(*np.log(modulus)))),
            "poisson_ratio": rng.uniform(*poisson),
            "density_g_cm3": rng.uniform(*density),
            "dynamic_modulus_ratio": rng.uniform(*ratio),
            "relaxation": (
                RelaxationPair(strength=rng.uniform(0.15, 0.35), time_us=rng.uniform(25.0, 70.0)),
            ),
        }
    )
