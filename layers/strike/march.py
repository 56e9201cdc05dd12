"""Time stepping of the oblique impact: central differences of ball, contact and club."""

import math
from typing import Any

import numpy as np

from layers.numerics.machine_code import njit
from layers.numerics.nodes import load_node, store_node
from layers.numerics.vectors import NODE
from layers.strike.contact import (
    CONTACT_LOSS,
    FRICTION_LOSS,
    NORMAL_FORCE,
    SLIP_POWER,
    STUCK_FORCE,
    SUM_ROWS,
    TANGENTIAL_FORCE,
    TORQUE_SUM,
    distance,
    touch,
)
from layers.strike.head import drive_club, may_meet_again
from layers.strike.kernels import (
    BRANCH_ROWS,
    BULK_LOSS,
    GAIN,
    RATE,
    RELAXATION_LOSS,
    element_forces,
    highest_frequency,
)
from layers.strike.near import near_of, nearest, search

# Rows of the results.
ELAPSED, FIRST, LAST, LOSS_RELAXATION, LOSS_BULK, LOSS_FRICTION, LOSS_CONTACT = range(7)
DEFORMATION, STEPS, ENDED, RECORDED, TORQUE, LONGEST_GAP, BROKEN = range(7, 14)
RESULT_ROWS = 14
# Rows of the history.
TIME, NORMAL, TANGENTIAL, SLIP, STUCK = range(5)
HISTORY_ROWS = 5

# The impact is over when nothing has touched for this share of the contact time, and for as long
# as the caller says: a first touch may bounce.
GRACE = 0.05
CHECK_EVERY = 32
SAMPLE_EVERY = 8


@njit(fastmath=True, forceinline=True)
def _move(u: Any, velocity: Any, n: int, step: float, origin: Any, shape: Any) -> None:
    """Move a node; say how far it is from where it was against `origin`.

    So the elements, which may work in single precision, meet no motion of the ball as a whole.
    """
    place = load_node(u, n) + step * velocity
    store_node(u, n, place)
    store_node(shape, n, place - origin)


@njit(fastmath=True, cache=True)
def _move_inner(
    pull: Any, push: Any, mean: float, step: float, origin: Any, velocity: Any, u: Any, shape: Any
) -> None:
    """Let the elements' pull and the velocities act on the nodes that are in no column."""
    here = load_node(origin, 0)
    for n in range(push.shape[0]):
        new = load_node(velocity, n) - (mean * push[n]) * load_node(pull, n)
        store_node(velocity, n, new)
        _move(u, new, n, step, here, shape)


@njit(fastmath=True, cache=True)
def _push_columns(pull: Any, carry: Any, pivot: Any, mean: float, velocity: Any, work: Any) -> None:
    """Add to the velocities of the nodes in columns what the elements' pull makes of them.

    They share a mass matrix of three diagonals (see `Chain`).
    """
    (rows, columns), last = carry.shape, work.shape[0] - carry.shape[1]
    first = velocity.shape[0] - work.shape[0]
    for c in range(columns):
        store_node(work, c, (0.0 - mean) * load_node(pull, first + c))
    for r in range(1, rows):
        for c in range(columns):
            n = r * columns + c
            passed = carry[r, c] * load_node(work, n - columns)
            store_node(work, n, passed - mean * load_node(pull, first + n))
    for c in range(columns):
        n = last + c
        gained = pivot[rows - 1, c] * load_node(work, n)
        store_node(work, n, gained)
        store_node(velocity, first + n, load_node(velocity, first + n) + gained)
    for r in range(rows - 2, -1, -1):
        for c in range(columns):
            n = r * columns + c
            gained = pivot[r, c] * load_node(work, n)
            gained = gained + carry[r + 1, c] * load_node(work, n + columns)
            store_node(work, n, gained)
            store_node(velocity, first + n, load_node(velocity, first + n) + gained)


@njit(fastmath=True, cache=True)
def _move_columns(first: int, step: float, origin: Any, velocity: Any, u: Any, shape: Any) -> None:
    """Move the nodes in columns."""
    here = load_node(origin, 0)
    for n in range(first, u.shape[0]):
        _move(u, load_node(velocity, n), n, step, here, shape)


@njit(cache=True)
def _set_gain(branch: Any, step: float) -> None:
    for e in range(branch.shape[0]):
        for b in range(0, branch.shape[1], BRANCH_ROWS):
            for lane in range(branch.shape[2]):
                branch[e, b + GAIN, lane] = -math.expm1(-step * branch[e, b + RATE, lane])


@njit(cache=True)
def _record(history: Any, column: int, time: float, sums: Any) -> None:
    normal = sums[NORMAL_FORCE]
    history[TIME, column], history[NORMAL, column] = time, normal
    history[TANGENTIAL, column] = sums[TANGENTIAL_FORCE]
    if normal > 0.0:
        history[SLIP, column] = sums[SLIP_POWER] / normal
        history[STUCK, column] = sums[STUCK_FORCE] / normal
    else:
        history[SLIP, column], history[STUCK, column] = 0.0, 0.0


