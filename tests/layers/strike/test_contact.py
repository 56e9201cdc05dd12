"""The contact's loops, run by Python: places over a rolled and turning face, pressure, friction."""

import math

import numpy as np
import pytest

from layers.errors import InputError
from layers.strike import contact, head
from layers.strike import near as vicinity
from layers.strike.balance import _club_momentum
from layers.strike.model import build_model, momentum_of
from layers.strike.settings import Settings
from tests.helpers.builds import random_bodies
from tests.helpers.lanes import uncompiled

TINY = Settings(
    normal=4, lateral=3, upward=4, core_rings=1, cover_rings=2, thinnest_step=3e-6,
    precision="double",
)  # fmt: skip
STEP = 1e-6


@pytest.fixture(autouse=True)
def by_python(monkeypatch):
    uncompiled(monkeypatch, contact, head, vicinity)


@pytest.fixture(scope="module")
def model():
    return build_model(random_bodies(1, 7)[0], TINY)


def face_of(model, friction=0.3, fade=0.0, roll=0.0):
    face = np.zeros(contact.FACE_ROWS)
    stiffness, damping, along, along_damping = model.law
    face[contact.STIFFNESS], face[contact.DAMPING] = stiffness, damping
    face[contact.SHEAR_STIFFNESS], face[contact.SHEAR_DAMPING] = along, along_damping
    face[contact.FRICTION], face[contact.FADE], face[contact.CURVATURE] = friction, fade, roll
    return face


def club_at(model, depth=0.4e-3, turn=0.0, rate=0.0, speed=(0.0, 0.0)):
    """Return the club whose face stands so far inside the sphere's first touch."""
    club = np.zeros(contact.CLUB_ROWS)
    club[contact.FACE_X] = model.points[0].min() + depth
    club[[contact.FACE_VX, contact.FACE_VZ]] = speed
    club[contact.TURN], club[contact.TURN_RATE] = turn, rate
    return club


def approach(model, u, velocity, face, club):
    near = vicinity.near_of(model.surface, model.chain.pivot[-1])
    near.counts[0] = len(model.surface.nodes)
    contact.approach(model.points, u, velocity, model.surface, face, club, near)
    return near


@pytest.mark.parametrize("roll", [0.0, 4.0])
def test_analytic_distance_and_velocity_over_a_turning_face(model, roll):
    """Velocities over the face are what distances grow by, and the axes turn with its normal."""
    rng = np.random.default_rng(3)
    u = 1e-4 * rng.normal(size=model.points.shape)
    velocity = rng.normal(size=model.points.shape) * 10.0
    face = face_of(model, roll=roll)
    club = club_at(model, turn=0.05, rate=40.0, speed=(30.0, -4.0))
    found = approach(model, u, velocity, face, club)
    near, swift, tilt = found.gap, found.swift, found.tilt
    nearest = vicinity.nearest(model.points, u, model.surface, face, club)
    assert nearest == pytest.approx(near.min())
    np.testing.assert_allclose((tilt**2).sum(axis=0), 1.0)
    x, _, z = (model.points + u)[:, model.surface.nodes]
    x = x - club[contact.FACE_X]
    across, height = (
        x * math.cos(0.05) + z * math.sin(0.05),
        z * math.cos(0.05) - x * math.sin(0.05),
    )
    np.testing.assert_allclose(near, across + 0.5 * roll * height**2, rtol=1e-12)
    lean = np.arctan(roll * height)  # the normal leans up the face by the roll
    np.testing.assert_allclose(tilt, [np.cos(0.05 + lean), np.sin(0.05 + lean)], rtol=1e-12)
    later = club.copy()
    dt = 1e-9
    later[[contact.FACE_X, contact.FACE_Z]] += dt * club[[contact.FACE_VX, contact.FACE_VZ]]
    later[contact.TURN] += dt * 40.0
    after = approach(model, u + dt * velocity, velocity, face, later)
    growth = (after.gap - near) / dt * np.cos(lean)
    np.testing.assert_allclose(swift[0], growth, rtol=1e-4, atol=1e-3)
    np.testing.assert_array_equal(swift[1], velocity[1, model.surface.nodes])
    relative = velocity[[0, 2]][:, model.surface.nodes] - np.array([[30.0], [-4.0]])
    relative += 40.0 * np.stack([z, -x])
    np.testing.assert_allclose(swift[0] ** 2 + swift[2] ** 2, (relative**2).sum(axis=0), rtol=1e-9)
    for node in model.surface.nodes[:5]:
        gap = contact.distance(model.points, u, node, club)
        where = (model.points + u)[:, node]
        expected = (where[0] - club[contact.FACE_X]) * math.cos(0.05) + where[2] * math.sin(0.05)
        assert gap == pytest.approx(expected)


