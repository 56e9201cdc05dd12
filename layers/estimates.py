"""Estimates: the figures of a ball with their errors, and the difference of two of them."""

import math
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from layers.arrays import Precision
from layers.ball import Ball
from layers.errors import InputError, SolverError
from layers.figures import Basis, parse_figure
from layers.files.html import html_table

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Figure:
    """One estimated number.

    Attributes
    ----------
    name, value, unit : str, float, str
        What it is; the value is in the unit.
    basis : str
        What it rests on: closed form, finite element, emulator or calibrated.
    difference_error : float
        Half width, in the unit, within which the difference of this figure between two builds of
        the same materials is trusted: the numerical error of the model.
    absolute_error : float
        Half width within which the number itself is trusted: it adds what is not known of the
        materials, and only calibration on the lab's own measurements narrows it.
    flag : str
        Empty, or a sentence that says why the figure should not be relied on: the computation went
        wrong.
    caution : str
        Empty, or a sentence that says where the computation, sound in itself, leaves what its
        models were measured for: levels are doubtful there, rankings less so.
    """

    name: str
    value: float
    unit: str
    basis: Basis
    difference_error: float
    absolute_error: float
    flag: str = ""
    caution: str = ""

    def __repr__(self) -> str:
        """Return value and error between builds, with `!` or `*` where there is a warning."""
        mark = " !" if self.flag else " *" if self.caution else ""
        return f"{self.name} {_told(self.value, self.difference_error, self.unit)}{mark}"

    def __sub__(self, other: "Figure") -> "Difference":
        """Subtract the same figure of another ball.

        A figure does not know its ball: the two are taken to share no error of the mesh, and all
        their materials. `layers.difference` of two estimates knows better.
        """
        if not isinstance(other, Figure):
            return NotImplemented
        if self.name != other.name:
            raise InputError(f"{self.name} less {other.name} means nothing; take one figure.")
        error = math.hypot(self.difference_error, other.difference_error)
        return Difference(self.name, self.value - other.value, self.unit, error)


_OF_CARDS = ("materials", "shared law")


@dataclass(frozen=True)
class Difference:
    """A figure of one ball less the same figure of another.

    Attributes
    ----------
    name, value, unit : str, float, str
        Which figure; the difference is in its unit.
    error : float
        95 % half width, in the unit.
    parts : dict of str to float
        The half widths that it is made of, as a root sum of squares, by what causes them; see
        `layers.resolution`. Empty where only the figures were known.
    """

    name: str
    value: float
    unit: str
    error: float
    parts: dict[str, float] = field(default_factory=dict)

    def __repr__(self) -> str:
        """Return value and error."""
        return f"{self.name} {_told(self.value, self.error, self.unit)}"

    @property
    def standard_error(self) -> float:
        """One standard deviation, in the unit."""
        return self.error / 1.96

    @property
    def numerical_error(self) -> float:
        """The part of the error that better cards would not narrow, in the unit."""
        if not self.parts:
            return self.error
        return math.hypot(*(p for cause, p in self.parts.items() if cause not in _OF_CARDS))

    @property
    def beyond_error(self) -> bool:
        """Whether the model resolves the difference."""
        return abs(self.value) > self.error


@dataclass(frozen=True)
class Estimate:
    """The figures of one ball; a figure that could not be computed stands in `failed` with why.

    `precision` is that of the impacts, see `layers.conditions.Conditions`. `others` are estimates
    of the same layers under other dimple patterns, computed with it.
    """

    ball: Ball
    figures: dict[str, Figure]
    failed: dict[str, str] = field(default_factory=dict)
    precision: Precision = "single"
    others: "tuple[Estimate, ...]" = ()

    def __getitem__(self, name: str) -> Figure:
        """Return a figure by the name it was asked for, or another name that means the same.

        The swing may be left out where only one swing has such a figure.
        """
        name = self._key(name)
        if name in self.failed:
            raise SolverError(f"{name} of {self.ball.name} was not computed: {self.failed[name]}")
        return self.figures[name]

    def _key(self, name: str) -> str:
        known = [*self.figures, *self.failed]
        if name in known:
            return name
        owners = dict.fromkeys(k.rpartition(".")[0] for k in known)
        found = [k for k in known if _same(k, name)] or [
            k for k in known for owner in owners if _same(k, f"{owner}.{name}".lstrip("."))
        ]
        if len(found) > 1:
            raise InputError(f"{name!r} is one of {', '.join(found)}; give the whole name.")
        if not found:
            parse_figure(name)
            raise InputError(f"{name} was not asked for; there are: {', '.join(known)}.")
        return found.pop()  # one is left

    def __repr__(self) -> str:
        """Return the ball's name and the figures in a line each."""
        lines = [f"  {figure!r}" for figure in self.figures.values()]
        lines += [f"  {name} failed: {why}" for name, why in self.failed.items()]
        return "\n".join([f"Estimate of {self.ball.name!r}:", *lines])

    def _repr_html_(self) -> str:
        """Return the figures as a table, for notebooks."""
        heads = ("figure", "value", "± between builds", "± by itself", "unit", "warning")
        rows = [
            (
                f.name,
                _rounded(f.value, f.difference_error or f.absolute_error),
                _rounded(f.difference_error, f.difference_error) if f.difference_error else "exact",
                _rounded(f.absolute_error, f.absolute_error),
                "" if f.unit == "1" else f.unit,
                f.flag or f.caution,
            )
            for f in self.figures.values()
        ]
        rows += [(name, "failed", "", "", "", why) for name, why in self.failed.items()]
        return html_table(self.ball.name, heads, rows)

    def to_frame(self) -> "pd.DataFrame":
        """Return a table of a row a figure, those that failed last, without a value.

        Returns
        -------
        pandas.DataFrame
            Index ``figure``; columns ``value``, ``unit``, ``difference_error`` and
            ``absolute_error`` in the unit, ``basis``, ``flag``, ``caution``, ``failed``.
        """
        import pandas as pd

        fields = ("value", "unit", "difference_error", "absolute_error", "basis", "flag", "caution")
        rows = {n: {k: getattr(f, k) for k in fields} for n, f in self.figures.items()}
        rows |= {name: {"failed": why} for name, why in self.failed.items()}
        frame = pd.DataFrame.from_dict(rows, orient="index", columns=[*fields, "failed"])
        texts = ["unit", "basis", "flag", "caution", "failed"]
        return frame.fillna(dict.fromkeys(texts, "")).rename_axis("figure")

    def as_record(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "ball": self.ball.model_dump(mode="json"),
            "figures": {name: asdict(figure) for name, figure in self.figures.items()},
            "failed": dict(self.failed),
            "precision": self.precision,
        }


def _same(known: str, name: str) -> bool:
    """Whether a name means a known figure; a name that means nothing does not."""
    try:
        return parse_figure(name) == parse_figure(known)
    except InputError:
        return False


def _told(value: float, error: float, unit: str) -> str:
    told = _rounded(value, error) if error else f"{value:.6g}"
    spread = f" ± {_rounded(error, error)}" if error else ""
    return f"{told}{spread}{'' if unit == '1' else f' {unit}'}"


def _rounded(value: float, error: float) -> str:
    """Write a number to the second digit of its error."""
    if not (error > 0.0 and math.isfinite(error) and math.isfinite(value)):
        return f"{value:.6g}"
    return f"{value:.{max(0, 1 - math.floor(math.log10(error)))}f}"
