"""Recording a strike: the same march, stopped every few steps to look at the ball.

Loss is summed element by element at the march's own samples. A stop renews the time step earlier
than the march would by itself, which moves its figures a little; those of an estimate come from a
march that is never stopped.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.energy.contact import Before, patch_of
from layers.energy.record import (
    EnergyTable,
    Frame,
    Grid,
    ImpactRecord,
    Patch,
    by_layer,
    chosen,
    greatest_shear_strain,
)
from layers.mass.inertia import mass, solver_density
from layers.numerics.blocks import as_rows
from layers.strike import contact, kernels
from layers.strike import march as rows
from layers.strike.balance import club_energy
from layers.strike.launch import Strike
from layers.strike.model import Model, momentum_of
from layers.strike.settings import Settings
from layers.strike.start import Run, check_sound, start_of_strike
from layers.strike.stored import stored
from layers.strike.strike import strike_ball

SHORTEST = 1e-12  # s: less than any step, so that a march for so long is one step
# Heights along the face at which it is drawn, m.
_FACE = np.linspace(-0.024, 0.024, 25)
# Local corners of a hexahedron's sides, in order around each.
_SIDES = ((0, 2, 6, 4), (1, 3, 7, 5), (0, 1, 5, 4), (2, 3, 7, 6), (0, 1, 3, 2), (4, 5, 7, 6))


class _Look(NamedTuple):
    """What is kept of one stop."""

    time: float
    u: FloatArray
    velocity: FloatArray
    club: FloatArray
    loss: FloatArray  # J/m3 of each element, so far
    stored: FloatArray  # J of each layer
    deformation: float  # m, the greatest so far
    patch: Patch
    force: float


@dataclass
class _Sums:
    """What the march adds up over its stops."""

    time: float
    loss: FloatArray  # J/m3 of each element in its material
    bulk: FloatArray  # and by bulk viscosity
    result: FloatArray


def record_strike(
    body: Body, strike: Strike, settings: Settings, frames: int, swing: str
) -> ImpactRecord:
    """Record a strike from first touch to release.

    Parameters
    ----------
    body : Body
    strike : Strike
    settings : Settings
        Mesh and time step.
    frames : int
        At most so many are kept.
    swing : str
        Its name.

    Raises
    ------
    InputError
        If the strike cannot be computed.
    SolverError
        If the computation breaks down.
    """
    launch = strike_ball(body, strike, settings)
    run = start_of_strike(body, strike, settings)
    before = (run.velocity.copy(), run.club.copy())
    looks, sums = _marched(body, run, float(launch.history.time[-1]))
    at_peak = int(np.argmax([look.deformation for look in looks]))
    times = np.array([look.time for look in looks])
    picked, peak = chosen(times, launch.contact_time, at_peak, frames)
    names = ("ball_speed", "launch_angle", "spin", "contact_time", "peak_deformation")
    return ImpactRecord(
        swing=swing,
        speed=strike.club_speed,
        tilt=strike.dynamic_loft,
        grid=_grid(run.model),
        frames=tuple(_frame(run, looks[k]) for k in picked),
        peak=peak,
        energy=_table(body, run, before, sums, looks[at_peak].stored),
        results={name: float(getattr(launch, name)) for name in names},
        speed_per_joule=1.0 / (mass(body) * _parting_speed(run)),
        flag=launch.flag,
    )


def _marched(body: Body, run: Run, end: float) -> tuple[list[_Look], _Sums]:
    """March to the end, stopping at every sample of the losses."""
    model, real = run.model, run.model.mesh.hexes.shape[1]
    nodes, layer = model.mesh.points.shape[1], model.mesh.layer
    sums = _Sums(0.0, np.zeros(real), np.zeros(real), np.zeros(rows.RESULT_ROWS))
    looks: list[_Look] = []
    while sums.time < end:
        time, loss = sums.time, sums.loss.copy()
        deformation = float(sums.result[rows.DEFORMATION])
        before = Before(run.u.copy(), run.club.copy(), run.stretch.copy())
        velocity, (density, _) = run.velocity[:, :nodes].copy(), stored(model, run.u, run.state)
        # One step, of which the contact is found; then as many as lie between two samples.
        step, force = _advance(body, run, sums, 0.0)
        look = _Look(
            time=time,
            u=before.u,
            velocity=velocity,
            club=before.club,
            loss=loss,
            stored=2.0 * by_layer(density * model.volume, layer, len(body.outer_radius)),
            deformation=deformation,
            patch=patch_of(run, before, step),
            force=force,
        )
        looks.append(look)
        _advance(body, run, sums, (rows.SAMPLE_EVERY - 1.5) * step)
    return looks, sums


def _advance(body: Body, run: Run, sums: _Sums, time: float) -> tuple[float, float]:
    """March on for a time, at least a step; return the step and the last normal force, s and N."""
    history, result = np.zeros((rows.HISTORY_ROWS, 64)), np.zeros(rows.RESULT_ROWS)
    u, state, branch = run.u.copy(), run.state.copy(), run.model.branch.copy()
    run.advance(max(time, SHORTEST), math.inf, history, result)
    check_sound(body, run, result)
    elapsed = float(result[rows.ELAPSED])
    step = elapsed / float(result[rows.STEPS])
    relaxation, bulk = loss_rates(run.model, u, state, branch, step)
    sums.loss += elapsed * relaxation
    sums.bulk += elapsed * bulk
    sums.time += elapsed
    deepest = max(sums.result[rows.DEFORMATION], result[rows.DEFORMATION])
    sums.result += result
    sums.result[rows.DEFORMATION] = deepest
    return step, 2.0 * float(history[rows.NORMAL, int(result[rows.RECORDED]) - 1])


def loss_rates(
    model: Model, u: FloatArray, state: FloatArray, branch: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """Dissipation of each element in the next step, (m,) W/m3: in its material, by bulk viscosity.

    The same as the march samples, see `layers.strike.kernels.element_forces`: each network loses
    (g G / 2 tau) (tr(Cbar A) + tr(Cbar^-1 A^-1) - 6), A being its mean over the step.

    Parameters
    ----------
    model : Model
    u : (3, n) array
        Displacements, m.
    state, branch : array
        Internal variables and constants of the networks as the last step left them.
    step : float
        s.
    """
    real = model.mesh.hexes.shape[1]
    constant, networks = as_rows(model.constant)[:, :real], as_rows(branch)[:, :real]
    inner = as_rows(state)[:, :real]
    right, j = _strain(model, u)
    bar = right * j[:, None, None] ** (-2.0 / 3.0)
    inverse = np.linalg.inv(bar)
    lost = np.zeros(real)
    for k in range(len(networks) // kernels.BRANCH_ROWS):
        row = kernels.BRANCH_ROWS * k
        old = inner[1 + 6 * k : 7 + 6 * k][[0, 3, 5, 3, 1, 4, 5, 4, 2]].T.reshape(real, 3, 3)
        gain = networks[row + kernels.GAIN][:, None, None]
        mean = old + 0.5 * gain * (inverse - old)
        excess = np.einsum("eij,eij->e", bar, mean) - 6.0
        excess += np.einsum("eij,eij->e", inverse, np.linalg.inv(mean))
        lost += 0.5 * networks[row + kernels.STRENGTH] * networks[row + kernels.RATE] * excess
    return lost, constant[kernels.VISCOSITY] * ((j - inner[0]) / step) ** 2


def _strain(model: Model, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Right Cauchy-Green tensors (m, 3, 3) and volume ratios (m,) by the mean gradients."""
    real = model.mesh.hexes.shape[1]
    gradient = as_rows(model.constant)[:24, :real].reshape(8, 3, real)
    f = np.einsum("iae,aje->eij", u[:, model.mesh.hexes], gradient) + np.eye(3)
    return np.einsum("eki,ekj->eij", f, f), np.linalg.det(f)


