"""The range's page in a real browser: tracks, surface, names as text, no accessibility slip."""

from dataclasses import replace
from pathlib import Path

import pytest

from layers.range.session import reduce_session
from layers.range.tracks_file import read_tracks
from optimize.page.range import write_range_page
from tests.helpers.browser import chromium, needs_chromium, opened
from tests.helpers.pages import SCRIPT

needs_chromium()

TRACKS = Path(__file__).parents[3] / "scenarios" / "range" / "tracks_a.csv"


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    file = tmp_path_factory.mktemp("range") / "r.html"
    tracks = read_tracks(TRACKS)
    found = reduce_session(replace(tracks, launch=(SCRIPT, *tracks.launch[1:])))
    write_range_page(file, "pattern a", found.rows, found.surface, found)
    with chromium() as browser, opened(browser, file) as shown:
        yield shown


def test_a_launch_is_chosen(page):
    assert SCRIPT in page.locator("#launch option").first.inner_text()
    page.locator("#launch").select_option(label="L007")
    assert page.locator("#live").inner_text() == "Launch L007 is shown."
    assert "10 readings" in page.locator("#facts").inner_text()
    crosses = page.locator("#track-charts path[stroke='var(--limit)']")
    assert crosses.count() >= 1  # the reading that was left out
    assert "mm" in page.locator("#track-charts svg").last.get_attribute("aria-label")


def test_the_surface_follows_its_fields(page):
    charts = page.locator("#surface-charts svg")
    assert charts.count() == 4
    page.locator("#at-spin-ratio").select_option(label="0.2")
    assert "CD over Reynolds number at spin ratio 0.2" in charts.first.get_attribute("aria-label")
    assert charts.first.locator("polygon").count() == 1
    assert charts.first.locator("circle").count() >= 2


@pytest.mark.parametrize("width", [1280, 390])
def test_no_accessibility_violation_wide_light_or_narrow_dark(page, width):
    from axe_playwright_python.sync_playwright import Axe

    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.locator("#theme").click()
