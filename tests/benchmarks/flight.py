"""Time of 10,000 flights and error of carry against SciPy's DOP853, under every law.

    python -m tests.benchmarks.flight

Then the driver tour average under every law, as docs/flight.md quotes it.
"""

import time

import numpy as np

from layers.flight.aerodynamics import LAWS
from layers.flight.aerotable import stitch
from layers.flight.air import humid_air
from layers.flight.trajectory import fly
from layers.rules.overall_distance import YARD
from tests.layers.flight.test_aerodynamics import scattered
from tests.layers.flight.test_trajectory import BALL, DEG, TOUR, launches, reference

COUNT, REPEATS, CHECKED = 10_000, 7, 100


def seconds(launch, law):
    spent = []
    for _ in range(REPEATS):
        start = time.perf_counter(), time.process_time()
        fly(*launch, **BALL, law=law, wind=(3.0, 0.0, 2.0), spin_axis_tilt=0.05)
        spent.append((time.perf_counter() - start[0], time.process_time() - start[1]))
    return np.min(spent, axis=0)


def carry_error(law):
    launch = launches(CHECKED, 11)
    got = fly(*launch, **BALL, law=law).carry
    still, air = np.zeros(3), humid_air()
    want = [reference(*each, law, air, still, 0.0)[0] for each in zip(*launch, strict=True)]
    return np.abs(got - want).max()


def main() -> None:
    many, one = launches(COUNT, 12), launches(1, 12)
    laws = dict(LAWS) | {"measured, 60 rows": stitch(scattered())}
    print(f"{COUNT} flights; greatest carry error of {CHECKED} against DOP853 at 1e-11")
    print(f"{'law':22s}{'wall s':>8s}{'CPU s':>8s}{'one, ms':>9s}{'error, m':>10s}")
    for name, law in laws.items():
        wall, cpu = seconds(many, law)
        error = carry_error(law)
        print(f"{name:22s}{wall:8.2f}{cpu:8.2f}{1e3 * seconds(one, law)[1]:9.1f}{error:10.4f}")
    print("\ntour-average drive: published 282 yd, apex 35 yd, landing 39 deg")
    print(f"{'law':22s}{'carry yd':>9s}{'apex yd':>9s}{'deg':>7s}{'s':>6s}{'outside %':>11s}")
    for name, law in LAWS.items():
        f = fly(*TOUR, **BALL, law=law)
        row = (f.carry / YARD, f.apex / YARD, f.descent_angle / DEG, f.time, 100 * f.outside_share)
        print("{:22s}{:9.1f}{:9.1f}{:7.1f}{:6.2f}{:11.0f}".format(name, *(v[0] for v in row)))


if __name__ == "__main__":
    main()
