"""Impacts of a batch: parameters in, launches out, wherever the march runs."""

import math
from collections.abc import Sequence

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import SolverError
from layers.gpu.packing import Packed
from layers.gpu.source import PARAMETERS
from layers.impact.crushed import crushed
from layers.strike import contact
from layers.strike import march as rows
from layers.strike.launch import Contact, Launch, Strike
from layers.strike.settings import Settings, counts_of
from layers.strike.start import SAFETY, face_and_club
from layers.strike.strike import LONGEST, PAUSE, flag_of

# Where groups of parameters and results start; see the source.
LAW, FRICTION, FADE, FACE_INVERSE_MASS, CLUB, END = 0, 4, 5, 6, 13, 23
VX, VZ, SPIN, ELAPSED, FIRST, LAST, GAP, DEFORMATION, STEPS, ENDED, BROKEN, CLUB_AFTER = range(12)
LOWEST = CLUB_AFTER + contact.CLUB_ROWS
# Share of the club's velocity that the frame of the march has in single precision: the nodes then
# move least, and their places lose the fewest digits.
_FRAME = (0.72, 0.15)
# Whole numbers of momentum span this speed, m/s, of the heaviest node.
_SPAN = 256.0
# Size of the innermost elements over the innermost layer's rings, and elements around the ball
# squared: fitted to the steps of 64 impacts.
_BLOCK_SHARE, _LATERAL = 0.6, 60.0


def parameters_of(
    packed: Packed,
    bodies: Sequence[Body],
    which: Sequence[int],
    strikes: Sequence[Strike],
    settings: Settings,
) -> FloatArray:
    """Lay out the parameters of impacts, (n, PARAMETERS).

    Parameters
    ----------
    packed : Packed
        The builds.
    bodies : sequence of Body
        The same.
    which : sequence of int
        The build of each impact.
    strikes : sequence of Strike
        How it is struck.
    settings : Settings
        That the builds were packed by.
    """
    out = np.zeros((len(which), PARAMETERS))
    damping = settings.bulk_viscosity
    stable = SAFETY * 2.0 * (math.hypot(1.0, damping) - damping)
    single = packed.builds.dtype == np.float32
    for row, i, strike in zip(out, which, strikes, strict=True):
        face, club = face_and_club(bodies[i], strike)
        row[LAW : LAW + 4] = packed.law[i]
        row[FRICTION], row[FADE] = face[contact.FRICTION], face[contact.FADE]
        row[FACE_INVERSE_MASS : FACE_INVERSE_MASS + 6] = face[
            contact.FACE_INVERSE_MASS : contact.CURVATURE + 1
        ]
        row[12] = packed.radius[i]
        row[CLUB : CLUB + contact.CLUB_ROWS] = club
        frame = (0.0, 0.0)
        if single:
            frame = (_FRAME[0] * club[contact.HEAD_VX], _FRAME[1] * club[contact.HEAD_VZ])
        row[END:] = (
            PAUSE,
            rows.GRACE,
            LONGEST,
            stable,
            packed.inertia[i],
            packed.mass[i],
            *frame,
            _SPAN * packed.heaviest[i] / 2.0**31,
        )
    return out


def launch_of(body: Body, strike: Strike, result: FloatArray) -> Launch:
    """Read the launch off one impact's results.

    Parameters
    ----------
    body : Body
    strike : Strike
    result : (RESULTS,) array

    Raises
    ------
    SolverError
        If the computation broke down; the message names the layer.
    """
    if result[BROKEN] or not np.isfinite(result[:CLUB_AFTER]).all():
        count = len(body.density)
        lowest = result[LOWEST : LOWEST + count]
        why = crushed(body, lowest, np.arange(count), strike.club_speed)
        raise SolverError(f"the impact broke down: {why}")
    face, _ = face_and_club(body, strike)
    club = result[CLUB_AFTER : CLUB_AFTER + contact.CLUB_ROWS]
    cos, sin = math.cos(strike.dynamic_loft), math.sin(strike.dynamic_loft)
    x, z = result[VX] * cos - result[VZ] * sin, result[VX] * sin + result[VZ] * cos
    share = 0.0 if strike.face_stiffness is None else strike.face_mass / strike.club_mass
    moving = share * club[[contact.FACE_VX, contact.FACE_VZ]]
    moving += (1.0 - share) * club[[contact.HEAD_VX, contact.HEAD_VZ]]
    contact_time = float(result[LAST] - result[FIRST])
    none = np.empty(0)
    return Launch(
        ball_speed=math.hypot(x, z),
        launch_angle=math.atan2(z, x),
        spin=float(result[SPIN]),
        contact_time=contact_time,
        peak_deformation=float(result[DEFORMATION]),
        club_speed_after=math.hypot(*moving),
        club_turn_rate=float(club[contact.TURN_RATE]),
        history=Contact(none, none, none, none, none),
        energy={},
        momentum_residual=math.nan,
        flag=flag_of(
            ended=result[ENDED] == 1.0,
            gap=float(result[GAP]),
            contact_time=contact_time,
            face=face,
        ),
    )


def slowness(body: Body, settings: Settings) -> float:
    """Estimate the steps of an impact, up to a factor of the club: the longest shall go first.

    Parameters
    ----------
    body : Body
    settings : Settings
        Mesh.
    """
    counts = counts_of(len(body.outer_radius), settings)
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)
    shear = body.dynamic_modulus_ratio * glassy * body.shear_modulus
    bulk = body.dynamic_modulus_ratio * body.bulk_modulus
    square = (bulk + 4.0 / 3.0 * shear) / body.density
    ring = np.diff(body.outer_radius, prepend=0.0) / [len(part) for part in counts.rings]
    across = np.minimum(square / ring**2, settings.thinnest_step**-2)
    across[0] = square[0] / (_BLOCK_SHARE * ring[0]) ** 2
    along = _LATERAL * square / body.outer_radius**2
    weight = np.diff(body.outer_radius**2, prepend=0.0)
    # Hertz: the time of contact goes with (1/E)^(2/5).
    soft = float((weight / shear).sum())
    return math.sqrt(float((along + across).max()) * soft**0.8)
