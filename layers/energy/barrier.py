"""Recording a barrier impact: energies from a march of its own, frames from one that is stopped."""

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.energy.record import (
    EnergyTable,
    Frame,
    Grid,
    ImpactRecord,
    by_layer,
    chosen,
    greatest_shear_strain,
)
from layers.impact import kernels
from layers.impact.barrier import Thrown, advance, element_energies, outcome, throw
from layers.impact.model import (
    Model,
    Resolution,
    impact_mesh,
    impact_model,
    layer_masses,
    untiled,
)
from layers.numerics.mesh import Mesh

_LOOKS = 120
_PLATE = np.array([[-0.024, 0.024], [0.0, 0.0]])


def record_barrier(body: Body, speed: float, resolution: Resolution, frames: int) -> ImpactRecord:
    """Record a normal impact on a rigid plate from first touch to release.

    Parameters
    ----------
    body : Body
    speed : float
        Inbound, m/s.
    resolution : Resolution
        Of the mesh.
    frames : int
        At most so many are kept.

    Raises
    ------
    SolverError
        If the computation breaks down.
    """
    thrown = throw(body, speed, resolution)
    impact, mesh = outcome(thrown), impact_mesh(body, resolution)
    looks, peak_of_all = _marched(body, thrown, resolution, mesh)
    times = np.array([look.time for look in looks])
    picked, peak = chosen(times, float(impact.contact_time), peak_of_all, frames)
    names = ("cor", "contact_time", "peak_force", "peak_deformation")
    return ImpactRecord(
        swing="",
        speed=speed,
        tilt=0.5 * np.pi,
        grid=Grid(
            mesh.points.T + np.array([[0.0], [body.outer_radius[-1]]]),
            mesh.quads.T,
            mesh.layer,
            mesh.quads.T,
            np.arange(len(mesh.quads)),
        ),
        frames=tuple(looks[k] for k in picked),
        peak=peak,
        energy=_table(body, thrown, resolution, mesh, looks[peak_of_all].stored),
        results={name: float(getattr(impact, name)) for name in names},
        speed_per_joule=1.0 / (float(thrown.model.mass.sum()) * impact.cor * speed),
        flag=impact.flag,
    )


def _marched(
    body: Body, thrown: Thrown, resolution: Resolution, mesh: Mesh
) -> tuple[list[Frame], int]:
    """Let the ball hit the wall again, with stops; return what was seen, and which is deepest."""
    model = impact_model(body, resolution)
    v = np.zeros_like(model.x)
    v[1] = -thrown.speed
    history = np.empty((2, max(1, len(thrown.time) // _LOOKS)))
    looks, time, force, depth = [], 0.0, 0.0, []
    while time < thrown.time[-1]:
        looks.append(_frame(model, v, time, force, mesh, len(body.outer_radius)))
        depth.append(float(model.mass @ model.x[1]))
        _hold_networks(model)
        steps, _, _ = advance(model, v, history)
        time += float(history[0, steps - 1])
        force = float(history[1, steps - 1] / history[0, steps - 1])
    return looks, int(np.argmin(depth))


def _hold_networks(model: Model) -> None:
    """Let the march's first look at unchanged positions leave the networks as they are."""
    for j in range(model.branches):
        model.w[:, kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.GAIN] = 0.0


def _frame(model: Model, v: FloatArray, time: float, force: float, mesh: Mesh, count: int) -> Frame:
    real = len(mesh.quads)
    row = untiled(model.w)[:, :real]
    if time == 0.0:  # nothing has been deformed yet
        right = np.broadcast_to(np.eye(3), (real, 3, 3))
    else:
        frr, frz, fzr, fzz, ftt = row[kernels.DEF : kernels.DEF + 5]
        f = np.zeros((real, 3, 3))
        f[:, 0, 0], f[:, 0, 1], f[:, 1, 0], f[:, 1, 1], f[:, 2, 2] = frr, frz, fzr, fzz, ftt
        right = np.einsum("eki,ekj->eij", f, f)
    energies = element_energies(model) if time > 0.0 else {}
    volume, none = row[kernels.VOLUME], np.zeros(real)
    loss = energies.get("viscous", none)[:real].copy()
    kept = sum((energies[name][:real] for name in ("elastic", "network") if energies), none)
    touching = model.surface[model.x[1, model.surface] < 1e-9]
    radius = float(model.x[0, touching].max()) if len(touching) else 0.0
    return Frame(
        time=time,
        points=model.x.copy(),
        velocity=v.copy(),
        shear_strain=greatest_shear_strain(right),
        loss=loss,
        stored=by_layer(kept * volume, mesh.layer, count),
        lost=by_layer(loss * volume, mesh.layer, count),
        force=force,
        contact_area=np.pi * radius**2,
        face=_PLATE,
    )


def _table(
    body: Body, thrown: Thrown, resolution: Resolution, mesh: Mesh, at_peak: FloatArray
) -> EnergyTable:
    model, real, count = thrown.model, len(mesh.quads), len(body.outer_radius)
    volume = untiled(model.w)[kernels.VOLUME, :real]
    layered = {
        name: by_layer(volume * density[:real], mesh.layer, count)
        for name, density in element_energies(model).items()
    }
    mass = float(model.mass.sum())
    mean = float(model.mass @ thrown.v[1]) / mass
    own = thrown.v - np.array([[0.0], [mean]])
    moving = 0.5 * layer_masses(body, resolution) @ (own**2).sum(axis=0)
    return EnergyTable(
        given=0.5 * mass * thrown.speed**2,
        stored=at_peak,
        lost=layered["viscous"],
        vibration=moving + layered["elastic"] + layered["network"],
        numerical=layered["hourglass"],
        whole={"speed": 0.5 * mass * mean**2, "contact": -thrown.wall_work},
    )
