"""Impacts on the barrier by the card's source, against the compiled Python.

Kind: published comparison of two programs of the same formulas, with a change that must break it.
"""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import InputError, SolverError
from layers.gpu.batch import Throws
from layers.gpu.throws import key_of, pack_throws, parameters_of, program_of
from layers.impact.barrier import DEFAULT, BarrierImpact, barrier_impact
from tests.helpers.builds import random_balls
from tests.helpers.marching import Here, needs_compiler

pytestmark = needs_compiler


def figures(impact: BarrierImpact) -> np.ndarray:
    energy = impact.energy
    return np.array(
        [
            impact.cor,
            impact.contact_time,
            impact.peak_force,
            impact.peak_deformation,
            energy.viscous,
            energy.final_kinetic,
            energy.initial_kinetic,
        ]
    )


@pytest.fixture(scope="module")
def bodies():
    """Three layers; three graded, of two relaxation pairs; two, so soft that it is crushed."""
    two, three = random_balls(2, 7)
    graded = three.replace("core", profile={"centre_mpa": 30.0, "surface_mpa": 60.0, "shape": 2.0})
    body = graded.body()
    body = replace(
        body,
        relaxation_strength=np.repeat(0.5 * body.relaxation_strength, 2, axis=1),
        relaxation_time=np.repeat(body.relaxation_time, 2, axis=1) * np.array([1.0, 4.0]),
    )
    soft = two.body()
    less = np.array([1e-3, 1.0])
    soft = replace(
        soft, shear_modulus=soft.shear_modulus * less, bulk_modulus=soft.bulk_modulus * less
    )
    return three.body(), body, soft


def test_outcomes_are_those_of_the_compiled_python(bodies):
    wanted = [(bodies[0], (45.0, 500.0)), (bodies[1], (45.0,)), (bodies[2], (60.0,))]
    (found, refused), [graded], [crushed] = Throws(Here(), wanted, "default").outcomes()
    for impact, body in ((found, bodies[0]), (graded, bodies[1])):
        expected = barrier_impact(body, 45.0, precision="double")
        assert np.abs(figures(impact) / figures(expected) - 1.0).max() < 1e-11
        assert impact.flag == expected.flag
        assert impact.energy.residual == pytest.approx(expected.energy.residual, rel=1e-6)
    assert isinstance(refused, InputError)
    with pytest.raises(SolverError) as expected:
        barrier_impact(bodies[2], 60.0, precision="double")
    assert str(crushed) == str(expected.value)


def test_the_comparison_would_notice(bodies):
    """A thousandth of the hourglass stiffness, or of one layer's density, shows."""
    key = key_of(bodies[0], DEFAULT)
    builds, parameters = pack_throws(bodies[:1], DEFAULT), parameters_of([45.0])
    program = program_of(key, DEFAULT, 1, 1)
    base = Here().march(program, builds, [0], parameters).results()[0]
    changed = parameters.copy()
    changed[0, 3] *= 1.001
    other = builds.copy()
    other[0, 8] *= 1.001
    for row in (
        Here().march(program, builds, [0], changed).results()[0],
        Here().march(program, other, [0], parameters).results()[0],
    ):
        assert abs(row[2] / base[2] - 1.0) > 1e-9
