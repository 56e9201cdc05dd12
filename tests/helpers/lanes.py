"""Kernels of lanes run by Python: loads and stores of elements side by side by NumPy.

A compiled inner kernel that is loaded alone moves the last bits of those that call it, so tests
run the same formulas uncompiled.
"""

from types import ModuleType
from typing import Any

import numpy as np
import pytest


def _gather(values: Any, index: Any, block: int, row: int) -> Any:
    return tuple(values[index[block, row], axis] for axis in range(3))


def _add_at(values: Any, index: Any, block: int, row: int, x: Any, y: Any, z: Any) -> None:
    for axis, part in enumerate((x, y, z)):
        np.add.at(values[:, axis], index[block, row], part)


_LANES = {
    "load": lambda array, block, row: array[block, row].copy(),
    "store": lambda array, block, row, value: array.__setitem__((block, row), value),
    "nought": lambda array: np.zeros(array.shape[-1]),
    "gather": _gather,
    "add_at": _add_at,
    "maximum": np.maximum,
    "highest": lambda value: float(np.max(value)),
    "total": lambda value: float(np.sum(value)),
}


def uncompiled(monkeypatch: pytest.MonkeyPatch, *modules: ModuleType) -> None:
    """Let the kernels of modules run by Python, and call each other so."""
    for module in modules:
        for name, value in list(vars(module).items()):
            if name in _LANES:
                monkeypatch.setattr(module, name, _LANES[name])
            elif hasattr(value, "py_func"):
                monkeypatch.setattr(module, name, value.py_func)
