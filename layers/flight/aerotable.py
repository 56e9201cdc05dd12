"""The user's own drag and lift: measured conditions stitched into one smooth surface.

A table is a CSV of one condition a row, in any order, with the columns ``reynolds`` (or
``reynolds_1e5``), ``spin_ratio``, ``drag_coefficient``, ``lift_coefficient`` and, if wanted,
``note``. A smoothing thin-plate spline over the trend 1, Re, S and, where the rows fix it, S^2, as
published regressions have it, is laid through the rows; its smoothing is the one that best predicts
each row from all others. Outside the convex hull of the rows the value at its nearest edge stands,
flagged.
"""

import math
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from layers.flight.aerodynamics import Coefficients

FEWEST_ROWS, MOST_ROWS = 6, 500

_CELLS = 128  # of the grid that flights read; its error is far below a row's scatter
_SMOOTHINGS = np.logspace(-6, 3, 19)
_REACH = 1.5 / _CELLS  # beyond the hull, so that no cell that the hull cuts holds a bend


@dataclass(frozen=True)
class MeasuredLaw:
    """A law of the user's own measurements; call it as any `aerodynamics.Law`.

    Attributes
    ----------
    conditions : (m, 2) array
        Reynolds number and spin ratio of the rows.
    residual : (2,) array
        Root mean square misfit of the surface at the rows, drag and lift.
    foretold : (2,) array
        The same when each row is foretold from the others: what to trust between the rows.
    smoothing : (2,) array
        The smoothing that was chosen, drag and lift.
    low, high : (2,) arrays
        Corners of the grid, in Reynolds number and spin ratio.
    hull : (e, 3) array
        Edges of the convex hull: a x + b y + c <= 0 inside, x and y from 0 to 1 over the grid.
    grid : (2, k, k) array
        Drag and lift over the grid.
    """

    conditions: FloatArray
    residual: FloatArray
    foretold: FloatArray
    smoothing: FloatArray
    low: FloatArray
    high: FloatArray
    hull: FloatArray
    grid: FloatArray

    @property
    def content(self) -> tuple[FloatArray, ...]:
        """Everything that its coefficients follow from."""
        return self.grid, self.low, self.high, self.hull

    def __call__(self, reynolds: FloatArray, spin_ratio: FloatArray) -> Coefficients:
        """Return coefficients by bilinear interpolation of the grid."""
        x = (np.asarray(reynolds, float) - self.low[0]) / (self.high[0] - self.low[0])
        y = (np.asarray(spin_ratio, float) - self.low[1]) / (self.high[1] - self.low[1])
        outward = np.full(np.broadcast(x, y).shape, -np.inf)
        for a, b, c in self.hull:
            np.maximum(outward, a * x + b * y + c, out=outward)
        drag, lift = bilinear(self.grid, x, y)
        return Coefficients(drag, lift, outward <= 1e-9)


