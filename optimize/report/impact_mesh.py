"""The deformed mesh of a recorded impact as a file for general viewers (VTK)."""

from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from layers.energy.record import ImpactRecord
from layers.errors import InputError
from layers.files.paths import StrPath

# Corners of a hexahedron by bits, in the order of VTK.
_AROUND = [0, 1, 3, 2, 4, 5, 7, 6]


def save_mesh(record: ImpactRecord, path: StrPath) -> None:
    """Write the mesh at greatest compression, with displacement, velocity, strain and loss.

    A strike has the half of the ball on one side of the plane of swing, a barrier impact the half
    section that turns about the axis. SI units, but for the strain, %.

    Parameters
    ----------
    record : ImpactRecord
    path : path
        Ends in .vtu or .vtk.

    Raises
    ------
    InputError
        If meshio is not installed, or the file cannot be written.
    """
    if find_spec("meshio") is None:
        raise InputError(
            f"{path} needs the package meshio, which is not installed: install it with "
            f"pip install 'orbwright[mesh]', or write a .png file."
        )
    import meshio  # type: ignore[import-not-found,import-untyped,unused-ignore]

    grid, frame = record.grid, record.frames[record.peak]
    cells = grid.cells[_AROUND] if record.swing else grid.cells
    mesh = meshio.Mesh(
        _spatial(frame.points),
        [("hexahedron" if record.swing else "quad", cells.T)],
        point_data={
            "displacement_m": _spatial(frame.points - grid.points),
            "velocity_m_s": _spatial(frame.velocity),
        },
        cell_data={
            "layer": [grid.layer + 1],
            "shear_strain_percent": [100.0 * frame.shear_strain],
            "loss_j_m3": [frame.loss],
        },
    )
    try:
        meshio.write(Path(path), mesh)
    except OSError as error:
        raise InputError(f"mesh {path} cannot be written: {error.strerror or error}.") from error


def _spatial(vectors: Any) -> Any:
    """Return (d, n) vectors as (n, 3)."""
    return np.pad(vectors, ((0, 3 - len(vectors)), (0, 0))).T
