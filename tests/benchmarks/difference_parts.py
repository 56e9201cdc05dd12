"""Coverage of the parts of a difference's error that no mesh shows: contact law, cards, shared law.

``python -m tests.benchmarks.difference_parts contact FILE`` fits the contact law's percent on every
other family and checks it on the rest; ``... law FILE`` takes each other published aerodynamic law
as the truth of flights; ``... cards PAIRS DRAWS SEED`` draws the numbers of two builds' cards from
the scatter that their grades state, and computes both exactly. FILE is of
`tests.benchmarks.difference_data`.
"""

import sys
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from layers.flight.aerodynamics import LAWS, Law
from layers.flight.trajectory import fly
from layers.mass import inertia
from layers.materials import Material
from layers.resolution.difference import NINETY_FIVE, model_of
from layers.resolution.grades import NUMBERS, deviation
from layers.resolution.materials import material_deviation
from layers.resolution.nearness import distance_squared, nearness
from tests.benchmarks.difference_errors import Row, contact_sizes, having, rows_of
from tests.benchmarks.mesh_errors import builds

OF_CARDS = ("deflection_mm", "cor", "driver fast.ball_speed_m_s")
OF_SWING = ("ball_speed_m_s", "launch_angle_deg", "spin_rpm", "smash_factor", "strike_time_us")
RPM = np.pi / 30.0


def print_contact(rows: list[Row]) -> None:
    print("figure               fitted on half, %   of the other half's pairs within, % (pairs)")
    for name in OF_SWING:
        known = having(rows, name, "stiff")
        families = sorted({row.family for row in known})
        halves = [[r for r in known if families.index(r.family) % 2 == k] for k in (0, 1)]
        sizes = [np.array(contact_sizes(half, name)) for half in halves]
        held = [100.0 * np.mean(sizes[1 - k] <= np.quantile(sizes[k], 0.95)) for k in (0, 1)]
        shipped = model_of(name).contact_percent / 100.0
        both = np.concatenate(sizes)
        print(
            f"{name:20}",
            *(f"{100 * np.quantile(s, 0.95):6.2f}" for s in sizes),
            "  ",
            *(f"{share:5.1f} ({len(s)})" for share, s in zip(held, reversed(sizes), strict=True)),
            f"  shipped {100 * np.mean(both <= shipped):.1f}",
        )


def carries(rows: list[Row], law: Law) -> FloatArray:
    launch = np.array(
        [
            [r.figures["default"][n] for n in ("ball_speed_m_s", "launch_angle_deg", "spin_rpm")]
            for r in rows
        ]
    )
    flown = fly(
        launch[:, 0],
        np.radians(launch[:, 1]),
        launch[:, 2] * RPM,
        mass=np.array([inertia.mass(r.ball.body()) for r in rows]),
        diameter=np.array([r.ball.diameter_mm * 1e-3 for r in rows]),
        law=law,
    )
    return np.asarray(flown.carry)


def print_law(rows: list[Row]) -> None:
    """Carry: the part alone, and with the mesh's."""
    usual, model, known = LAWS["ferguson 2022"], model_of("carry_m"), QUANTITIES["carry_m"]
    print("true law               club             part alone, %   with the mesh's, %   pairs")
    for club in ("driver fast", "mid iron fast"):
        hit = [r for r in having(rows, "carry_m") if r.club == club]
        pairs = np.array(list(combinations(range(len(hit)), 2)))
        pairs = pairs[np.random.default_rng(1).permutation(len(pairs))[:1000]]
        before = carries(hit, usual)
        own = np.array([known.difference_error(v) for v in before])
        mesh = np.array(
            [
                model.far
                * np.hypot(own[i], own[j])
                * nearness(
                    distance_squared(hit[i].ball, hit[j].ball, model.weight),
                    model.floor,
                    model.power,
                )
                for i, j in pairs
            ]
        )
        step = before[pairs[:, 1]] - before[pairs[:, 0]]
        part = np.abs(step) * known.absolute_percent / 100.0
        for name, law in LAWS.items():
            if law is usual:
                continue
            after = carries(hit, law)
            off = np.abs(after[pairs[:, 1]] - after[pairs[:, 0]] - step)
            alone, both = off <= part, off <= np.hypot(part, mesh)
            print(
                f"{name:22} {club:16} {100 * alone.mean():8.1f} {100 * both.mean():18.1f}",
                f"{len(pairs):14}",
            )


def scattered(card: Material, rng: np.random.Generator) -> Material:
    """Return a card whose numbers are drawn from the scatter that their grades state."""
    values: dict[str, Any] = card.model_dump(mode="json")
    for number in NUMBERS:
        factor = float(np.exp(deviation(card, number) * rng.standard_normal()))
        if number == "relaxation_strength":
            for pair in values["relaxation"]:
                pair["strength"] *= factor
        elif number == "dynamic_modulus_ratio":
            values[number]["value"] = 1.0 + (values[number]["value"] - 1.0) * factor
        else:
            values[number]["value"] *= factor
    return Material.model_validate(values)


def redrawn(ball: Ball, rng: np.random.Generator) -> Ball:
    layers = [x.model_copy(update={"material": scattered(x.material, rng)}) for x in ball.layer]
    return ball.model_copy(update={"layer": tuple(layers)})


def card_errors(one: Ball, two: Ball, draws: int, rng: np.random.Generator) -> Iterator[FloatArray]:
    """Yield the errors of the difference of two builds over their 95 % half widths, by figure."""
    first, second = (estimate(ball, OF_CARDS).figures for ball in (one, two))
    half = np.array(
        [
            NINETY_FIVE
            * 0.5
            * (abs(first[n].value) + abs(second[n].value))
            * material_deviation(one, two, model_of(parse_figure(n).quantity).sensitivity)
            for n in OF_CARDS
        ]
    )
    step = np.array([second[n].value - first[n].value for n in OF_CARDS])
    for _ in range(draws):
        try:
            drawn = [estimate(redrawn(ball, rng), OF_CARDS).figures for ball in (one, two)]
        except InputError:
            continue  # beyond what a card may say
        if all(n in figures for figures in drawn for n in OF_CARDS):
            yield np.abs([drawn[1][n].value - drawn[0][n].value for n in OF_CARDS] - step) / half


def print_cards(pairs: int, draws: int, seed: int) -> None:
    found, rng = builds(2 * pairs, seed), np.random.default_rng(seed + 1)
    off = np.array(
        [
            error
            for one, two in zip(found[::2], found[1::2], strict=True)
            for error in card_errors(one, two, draws, rng)
        ]
    )
    for name, errors in zip(OF_CARDS, off.T, strict=True):
        print(
            f"{name:28} {100 * np.mean(errors <= 1.0):6.1f} % of {len(errors)} within; "
            f"95 % within {np.quantile(errors, 0.95):.2f} of the half width"
        )


def main() -> None:
    task = sys.argv[1]
    if task == "cards":
        print_cards(*(int(number) for number in sys.argv[2:5]))
    elif task == "law":
        print_law(rows_of(Path(sys.argv[2])))
    else:
        print_contact(rows_of(Path(sys.argv[2])))


if __name__ == "__main__":
    main()