def struck(model, velocity, face, club, stretch=None):
    """Apply one step of contact; return velocities, stretches, forces and sums."""
    points = model.surface.faces.shape[1] * model.surface.shape.shape[0]
    velocity, still = velocity.copy(), np.zeros_like(model.points)
    stretch = np.zeros((2, points)) if stretch is None else stretch.copy()
    near = vicinity.near_of(model.surface, model.chain.pivot[-1])
    around = (model.points, still, velocity, model.surface, face, club)
    vicinity.search(*around, 32 * STEP, 0.0, near)
    sums = np.full(contact.SUM_ROWS, np.nan)
    contact.touch(
        model.points, still, velocity, model.chain.carry, model.chain.pivot, model.surface,
        stretch, face, club, STEP, near, sums,
    )  # fmt: skip
    return velocity, stretch, near.forces, sums


CLUBS = {
    "flat": {"depth": 0.4e-3},
    "turned": {"depth": 0.4e-3, "turn": 0.03, "rate": 60.0, "speed": (25.0, 3.0)},
}


@pytest.mark.parametrize("name", CLUBS)
@pytest.mark.parametrize("roll", [0.0, 4.0])
def test_analytic_what_the_ball_gains_is_what_is_told_of_the_face(model, name, roll):
    """Momentum through the mass matrix of thin layers, and its moment about the origin."""
    velocity = np.zeros_like(model.points)
    velocity[0], velocity[2] = -20.0, -8.0
    face, club = face_of(model, roll=roll), club_at(model, **CLUBS[name])
    after, _, forces, sums = struck(model, velocity, face, club)
    gained = momentum_of(model, after - velocity)
    assert sums[contact.NORMAL_FORCE] > 0.0
    total = gained.sum(axis=1) / STEP
    assert total[0] == pytest.approx(sums[contact.FORCE_X], rel=1e-9)
    assert total[2] == pytest.approx(sums[contact.FORCE_Z], rel=1e-9)
    # Nodes inside follow their column: only the surface has the impulse itself.
    x, _, z = model.points
    moment = float((x * gained[2] - z * gained[0]).sum()) / STEP
    assert moment == pytest.approx(sums[contact.TORQUE_SUM], rel=1e-6)
    weight = np.repeat(model.surface.weight, model.surface.shape.shape[0])
    assert sums[contact.NORMAL_FORCE] == pytest.approx(weight @ forces[0])
    assert sums[contact.TANGENTIAL_FORCE] == pytest.approx(weight @ forces[1])
    assert sums[contact.STUCK_FORCE] == pytest.approx(weight @ (forces[0] * forces[3]))
    if name == "flat" and not roll:
        assert sums[contact.FORCE_X] == pytest.approx(sums[contact.NORMAL_FORCE])
        assert sums[contact.FORCE_Z] == pytest.approx(sums[contact.TANGENTIAL_FORCE])


@pytest.mark.parametrize("fade", [0.0, 0.05])
def test_analytic_pressure_and_friction_of_each_point(model, fade):
    """N = -(k g + (k dt/2 + c) w) / (1 + (k dt/2 + c) dt a); friction at most mu N, faded."""
    velocity = np.zeros_like(model.points)
    velocity[0], velocity[1], velocity[2] = -20.0, 1.5, -8.0
    rng = np.random.default_rng(4)
    velocity += 0.5 * rng.normal(size=velocity.shape)
    face, club = face_of(model, friction=0.05, fade=fade), club_at(model)
    surface = model.surface
    points = surface.faces.shape[1] * len(surface.shape)
    stretch = 1e-7 * rng.normal(size=(2, points))
    _, kept, forces, _ = struck(model, velocity, face, club, stretch)
    found = approach(model, np.zeros_like(model.points), velocity, face, club)
    light = surface.area * model.chain.pivot[-1]

    def at(nodal):
        return np.einsum("pc,cf->fp", surface.shape, nodal[surface.faces]).ravel()

    gap = at(found.gap) - np.repeat(surface.bulge, len(surface.shape))
    w0, w1, w2, ease = *(at(part) for part in found.swift), at(light)
    stiff, damp = face[contact.STIFFNESS], face[contact.DAMPING]
    resist = 0.5 * STEP * stiff + damp
    normal = -(stiff * gap + resist * w0) / (1.0 + resist * STEP * ease)
    normal = np.where((gap <= 0.0) & (normal > 0.0), normal, 0.0)
    np.testing.assert_allclose(forces[0], normal, rtol=1e-9)
    assert 3 < (normal > 0.0).sum() < points
    along_stiff = face[contact.SHEAR_STIFFNESS]
    resist = 0.5 * STEP * along_stiff + face[contact.SHEAR_DAMPING]
    trial = -(along_stiff * stretch + resist * np.stack([w2, w1])) / (1.0 + resist * STEP * ease)
    limit = 0.05 * normal / (1.0 + fade * np.hypot(w1, w2))
    size = np.hypot(*trial)
    held = trial * np.minimum(1.0, limit / size)
    on = normal > 0.0
    np.testing.assert_allclose(forces[1:3, on], held[:, on], rtol=1e-9)
    np.testing.assert_array_equal(forces[3, on], (size <= limit)[on])
    assert (size > limit)[on].any()
    # Stretch: what sticks is carried on, what slips is mapped back, what leaves forgets.
    leaves = np.minimum(0.0, gap + STEP * w0) == 0.0
    expected = np.where(size <= limit, stretch + STEP * np.stack([w2, w1]), -held / along_stiff)
    # The velocities after the contact's own impulses: within what they change.
    slipped = on & ~leaves & (size > limit)
    np.testing.assert_allclose(kept[:, slipped], expected[:, slipped], rtol=1e-9)


