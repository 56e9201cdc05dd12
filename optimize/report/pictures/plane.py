"""Reynolds number and spin ratio: where flights are, and what drag and lift do there."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from layers.flight.regions import REYNOLDS, SPIN_RATIO
from optimize.pattern.wants import CARRY, SwingWants, Wants

_WIDTH, _ROW = 9.0, 3.0


def draw_plane(found: Wants) -> Figure:
    """Draw a row a swing: share of the time, carry by CD -0.01 and by CL +0.01, by region.

    Parameters
    ----------
    found : Wants
        What was computed.
    """
    figure = Figure(figsize=(_WIDTH, _ROW * len(found.swings)), layout="constrained")
    axes = figure.subplots(len(found.swings), 3, squeeze=False)
    for swing, row in zip(found.swings, axes, strict=True):
        for axis, (title, values) in zip(row, _maps(swing).items(), strict=True):
            _draw_map(axis, title, values)
        row[0].set_ylabel(f"{swing.swing}\nspin ratio")
    for axis in axes[-1]:
        axis.set_xlabel("Reynolds number, 1e5")
    figure.suptitle(found.ball)
    return figure


def _maps(swing: SwingWants) -> "dict[str, np.typing.NDArray[np.float64]]":
    return {
        "time, %": 100.0 * swing.time / swing.time.sum(),
        "carry by CD -0.01, m": -swing.drag[CARRY],
        "carry by CL +0.01, m": swing.lift[CARRY],
    }


def _draw_map(axis: Axes, title: str, values: "np.typing.NDArray[np.float64]") -> None:
    """Shade the regions and write each value that is not next to nothing."""
    table = values.reshape(len(REYNOLDS), len(SPIN_RATIO)).T
    most = max(float(np.abs(table).max()), 1e-12)
    axis.imshow(table, origin="lower", aspect="auto", cmap="PuOr", vmin=-most, vmax=most)
    for y, x in np.argwhere(np.abs(table) >= 0.03 * most):
        ink = "white" if abs(table[y, x]) > 0.6 * most else "black"
        axis.text(x, y, f"{table[y, x]:.2g}", ha="center", va="center", fontsize=7, color=ink)
    axis.set_xticks(range(len(REYNOLDS)), [f"{re / 1e5:g}" for re in REYNOLDS], fontsize=7)
    axis.set_yticks(range(len(SPIN_RATIO)), [f"{s:g}" for s in SPIN_RATIO], fontsize=7)
    axis.set_title(title, fontsize=9)
