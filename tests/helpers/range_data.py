"""Invented sessions of an indoor range, of a ball whose coefficients are known.

`python -m tests.helpers.range_data scenarios/range` writes the shipped files anew.
"""

import sys
from pathlib import Path

import numpy as np

from layers.arrays import FloatArray
from layers.files.escaping import csv_text
from layers.flight.aerodynamics import SPIN_DECAY_SMITS_SMITH, Coefficients, Law
from layers.flight.air import humid_air
from layers.range.motion import march
from layers.range.tracks import Tracks

RPM = np.pi / 30.0


def invented_ball(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Return drag and lift of no ball: near Re 0.6e5 drag rises and lift at little spin turns."""
    r, s = np.asarray(reynolds, float) / 1e5, np.asarray(spin_ratio, float)
    below = 1.0 / (1.0 + np.exp((r - 0.62) / 0.06))
    drag = 0.215 + 0.012 * (r - 1.5) + 0.30 * s + 0.45 * s**2 + 0.18 * below
    turned = 0.28 * np.exp(-(((r - 0.6) / 0.12) ** 2)) * np.exp(-s / 0.12)
    lift = 0.95 * s - 0.35 * s**2 + 0.06 * np.tanh(s / 0.04) - turned * np.tanh(s / 0.02)
    return Coefficients(drag, lift, np.ones(np.shape(r * s), dtype=bool))


def other_pattern(reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
    """Return what another invented dimple pattern has: 5 % less drag, 0.012 less lift."""
    c = invented_ball(reynolds, spin_ratio)
    return Coefficients(0.95 * c.drag, c.lift - 0.012, c.inside)


def session(
    law: Law,
    count: int,
    seed: int,
    stations: FloatArray | None = None,
    speeds: tuple[float, float] = (20.0, 75.0),
    spins: tuple[float, float] = (0.0, 6000.0),
    position_sd: float = 0.5e-3,
    time_sd: float = 2e-6,
    spin_sd: float = 20.0 * RPM,
    screens: bool = False,
) -> tuple[Tracks, Tracks]:
    """Fly launches through a range: what it records, and the same without noise.

    Parameters
    ----------
    law : Law
        The ball's true drag and lift.
    count, seed : int
        Launches; equal seeds give equal sessions.
    stations : (m,) array, optional
        Where readings are taken, m; 12 over 20 m otherwise.
    speeds, spins : tuple of float
        Ranges, m/s and rpm.
    position_sd, time_sd, spin_sd : float
        Noise, SI.
    screens : bool
        Times at planes only, without heights.
    """
    rng = np.random.default_rng(seed)
    planes = np.linspace(0.0, 20.0, 12) if stations is None else stations
    air, mass, diameter = humid_air(), 0.0459, 0.0427
    v, spin = rng.uniform(*speeds, count), rng.uniform(*spins, count) * RPM
    # Aimed so that a slow ball does not hit the floor; screens look at level flights.
    aim = 0.0 if screens else 0.35 * 9.8 * np.ptp(planes) / v**2
    angle = aim + np.deg2rad(rng.normal(0.0, 1.0, count))
    across = rng.normal(0.0, 0.05, count)
    zero = np.zeros(count)
    start = np.array([zero, zero + 1.2, zero, v * np.cos(angle), v * np.sin(angle), across])
    force = np.full(count, air.density * np.pi * diameter**2 / 8.0 / mass)

    def spin_at(now: FloatArray, speed: FloatArray) -> FloatArray:
        # Over a track the speed is close to its mean: spin falls with the way flown.
        return np.asarray(spin * np.exp(-SPIN_DECAY_SMITS_SMITH * speed * now / (0.5 * diameter)))

    def coefficients(now: FloatArray, speed: FloatArray) -> FloatArray:
        ratio = spin_at(now, speed) * 0.5 * diameter / speed
        c = law(air.density * diameter / air.viscosity * speed, ratio)
        return np.array([c.drag, c.lift, zero])

    times = planes[:, None] / v
    for _ in range(4):  # Newton, to the instants at which the planes are crossed
        states = march(start, times, coefficients, force, np.full(count, 9.80665), np.zeros(3))
        times = times + (planes[:, None] - states[:, 0]) / states[:, 3]
        times = times - times[0]
    states = march(start, times, coefficients, force, np.full(count, 9.80665), np.zeros(3))
    position = states[:, :3].transpose(2, 0, 1)
    speed = np.linalg.norm(states[:, 3:], axis=1).T
    turning = np.array([spin_at(t, s) for t, s in zip(times, speed.T, strict=True)]).T
    shape = (count, len(planes))
    true = Tracks(
        tuple(f"L{i + 1:03d}" for i in range(count)),
        ("",) * count,
        ("",) * count,
        np.arange(2, 2 + count * len(planes)).reshape(shape),
        times.T,
        position,
        turning,
        np.full(shape, np.nan),
        np.full(count, mass),
        np.full(count, diameter),
        np.full(count, air.density),
        np.full(count, air.viscosity),
    )
    recorded = {**true.__dict__}
    recorded["time"] = true.time + rng.normal(0.0, time_sd, shape)
    recorded["spin"] = np.maximum(turning + rng.normal(0.0, spin_sd, shape), 0.0)
    if screens:
        recorded["position"] = np.where([True, False, False], position, np.nan)
    else:
        recorded["position"] = position + rng.normal(0.0, position_sd, (*shape, 3))
    return Tracks(**recorded), true


def csv_of(tracks: Tracks) -> str:
    """Write tracks as a range's CSV, air of 20 C, 1013.25 hPa, 50 %."""
    sides = np.isfinite(tracks.position).any(axis=(0, 1))
    axes = [name for name, there in zip(("x_m", "y_m", "z_m"), sides, strict=True) if there]
    texts = ["launch", *(["ball"] * any(tracks.ball)), *(["orientation"] * any(tracks.orientation))]
    heads = [*texts, "time_s", *axes, "spin_rpm", "mass_g", "diameter_mm"]
    heads += ["temperature_celsius", "pressure_hpa", "humidity_percent"]
    rows = []
    for i, launch in enumerate(tracks.launch):
        said = {"launch": launch, "ball": tracks.ball[i], "orientation": tracks.orientation[i]}
        constant = [f"{tracks.mass[i] * 1e3:.6g}", f"{tracks.diameter[i] * 1e3:.6g}"]
        constant += ["20", "1013.25", "50"]
        for j in np.flatnonzero(np.isfinite(tracks.time[i])):
            place = [f"{v:.5f}" for v in tracks.position[i, j][sides]]
            spin = tracks.spin[i, j] / RPM
            rows.append(
                [
                    *(said[name] for name in texts),
                    f"{tracks.time[i, j]:.7f}",
                    *place,
                    "" if np.isnan(spin) else f"{spin:.0f}",
                    *(constant if j == 0 else [""] * 5),
                ]
            )
    return csv_text(heads, rows)


def shipped() -> dict[str, str]:
    """Return the shipped sessions by file name: two patterns and orientations; screens."""
    ten = np.linspace(0.0, 20.0, 10)
    files = {}
    for name, law, seed in (("a", invented_ball, 11), ("b", other_pattern, 12)):
        tracks, _ = session(law, 40, seed, ten)
        kept = {**tracks.__dict__, "ball": (f"pattern {name}",) * 40}
        kept["orientation"] = ("pole", "seam") * 20
        if name == "a":  # one reading of a camera that slipped
            kept["position"][6, 4, 0] += 0.004
        files[f"tracks_{name}.csv"] = csv_of(Tracks(**kept))
    planes = np.linspace(0.0, 21.0, 8)
    screens, _ = session(invented_ball, 10, 13, planes, (40.0, 75.0), screens=True)
    files["screens.csv"] = csv_of(screens)
    return files


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for file_name, text in shipped().items():
        (folder / file_name).write_text(text, "utf-8", newline="\n")
