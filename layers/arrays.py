"""Types of arrays, and of mesh levels."""

from typing import Any, Literal

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

# How fine a mesh is: "fine" is for finalists and for convergence checks.
Level = Literal["default", "fine"]

# In which the elements of an impact are computed; nodes and contact are always double.
Precision = Literal["single", "double"]
DTYPES: dict[Precision, type[np.floating[Any]]] = {"single": np.float32, "double": np.float64}
