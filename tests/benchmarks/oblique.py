"""Oblique impact: cost, mesh error, contact, smoothness, trends; argument: builds (20)."""

import math
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from itertools import combinations

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.mass.inertia import mass, moment_of_inertia
from layers.strike import march as oblique_march
from layers.strike.launch import Launch, Strike
from layers.strike.model import build_model
from layers.strike.settings import LEVELS, Settings
from layers.strike.strike import club_impact, strike_ball
from layers.strike.swings import find_swing
from tests.helpers.builds import random_bodies
from tests.layers.impact.test_barrier import reference_ball

SWINGS = ("driver fast", "mid iron fast", "wedge full fast", "wedge half moderate")
STRIKES = {name: find_swing(name).strike() for name in SWINGS}
FIGURES = ("speed", "angle", "spin")
# At least four times the default's elements for every count of layers.
REFERENCE = replace(
    LEVELS["fine"], normal=14, lateral=10, upward=20, small_core_rings=2, cover_rings=3
)
RPM = 30.0 / math.pi


def figures(launch: Launch) -> FloatArray:
    """m/s, deg, rpm."""
    return np.array([launch.ball_speed, math.degrees(launch.launch_angle), launch.spin * RPM])


def launches(bodies: Iterable[Body], settings: Settings) -> FloatArray:
    """(builds, swings, figures)."""
    return np.array(
        [[figures(strike_ball(b, s, settings)) for s in STRIKES.values()] for b in bodies]
    )


def cost(bodies: list[Body]) -> None:
    march, steps, marching = oblique_march.march, [], []

    def timed(*given: object) -> None:
        start = time.thread_time()
        march(*given)
        marching.append(time.thread_time() - start)
        steps.append(given[-1][oblique_march.STEPS])  # type: ignore[index]

    club_impact(bodies[0], STRIKES["driver fast"])
    oblique_march.march = timed
    spent, elements = [], []
    for body in bodies:
        for strike in STRIKES.values():
            start = time.thread_time()
            club_impact(body, strike)
            spent.append(time.thread_time() - start)
            elements.append(build_model(body, LEVELS["default"]).mesh.hexes.shape[1])
    oblique_march.march = march
    work = np.array(marching) / (np.array(steps) * np.array(elements))
    print(f"CPU a build and club, meshing included: mean {np.mean(spent):.3f} s,", end=" ")
    print(f"median {np.median(spent):.3f}, most {np.max(spent):.3f} s;", end=" ")
    print(f"{1e9 * np.median(work):.1f} ns an element and step, {np.median(steps):.0f} steps")


def counts(bodies: list[Body]) -> None:
    for body in bodies[:4]:
        sizes = [
            build_model(body, s).mesh.hexes.shape[1]
            for s in (LEVELS["default"], LEVELS["fine"], REFERENCE)
        ]
        print(f"  {len(body.density)} layers: default, fine, reference {sizes},", end=" ")
        print(f"ratio to default {sizes[1] / sizes[0]:.1f}, {sizes[2] / sizes[0]:.1f}")


def discretisation(bodies: list[Body]) -> None:
    counts(bodies)
    finest = launches(bodies, REFERENCE)
    for name in ("default", "fine"):
        start = time.thread_time()
        ours = launches(bodies, LEVELS[name])
        spent = (time.thread_time() - start) / (len(bodies) * len(STRIKES))
        error = 100.0 * (ours / finest - 1.0)
        print(f"{name} to reference, %, {spent:.2f} s:")
        for k, figure in enumerate(FIGURES):
            each = ", ".join(
                f"{n} {np.abs(error[:, j, k]).max():.2f}" for j, n in enumerate(SWINGS)
            )
            print(f"  {figure}: mean {error[:, :, k].mean():+.2f}", end=" ")
            print(f"rms {np.sqrt(np.mean(error[:, :, k] ** 2)):.2f} max by swing: {each}")
        differences(ours, finest)


