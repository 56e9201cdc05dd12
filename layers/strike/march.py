"""Time stepping of the oblique impact: central differences of ball, contact and club."""

import math
from typing import Any

import numpy as np

from layers.numerics.lanes import WIDTH, gather, load, store
from layers.numerics.machine_code import njit
from layers.strike.contact import (
    CONTACT_LOSS,
    FRICTION_LOSS,
    NEAREST,
    NODE_ROWS,
    NORMAL_FORCE,
    POINT_ROWS,
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
    DECAY,
    RATE,
    RELAXATION_LOSS,
    element_forces,
    highest_frequency,
)

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


@njit(fastmath=True, cache=True)
def _accelerate(
    force: Any, entries: Any, push: Any, carry: Any, pivot: Any, first: int, pulled: Any
) -> None:
    """Accelerations under the internal forces: sum each node's corner forces, divide by its mass.

    From node `first` on, columns of nodes share a mass matrix of three diagonals (see `Chain`).
    """
    rows, columns = carry.shape
    count = entries.shape[0]
    blocks, light = pulled.reshape(3, count, WIDTH), push.reshape(1, count, WIDTH)
    for n in range(count):
        for i in range(3):
            pull = gather(force, 8 * WIDTH * i, entries, n, 0)
            for a in range(1, 8):
                pull = pull + gather(force, 8 * WIDTH * i, entries, n, a)
            store(blocks, i, n, -1.0 * pull * load(light, 0, n))
    for i in range(3):
        for r in range(1, rows):
            at = first + r * columns
            for c in range(columns):
                pulled[i, at + c] += carry[r, c] * pulled[i, at - columns + c]
        at = first + (rows - 1) * columns
        for c in range(columns):
            pulled[i, at + c] *= pivot[rows - 1, c]
        for r in range(rows - 2, -1, -1):
            at = first + r * columns
            for c in range(columns):
                own = pulled[i, at + c] * pivot[r, c]
                pulled[i, at + c] = own + carry[r + 1, c] * pulled[i, at + columns + c]


@njit(fastmath=True, cache=True)
def _add(to: Any, rate: Any, step: float) -> None:
    for i in range(3):
        for n in range(to.shape[1]):
            to[i, n] += rate[i, n] * step


@njit(cache=True)
def _set_decay(branch: Any, step: float) -> None:
    for e in range(branch.shape[0]):
        for b in range(0, branch.shape[1], BRANCH_ROWS):
            for lane in range(WIDTH):
                branch[e, b + DECAY, lane] = math.exp(-step * branch[e, b + RATE, lane])


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
    entries: Any,
    constant: Any,
    branch: Any,
    state: Any,
    force: Any,
    surface: Any,
    stretch: Any,
    plane: Any,
    far: int,
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
    points, u, velocity : (3, n) array
        Reference coordinates, displacements and velocities (x normal, y lateral, z up the face).
    push : (1, n) array
        One over nodal mass, 1/kg; 1 where `carry` and `pivot` stand in.
    carry, pivot : (r, k) array
        See `Chain`; the last r k nodes, the surface last.
    hexes, constant, branch, state, force
        See `element_forces`.
    entries : (n / 8, 8, 8) array
        Where in `force`, flattened, the first component of each node's corner forces stands.
    surface : Surface
    stretch : (2, f p) array
        Elastic stretch of the stuck contact at each point, along z and y, m.
    plane : (q,) array
        Nodes on the plane of symmetry.
    far : int
        The node opposite the first touch.
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
    loss, sums, pulled = np.zeros(2), np.zeros(SUM_ROWS), np.zeros(u.shape)
    sound = u.copy()  # as last found in order
    first = surface.nodes[0] - (carry.shape[0] - 1) * carry.shape[1]
    work, forces = np.zeros((NODE_ROWS, carry.shape[1])), np.zeros((POINT_ROWS, stretch.shape[1]))
    near_faces = np.zeros(surface.faces.shape[1], np.int64)
    result[:] = 0.0
    result[FIRST] = -1.0
    reach = points[0, far] - points[0].min()
    step, time, last, stride, count = 0.0, 0.0, 0.0, 1, 0
    steps = 0
    while time < longest:
        if steps % CHECK_EVERY == 0:
            frequency = highest_frequency(u, hexes, constant)
            if not 0.0 < frequency < math.inf:
                result[BROKEN] = 1.0
                u[:] = sound
                break
            sound[:] = u
            new = stable / math.sqrt(frequency)
            step = new if steps == 0 else step
        sampled = steps % SAMPLE_EVERY == 0
        element_forces(u, hexes, constant, branch, state, force, step, sampled, loss)
        if sampled:
            result[LOSS_RELAXATION] += SAMPLE_EVERY * step * loss[RELAXATION_LOSS]
            result[LOSS_BULK] += SAMPLE_EVERY * step * loss[BULK_LOSS]
        mean = 0.5 * (step + new)
        if steps % CHECK_EVERY == 0:
            _set_decay(branch, new)
        step = new
        _accelerate(force, entries, push, carry, pivot, first, pulled)
        _add(velocity, pulled, mean)
        for n in plane:
            velocity[1, n] = 0.0
        touch(
            points,
            u,
            velocity,
            carry,
            pivot,
            surface,
            stretch,
            face,
            club,
            mean,
            work,
            forces,
            near_faces,
            sums,
        )
        _add(u, velocity, step)
        drive_club(face, club, sums, mean, step)
        time += step
        steps += 1
        result[LOSS_FRICTION] += sums[FRICTION_LOSS]
        result[LOSS_CONTACT] += sums[CONTACT_LOSS]
        result[TORQUE] += mean * sums[TORQUE_SUM]
        deformation = reach - distance(points, u, far, club)
        result[DEFORMATION] = max(result[DEFORMATION], deformation)
        if sums[NORMAL_FORCE] > 0.0:
            if result[FIRST] < 0.0:
                result[FIRST] = time
            else:
                result[LONGEST_GAP] = max(result[LONGEST_GAP], time - last)
            last = time
        elif time - last > max(pause, GRACE * (last - result[FIRST])) and not may_meet_again(
            face, club, sums[NEAREST]
        ):
            result[ENDED] = 1.0
            break
        if steps % stride == 0:
            if count == history.shape[1]:
                count //= 2
                stride *= 2
                for c in range(count):
                    history[:, c] = history[:, 2 * c + 1]
            _record(history, count, time, sums)
            count += 1
    result[ELAPSED], result[LAST], result[STEPS], result[RECORDED] = time, last, steps, count


@njit(cache=True)
def march(*arguments: Any) -> None:
    """March; see `_march`.

    Without this shell around it the compiler sums in another order: last bits would change.
    """
    _march(*arguments)
