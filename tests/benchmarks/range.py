"""The range against invented truth: bias, intervals, speed; `python -m tests.benchmarks.range`.

Ten sessions of 200 launches under an invented ball with a drag rise and negative lift near
Re 0.6e5, 12 stations over 20 m, 0.5 mm, 2 us and 20 rpm of noise; one session of 500 launches;
surfaces of few rows; the seven conditions of US 6,186,002.
"""

import time

import numpy as np

from layers.range.session import reduce_session
from layers.range.surface import fit_surface
from layers.range.tracks_file import tracks_from_csv
from tests.helpers.range_data import csv_of, invented_ball, session
from tests.layers.range.test_reduction import true_at_middle
from tests.layers.range.test_surface import SEVEN, rows_of, scattered


def sessions() -> None:
    """Print bias and share held of ten sessions."""
    bias, held = [], []
    for seed in range(101, 111):
        tracks, true = session(invented_ball, 200, seed)
        found = reduce_session(tracks)
        r = found.reduction
        truth = true_at_middle(r, true, invented_ball)
        off = np.stack([r.drag, r.lift], axis=1) - truth
        bias.append(100.0 * off.mean(axis=0) / np.abs(truth).mean(axis=0))
        held.append(100.0 * (np.abs(off) < 1.96 * found.errors).mean(axis=0))
    print("bias of drag, lift, %: mean", np.mean(bias, axis=0).round(3), end="; ")
    print("largest", np.abs(bias).max(axis=0).round(3))
    print("95 % intervals hold, %: mean", np.mean(held, axis=0).round(1), end="; ")
    print("least", np.min(held, axis=0), "most", np.max(held, axis=0))


def speed() -> None:
    """Print the processor time of 500 launches, from text to surface."""
    text = csv_of(session(invented_ball, 500, 1)[0])
    start = time.process_time()
    tracks = tracks_from_csv(text, "t.csv")
    read = time.process_time() - start
    reduce_session(tracks)
    whole = time.process_time() - start
    print(f"500 launches: read {read:.2f} s, with surface, windows, checks {whole:.1f} s")


def surfaces() -> None:
    """Print what intervals of surfaces hold inside their rows."""
    for count in (15, 25, 50, 150):
        held = []
        for seed in range(12):
            surface = fit_surface(scattered(count, seed))
            rng = np.random.default_rng(100 + seed)
            re, s = rng.uniform(0.5e5, 2.2e5, 400), rng.uniform(0.0, 0.4, 400)
            within, truth = surface.outside(re, s) == 0.0, invented_ball(re, s)
            for got, sd, true in zip(
                surface.coefficients(re, s),
                surface.standard_errors(re, s),
                (truth.drag, truth.lift),
                strict=True,
            ):
                held.append((np.abs(got - true) < 1.96 * sd)[within])
        print(f"{count} rows: intervals hold {100.0 * np.concatenate(held).mean():.1f} %")


def published() -> None:
    """Print how the seven published conditions come back."""
    cells = SEVEN.copy()
    cells[:, 0] *= 1e5
    surface = fit_surface(rows_of(cells))
    got = np.array(surface.coefficients(cells[:, 0], cells[:, 1]))
    off = np.abs(got.T - SEVEN[:, 2:]).max(axis=0)
    print("US 6,186,002: largest misfit at the rows, drag and lift", off.round(4))
    for name, process in (("drag", surface.drag), ("lift", surface.lift)):
        print(f"  {name}: left-out error {process.left_out_rms:.4f}, form {process.form.name}")


if __name__ == "__main__":
    sessions()
    speed()
    surfaces()
    published()
