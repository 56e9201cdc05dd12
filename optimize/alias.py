"""Orbwright: what a layered golf ball does, and the builds worth prototyping.

``import orbwright as ob`` gives the public names of `layers` and `optimize`; docs/python.md shows
them at work. The wheel holds this file as ``orbwright/__init__.py``.
"""

import layers
import optimize

TYPE_CHECKING = False

if getattr(optimize, "DISTRIBUTION", "") != "orbwright":
    raise ImportError(
        f"orbwright needs its own package 'optimize', but Python found another at "
        f"{optimize.__file__}: use orbwright in an environment of its own, or run it from another "
        "folder."
    )

if TYPE_CHECKING:
    from layers import *  # noqa: F403
    from optimize import *  # noqa: F403
else:
    _HOMES = {**layers._HOMES, **optimize._HOMES}
    __getattr__, __dir__ = layers.lazy("orbwright", _HOMES)
    __all__ = tuple(_HOMES)
