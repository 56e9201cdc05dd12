"""What a worker of a cluster runs: its versions, and one build."""

import pickle
import platform
import threading
from importlib.metadata import version
from typing import Any, NamedTuple

from layers.estimates import Estimate
from layers.model_version import MODEL_VERSION

# The machine code keeps one core busy and the interpreter locked: threads would only wait.
_ONE_AT_A_TIME = threading.Lock()

_LIBRARIES = ("numpy", "scipy", "numba", "llvmlite", "distributed")


class Trouble(NamedTuple):
    """An error that ended a computation, as text, so that it can always be sent."""

    kind: str
    text: str


def _versions() -> dict[str, str]:
    libraries = {name: version(name) for name in _LIBRARIES}
    python = ".".join(platform.python_version_tuple()[:2])
    return {"model": MODEL_VERSION, **libraries, "python": python}


# Versions that a figure's last digit may depend on. A constant, so that a function of Python's own
# can fetch it: a worker that lacks this file answers with an error and stays alive.
VERSIONS = _versions()


def packed(job: Any) -> bytes:
    """Pack a job for `compute_there`: the scheduler passes it on unread."""
    return pickle.dumps(job)


def compute_there(job: bytes) -> Estimate | Trouble:
    """Compute one build on a worker, by `optimize.compute.one.compute_one`."""
    from layers.conditions import Conditions
    from optimize.compute.first_call import compile_ahead
    from optimize.compute.one import compute_one

    with _ONE_AT_A_TIME:
        try:
            ball, names, conditions, level = pickle.loads(job)
            compile_ahead(names, (conditions or Conditions()).precision)
            return compute_one(ball, names, conditions, level)
        except Exception as error:
            return Trouble(type(error).__name__, str(error))