def differences(ours: FloatArray, finest: FloatArray) -> None:
    """Differences between all pairs of builds, swing by swing."""
    one, two = np.array(list(combinations(range(len(ours)), 2))).T
    a, b = ours[one] - ours[two], finest[one] - finest[two]
    for k, figure in enumerate(FIGURES):
        off = [
            100.0 * np.sqrt(np.mean((a - b)[:, j, k] ** 2) / np.mean(b[:, j, k] ** 2))
            for j in range(len(SWINGS))
        ]
        large = np.abs(b[:, :, k]) > np.std(b[:, :, k], axis=0)
        worst = 100.0 * np.abs((a - b)[:, :, k] / b[:, :, k])[large]
        print(
            f"  differences in {figure}: rms error {np.round(off, 1)} % of rms difference;", end=""
        )
        print(f" of the larger ones 95 % within {np.percentile(worst, 95):.1f} %")


def contact(bodies: list[Body]) -> None:
    """Default contact against one three times as stiff, on a fine mesh.

    Stiffer ones chatter under a wedge: at ten, one build of eight loses 4 % of its spin, less on a
    finer mesh.
    """
    soft = launches(bodies, LEVELS["fine"])
    stiff = launches(bodies, replace(LEVELS["fine"], contact_stiffness=3.0))
    error = 100.0 * (soft / stiff - 1.0)
    for j, name in enumerate(SWINGS):
        mean, most = error[:, j].mean(axis=0), np.abs(error[:, j]).max(axis=0)
        print(f"  {name}: speed, angle, spin mean {np.round(mean, 2)} max {np.round(most, 2)} %")
    differences(soft, stiff)


def smoothness(bodies: list[Body]) -> None:
    steps = np.arange(-4, 5)

    def interface(body: Body, layer: int, step: int) -> Body:
        radius = body.outer_radius.copy()
        radius[layer] += 0.05e-3 * step  # 0.1 mm of diameter
        return replace(body, outer_radius=radius)

    def modulus(body: Body, layer: int, step: int) -> Body:
        factor = np.ones_like(body.density)
        factor[layer] = 1.0 + 0.01 * step
        return scaled(body, factor)

    for label, change in (("interface by 0.1 mm", interface), ("modulus by 1 %", modulus)):
        residual = []
        for body in bodies:
            for layer in range(len(body.density) - (change is interface)):
                for strike in (STRIKES["driver fast"], STRIKES["wedge full fast"]):
                    y = np.array(
                        [figures(club_impact(change(body, layer, int(s)), strike)) for s in steps]
                    )
                    fit = np.array([np.polyval(np.polyfit(steps, c, 2), steps) for c in y.T]).T
                    residual.append(100.0 * np.abs(y - fit).max(axis=0) / y.mean(axis=0))
        middle, most = np.median(residual, axis=0), np.max(residual, axis=0)
        print(f"  {label}: residual of a local quadratic fit, speed, angle, spin: median", end=" ")
        print(f"{np.round(middle, 4)}, max {np.round(most, 4)} % ({len(residual)} scans)")


def scaled(body: Body, factor: FloatArray) -> Body:
    return replace(
        body,
        shear_modulus=body.shear_modulus * factor,
        bulk_modulus=body.bulk_modulus * factor,
    )


def more_inertia(body: Body) -> Body:
    """Two percent more inertia at equal mass: weight from the innermost layer to the outermost."""

    def moved(amount: float) -> Body:
        density = body.density.copy()
        density[-1] *= 1.0 + amount
        outward = replace(body, density=density)
        density[0] *= 1.0 - (mass(outward) - mass(body)) / innermost
        return replace(body, density=density)

    innermost = 4.0 / 3.0 * math.pi * body.outer_radius[0] ** 3 * body.density[0]
    slope = moment_of_inertia(moved(0.01)) / moment_of_inertia(body) - 1.0
    return moved(0.01 * 0.02 / slope)


