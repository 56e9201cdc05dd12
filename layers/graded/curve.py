"""A number over the radius inside one layer, and its mean over the elements of a mesh."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray, IntArray

_CORNERS_2D = np.array([[-1.0, 1.0, 1.0, -1.0], [-1.0, -1.0, 1.0, 1.0]])
_CORNERS_3D = np.array([[1.0 if a >> i & 1 else -1.0 for a in range(8)] for i in range(3)])


@dataclass(frozen=True)
class RadialCurve:
    """A number over the radius, from knot to knot.

    Between two knots it goes as v0 + (v1 - v0) t^exponent, t from 0 to 1; beyond the first and the
    last it keeps their values.

    Attributes
    ----------
    radius : tuple of float
        Of the k >= 2 knots, m, growing.
    value : tuple of float
        At them.
    exponent : float
        1 for straight lines.
    """

    radius: tuple[float, ...]
    value: tuple[float, ...]
    exponent: float = 1.0

    def at(self, radius: FloatArray) -> FloatArray:
        """Return the number at radii.

        Parameters
        ----------
        radius : array
            m.

        Examples
        --------
        >>> RadialCurve((0.0, 0.02), (1.0, 5.0), 2.0).at(np.array([0.0, 0.01, 0.02, 0.03])).tolist()
        [1.0, 2.0, 5.0, 5.0]
        """
        knots, values = np.array(self.radius), np.array(self.value)
        inside = np.clip(radius, knots[0], knots[-1])
        i = np.clip(np.searchsorted(knots, inside, side="right") - 1, 0, len(knots) - 2)
        t = (inside - knots[i]) / (knots[i + 1] - knots[i])
        return np.asarray(values[i] + (values[i + 1] - values[i]) * t**self.exponent)

    def mean(self, inner: float, outer: float) -> float:
        """Return the mean by volume over a shell that holds all knots.

        Exact: over a piece r = a + h t, the integral of t^n r^2 dr is
        h [a^2/(n + 1) + 2 a h/(n + 2) + h^2/(n + 3)].

        Parameters
        ----------
        inner, outer : float
            Radii of the shell, m.

        Examples
        --------
        >>> round(RadialCurve((0.0, 1.0), (0.0, 1.0), 2.0).mean(0.0, 1.0), 12)
        0.6
        """
        n, first = self.exponent, self.value[0]
        excess = 0.0  # over the first value, so that a constant's mean is exact
        for (a, b), (low, high) in zip(
            itertools.pairwise(self.radius), itertools.pairwise(self.value), strict=True
        ):
            h = b - a
            part = h * (a * a / (n + 1.0) + 2.0 * a * h / (n + 2.0) + h * h / (n + 3.0))
            excess += (low - first) * (b**3 - a**3) / 3.0 + (high - low) * part
        excess += (self.value[-1] - first) * (outer**3 - self.radius[-1] ** 3) / 3.0
        return first + 3.0 * excess / (outer**3 - inner**3)

    def over(self, divisor: float) -> "RadialCurve":
        """Return the curve with its values divided by a number."""
        return RadialCurve(self.radius, tuple(v / divisor for v in self.value), self.exponent)


Curves = Sequence[RadialCurve | None]


def along(curves: Curves, layer: IntArray, radius: FloatArray) -> FloatArray:
    """Return each layer's number at radii, 1 where a layer has no curve.

    Parameters
    ----------
    curves : sequence of RadialCurve or None
        One a layer; empty where no layer has one.
    layer : (m,) array
        Layer of each row.
    radius : (m, ...) array
        m.
    """
    found = np.ones(np.shape(radius))
    for number, curve in enumerate(curves):
        if curve is not None:
            mine = layer == number
            found[mine] = curve.at(radius[mine])
    return found


def along_points(
    curves: Curves, layer: IntArray, points: FloatArray, elements: IntArray, shapes: FloatArray
) -> FloatArray:
    """Return each layer's number at points inside elements, (m, g).

    Parameters
    ----------
    curves, layer
        See `along`.
    points : (n, d) array
        Nodes, m, the ball's centre at the origin.
    elements : (m, k) array
        Nodes of each element.
    shapes : (m, g, k) array
        Shape functions at the points.
    """
    if not any(curves):
        return np.ones(shapes.shape[:2])
    return along(curves, layer, np.sqrt(((shapes @ points[elements]) ** 2).sum(axis=2)))


def element_means(
    curves: Curves, layer: IntArray, points: FloatArray, cells: IntArray
) -> FloatArray:
    """Return each layer's number as the mean over the Gauss points of linear elements, (m,).

    An element's modulus is then right to second order in its size, like the element itself.

    Parameters
    ----------
    curves, layer
        See `along`.
    points : (d, n) array
        Nodes, m, the ball's centre at the origin.
    cells : (4, m) or (8, m) array
        Corners of quadrilaterals in order, or of hexahedra by bits.
    """
    if not any(curves):
        return np.ones(cells.shape[1])
    corners = _CORNERS_2D if len(points) == 2 else _CORNERS_3D
    shape = np.prod(1.0 + corners[:, None] * corners[:, :, None] / np.sqrt(3.0), axis=0)
    # A node's radius is interpolated, not its place: between two spheres an element is then a part
    # of their shell, and not of the polyhedron that its flat sides make of it.
    radius = shape / len(cells) @ np.sqrt((points**2).sum(axis=0))[cells]
    return np.asarray(along(curves, layer, radius.T).mean(axis=1))
