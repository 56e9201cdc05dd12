"""Drag and lift over Reynolds number and spin ratio with a standard deviation everywhere.

Rows of a range become one Gaussian process a coefficient, of the form that predicts left-out rows
better. Flights read it from a grid over ln Re and sqrt S, as fine as the surface is smooth.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.flight.aerodynamics import Coefficients
from layers.flight.aerotable import bilinear
from layers.numerics.threads import one_thread
from layers.range.domain import Domain, hull_of
from layers.range.forms import forms
from layers.range.process import Process, amplitude, by_reynolds, by_spin, fit_process, matern

MOST_ROWS = 1000

# The grid covers every flight of a golf ball; beyond it the value at its edge holds.
_LOW_RE, _HIGH_RE, _HIGH_S = 2e4, 3e5, 1.5
_CELLS = 128
_NODES_RE = np.exp(np.linspace(np.log(_LOW_RE), np.log(_HIGH_RE), _CELLS + 1))
_NODES_S = np.linspace(0.0, np.sqrt(_HIGH_S), _CELLS + 1) ** 2


@dataclass(frozen=True)
class Rows:
    """Conditions of n launches, (n,) arrays.

    Attributes
    ----------
    reynolds, spin_ratio, drag, lift : arrays
        As an aerodynamic table has them.
    drag_error, lift_error : arrays
        Standard errors, 0 where none is known; scatter between rows is estimated besides.
    """

    reynolds: FloatArray
    spin_ratio: FloatArray
    drag: FloatArray
    lift: FloatArray
    drag_error: FloatArray
    lift_error: FloatArray


@dataclass(frozen=True)
class GridLaw:
    """An `aerodynamics.Law`: drag and lift read from a grid, (2, k, k)."""

    grid: FloatArray
    domain: Domain

    def __call__(self, reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
        """Return coefficients, and whether they are inside the hull of the rows."""
        re, s = np.asarray(reynolds, float), np.asarray(spin_ratio, float)
        drag, lift = _read(self.grid, re, s)
        return Coefficients(drag, lift, self.domain.inside(re, s))


@dataclass(frozen=True)
class Surface:
    """A fitted surface; call it as any `aerodynamics.Law`, or take `draws`.

    Attributes
    ----------
    rows : Rows
        What it was fitted to.
    drag, lift : Process
        The chosen process of each coefficient.
    rivals : dict of str to tuple of Process
        All forms that were compared, by coefficient.
    common_error : float
        Relative standard deviation that all rows have in common, as of the air's density.
    domain : Domain
        Convex hull of the rows.
    law : GridLaw
        The mean.
    error_grid : (2, k, k) array
        Standard deviations over the same grid, `common_error` left out.
    """

    rows: Rows
    drag: Process
    lift: Process
    rivals: dict[str, tuple[Process, ...]]
    common_error: float
    domain: Domain
    law: GridLaw
    error_grid: FloatArray

    def __call__(self, reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
        """Return the mean coefficients as a law does."""
        return self.law(reynolds, spin_ratio)

    @property
    def content(self) -> tuple[FloatArray, ...]:
        """Everything that its coefficients and their errors follow from."""
        rows = (getattr(self.rows, name) for name in Rows.__dataclass_fields__)
        return self.law.grid, self.error_grid, np.array([self.common_error]), *rows

    def coefficients(
        self, reynolds: FloatArray, spin_ratio: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return drag and lift coefficient."""
        drag, lift = _read(self.law.grid, reynolds, spin_ratio)
        return drag, lift

    def standard_errors(
        self, reynolds: FloatArray, spin_ratio: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the standard deviations of drag and lift coefficient."""
        own = _read(self.error_grid, reynolds, spin_ratio)
        common = self.common_error * _read(self.law.grid, reynolds, spin_ratio)
        drag, lift = np.hypot(own, common)
        return drag, lift

    def covariance(
        self, re_a: FloatArray, s_a: FloatArray, re_b: FloatArray, s_b: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the covariances of drag and of lift between two sets of points, (a, b) each.

        `common_error` is left out: it moves both coefficients everywhere by one factor.

        Parameters
        ----------
        re_a, s_a : (a,) arrays
            Reynolds number and spin ratio of one set.
        re_b, s_b : (b,) arrays
            The other's.
        """
        with one_thread():
            return (
                self.drag.posterior(re_a, s_a, re_b, s_b),
                self.lift.posterior(re_a, s_a, re_b, s_b),
            )

    def outside(self, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
        """Return how far outside the rows points are; see `Domain.outside`."""
        return self.domain.outside(reynolds, spin_ratio)

    def draws(self, n: int, seed: int) -> tuple[GridLaw, ...]:
        """Draw n surfaces that the rows leave possible, each a law for `fly`.

        A draw from the prior is moved by what the rows say of it (Wilson et al. 2021, J. Mach.
        Learn. Res. 22(105), pathwise conditioning). Over the grid the prior is a product of two
        lines, which makes draws of it cheap; at the rows it is read between nodes.

        Parameters
        ----------
        n : int
            How many.
        seed : int
            The same seed gives the same draws to the last bit.
        """
        rng = np.random.default_rng(seed)
        with one_thread():
            drag = _drawn(self.drag, self.law.grid[0], n, rng)
            lift = _drawn(self.lift, self.law.grid[1], n, rng)
        scale = 1.0 + self.common_error * rng.standard_normal(n)
        both = np.stack([drag, lift], axis=1) * scale[:, None, None, None]
        return tuple(GridLaw(grid, self.domain) for grid in both)


def fit_surface(rows: Rows, common_error: float = 0.0, what: str = "the table") -> Surface:
    """Fit drag and lift to the rows of a range.

    Parameters
    ----------
    rows : Rows
        1 to 1000 conditions; replicates allowed, on one line too.
    common_error : float
        Relative standard deviation that all rows have in common.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        On no or too many rows, or a value that is not finite.
    """
    count = len(rows.reynolds)
    if not 1 <= count <= MOST_ROWS:
        raise InputError(f"{what} has {count} rows, but must have from 1 to {MOST_ROWS}.")
    for name in Rows.__dataclass_fields__:
        bad = ~np.isfinite(getattr(rows, name))
        if bad.any():
            raise InputError(
                f"{what}: {name} of row {int(np.argmax(bad)) + 1} is no finite number."
            )
    re, s = _nodes()
    with one_thread():
        rivals = {
            name: tuple(
                fit_process(form, rows.reynolds, rows.spin_ratio, values, errors)
                for form in forms(name, rows.reynolds, rows.spin_ratio)
            )
            for name, values, errors in (
                ("drag", rows.drag, rows.drag_error),
                ("lift", rows.lift, rows.lift_error),
            )
        }
        drag, lift = (max(rivals[name], key=lambda p: p.score) for name in ("drag", "lift"))
        mean = np.array([p.mean(re, s) for p in (drag, lift)]).reshape(2, _CELLS + 1, _CELLS + 1)
        sd = np.array([p.sd(re, s) for p in (drag, lift)]).reshape(mean.shape)
    domain = hull_of(rows.reynolds, rows.spin_ratio)
    return Surface(rows, drag, lift, rivals, common_error, domain, GridLaw(mean, domain), sd)


def _nodes() -> tuple[FloatArray, FloatArray]:
    re, s = np.meshgrid(_NODES_RE, _NODES_S, indexing="ij")
    return re.ravel(), s.ravel()


def _place(reynolds: FloatArray, spin_ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return places over the grid, 0 to 1."""
    re, s = np.asarray(reynolds, float), np.asarray(spin_ratio, float)
    x = np.log(np.maximum(re, _LOW_RE) / _LOW_RE) / np.log(_HIGH_RE / _LOW_RE)
    return x, np.sqrt(np.clip(s, 0.0, _HIGH_S) / _HIGH_S)


def _read(grid: FloatArray, reynolds: FloatArray, spin_ratio: FloatArray) -> FloatArray:
    return bilinear(grid, *_place(reynolds, spin_ratio))


def _drawn(process: Process, mean: FloatArray, n: int, rng: np.random.Generator) -> FloatArray:
    """Draw n posterior surfaces over the grid, (n, k, k)."""
    re, s = _nodes()
    form, shape = process.form, (n, _CELLS + 1, _CELLS + 1)
    terms = form.spread * rng.standard_normal((n, len(form.spread)))
    at_nodes = (terms @ form.basis(re, s).T).reshape(shape)
    wavy = process.size * (
        _root(by_reynolds(_NODES_RE), process.length_reynolds)
        @ rng.standard_normal(shape)
        @ _root(by_spin(_NODES_S), process.length_spin_ratio).T
    )
    wavy = wavy * amplitude(_NODES_RE)[:, None]
    at_nodes = at_nodes + wavy
    at_rows = terms @ form.basis(process.reynolds, process.spin_ratio).T
    at_rows = at_rows + _read(wavy, process.reynolds, process.spin_ratio)
    at_rows = at_rows + np.sqrt(process.noise) * rng.standard_normal(at_rows.shape)
    moved = process.to_rows(re, s) @ process.solve(at_rows.T)
    return np.asarray(mean + process.inflation * (at_nodes - moved.T.reshape(shape)))


def _root(coordinates: FloatArray, length: float) -> FloatArray:
    """Return a root of the Matern correlation along one line of nodes."""
    correlation = matern(np.subtract.outer(coordinates, coordinates), length)
    values, vectors = np.linalg.eigh(correlation)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