@njit(error_model="numpy")
def _march(
    points: Any,
    u: Any,
    velocity: Any,
    push: Any,
    carry: Any,
    pivot: Any,
    hexes: Any,
    constant: Any,
    branch: Any,
    state: Any,
    surface: Any,
    stretch: Any,
    plane: Any,
    far: int,
    centre: int,
    face: Any,
    club: Any,
    longest: float,
    pause: float,
    stable: float,
    history: Any,
    result: Any,
) -> None:
    """March from first touch until the ball has left the face.

    Parameters
    ----------
    points : (3, n) array
        Reference coordinates (x normal, y lateral, z up the face).
    u, velocity : (n, 4) array
        Displacements and velocities along them, the fourth of no use.
    push : (n - r k,) array
        One over nodal mass, 1/kg.
    carry, pivot : (r, k) array
        See `Chain`; the last r k nodes, the surface last.
    hexes, constant, branch, state
        See `element_forces`, which computes in the precision of `constant`; nodes are moved in
        double precision.
    surface : Surface
    stretch : (2, f p) array
        Elastic stretch of the stuck contact at each point, along z and y, m.
    plane : (q,) array
        Nodes on the plane of symmetry.
    far : int
        The node opposite the first touch.
    centre : int
        A node about the ball's centre.
    face, club : array
        Constants and state of the face and club, for half the club.
    longest : float
        Time after which to give up, s.
    pause : float
        How long nothing must have touched before the impact is over, s.
    stable : float
        Step times the highest circular frequency.
    history : (HISTORY_ROWS, h) array
        Written evenly in time; its sampling is thinned when full.
    result : (RESULT_ROWS,) array
        Written.
    """
    loss, sums, pulled = np.zeros(2), np.zeros(SUM_ROWS), np.zeros((carry.size, NODE))
    shape, pull = np.zeros(u.shape, constant.dtype), np.zeros(u.shape, constant.dtype)
    moved, swift, inner = u.T, velocity.T, push.shape[0]
    sound, origin = u.copy(), np.zeros((1, NODE))  # as last found in order
    near = near_of(surface, pivot[-1])
    result[:] = 0.0
    result[FIRST] = -1.0
    reach = points[0, far] - points[0].min()
    step, time, last, stride, count = 0.0, 0.0, 0.0, 1, 0
    steps, fastest = 0, 0.0
    for n in range(u.shape[0]):
        store_node(shape, n, load_node(u, n) - load_node(u, centre))
    while time < longest:
        if steps % CHECK_EVERY == 0:
            frequency = highest_frequency(shape, hexes, constant)
            if not 0.0 < frequency < math.inf:
                result[BROKEN] = 1.0
                u[:] = sound
                break
            sound[:] = u
            new = stable / math.sqrt(frequency)
            step = new if steps == 0 else step
            fastest = search(
                points, moved, swift, surface, face, club, CHECK_EVERY * new, fastest, near
            )
        sampled = steps % SAMPLE_EVERY == 0
        element_forces(shape, hexes, constant, branch, state, pull, step, sampled, loss)
        if sampled:
            result[LOSS_RELAXATION] += SAMPLE_EVERY * step * loss[RELAXATION_LOSS]
            result[LOSS_BULK] += SAMPLE_EVERY * step * loss[BULK_LOSS]
        mean = 0.5 * (step + new)
        if steps % CHECK_EVERY == 0:
            _set_gain(branch, new)
        step = new
        for n in plane:
            pull[n, 1] = 0.0
        origin[0] = u[centre]
        _move_inner(pull, push, mean, step, origin, velocity, u, shape)
        _push_columns(pull, carry, pivot, mean, velocity, pulled)
        touch(points, moved, swift, carry, pivot, surface, stretch, face, club, mean, near, sums)
        _move_columns(inner, step, origin, velocity, u, shape)
        drive_club(face, club, sums, mean, step)
        time += step
        steps += 1
        result[LOSS_FRICTION] += sums[FRICTION_LOSS]
        result[LOSS_CONTACT] += sums[CONTACT_LOSS]
        result[TORQUE] += mean * sums[TORQUE_SUM]
        deformation = reach - distance(points, moved, far, club)
        result[DEFORMATION] = max(result[DEFORMATION], deformation)
        if sums[NORMAL_FORCE] > 0.0:
            if result[FIRST] < 0.0:
                result[FIRST] = time
            else:
                result[LONGEST_GAP] = max(result[LONGEST_GAP], time - last)
            last = time
        elif time - last > max(pause, GRACE * (last - result[FIRST])) and not may_meet_again(
            face, club, nearest(points, moved, surface, face, club)
        ):
            result[ENDED] = 1.0
            break
        if steps % stride == 0 and count == history.shape[1]:
            count //= 2
            stride *= 2
            for c in range(count):
                history[:, c] = history[:, 2 * c + 1]
        if steps % stride == 0:
            _record(history, count, time, sums)
            count += 1
    result[ELAPSED], result[LAST], result[STEPS], result[RECORDED] = time, last, steps, count


@njit(cache=True)
def march_single(*arguments: Any) -> None:
    """March with elements in single precision; see `_march`.

    Two shells, so that it is known of each whether its machine code is there.
    """
    _march(*arguments)


@njit(cache=True)
def march_double(*arguments: Any) -> None:
    """March with elements in double precision; see `_march`."""
    _march(*arguments)