def _table(
    body: Body,
    run: Run,
    before: tuple[FloatArray, FloatArray],
    sums: _Sums,
    at_peak: FloatArray,
) -> EnergyTable:
    model, mesh = run.model, run.model.mesh
    count, volume, nodal = len(body.outer_radius), model.volume, model.node_mass
    v = run.velocity[:, : mesh.points.shape[1]]
    x = mesh.points + run.u[:, : mesh.points.shape[1]]
    density, hourglass = stored(model, run.u, run.state)
    # What the ball as now deformed keeps when its vibration is taken away: in the plane of swing.
    momentum = momentum_of(model, v)
    mean = momentum.sum(axis=1) / nodal.sum() * np.array([1.0, 0.0, 1.0])
    r = x - (nodal * x).sum(axis=1, keepdims=True) / nodal.sum()
    turning = np.stack([-r[2], np.zeros_like(r[0]), r[0]])
    inertia = float((turning * momentum_of(model, turning)).sum())
    rate = float((turning * momentum).sum()) / inertia
    steady = mean[:, None] + rate * turning
    moving = _kinetic_by_layer(body, model, v - steady)
    return EnergyTable(
        given=float((nodal * before[0][:, : v.shape[1]] ** 2).sum())
        + club_energy(before[1], run.face),
        stored=at_peak,
        lost=2.0 * by_layer(sums.loss * volume, mesh.layer, count),
        vibration=moving + 2.0 * by_layer(density * volume, mesh.layer, count),
        numerical=2.0 * by_layer(sums.bulk * volume, mesh.layer, count)
        + by_layer(hourglass, mesh.layer, count),
        whole={
            "speed": float(nodal.sum() * (mean**2).sum()),
            "spin": rate**2 * inertia,
            "head": club_energy(run.club, run.face),
            "face friction": 2.0 * float(sums.result[rows.LOSS_FRICTION]),
            "contact": 2.0 * float(sums.result[rows.LOSS_CONTACT]),
        },
    )


