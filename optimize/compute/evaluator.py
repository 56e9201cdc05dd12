"""Figures of builds: taken from the ledger, the rest computed and written to it. The only place."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.estimation import estimate
from layers.figures import QUANTITIES, parse_figure
from layers.model_version import MODEL_VERSION
from optimize.compute.compiled import compiled_for
from optimize.compute.first_call import compile_ahead
from optimize.compute.one import Compute, Elsewhere, Request
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.space import content_of, key_of

_NOTHING = Known({}, {})


def model_version_under(conditions: Conditions | None, workers: int | Elsewhere = 1) -> str:
    """Name the model by whose version and conditions the ledger keeps figures apart.

    Figures under the shipped conditions are shared by all who use them; those of a graphics card
    are its own.

    Parameters
    ----------
    conditions : Conditions or None
        Swings, aerodynamics and air.
    workers : int, Cluster or OnCard
        What computes.
    """
    shipped, own = Conditions().fingerprint(), (conditions or Conditions()).fingerprint()
    version = MODEL_VERSION if own == shipped else f"{MODEL_VERSION}+{own}"
    label = "" if isinstance(workers, int) else workers.label(conditions)
    return f"{version}+{label}" if label else version


@dataclass
class Evaluator:
    """Takes figures from a ledger, computes the rest and writes it to the ledger.

    Attributes
    ----------
    ledger : Ledger
        Where every evaluation goes.
    compute : callable or None
        From `computing`; None reads only.
    model_version : str
        Version of the model whose figures are read and written.
    conditions : Conditions or None
        Where figures that no ledger keeps, such as costs, are computed by.
    workers : int, Cluster or OnCard
        What computes: a card needs no machine code of this processor's for its impacts.
    must_write : bool
        Whether a ledger that cannot be written ends the computation.
    reused, computed : int
        Builds found in the ledger, and builds computed, so far.
    unwritten : str
        Why figures were not written; empty if all were.
    """

    ledger: Ledger
    compute: Compute | None
    model_version: str = MODEL_VERSION
    conditions: Conditions | None = None
    must_write: bool = True
    workers: int | Elsewhere = 1
    reused: int = 0
    computed: int = 0
    unwritten: str = ""

    def figures(
        self, requests: Sequence[Request], tick: Callable[[int, Known], None] | None = None
    ) -> list[Known]:
        """Return what is known of each build, computing what is missing.

        Parameters
        ----------
        requests : sequence of (Ball, tuple of str)
            Builds and the names of the figures wanted of each.
        tick : callable, optional
            Called with a request's index and what is known, once for every request: first for
            those in the ledger, then for each build as it is computed.

        Raises
        ------
        InputError
            If nothing may be computed and the ledger lacks builds or figures, or is not writable.
        """
        unkept = [self._unkept(ball, names) for ball, names in requests]
        kept = [(ball, tuple(n for n in names if is_kept(n))) for ball, names in requests]

        def told(i: int, known: Known) -> None:
            if tick:
                tick(i, known.joined(unkept[i].figures, unkept[i].failed))

        found = self._kept(kept, told)
        return [k.joined(own.figures, own.failed) for k, own in zip(found, unkept, strict=True)]

    def _unkept(self, ball: Ball, names: Sequence[str]) -> Known:
        """Compute figures that follow from prices too: two builds of one key may differ in them."""
        wanted = [name for name in names if not is_kept(name)]
        found = estimate(ball, wanted, self.conditions) if wanted else _NOTHING
        return Known(found.figures, found.failed)

    def _kept(self, requests: Sequence[Request], tick: Callable[[int, Known], None]) -> list[Known]:
        """Take figures from the ledger or compute and write them."""
        keys = [key_of(content_of(ball)) for ball, _ in requests]
        known = self.ledger.known(list(dict.fromkeys(keys)), self.model_version)
        incomplete: dict[str, list[int]] = {}
        for i, (key, (_, names)) in enumerate(zip(keys, requests, strict=True)):
            if key in known and known[key].covers(names):
                self.reused += 1
                tick(i, known[key])
            else:
                incomplete.setdefault(key, []).append(i)
        if self.compute is None:
            self._check_complete(known, keys, complete=not incomplete)
        elif incomplete:
            places = list(self._by_layers(requests, incomplete).values())
            jobs = [self._job(requests, known, keys, indices) for indices in places]
            wanted = {name for _, names in jobs for name in names}
            code = compiled_for(wanted, self.workers)
            compile_ahead(code, (self.conditions or Conditions()).precision)
            for j, estimate in self.compute(jobs):
                self.computed += 1
                for one in (estimate, *estimate.others):
                    content = content_of(one.ball)
                    key = key_of(content)
                    self._write(key, content, one)
                    known[key] = known.get(key, _NOTHING).joined(one.figures, one.failed)
                for i in places[j]:
                    tick(i, known[keys[i]])
        return [known[key] for key in keys]

    def _by_layers(
        self, requests: Sequence[Request], incomplete: Mapping[str, list[int]]
    ) -> dict[str, list[int]]:
        """Join what one computation answers: the same layers under any known pattern."""
        patterns = self.conditions.patterns if self.conditions else {}
        joined: dict[str, list[int]] = {}
        for indices in incomplete.values():
            layers = requests[indices[0]][0]
            if layers.dimple_pattern in patterns:
                layers = layers.model_copy(update={"dimple_pattern": next(iter(patterns))})
            joined.setdefault(content_of(layers), []).extend(indices)
        return joined

    def estimates(self, requests: Sequence[Request]) -> list[Estimate]:
        """Estimate builds in full, in the order and by the names asked for."""
        return [
            Estimate(ball, *_selected(known, names))
            for (ball, names), known in zip(requests, self.figures(requests), strict=True)
        ]

    def recorded(self, requests: Sequence[Request]) -> list[Estimate]:
        """Return what the ledger has of each build, by the names asked for, and no more."""
        keys = [key_of(content_of(ball)) for ball, _ in requests]
        known = self.ledger.known(list(dict.fromkeys(keys)), self.model_version)
        found = []
        for key, (ball, names) in zip(keys, requests, strict=True):
            own = self._unkept(ball, names)
            both = known.get(key, _NOTHING).joined(own.figures, own.failed)
            found.append(Estimate(ball, *_selected(both, names)))
        return found

    def _check_complete(
        self, known: Mapping[str, Known], keys: Sequence[str], *, complete: bool
    ) -> None:
        """Refuse a ledger that lacks builds, or figures unless they are of another model.

        Another version of the model may lack figures that are wanted today.
        """
        lacks_builds = any(key not in known for key in keys)
        same_model = self.model_version.partition("+")[0] == MODEL_VERSION
        if lacks_builds or (same_model and not complete):
            what = "builds" if lacks_builds else "figures"
            raise InputError(f"{self.ledger.path} lacks {what} of this run: search it again.")

    def _write(self, key: str, content: str, estimate: Estimate) -> None:
        if self.unwritten:
            return
        try:
            self.ledger.add(key, content, self.model_version, estimate)
        except InputError as error:
            if self.must_write:
                raise
            self.unwritten = str(error)

    @staticmethod
    def _job(
        requests: Sequence[Request],
        known: Mapping[str, Known],
        keys: Sequence[str],
        indices: list[int],
    ) -> Request:
        missing = {
            name: None
            for i in indices
            for name in requests[i][1]
            if not known.get(keys[i], _NOTHING).covers((name,))
        }
        return requests[indices[0]][0], tuple(missing)


def is_kept(name: str) -> bool:
    """Whether a ledger keeps a figure: one that the build and the conditions alone determine."""
    return not QUANTITIES[parse_figure(name).quantity].of_process


def only(known: Known, names: Sequence[str]) -> Known:
    """Return what is known of some figures, in their order."""
    return Known(*_selected(known, names))


def _selected(known: Known, names: Sequence[str]) -> tuple[dict[str, Figure], dict[str, str]]:
    figures = {name: known.figures[name] for name in names if name in known.figures}
    return figures, {name: known.failed[name] for name in names if name in known.failed}
