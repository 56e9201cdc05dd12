"""Time and error of the first spheroidal mode over 100 random builds.

python -m tests.benchmarks.vibration
"""

import dataclasses
import time

import numpy as np

from layers.vibration.mode import elastic_mode, first_spheroidal_mode
from tests.helpers.builds import random_bodies
from tests.layers.vibration.test_mode import exact_frequency


def main() -> None:
    bodies = random_bodies(100, seed=5)
    for body in bodies[:4]:  # compiles, and lays out the mesh of each layer count
        first_spheroidal_mode(body)
    seconds, errors = [], []
    for body in bodies:
        start = time.perf_counter()
        first_spheroidal_mode(body)
        seconds.append(time.perf_counter() - start)
        smooth = dataclasses.replace(body, dimple_volume_fraction=0.0)
        errors.append(elastic_mode(smooth) / exact_frequency(smooth) - 1.0)
    print(f"wall {1e3 * np.median(seconds):.1f} ms a build, at most {1e3 * max(seconds):.1f} ms")
    rms, largest = np.sqrt(np.mean(np.square(errors))), np.abs(errors).max()
    print(
        f"elastic frequency against the exact layered sphere: rms {100 * rms:.3f} %, "
        f"largest {100 * largest:.3f} %"
    )


if __name__ == "__main__":
    main()
