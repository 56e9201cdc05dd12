"""The page of a screening in a real browser: it sorts, names stay text, no accessibility slip."""

import pytest

from optimize.ledger.ledger import Ledger
from optimize.page.screening import write_screening_page
from optimize.scenario.brief import scenario_from_toml
from optimize.screening.screen import Question, screen_builds
from optimize.screening.spool import Spool
from tests.helpers.briefs import TWO_LAYERS
from tests.helpers.browser import chromium, needs_chromium, opened
from tests.helpers.pages import SCRIPT
from tests.helpers.tables import row, written

needs_chromium()


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("screening")
    rows = [row(SCRIPT, mass_g="46"), row("K2", mass_g="44"), row("K3", mass_g="x"), row("K4")]
    question = Question.of((), scenario_from_toml(TWO_LAYERS), "mass and diameter")
    with Ledger(folder / "l.sqlite") as ledger, Spool() as spool:
        found = screen_builds(written(folder / "b.csv", rows), question, ledger, spool)
        write_screening_page(found, folder / "s.html")
    with chromium() as browser, opened(browser, folder / "s.html") as shown:
        yield shown


def names(page):
    return page.locator("#screened tbody th").all_inner_texts()


def test_headings_sort_by_whole_numbers_with_nothing_last(page):
    assert names(page)[-1] == "K3"  # ranked builds first
    assert set(names(page)) == {SCRIPT, "K2", "K3", "K4"}
    mass = page.get_by_role("button", name="mass, g")
    mass.click()
    assert names(page) == ["K2", "K4", SCRIPT, "K3"]
    head = page.locator("th[aria-sort]")
    assert head.get_attribute("aria-sort") == "ascending"
    mass.click()
    assert names(page) == [SCRIPT, "K4", "K2", "K3"]
    assert page.locator("#live").inner_text() == "Sorted by mass, g, descending."
    assert "row 4, mass_g is 'x'" in page.locator("tr", has_text="K3").inner_text()


@pytest.mark.parametrize("theme", ["Dark page", "Light page"])
def test_no_accessibility_violation(page, theme):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.locator("#theme").click()


def test_the_switch_shows_the_trades_units_and_back(page):
    metric = page.locator("tr", has_text="K2").inner_text()
    page.locator("#units").select_option("trade")
    assert page.get_by_role("button", name="mass, oz").is_visible()
    assert "1.55" in page.locator("tr", has_text="K2").inner_text()  # 44 g
    assert page.locator("#live").inner_text() == "Numbers are in the trade's units."
    page.locator("#units").select_option("metric")
    assert page.locator("tr", has_text="K2").inner_text() == metric