def _parting_speed(run: Run) -> float:
    """Speed of the ball's centre from the face, along its normal at first touch, m/s."""
    club, model = run.club, run.model
    v = run.velocity[:, : model.mesh.points.shape[1]]
    ball = float(momentum_of(model, v)[0].sum() / model.node_mass.sum())
    height = club[contact.FACE_Z] - club[contact.HEAD_Z]
    head = float(club[contact.HEAD_VX] - club[contact.TURN_RATE] * height)
    if run.face[contact.SPRING] > 0.0:  # a face still swings: take the whole club's
        light, heavy = run.face[[contact.HEAD_INVERSE_MASS, contact.FACE_INVERSE_MASS]]
        head += light / (light + heavy) * float(club[contact.FACE_VX] - head)
    return ball - head


def _kinetic_by_layer(body: Body, model: Model, v: FloatArray) -> FloatArray:
    """Kinetic energy of each layer of the whole ball, J.

    A node's mass belongs to the elements around it in proportion to theirs, a bond to the layer
    that it lies across.
    """
    mesh, count = model.mesh, len(body.outer_radius)
    share = solver_density(body)[mesh.layer] * model.volume / 8.0
    lumped = np.zeros((count, mesh.points.shape[1]))
    for corner in mesh.hexes:
        np.add.at(lumped, (mesh.layer, corner), share)
    energy = (model.node_mass * lumped / lumped.sum(axis=0)) @ (v**2).sum(axis=0)
    bond = model.chain.bond
    columns = v[:, v.shape[1] - model.chain.pivot.size :].reshape(3, len(bond) + 1, -1)
    bonded = (bond * (np.diff(columns, axis=1) ** 2).sum(axis=0)).sum(axis=1)
    rings = mesh.layer[len(mesh.layer) - len(bond) * mesh.faces.shape[1] :: mesh.faces.shape[1]]
    return np.asarray(energy + by_layer(bonded, rings, count))


def _grid(model: Model) -> Grid:
    """Mesh and section: the sides of elements that lie in the plane of symmetry."""
    mesh = model.mesh
    on_plane = np.zeros(mesh.points.shape[1], dtype=bool)
    on_plane[mesh.plane] = True
    quads, cells = [], []
    for side in _SIDES:
        corners = mesh.hexes[list(side)]
        (flat,) = np.nonzero(on_plane[corners].all(axis=0))
        quads.append(corners[:, flat])
        cells.append(flat)
    return Grid(
        mesh.points, mesh.hexes, mesh.layer, np.concatenate(quads, axis=1), np.concatenate(cells)
    )


def _frame(run: Run, look: _Look) -> Frame:
    model, mesh = run.model, run.model.mesh
    right, _ = _strain(model, look.u)
    lost = 2.0 * by_layer(look.loss * model.volume, mesh.layer, len(look.stored))
    cos, sin = math.cos(look.club[contact.TURN]), math.sin(look.club[contact.TURN])
    back = 0.5 * run.face[contact.CURVATURE] * _FACE**2
    face = np.stack([-cos * back - sin * _FACE, -sin * back + cos * _FACE])
    face += look.club[[contact.FACE_X, contact.FACE_Z], None]
    return Frame(
        time=look.time,
        points=mesh.points + look.u[:, : mesh.points.shape[1]],
        velocity=look.velocity,
        shear_strain=greatest_shear_strain(right),
        loss=look.loss,
        stored=look.stored,
        lost=lost,
        force=look.force,
        contact_area=float(look.patch.area.sum()),
        face=face,
        patch=look.patch,
    )
