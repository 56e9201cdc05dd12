"""Figures from the ledger where they are there, else computed and written to it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from layers.errors import InputError
from layers.estimation import MODEL_VERSION
from layers.figures import Estimate
from optimize.compute.first_call import compile_ahead
from optimize.ledger.ledger import Known, Ledger
from optimize.scenario.space import content_of, key_of

if TYPE_CHECKING:
    pass
from optimize.compute.one import Compute, Request


@dataclass
class Evaluator:
    """Figures of builds: from the ledger where they stand there, else computed and written to it.

    Attributes
    ----------
    ledger : Ledger
        Where every evaluation goes.
    compute : callable or None
        From `computing`; None reads only.
    model_version : str
        Figures of which version of the model are read and written.
    reused, computed : int
        Builds found in the ledger, and builds computed, so far.
    """

    ledger: Ledger
    compute: Compute | None
    model_version: str = MODEL_VERSION
    reused: int = 0
    computed: int = 0

    def figures(
        self, requests: Sequence[Request], tick: Callable[[int, Known], None] | None = None
    ) -> list[Known]:
        """Return what is known of each build, computing what is missing.

        Parameters
        ----------
        requests : sequence of (Ball, tuple of str)
            Builds and the names of the figures wanted of each.
        tick : callable, optional
            Called with a request's index and what is known, once for every request, when settled.

        Raises
        ------
        InputError
            If nothing may be computed and the ledger does not know a build.
        """
        contents = [content_of(ball) for ball, _ in requests]
        keys = [key_of(content) for content in contents]
        known = self.ledger.known(list(dict.fromkeys(keys)), self.model_version)
        open_ones: dict[str, list[int]] = {}
        for i, (key, (_, names)) in enumerate(zip(keys, requests, strict=True)):
            if key in known and known[key].covers(names):
                self.reused += 1
                if tick:
                    tick(i, known[key])
            else:
                open_ones.setdefault(key, []).append(i)
        if self.compute is None:
            if any(key not in known for key in keys):
                raise InputError(f"{self.ledger.path} lacks builds of this run: search it again.")
            return [known[key] for key in keys]
        jobs = [self._job(requests, indices, known.get(key)) for key, indices in open_ones.items()]
        compile_ahead(name for _, names in jobs for name in names)
        places = list(open_ones.items())
        for j, found in self.compute(jobs):
            key, indices = places[j]
            self.ledger.add(key, contents[indices[0]], self.model_version, found)
            known[key] = known.get(key, Known({}, {})).joined(found.figures, found.failed)
            self.computed += 1
            if tick:
                for i in indices:
                    tick(i, known[key])
        return [known[key] for key in keys]

    def estimates(self, requests: Sequence[Request]) -> list[Estimate]:
        """Estimate builds in full, in the order and by the names asked for."""
        return [
            Estimate(
                ball,
                {name: known.figures[name] for name in names if name in known.figures},
                {name: known.failed[name] for name in names if name in known.failed},
            )
            for (ball, names), known in zip(requests, self.figures(requests), strict=True)
        ]

    @staticmethod
    def _job(requests: Sequence[Request], indices: list[int], known: Known | None) -> Request:
        names = dict.fromkeys(name for i in indices for name in requests[i][1])
        missing = tuple(n for n in names if known is None or not known.covers((n,)))
        return requests[indices[0]][0], missing
