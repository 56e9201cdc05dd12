"""Barrier impact: cost, mesh error, smoothness, Poisson bias, Hertz; argument: builds (100)."""

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from layers.ball import Body
from layers.impact import barrier
from layers.impact.barrier import BarrierImpact, barrier_impact
from tests.helpers.builds import random_bodies
from tests.layers.impact.test_barrier import hertz_contact_time, reference_ball, sphere

SPEED = 38.1  # m/s
FIGURES = ("cor", "contact_time", "peak_force", "peak_deformation")


def like_the_catalogue(body: Body) -> Body:
    """Replace the relaxation of a random build by the catalogue's kind: strong and fast."""
    strength = np.ones_like(body.relaxation_strength)
    strength[0], strength[-1] = 0.82, 1.15
    return replace(
        body, relaxation_strength=strength, relaxation_time=np.full_like(strength, 20e-6)
    )


def cost(bodies: list[Body]) -> None:
    barrier_impact(bodies[0], SPEED)
    spent = []
    for body in bodies:
        start = time.thread_time()
        barrier_impact(body, SPEED)
        spent.append(1e3 * (time.thread_time() - start))
    low, middle, high = np.percentile(spent, [10, 50, 90])
    print(f"CPU per build and barrier, meshing included: median {middle:.0f} ms,", end=" ")
    print(f"10 % to 90 % {low:.0f} to {high:.0f} ms, most {max(spent):.0f} ms")


def discretisation(bodies: list[Body], third: int) -> None:
    levels = {**barrier.LEVELS, "third": barrier.DEFAULT.refined(3)}
    barrier.LEVELS.update(levels)
    default = [barrier_impact(body, SPEED) for body in bodies]
    fine = [barrier_impact(body, SPEED, "fine") for body in bodies]
    finest = [barrier_impact(body, SPEED, "third") for body in bodies[:third]]
    for name in FIGURES:
        _compare(f"{name}, default to fine", name, default, fine)
        _compare(f"{name}, fine to third", name, fine[:third], finest)


def _compare(label: str, name: str, ones: list[BarrierImpact], others: list[BarrierImpact]) -> None:
    ratio = [getattr(a, name) / getattr(b, name) for a, b in zip(ones, others, strict=True)]
    error = 100.0 * (np.array(ratio) - 1.0)
    print(f"  {label:38s} mean {error.mean():+.3f} sd {error.std():.3f} ", end="")
    print(f"max {np.abs(error).max():.3f} % ({len(error)} builds)")


def smoothness(bodies: list[Body]) -> None:
    steps = np.arange(-5, 6)
    for label, variants in (("interface by 0.1 mm", _moved), ("modulus by 1 %", _stiffened)):
        residual = []
        for body in bodies:
            for change in variants(body):
                y = [barrier_impact(change(int(step)), SPEED).cor for step in steps]
                fit = np.polyval(np.polyfit(steps, y, 2), steps)
                residual.append(100.0 * np.abs(y - fit).max() / np.mean(y))
        print(
            f"  {label}: residual of a local quadratic fit median {np.median(residual):.4f},",
            end=" ",
        )
        print(f"max {max(residual):.4f} % ({len(residual)} scans)")


def _moved(body: Body) -> Iterator[Callable[[int], Body]]:
    for unit in np.eye(len(body.outer_radius))[:-1]:
        yield lambda step, unit=unit: replace(
            body, outer_radius=body.outer_radius + 0.05e-3 * step * unit
        )


def _stiffened(body: Body) -> Iterator[Callable[[int], Body]]:
    for unit in np.eye(len(body.outer_radius)):
        yield lambda step, unit=unit: replace(
            body,
            shear_modulus=body.shear_modulus * (1.0 + 0.01 * step * unit),
            bulk_modulus=body.bulk_modulus * (1.0 + 0.01 * step * unit),
        )


def poisson_bias(body: Body) -> None:
    """Change of the reference ball's figures with Poisson's ratio of all layers, G held."""
    for poisson in (0.45, 0.47, 0.48, 0.49, 0.495):
        bulk = body.shear_modulus * 2.0 * (1.0 + poisson) / (3.0 * (1.0 - 2.0 * poisson))
        result = barrier_impact(replace(body, bulk_modulus=bulk), SPEED, "fine")
        print(f"  nu {poisson:.3f}, K/G {bulk[0] / body.shear_modulus[0]:5.1f}: ", end="")
        print(f"speed ratio {result.cor:.4f}, {1e6 * result.contact_time:.1f} us")


def hertz() -> None:
    body = sphere()
    for level in ("default", "fine"):
        for speed in (0.3, 1.0, 3.0, 10.0, SPEED):
            result = barrier_impact(body, speed, level)
            ratio = result.contact_time / hertz_contact_time(body, speed)
            start = result.energy.initial_kinetic
            print(f"  {level}, {speed:4.1f} m/s: contact time over Hertz {ratio:.4f}, ", end="")
            print(f"balance {result.energy.residual / start:+.1e}, ", end="")
            print(f"lost in contact {result.energy.contact_damping / start:.1e}")


def main() -> None:
    builds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for label, change in (
        ("random pairs", None),
        ("pairs like the catalogue's", like_the_catalogue),
    ):
        bodies = random_bodies(builds, seed=11)
        bodies = [change(body) for body in bodies] if change else bodies
        print(f"{builds} random builds, {label}, {SPEED} m/s")
        cost(bodies)
        discretisation(bodies, third=max(builds // 10, 1))
        smoothness(bodies[: max(builds // 10, 1)])
    print("Poisson's ratio, reference ball")
    poisson_bias(reference_ball().body())
    print("Undamped homogeneous sphere, E 60 MPa, nu 0.49")
    hertz()


if __name__ == "__main__":
    main()
