"""What a worker of a cluster runs: its versions, its card's check, and builds."""

import pickle
import platform
import threading
from importlib.metadata import version
from typing import Any, NamedTuple

from layers.arrays import Precision
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


def compute_there(job: bytes) -> list[Estimate] | Trouble:
    """Compute builds on a worker, their impacts on its card if it is asked for."""
    from layers.conditions import Conditions
    from optimize.compute.first_call import compile_ahead
    from optimize.compute.one import compute_one

    with _ONE_AT_A_TIME:
        try:
            on_card, requests, conditions, level = pickle.loads(job)
            known = conditions or Conditions()
            if on_card:
                from layers.gpu.card import find_card
                from optimize.compute.card import estimates_on

                return estimates_on(known, level, find_card(), requests)
            compile_ahead({name for _, names in requests for name in names}, known.precision)
            return [compute_one(ball, names, conditions, level) for ball, names in requests]
        except Exception as error:
            return Trouble(type(error).__name__, str(error))


class Kind(NamedTuple):
    """What a worker's card is.

    Attributes
    ----------
    name : str
    processors : int
        Its multiprocessors.
    version : str
        Of the source that it runs.
    """

    name: str
    processors: int
    version: str


def card_there(precision: Precision | None = None) -> Kind | Trouble:
    """Return the kind of this worker's card, once it has passed a short check against the CPU.

    Parameters
    ----------
    precision : {"single", "double"}, optional
        Of the impacts that are compared; none are if it is not given.
    """
    from layers.gpu.card import find_card
    from layers.gpu.check import SWINGS, check, check_builds, on_cpu
    from layers.gpu.version import GPU_VERSION
    from optimize.compute.first_call import compile_ahead

    with _ONE_AT_A_TIME:
        try:
            card = find_card()
            if precision:
                compile_ahead([f"{SWINGS[0]}.spin_rpm"], "double")
                bodies = check_builds(_CHECKED)
                if not check(card, bodies, on_cpu(bodies), precision).passed:
                    return Trouble("check", "it differs from the CPU: see 'orbwright check-gpu'")
            return Kind(card.name, card.processors, GPU_VERSION)
        except Exception as error:
            return Trouble(type(error).__name__, str(error))


# Builds of the short check, by four swings each: of two and of three layers.
_CHECKED = 2
