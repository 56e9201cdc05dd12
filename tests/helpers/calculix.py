"""Compression of a layered sphere by CalculiX: a reference for `layers.compression.curve`.

The deck is the one that `orbwright export-deck` writes, see `layers.compression.deck`.
"""

import os
import subprocess
from pathlib import Path

import numpy as np

from layers.ball import Body
from layers.compression.deck import STIFFNESS, deck_text, read_results

CCX = "ccx"


def layered_body(diameters_mm, youngs_moduli_mpa, poisson_ratios, densities_g_cm3) -> Body:
    """Undimpled elastic body from the trade's units."""
    young, poisson = np.array(youngs_moduli_mpa) * 1e6, np.array(poisson_ratios)
    count = len(young)
    return Body(
        outer_radius=np.array(diameters_mm) * 0.5e-3,
        density=np.array(densities_g_cm3) * 1e3,
        shear_modulus=young / (2 * (1 + poisson)),
        bulk_modulus=young / (3 * (1 - 2 * poisson)),
        dynamic_modulus_ratio=np.ones(count),
        relaxation_strength=np.zeros((count, 0)),
        relaxation_time=np.ones((count, 0)),
        friction=0.4,
    )


# Invented stacks within what the trade builds; deflections between 98 and 1,275 N about 2.2-3.6 mm.
BUILDS = {
    "two layers, firm ionomer-like cover": layered_body(
        [39.3, 42.67], [55.0, 350.0], [0.49, 0.45], [1.13, 0.96]
    ),
    "three layers, soft cover on a firm mantle": layered_body(
        [38.3, 41.0, 42.67], [50.0, 300.0, 50.0], [0.49, 0.45, 0.48], [1.16, 0.96, 1.12]
    ),
    "three layers, soft mantle": layered_body(
        [36.5, 40.1, 42.67], [85.0, 40.0, 250.0], [0.49, 0.48, 0.45], [1.14, 1.05, 0.97]
    ),
    "four layers, firm outer core": layered_body(
        [24.0, 38.6, 41.0, 42.67],
        [25.0, 70.0, 280.0, 80.0],
        [0.49, 0.49, 0.46, 0.48],
        [1.12, 1.15, 0.96, 1.12],
    ),
    "five layers, stiffening outward": layered_body(
        [20.0, 32.0, 38.8, 41.2, 42.67],
        [20.0, 45.0, 100.0, 180.0, 60.0],
        [0.49, 0.49, 0.49, 0.46, 0.48],
        [1.11, 1.13, 1.15, 0.96, 1.12],
    ),
}


def compress_with_calculix(
    body: Body, angular: int, workdir: Path, stiffness: float = STIFFNESS, steps: int = 10
) -> tuple[np.ndarray, np.ndarray]:
    """Compress a body between rigid frictionless flats with CalculiX.

    Parameters
    ----------
    body : Body
        The layered sphere.
    angular : int
        Elements along the quarter's arc, even; the radial size follows it.
    workdir : Path
        An existing folder for the job's files.
    stiffness : float
        Contact penalty, N/mm3.
    steps : int
        Least number of load increments.

    Returns
    -------
    force, deflection : arrays
        Plate force, N, and change of the distance between the plates, m, from first contact on.

    Raises
    ------
    RuntimeError
        If CalculiX stops early or the plate's travel does not reach the heavy load.
    """
    (workdir / "job.inp").write_text(
        deck_text(body, angular, stiffness=stiffness, steps=steps), encoding="ascii"
    )
    run_deck(workdir)
    return read_results((workdir / "job.dat").read_text(encoding="ascii"))


def run_deck(workdir: Path) -> None:
    """Run ``job.inp`` in `workdir`."""
    done = subprocess.run(
        [CCX, "-i", "job"],
        cwd=workdir,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode or "Job finished" not in done.stdout:
        raise RuntimeError("CalculiX failed:\n" + done.stdout[-2000:])
