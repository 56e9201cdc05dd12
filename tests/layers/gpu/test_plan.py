"""The order of elements for a block of threads: colours, places, rows, and the batches."""

from collections import Counter

import numpy as np
import pytest

from layers.gpu.plan import PADDING, plan_of
from layers.numerics.cubed_sphere import Counts

RINGS = ((0.4, 1.0), (1.0,), (0.5, 1.0))
# Cells of the block of every parity along each axis.
CELLS = [(4, 3, 4), (5, 2, 3), (3, 4, 5), (4, 2, 6), (5, 3, 5)]


@pytest.fixture(params=CELLS, ids=str)
def plan(request):
    return plan_of(Counts(*request.param, RINGS, focus=0.7))


def clashes(corner, group):
    """Count the nodes that two elements of one group share."""
    seen = Counter((g, n) for g, nodes in zip(group, corner, strict=True) for n in set(nodes))
    return sum(count - 1 for count in seen.values())


def test_elements_of_one_colour_share_no_node(plan):
    assert clashes(plan.corner, plan.colour) == 0
    assert len(np.unique(plan.colour)) <= 12
    assert (np.diff(plan.colour) >= 0).all()
    # The guard: two colours taken for one are seen.
    assert clashes(plan.corner, plan.colour // 2) > 0


def test_every_element_and_node_has_its_place_once(plan):
    mesh = plan.mesh
    for order, count in (
        (plan.element, mesh.hexes.shape[1]),
        (plan.node, mesh.points.shape[1]),
        (plan.column, len(mesh.surface)),
    ):
        np.testing.assert_array_equal(np.sort(order), np.arange(count))
    np.testing.assert_array_equal(plan.node[plan.corner].T, mesh.hexes[:, plan.element])
    np.testing.assert_array_equal(plan.layer, mesh.layer[plan.element])
    assert mesh.points[0, plan.node[plan.far]] == mesh.points[0].max()


def test_nodes_of_the_block_come_by_parity(plan):
    """Eight runs of nodes an even number of cells apart along each axis, as colours read them."""
    shape = np.add(next(c for c in CELLS if plan_of(Counts(*c, RINGS, focus=0.7)) is plan), 1)
    block = plan.node[: np.prod(shape)]
    odd = np.stack(np.unravel_index(block, shape)) % 2
    assert (np.abs(np.diff(odd, axis=1)).sum(axis=0) > 0).sum() == 7
    assert (np.diff(odd[0]) >= 0).all()


def test_columns_are_rays_and_rows_are_interfaces(plan):
    columns = len(plan.column)
    assert plan.rows == 1 + len(RINGS[1]) + len(RINGS[2])
    rows = plan.mesh.points[:, plan.node[plan.inner :]].reshape(3, plan.rows, columns)
    radius = np.sqrt((rows**2).sum(axis=0))
    np.testing.assert_allclose(radius, np.repeat([[1.0], [2.0], [2.5], [3.0]], columns, axis=1))
    rays = np.repeat(rows[:, :1], plan.rows, axis=1)
    np.testing.assert_allclose(rows / radius, rays, atol=1e-12)


def test_elements_between_rows_know_the_row_under_them(plan):
    columns = len(plan.column)
    at = (plan.corner.astype(int) - plan.inner) // columns  # below 0 inside the first row
    low, high = at.min(axis=1), at.max(axis=1)
    between = low >= 0
    np.testing.assert_array_equal(plan.row, np.where(between, low, -1))
    assert (high[between] == low[between] + 1).all()


def test_faces_and_what_lies_around_a_column_agree(plan):
    first = plan.inner + (plan.rows - 1) * len(plan.column)
    outer = plan.corner[plan.row == plan.rows - 2].astype(int) - first
    sides = {frozenset(nodes[nodes >= 0]) for nodes in outer}
    assert {frozenset(corners) for corners in plan.face.astype(int)} == sides
    found = sorted(code for codes in plan.around for code in codes if code >= 0)
    assert found == list(range(4 * len(plan.face)))
    for column, codes in enumerate(plan.around):
        for code in codes[codes >= 0]:
            assert plan.face[code // 4, code % 4] == column
        assert (np.diff((codes < 0).astype(int)) >= 0).all()  # the empty ones come last


@pytest.mark.parametrize("threads", [7, 32, 100_000])
def test_batches_hold_all_elements_and_phases_that_do_not_clash(plan, threads):
    cut = plan.batches(threads)
    count = len(plan.layer)
    size = -(-count // threads) * threads
    assert len(cut["phases"]) == size // threads
    assert {len(cut[name]) for name in ("corner", "code", "row")} == {size}
    np.testing.assert_array_equal(cut["corner"][:count], plan.corner)
    np.testing.assert_array_equal(cut["row"][:count], plan.row)
    code = cut["code"].astype(int)
    assert (code[count:] == PADDING).all()
    assert (cut["row"][count:] == -1).all()
    np.testing.assert_array_equal(code[:count] % 8, plan.layer)
    phase, batch = code[:count] // 8, np.arange(count) // threads
    assert clashes(plan.corner, 100 * batch + phase) == 0
    for number, phases in enumerate(cut["phases"]):
        assert set(phase[batch == number]) == set(range(phases))
