"""Rows of a ledger as objects: figures of a build, a run, a build that a run looked at."""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import astuple, dataclass, field
from datetime import UTC, datetime
from operator import index
from typing import Literal, NamedTuple

from layers.estimates import Estimate, Figure
from optimize.ledger.seal import Cells, Damage, RunRow

# Figures are written in this order; rows of before `caution` end one short, and read as none.
FIELDS = ("value", "unit", "basis", "difference_error", "absolute_error", "flag", "caution")


@dataclass(frozen=True)
class Known:
    """What the ledger holds of a build: figures, and why others could not be computed."""

    figures: dict[str, Figure]
    failed: dict[str, str]

    def covers(self, names: Iterable[str]) -> bool:
        """Whether every name is settled, one way or the other."""
        return all(name in self.figures or name in self.failed for name in names)

    def joined(self, figures: dict[str, Figure], failed: dict[str, str]) -> "Known":
        """Return this with more; what stood already stays."""
        return Known(figures | self.figures, failed | self.failed)


@dataclass(frozen=True)
class RunRecord:
    """A row of ``run``."""

    id: str
    name: str
    scenario: str
    seed: int
    versions: dict[str, str]
    status: Literal["running", "interrupted", "finished"]
    started: str
    finished: str | None


@dataclass(frozen=True)
class Predicted:
    """What an emulator expected of a figure before it was computed.

    Attributes
    ----------
    mean, sd : float
        Of the figure, in its unit, or of its natural logarithm.
    log : bool
        Which of the two.
    """

    mean: float
    sd: float
    log: bool


@dataclass(frozen=True)
class Proposal:
    """A build that a run looked at: `computed` in full, or ruled out by a closed-form limit."""

    row: tuple[int, ...]
    key: str | None
    computed: bool
    predictions: Mapping[str, Predicted] = field(default_factory=dict)


class Entry(NamedTuple):
    """A row of ``evaluation``, as it stands on disk."""

    build: bytes
    model_version: str
    content: str
    figures: str
    digest: bytes
    written: str

    @classmethod
    def of(cls, key: str, content: str, model_version: str, estimate: Estimate) -> "Entry":
        """Make the row of one evaluation, written now.

        Parameters
        ----------
        key, content : str
            Hash of the build in hexadecimal, and the text that was hashed.
        model_version : str
            Of the model that computed it.
        estimate : Estimate
            Its figures, and why others failed.
        """
        build, figures = bytes.fromhex(key), _as_json(estimate)
        digest = _digest(build, model_version, content, figures)
        return cls(build, model_version, content, figures, digest, now())

    def is_whole(self) -> bool:
        """Whether the row is as it was written."""
        try:
            own = _digest(self.build, self.model_version, self.content, self.figures)
        except (AttributeError, TypeError):  # one is of another type
            return False
        return self.digest == own

    def known(self) -> Known:
        """Read the figures."""
        record = json.loads(self.figures)
        figures = {name: Figure(name, *values) for name, values in record["figures"].items()}
        return Known(figures, record["failed"])


def whole(number: int, cells: Cells) -> Entry:
    """Return the evaluation of this number; `Damage` if it is not as it was written."""
    entry = Entry._make(cells)
    if not entry.is_whole():
        raise Damage(f"evaluation {number} is not as it was written")
    return entry


def record_of(row: RunRow) -> RunRecord:
    """Read a run; `Damage` if it cannot be read."""
    with _decoding(f"the row of run {row.id}"):
        versions = json.loads(row.versions)
        versions["model"]  # every run has one
        return RunRecord(
            row.id,
            row.name,
            row.scenario,
            row.seed,
            versions,
            row.status,  # type: ignore[arg-type]
            row.started,
            row.finished,
        )


def cells_of(proposal: Proposal) -> Cells:
    """Write a proposal, to be read by `proposal_of`."""
    predictions = {name: astuple(one) for name, one in proposal.predictions.items()}
    return (
        json.dumps(proposal.row),
        None if proposal.key is None else bytes.fromhex(proposal.key),
        "computed" if proposal.computed else "ruled out",
        json.dumps(predictions) if predictions else None,
    )


def proposal_of(what: str, cells: Cells) -> Proposal:
    """Read a proposal; `Damage` that names `what` if it cannot be read."""
    row, build, outcome, predictions = cells
    with _decoding(what):
        return Proposal(
            tuple(map(index, json.loads(row))),
            build and build.hex(),
            outcome == "computed",
            {name: Predicted(*one) for name, one in json.loads(predictions or "{}").items()},
        )


@contextmanager
def _decoding(what: str) -> Iterator[None]:
    """Tell of what cannot be read: the rows of older formats bear no digest."""
    try:
        yield
    except (AttributeError, LookupError, TypeError, ValueError) as error:
        raise Damage(f"{what} cannot be read") from error


def _as_json(estimate: Estimate) -> str:
    """Write figures so that every bit of every number is read back; no number may be infinite."""
    figures = {
        name: [getattr(figure, field) for field in FIELDS]
        for name, figure in estimate.figures.items()
    }
    record = {"figures": figures, "failed": estimate.failed}
    return json.dumps(record, separators=(",", ":"), allow_nan=False)


def _digest(build: bytes, model_version: str, content: str, figures: str) -> bytes:
    text = "\n".join((build.hex(), model_version, content, figures))
    return hashlib.sha256(text.encode()).digest()[:8]


def now() -> str:
    """Return this moment in UTC, as rows say it."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
