"""The section of a record: mirrored or turned upright, and the part of the face that is touched."""

import math

import numpy as np
import pytest

from layers.energy.record import EnergyTable, Frame, Grid, ImpactRecord, Patch, by_layer, chosen
from layers.energy.section import section_of

NONE = np.zeros(2)
TABLE = EnergyTable(0.0, NONE, NONE, NONE, NONE, {})


def record(swing="", tilt=0.5 * np.pi, **changes):
    """Return a record of two quadrilaterals: of the half plane, or in the plane of swing."""
    across = np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0]) * 1e-2
    up = np.array([0.0, 0.0, 0.0, 1.0, 1.0, 1.0]) * 1e-2
    points = np.stack([across, up]) if not swing else np.stack([across, 0.0 * up, up])
    quads = np.array([[0, 1], [1, 2], [4, 5], [3, 4]])
    face = np.array([[-0.02, 0.0, 0.02], [0.0, 0.0, 0.0]])
    frame = Frame(
        time=1e-4,
        points=points,
        velocity=np.zeros_like(points),
        shear_strain=np.array([0.1, 0.2]),
        loss=np.array([30.0, 40.0]),
        stored=NONE,
        lost=NONE,
        force=100.0,
        contact_area=changes.pop("contact_area", np.pi * 0.005**2),
        face=changes.pop("face", face),
        patch=changes.pop("patch", None),
    )
    grid = Grid(points, quads, np.array([0, 1]), quads, np.array([0, 1]))
    return ImpactRecord(swing, 40.0, tilt, grid, (frame,), 0, TABLE, {}, 0.0)


def area(section):
    x, y = section.points[:, section.quads]
    return 0.5 * ((x[2] - x[0]) * (y[3] - y[1]) - (x[3] - x[1]) * (y[2] - y[0]))


def test_a_barrier_s_half_is_mirrored_and_all_turn_one_way():
    section = section_of(record(), 0)
    assert section.points.shape == (2, 12)
    np.testing.assert_array_equal(section.points[0, 6:], -section.points[0, :6])
    np.testing.assert_array_equal(section.points[1, 6:], section.points[1, :6])
    np.testing.assert_allclose(area(section), 1e-4)
    assert section.layer.tolist() == [0, 1, 0, 1]
    assert section.shear_strain.tolist() == [0.1, 0.2, 0.1, 0.2]
    assert section.loss.tolist() == [30.0, 40.0, 30.0, 40.0]


def test_a_strike_is_turned_upright_about_the_middle_of_its_face():
    tilt = math.radians(30.0)
    face = np.array([[0.001, 0.002, 0.003], [-0.02, 0.005, 0.02]])
    section = section_of(record("driver", tilt, face=face), 0)
    assert section.points.shape == (2, 6)
    # The face's normal, x, points 30 degrees above the target line; up the face leans back.
    out, up = section.points[:, 2] - section.points[:, 0], section.points[:, 3]
    np.testing.assert_allclose(out, 0.02 * np.array([math.cos(tilt), math.sin(tilt)]))
    up = up - section.points[:, 0]
    np.testing.assert_allclose(up, 0.01 * np.array([-math.sin(tilt), math.cos(tilt)]))
    np.testing.assert_allclose(section.face[:, 1], 0.0, atol=1e-15)
    lengths = np.hypot(*np.diff(section.face, axis=1))
    np.testing.assert_allclose(lengths, np.hypot(*np.diff(face, axis=1)))
    assert section.layer.tolist() == [0, 1]


def test_what_is_touched_is_a_circle_s_width_or_the_patch_s_height():
    patch = section_of(record(), 0).patch
    assert patch.shape == (2, 20)
    np.testing.assert_allclose(patch[:, [0, -1]], [[-0.005, 0.005], [0.0, 0.0]], atol=1e-12)
    place = np.array([[0.0, 0.001, -0.001], [-0.004, 0.003, 0.009]])
    three = np.ones(3)
    own = Patch(place, three, three, three > 0.0, place)
    face = np.array([[0.0, 0.0, 0.0], [-0.02, 0.0, 0.02]])
    section = section_of(record("driver", 0.0, face=face, patch=own), 0)
    np.testing.assert_allclose(section.patch[:, 0], [0.0, -0.004], atol=1e-12)
    np.testing.assert_allclose(section.patch[:, -1], [0.0, 0.009], atol=1e-12)
    assert section_of(record(contact_area=0.0), 0).patch.shape == (2, 0)


def test_a_patch_lies_along_a_bent_face():
    bent = np.array([[-0.003, 0.0, 0.003], [0.004, 0.0, 0.004]])  # arms of 5 mm
    section = section_of(record(face=bent, contact_area=np.pi * 0.0025**2), 0)
    np.testing.assert_allclose(section.patch[:, 0], [-0.0015, 0.002], atol=1e-12)
    np.testing.assert_allclose(section.patch[:, -1], [0.0015, 0.002], atol=1e-12)


def test_the_residual_is_what_the_parts_leave():
    table = EnergyTable(
        10.0, np.array([9.0, 9.0]), np.array([1.0, 2.0]), np.array([0.5, 0.25]),
        np.array([0.125, 0.0]), {"speed": 4.0, "spin": 1.0},
    )  # fmt: skip
    assert table.residual == pytest.approx(10.0 - 3.0 - 0.75 - 0.125 - 5.0)


def test_sums_by_layer_have_a_place_for_each():
    assert by_layer(np.array([1.0, 2.0, 4.0]), np.array([0, 2, 0]), 4).tolist() == [5, 0, 2, 0]


def test_the_sample_nearest_to_the_peak_gives_way_to_it():
    times = np.arange(11.0)
    assert chosen(times, 10.0, 4, 3) == ([0, 4, 10], 1)
    assert chosen(times, 10.0, 1, 3) == ([1, 5, 10], 0)
    assert chosen(times, 10.0, 5, 3) == ([0, 5, 10], 1)
    assert chosen(times, 7.0, 3, 2) == ([3, 7], 0)
