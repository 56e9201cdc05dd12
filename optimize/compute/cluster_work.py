"""What a cluster's worker does: say its versions, compute one build."""

import pickle
import platform
import threading
from importlib.metadata import version
from typing import Any, NamedTuple

from layers.estimation import MODEL_VERSION
from layers.figures import Estimate

# The machine code keeps one core busy and the interpreter locked: threads would only wait.
_ONE_AT_A_TIME = threading.Lock()

_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "distributed")


class Trouble(NamedTuple):
    """An error that ended a computation, as text: it travels whatever it carried."""

    kind: str
    text: str


def _versions() -> dict[str, str]:
    libraries = {name: version(name) for name in _LIBRARIES}
    python = ".".join(platform.python_version_tuple()[:2])
    return {"model": MODEL_VERSION, **libraries, "python": python}


# What a figure's last digit may hang on. A constant, so that a worker can be asked for it by a
# function of Python's own: one that lacks this file answers with an error, not with its end.
VERSIONS = _versions()


def packed(job: Any) -> bytes:
    """Pack what `compute_there` computes: the scheduler passes it on unread."""
    return pickle.dumps(job)


def compute_there(job: bytes) -> Estimate | Trouble:
    """Compute one build on a worker, by `optimize.compute.one.compute_one`."""
    from optimize.compute.first_call import compile_ahead
    from optimize.compute.one import compute_one

    with _ONE_AT_A_TIME:
        try:
            ball, names, conditions = pickle.loads(job)
            compile_ahead(names)
            return compute_one(ball, names, conditions)
        except Exception as error:
            return Trouble(type(error).__name__, str(error))