def trends(bodies: list[Body]) -> None:
    driver, wedge = STRIKES["driver fast"], STRIKES["wedge full fast"]
    half = STRIKES["wedge half moderate"]
    lofted = replace(driver, dynamic_loft=driver.dynamic_loft + math.radians(1.0))

    def soft_cover(body: Body) -> Body:
        factor = np.ones_like(body.density)
        factor[-1] = 0.7
        return scaled(body, factor)

    def soft_inside(body: Body) -> Body:
        factor = np.full_like(body.density, 1.25)
        factor[0] = 0.8
        return scaled(body, factor)

    def same(body: Body) -> Body:
        return body

    rows: tuple[tuple[str, Callable[[Body], Body], Strike, Strike, int], ...] = (
        ("cover modulus -30 %: wedge spin, rpm", soft_cover, wedge, wedge, 2),
        ("innermost modulus -20 %, others +25 %: driver spin, rpm", soft_inside, driver, driver, 2),
        ("inertia +2 %: driver spin, rpm", more_inertia, driver, driver, 2),
        ("inertia +2 %: wedge spin, rpm", more_inertia, wedge, wedge, 2),
        ("driver loft +1 deg: launch, deg", same, driver, lofted, 1),
        ("driver loft +1 deg: spin, rpm", same, driver, lofted, 2),
        ("cover modulus -30 %: driver spin, rpm", soft_cover, driver, driver, 2),
        ("cover modulus -30 %: half wedge spin, rpm", soft_cover, half, half, 2),
        ("innermost -20 %, others +25 %: half wedge spin, rpm", soft_inside, half, half, 2),
    )
    for label, change, before, after, k in rows:
        old = np.array([figures(club_impact(b, before))[k] for b in bodies])
        moved = np.array([figures(club_impact(change(b), after))[k] for b in bodies]) - old
        print(f"  {label}: {np.sum(moved > 0)} up, {np.sum(moved < 0)} down,", end=" ")
        print(f"mean {moved.mean():+.2f}, {moved.min():+.2f} to {moved.max():+.2f},", end=" ")
        print(f"{100.0 * np.mean(moved / old):+.1f} %", flush=True)


def play() -> None:
    """The reference three-layer ball under typical swings, and what moves its launch."""
    body = reference_ball().body()
    driver, wedge = STRIKES["driver fast"], STRIKES["wedge full fast"]
    calm = replace(body, relaxation_strength=0.0 * body.relaxation_strength)
    rows = (
        ("driver", body, driver),
        ("driver, rigid face", body, replace(driver, face_stiffness=None)),
        ("driver, face 5 kN/mm", body, replace(driver, face_stiffness=5e6)),
        ("driver, friction 0.2", body, replace(driver, friction=0.2)),
        ("driver, friction 0.6", body, replace(driver, friction=0.6)),
        ("driver, no relaxation", calm, driver),
        ("driver, +2 deg attack", body, replace(driver, attack_angle=math.radians(2.0))),
        ("wedge", body, wedge),
        *((f"wedge, friction {mu}", body, replace(wedge, friction=mu)) for mu in (0.2, 0.3, 0.6)),
        ("wedge, no relaxation", calm, wedge),
    )
    for label, ball, strike in rows:
        speed, angle, spin = figures(club_impact(ball, strike))
        print(f"  {label:24s} {speed:6.2f} m/s {angle:6.2f} deg {spin:7.0f} rpm", end=" ")
        print(f"ball to club {speed / strike.club_speed:.3f}")


def main() -> None:
    bodies = random_bodies(int(sys.argv[1]) if len(sys.argv) > 1 else 20, seed=1)
    cost(bodies)
    print("typical launch")
    play()
    print("trends")
    trends(random_bodies(10, seed=3))
    print("smoothness")
    smoothness(bodies[1:4])
    print("contact: default against three times as stiff")
    contact(bodies[:8])
    print("mesh")
    discretisation(bodies)


if __name__ == "__main__":
    main()