@pytest.mark.parametrize("speed", [-20.0, 200.0])
def test_analytic_powers_and_losses_of_a_step(model, speed):
    """Of the velocities after it: N |w| of sliding; what the forces do less what is then stored.

    The contact keeps k g^2 / 2 of an overlap g, and k_t s^2 / 2 of a stretch s; a point that
    leaves the face within the step, or already pulls away, keeps neither.
    """
    velocity = np.zeros_like(model.points)
    velocity[0], velocity[1], velocity[2] = speed, 1.5, -8.0
    rng = np.random.default_rng(4)
    velocity += 0.5 * rng.normal(size=velocity.shape)
    face, club = face_of(model, friction=0.05), club_at(model)
    surface = model.surface
    stretch = 1e-7 * rng.normal(size=(2, surface.faces.shape[1] * len(surface.shape)))
    after, kept, forces, sums = struck(model, velocity, face, club, stretch)
    gap = approach(model, np.zeros_like(model.points), velocity, face, club).gap
    w = after[:, surface.nodes]  # the face stands still

    def at(nodal):
        return np.einsum("pc,cf->fp", surface.shape, nodal[surface.faces]).ravel()

    weight = np.repeat(surface.weight, len(surface.shape))
    gap, (w0, w1, w2) = at(gap) - np.repeat(surface.bulge, len(surface.shape)), map(at, w)
    lowest = approach(model, 0.0 * after, after, face, club).gap[surface.faces].min(axis=0)
    near = np.repeat(lowest < surface.bulge, len(surface.shape))  # in faces that touch at all
    normal, along, across, _ = forces
    overlap, then = np.minimum(0.0, gap), np.minimum(0.0, gap + STEP * w0)
    elastic = 0.5 * face[contact.STIFFNESS] * (then**2 - overlap**2)
    lost = -weight * (STEP * normal * w0 + elastic)
    assert sums[contact.CONTACT_LOSS] == pytest.approx(lost[near].sum(), rel=1e-9)
    held = 0.5 * face[contact.SHEAR_STIFFNESS] * ((kept**2).sum(axis=0) - (stretch**2).sum(axis=0))
    rubbed = -weight * (STEP * (along * w2 + across * w1) + held)
    assert sums[contact.FRICTION_LOSS] == pytest.approx(rubbed[near].sum(), rel=1e-9)
    slid = weight * normal * np.hypot(w1, w2)
    assert sums[contact.SLIP_POWER] == pytest.approx(slid.sum(), rel=1e-9, abs=1e-12)
    left = near & ((normal == 0.0) | (then == 0.0))
    assert not kept[:, left].any()
    assert (near & (normal == 0.0) & (overlap < 0.0)).any() == (speed > 0.0)
    assert ((normal > 0.0) & (then < 0.0)).any()


def test_nothing_is_touched_from_afar_and_nothing_changes(model):
    velocity = np.full_like(model.points, 2.0)
    club = club_at(model, depth=-1e-3)
    after, _, forces, sums = struck(model, velocity, face_of(model), club)
    np.testing.assert_array_equal(after, velocity)
    assert not forces.any()
    assert not sums.any()
    still = np.zeros_like(model.points)
    gap = vicinity.nearest(model.points, still, model.surface, face_of(model), club)
    assert gap == pytest.approx(1e-3)