def bilinear(grid: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Read grids at points between their nodes.

    Parameters
    ----------
    grid : (c, k, l) array
        c grids over one rectangle.
    x, y : arrays of one shape
        From 0 to 1 over the rectangle, held at its edges.

    Returns
    -------
    (c, ...) array
    """
    cells_x, cells_y = grid.shape[1] - 1, grid.shape[2] - 1
    u, v = np.clip(x, 0.0, 1.0) * cells_x, np.clip(y, 0.0, 1.0) * cells_y
    i, j = np.minimum(u.astype(int), cells_x - 1), np.minimum(v.astype(int), cells_y - 1)
    u, v = u - i, v - j
    read: FloatArray = (1.0 - v) * ((1.0 - u) * grid[:, i, j] + u * grid[:, i + 1, j]) + v * (
        (1.0 - u) * grid[:, i, j + 1] + u * grid[:, i + 1, j + 1]
    )
    return read


def stitch(rows: FloatArray, what: str = "the table") -> MeasuredLaw:
    """Lay a smooth surface through measured conditions.

    Parameters
    ----------
    rows : (m, 4) array
        Reynolds number, spin ratio, drag and lift coefficient; 6 to 500 rows, repeats allowed.
    what : str
        The table's name, for messages.

    Raises
    ------
    InputError
        On too few or too many rows, or rows that lie on one line of the (Re, S) plane.
    """
    from scipy.spatial import ConvexHull, QhullError

    if not FEWEST_ROWS <= len(rows) <= MOST_ROWS:
        raise InputError(
            f"{what} has {len(rows)} rows, but must have from {FEWEST_ROWS} to {MOST_ROWS}."
        )
    low, high = rows[:, :2].min(axis=0), rows[:, :2].max(axis=0)
    flat = InputError(
        f"{what}: the rows lie on one line of Reynolds number and spin ratio, but must span both; "
        "`orbwright range surface` takes such rows too."
    )
    if (high == low).any():
        raise flat
    points = (rows[:, :2] - low) / (high - low)
    try:
        hull = ConvexHull(points)
    except QhullError as error:
        raise flat from error
    if hull.volume < 1e-3:  # of the box that holds the rows
        raise flat
    axis = np.linspace(0.0, 1.0, _CELLS + 1)
    nodes = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1).reshape(-1, 2)
    nodes = _onto_hull(nodes, hull.equations, points[hull.vertices])
    surfaces = [_surface(points, values, nodes, what) for values in rows[:, 2:].T]
    return MeasuredLaw(
        conditions=rows[:, :2],
        residual=np.array([s[1] for s in surfaces]),
        foretold=np.array([s[2] for s in surfaces]),
        smoothing=np.array([s[3] for s in surfaces]),
        low=low,
        high=high,
        hull=hull.equations,
        grid=np.array([s[0].reshape(_CELLS + 1, _CELLS + 1) for s in surfaces]),
    )


def _onto_hull(points: FloatArray, edges: FloatArray, corners: FloatArray) -> FloatArray:
    """Move points farther than `_REACH` outside a convex polygon to that distance from it."""
    outside = (points @ edges[:, :2].T + edges[:, 2]).max(axis=1) > 0.0
    far = points[outside]
    nearest, best = far.copy(), np.full(len(far), np.inf)
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = end - start
        share = np.clip((far - start) @ side / (side @ side), 0.0, 1.0)
        foot = start + share[:, None] * side
        distance = np.sum((far - foot) ** 2, axis=1)
        closer = distance < best
        best[closer], nearest[closer] = distance[closer], foot[closer]
    moved = points.copy()
    shrink = np.minimum(1.0, _REACH / np.sqrt(np.maximum(best, 1e-300)))
    moved[outside] = nearest + shrink[:, None] * (far - nearest)
    return moved


def thin_plate(points: FloatArray, others: FloatArray) -> FloatArray:
    """Kernel r^2 log r of the thin-plate spline between two sets of points, (m, 2) and (k, 2)."""
    squared: FloatArray = np.subtract.outer(points[:, 0], others[:, 0]) ** 2
    squared += np.subtract.outer(points[:, 1], others[:, 1]) ** 2
    kernel: FloatArray = 0.5 * squared * np.log(np.maximum(squared, 1e-300))
    return kernel


def _trend(points: FloatArray, terms: int) -> FloatArray:
    """Return the trend 1, Re, S, S^2 at points, or its first terms, (m, terms)."""
    whole = np.column_stack([np.ones(len(points)), points, points[:, 1] ** 2])
    return np.asarray(whole[:, :terms])


def _terms(points: FloatArray) -> int:
    """Return how many terms of the trend the rows fix, each row left out in turn.

    Rows at two spin ratios, or on one curve S^2 = a + b Re + c S, say nothing of S^2.
    """
    root, size, _ = np.linalg.svd(_trend(points, 4), full_matrices=False)
    leverage = np.sum(root**2, axis=1)
    return 4 if size[-1] > 1e-6 * size[0] and leverage.max() < 1.0 - 1e-9 else 3


def _surface(
    points: FloatArray, values: FloatArray, nodes: FloatArray, what: str
) -> tuple[FloatArray, float, float, float]:
    """Fit one smoothing thin-plate spline over the trend and read it at nodes.

    With [w, p] = B [y, 0] for the bordered kernel matrix's inverse B, the misfit at row i is
    lambda w_i, and the misfit when row i is left out is w_i / B_ii (Dubrule 1983, Math. Geol. 15,
    687): the smoothing lambda with the smallest sum of the latter squared is taken.
    """
    count, terms = len(points), _terms(points)
    trend = _trend(points, terms)
    matrix = np.zeros((count + terms, count + terms))
    matrix[:count, :count] = thin_plate(points, points)
    matrix[:count, count:], matrix[count:, :count] = trend, trend.T
    target = np.concatenate([values, np.zeros(terms)])
    diagonal = np.arange(count)
    best, foretold, smoothing = target, math.inf, 0.0
    for trial in _SMOOTHINGS:
        smoothed = matrix.copy()
        smoothed[diagonal, diagonal] += trial
        inverse = np.linalg.inv(smoothed)
        weights, own = inverse @ target, inverse[diagonal, diagonal]
        # A row without which the others do not fix the trend cannot be foretold: its own is 0.
        if not own.min() > 1e-9 * own.max():
            raise InputError(
                f"{what}: without one of its rows the others lie on a line of Reynolds number and "
                "spin ratio; add conditions, or fit them by `orbwright range surface`."
            )
        error = float(np.sqrt(np.mean((weights[:count] / own) ** 2)))
        if error < foretold:
            best, foretold, smoothing = weights, error, float(trial)
    surface = thin_plate(nodes, points) @ best[:count] + _trend(nodes, terms) @ best[count:]
    residual = float(np.sqrt(np.mean((smoothing * best[:count]) ** 2)))
    return surface, residual, foretold, smoothing
