"""Screened rows kept on disk between computing and writing, so that memory stays flat."""

import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import TracebackType

from layers.errors import InputError
from layers.estimates import Figure
from optimize.ledger.rows import FIELDS


@dataclass(frozen=True)
class Screened:
    """One row of the table, and what came of it.

    Attributes
    ----------
    line, name : int, str
        Its place in the file; the build's name.
    cells : tuple of str
        As the table has them.
    reason : str
        Why there is no build; empty if there is one.
    figures, failed : dict
        Figures by name, and why others could not be computed.
    density, layer : float or None, str
        The density that was solved for, g/cm3, and of which layer.
    excess : dict of int to float
        Constraints that it violates, by their place among the question's, and by how much.
    windows : tuple of (str, str)
        Verdict and words of each limit and fence of the windows.
    doubts : tuple of str
        What in its numbers is probably a slip.
    """

    line: int
    name: str
    cells: tuple[str, ...]
    reason: str = ""
    figures: dict[str, Figure] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    density: float | None = None
    layer: str = ""
    excess: dict[int, float] = field(default_factory=dict)
    windows: tuple[tuple[str, str], ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def why(self) -> str:
        """Why something of it is missing, in a sentence; empty if nothing is."""
        return self.reason or "; ".join(f"{name}: {why}" for name, why in self.failed.items())


class Spool:
    """Rows in the order in which they were added; a context manager."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115 - closed by exit

    def __enter__(self) -> "Spool":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def add(self, row: Screened) -> None:
        """Append a row.

        Raises
        ------
        InputError
            If the folder for temporary files is full.
        """
        try:
            self._file.write(f"{_written(row)}\n")
        except OSError as error:
            raise InputError(
                f"{tempfile.gettempdir()}, the folder for temporary files, cannot take the "
                f"screened rows: {error.strerror}; every figure computed is in the ledger."
            ) from error

    def __iter__(self) -> Iterator[Screened]:
        self._file.seek(0)
        return map(_read, self._file)


def _written(row: Screened) -> str:
    figures = {n: [getattr(f, key) for key in FIELDS] for n, f in row.figures.items()}
    record = [row.line, row.name, row.cells, row.reason, figures, row.failed]
    more = [row.density, row.layer, list(row.excess.items()), row.windows, row.doubts]
    return json.dumps([*record, *more])


def _read(text: str) -> Screened:
    line, name, cells, reason, figures, failed, *more = json.loads(text)
    density, layer, excess, windows, doubted = more
    return Screened(
        line,
        name,
        tuple(cells),
        reason,
        {name: Figure(name, *values) for name, values in figures.items()},
        failed,
        density,
        layer,
        dict(excess),
        tuple((verdict, words) for verdict, words in windows),
        tuple(doubted),
    )