def test_frictionless_contact_pushes_along_the_normal_alone(model):
    velocity = np.zeros_like(model.points)
    velocity[0], velocity[2] = -20.0, -8.0
    after, _, _, sums = struck(model, velocity, face_of(model, friction=0.0), club_at(model))
    assert sums[contact.TANGENTIAL_FORCE] == 0.0
    np.testing.assert_allclose((after - velocity)[1:], 0.0, atol=1e-12)
    assert sums[contact.FRICTION_LOSS] == pytest.approx(0.0, abs=1e-12)


def test_a_search_finds_what_may_touch_until_the_next(model):
    """Faces within twice the way that the fastest node goes, and their corners; the speed grows."""
    velocity = np.zeros_like(model.points)
    velocity[0] = -20.0
    face, club, still = face_of(model), club_at(model, depth=0.0), np.zeros_like(model.points)
    near = vicinity.near_of(model.surface, model.chain.pivot[-1])
    around = (model.points, still, velocity, model.surface, face, club)
    for fastest, time in ((0.0, 5e-6), (50.0, 5e-6), (0.0, 1e-2)):
        found = vicinity.search(*around, time, fastest, near)
        assert found == pytest.approx(max(fastest, 20.0))
        gap = approach(model, still, velocity, face, club).gap
        reach = 2.0 * found * time
        lowest = gap[model.surface.faces].min(axis=0)
        (expected,) = np.nonzero(lowest < model.surface.bulge + reach)
        np.testing.assert_array_equal(near.faces[: near.counts[1]], expected)
        nodes = np.unique(model.surface.faces[:, expected])
        np.testing.assert_array_equal(near.nodes[: near.counts[0]], nodes)
    assert near.counts[1] == model.surface.faces.shape[1]


@pytest.mark.parametrize("count", [1, 3])
def test_room_is_made_for_every_node_face_and_point(model, count):
    surface = model.surface._replace(shape=np.full((count, 4), 0.25))
    nodes, faces = len(surface.nodes), surface.faces.shape[1]
    near = vicinity.near_of(surface, model.chain.pivot[-1])
    assert near.counts.tolist() == [nodes, faces]
    np.testing.assert_array_equal(near.nodes, np.arange(nodes))
    np.testing.assert_array_equal(near.faces, np.arange(faces))
    assert near.touching.shape == (faces,)
    assert near.gap.shape == (nodes,)
    assert near.swift.shape == near.impulse.shape == (3, nodes)
    assert near.tilt.shape == (2, nodes)
    assert near.forces.shape == (4, faces * count)
    np.testing.assert_allclose(near.light, surface.area * model.chain.pivot[-1])


def heads():
    """Return a face on a spring and a stiff one, with a club that turns, and its state."""
    for spring in (None, 8e6):
        face, offset = head.half_head(0.2, 4.5e-4, 0.03, 0.004, 0.3, spring, 0.03)
        club = head.club_before(offset, np.array([45.0, 2.0]), 0.021)
        club[contact.TURN], club[contact.TURN_RATE] = 0.02, -30.0
        rx, rz = offset
        club[contact.FACE_VX] = club[contact.HEAD_VX] + 30.0 * rz
        club[contact.FACE_VZ] = club[contact.HEAD_VZ] - 30.0 * rx
        yield face, club


@pytest.mark.parametrize("which", [0, 1], ids=["stiff", "sprung"])
def test_analytic_a_driven_club_loses_what_the_ball_is_given(which):
    """Linear and angular momentum of face and head, over one step under forces and a torque."""
    face, moved = list(heads())[which]
    sums = np.zeros(contact.SUM_ROWS)
    sums[[contact.FORCE_X, contact.FORCE_Z, contact.TORQUE_SUM]] = 5e3, -7e2, 3.0
    moved[contact.TURN] = 0.0  # the axes of a first step
    before = _club_momentum(moved, face)
    head.drive_club(face, moved, sums, 1e-6, 0.0)
    change = _club_momentum(moved, face) - before
    np.testing.assert_allclose(change, [-5e-3, 7e-4, -3e-6], rtol=1e-9)
    again = moved.copy()
    head.drive_club(face, again, np.zeros(contact.SUM_ROWS), 0.0, 2e-6)
    for place, speed in (
        (contact.FACE_X, contact.FACE_VX),
        (contact.FACE_Z, contact.FACE_VZ),
        (contact.HEAD_X, contact.HEAD_VX),
        (contact.HEAD_Z, contact.HEAD_VZ),
        (contact.TURN, contact.TURN_RATE),
    ):
        assert again[place] - moved[place] == pytest.approx(2e-6 * again[speed], rel=1e-9)


