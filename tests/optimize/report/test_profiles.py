"""Graded layers in tables and drawings."""

import pytest

from layers.graded.profile import Profile
from optimize.report.pictures.section import draw_ball, graded_words, steps_of
from optimize.report.profiles import profiles_section
from tests.helpers.staircase import graded_ball

GRADED = graded_ball(Profile(surface_over_centre=4.0, shape=2.0, source="a lab"))


def test_the_shells_of_a_drawing_follow_the_profile():
    shells = steps_of(GRADED, 1)
    radii, moduli = zip(*shells, strict=True)
    assert radii[0] == 18.0
    assert list(radii) == sorted(radii, reverse=True)
    inside, outside = GRADED.ends_mpa(1)
    assert inside < moduli[-1] < 1.05 * inside
    assert 0.9 * outside < moduli[0] < outside
    assert steps_of(GRADED, 2) == [(19.8, 260.0)]


def test_a_drawing_says_what_it_shades():
    texts = [text.get_text() for axes in draw_ball(GRADED).axes for text in axes.texts]
    inside, outside = (f"{value:.3g}" for value in GRADED.ends_mpa(1))
    assert any(f"{inside} to {outside} MPa" in text for text in texts)
    assert f"core {inside} to {outside} MPa" in graded_words(GRADED)
    assert graded_words(graded_ball()) == ""


def test_a_table_gives_both_ends_in_two_measures():
    (section,) = profiles_section([GRADED, graded_ball()], ["A", "B"])
    ((label, role, inside, outside, ratio, shape, *hard, difference),) = section.rows
    assert (label, role, ratio, shape) == ("A", "core", "4", "2")
    assert [float(inside), float(outside)] == pytest.approx(GRADED.ends_mpa(1), rel=5e-3)
    points = float(difference.split()[0])
    assert points == pytest.approx(float(hard[1]) - float(hard[0]), abs=1.0)
    assert "core: a lab." in section.notes
    assert profiles_section([graded_ball()]) == []
