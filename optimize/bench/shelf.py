"""What the pages of this session were told of each build, so that two of them can be subtracted."""

import threading
from collections import OrderedDict
from collections.abc import Mapping

from layers.ball import Ball
from layers.estimates import Estimate, Figure
from optimize.bench.cache import key

_MOST = 200


class Shelf:
    """Figures by build, those of finite elements before the emulator's."""

    def __init__(self) -> None:
        self._figures: OrderedDict[str, dict[str, Figure]] = OrderedDict()
        self._lock = threading.Lock()

    def put(self, ball: Ball, figures: Mapping[str, Figure]) -> None:
        """Keep figures of a build.

        Parameters
        ----------
        ball : Ball
            The build.
        figures : mapping of str to Figure
            An emulated one does not take the place of one of finite elements.
        """
        with self._lock:
            known = self._figures.setdefault(key(ball), {})
            self._figures.move_to_end(key(ball))
            for name, figure in figures.items():
                before = known.get(name, figure)
                if figure.basis != "emulator" or before.basis == "emulator":
                    known[name] = figure
            if len(self._figures) > _MOST:
                self._figures.popitem(last=False)

    def of(self, ball: Ball) -> Estimate:
        """Return what was told of a build."""
        with self._lock:
            return Estimate(ball, dict(self._figures.get(key(ball), {})))