def test_analytic_half_a_head_with_a_sprung_face():
    """Whole head: its parts' masses, their joint centre, and inertia by the parallel axes."""
    face, offset = head.half_head(0.2, 4.5e-4, 0.03, 0.004, 0.25, 8e6, 0.05)
    moving, rest = (
        2.0 / face[row] for row in (contact.FACE_INVERSE_MASS, contact.HEAD_INVERSE_MASS)
    )
    assert (moving, rest) == pytest.approx((0.05, 0.15))
    # From the rest's centre to the face; the joint centre is a quarter of the way.
    np.testing.assert_allclose(offset * rest / 0.2, [0.03, 0.004])
    assert face[contact.DEPTH] == offset[0]
    apart = float(offset @ offset)
    own = 2.0 / face[contact.HEAD_INVERSE_INERTIA]
    centres = moving * apart * 0.75**2 + rest * apart * 0.25**2
    assert own + centres == pytest.approx(4.5e-4)
    assert (face[contact.SPRING], face[contact.CURVATURE]) == (4e6, 4.0)
    with pytest.raises(InputError, match=f"inertia is 6e-05 kg m2, but must be above {centres:g}:"):
        head.half_head(0.2, 6e-5, 0.03, 0.004, 0.25, 8e6, 0.05)
    rigid, place = head.half_head(0.2, 6e-5, 0.03, 0.004, None, None, 0.05)
    assert place.tolist() == [0.03, 0.004]
    assert 2.0 / rigid[contact.HEAD_INVERSE_INERTIA] == pytest.approx(6e-5)
    assert 2.0 / rigid[contact.HEAD_INVERSE_MASS] == pytest.approx(0.2)
    with pytest.raises(InputError, match="but must be above 0"):  # nothing turns for nothing
        head.half_head(0.2, 0.0, 0.03, 0.004, None, None, 0.05)


def test_analytic_a_free_face_swings_in_its_period():
    """A face drawn out against the rest of a head that does not turn, marched through a period."""
    face, offset = head.half_head(0.2, None, 0.03, 0.0, None, 8e6, 0.03)
    rest, mass = 0.17, 0.03
    period = 2.0 * math.pi / math.sqrt(8e6 * (1.0 / mass + 1.0 / rest))
    assert head.face_period(face) == pytest.approx(period)
    assert head.face_period(head.half_head(0.2, None, 0.03, 0.0, None, None, 0.0)[0]) == 0.0
    club = head.club_before(offset, np.array([0.0, 0.0]), 0.021)
    club[contact.FACE_X] += 1e-3
    steps = 2000
    still = np.zeros(contact.SUM_ROWS)
    out = []
    head.drive_club(face, club, still, 0.5 * period / steps, period / steps)
    for _ in range(steps - 1):
        head.drive_club(face, club, still, period / steps, period / steps)
        out.append(club[contact.FACE_X] - club[contact.HEAD_X] - face[contact.DEPTH])
    assert out[-1] == pytest.approx(1e-3, rel=1e-4)
    assert min(out) == pytest.approx(-1e-3, rel=1e-4)
    # Drawn out it reaches no farther; from its middle it would reach as far as it swings.
    assert head.may_meet_again(face, club, -1e-6)
    assert not head.may_meet_again(face, club, 1e-5)


def test_analytic_a_turning_face_reaches_as_far_as_it_swings():
    """From where and how fast it stands out of the head: sqrt(out^2 + (speed / omega)^2) - out."""
    _, (face, club) = heads()
    club[contact.TURN], club[contact.TURN_RATE] = 0.3, -40.0
    club[[contact.FACE_VX, contact.FACE_VZ]] += np.array([1.5, -0.8])

    def out(time):
        turn = club[contact.TURN] + time * club[contact.TURN_RATE]
        x, z = (
            club[a] - club[b] + time * (club[v] - club[w])
            for a, b, v, w in (
                (contact.FACE_X, contact.HEAD_X, contact.FACE_VX, contact.HEAD_VX),
                (contact.FACE_Z, contact.HEAD_Z, contact.FACE_VZ, contact.HEAD_VZ),
            )
        )
        return x * math.cos(turn) + z * math.sin(turn) - face[contact.DEPTH]

    speed = (out(1e-7) - out(-1e-7)) / 2e-7
    omega = 2.0 * math.pi / head.face_period(face)
    reach = math.hypot(out(0.0), speed / omega) - out(0.0)
    assert abs(speed) > 0.5
    assert head.may_meet_again(face, club, reach - 1e-8)
    assert not head.may_meet_again(face, club, reach + 1e-8)
