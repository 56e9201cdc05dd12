"""What is carried from the page: its address, builds, pictures, tables, notes; in a browser."""

import tomllib
from dataclasses import replace

import pytest

from layers.ball_file import ball_from_table
from layers.materials import default_catalogue
from optimize.ledger.events import Event
from optimize.ledger.notes_file import read_notes
from optimize.page.write import write_page
from optimize.scenario.space import content_of
from optimize.sensitivity.slopes import sensitivities
from tests.helpers.browser import chromium, needs_chromium, opened, settle
from tests.helpers.pages import data_of, searched

needs_chromium()
# Without a clipboard, all that is copied is saved instead.
NO_CLIPBOARD = "Object.defineProperty(navigator, 'clipboard', { value: undefined })"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Write the page of a run with a recorded decision and slopes of its first member."""
    folder = tmp_path_factory.mktemp("takeaway")
    run, launches = searched(folder)
    first = run.short_list[0]
    moment = "2026-01-02T03:04:05.000+00:00"
    chosen = Event("chosen", run.id, first.key, "A", "<b>Ann</b>", "lightest", moment=moment)
    run = replace(run, events=(chosen,))
    slopes = {"A": sensitivities(first.ball, ["mass_g", "moi_g_cm2"])}
    data = data_of(run, launches, slopes=slopes)
    write_page(data, folder / "page.html")
    return run, data, folder / "page.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture
def page(browser, made):
    with opened(browser, made[2], init_script=NO_CLIPBOARD) as found:
        yield found


def _saved(page, button):
    with page.expect_download() as waited:
        button.click()
    return waited.value


def test_verdicts_come_first_with_letters_that_link_to_cards(page, made):
    _, data, _ = made
    boxes = page.locator("#verdicts .verdict")
    assert boxes.count() == len(data["verdicts"])
    assert boxes.first.locator("h3").inner_text() == "What is traded"
    link = boxes.first.locator("a.badge").first
    assert link.get_attribute("href") == f"#card-{link.inner_text()}"
    top = page.locator("#verdicts").bounding_box()["y"]
    assert top < page.locator("#short-list").bounding_box()["y"]


def test_cards_print_the_difference_from_the_reference_with_its_own_error(page, made):
    run, data, _ = made
    name = "deflection_mm"
    a, c = data["members"][0], data["members"][2]
    row = page.locator("#card-C dd").nth(len(run.scenario.goal))
    pairs = [
        (i, j) for i in range(len(data["members"])) for j in range(i + 1, len(data["members"]))
    ]
    error = data["differences"][name][pairs.index((0, 2))]
    step = c["figures"][name][0] - a["figures"][name][0]
    found = row.locator(".step > *")
    assert float(found.get_attribute("data-error").replace("\u2212", "-")) == pytest.approx(
        error, 1e-3
    )
    bold = found.evaluate("node => node.tagName") == "B"
    assert bold == (abs(step) > error)
    page.locator("#reference").select_option(label="Build C")
    assert row.locator(".step > *").count() == 0
    assert page.locator("#card-A dd .step > *").count() > 0


def test_the_address_keeps_filters_comparison_pins_and_reference(browser, page, made):
    page.locator("#card-B").get_by_role("button", name="Pin build B").click()
    page.locator("#reference").select_option(label="Build C")
    page.locator("#card-A input[data-build]").uncheck()
    field = page.locator("#axis-stage1-mass-g").locator("..").get_by_label("at least")
    field.fill("33")
    settle(page)
    left, address = page.locator("#left").inner_text(), page.url
    assert left.startswith(tuple("0123456789"))
    page.locator("#sections a[href='#flights']").click()
    assert "#flights&" in page.evaluate("location.hash")
    again = page.context.new_page()
    again.goto(address)
    settle(again)
    assert again.locator("#left").inner_text() == left
    assert again.locator("#reference").evaluate("s => s.selectedOptions[0].text") == "Build C"
    assert not again.locator("#card-A input[data-build]").is_checked()
    pin = again.locator("#card-B button[data-pin]")
    assert (pin.get_attribute("aria-pressed"), pin.inner_text()) == ("true", "Pinned")
    assert again.locator("#build-table tbody tr").first.get_attribute("class") == "pinned"
    garbled = page.context.new_page()
    garbled.goto(f"{made[2].as_uri()}#&filter=x:%E0&compare=Z.99999&pin=&reference=Q")
    assert garbled.locator("#left").inner_text() == "All 40 builds"


def test_pinned_builds_stay_in_sight_of_any_filter(page):
    page.locator("#card-F").get_by_role("button", name="Pin build F").click()
    page.locator("#axis-stage1-mass-g").locator("..").get_by_label("at most").fill("1")
    settle(page)
    assert page.locator(".card:visible").count() == 1
    assert page.locator("#build-table tbody tr").count() == 1


def test_a_saved_build_is_the_same_ball_to_the_last_bit(page, made, tmp_path):
    run, _, _ = made
    found = _saved(page, page.get_by_role("button", name="Save build B as TOML"))
    found.save_as(tmp_path / "b.toml")
    table = tomllib.loads((tmp_path / "b.toml").read_text(encoding="utf-8"))
    ball = ball_from_table(table, default_catalogue(), "saved")
    assert content_of(ball) == content_of(run.short_list[1].ball)


@pytest.mark.parametrize("label", ["trade-off", "parallel axes", "section of build A"])
def test_pictures_are_saved_as_png_with_something_drawn(page, tmp_path, label):
    import matplotlib.image

    found = _saved(page, page.get_by_role("button", name=f"Copy picture: {label}"))
    found.save_as(tmp_path / "picture.png")
    pixels = matplotlib.image.imread(tmp_path / "picture.png")
    assert min(pixels.shape[:2]) > 200
    assert pixels[..., :3].std() > 0.02


def test_tables_are_saved_for_a_spreadsheet_in_columns(page, made, tmp_path):
    _, data, _ = made
    found = _saved(page, page.get_by_role("button", name="Copy table: Comparison"))
    found.save_as(tmp_path / "t.tsv")
    rows = [r.split("\t") for r in (tmp_path / "t.tsv").read_text("utf-8").split("\n")]
    assert rows[0][1:] == ["Build A", "build F", "difference", "error of the difference"]
    row = next(r for r in rows if r[0] == "deflection, mm")
    a, f = (data["members"][k]["figures"]["deflection_mm"][0] for k in (0, -1))
    assert float(row[1]) == pytest.approx(a, abs=2e-3)
    assert float(row[3]) == pytest.approx(f - a, abs=2e-3)
    found = _saved(page, page.get_by_role("button", name="Copy table: builds that pass"))
    found.save_as(tmp_path / "all.tsv")
    lines = (tmp_path / "all.tsv").read_text("utf-8").split("\n")
    assert len(lines) == 41  # every build, not only those listed
    assert len(lines[0].split("\t")) == 4 + len(data["axes"])


def test_notes_leave_as_a_file_that_the_ledger_reads_and_come_back(page, made, tmp_path):
    run, _, _ = made
    page.locator("#note-B").fill("two\nlines")
    page.locator("#note-B-decision").select_option("chosen")
    page.locator("#note-C").fill("only a note")
    page.locator("#who").fill("Bo")
    _saved(page, page.locator("#export-notes")).save_as(tmp_path / "n.json")
    chosen, note = read_notes(tmp_path / "n.json")
    assert (chosen.kind, chosen.label, chosen.text, chosen.who) == (
        "chosen",
        "B",
        "two lines",
        "Bo",
    )
    assert (chosen.run, chosen.build) == (run.id, run.short_list[1].key)
    assert (note.kind, note.text) == ("note", "only a note")
    page.reload()
    assert page.locator("#note-B").input_value() == "two\nlines"
    assert page.locator("#note-B-decision").input_value() == "chosen"


def test_recorded_decisions_and_slopes_are_on_the_card(page):
    card = page.locator("#card-A")
    assert "chosen by <b>Ann</b>, 2026-01-02 03:04 UTC: lightest" in card.inner_text()
    assert page.locator("b", has_text="Ann").count() == 0
    assert page.locator("#card-B .recorded").count() == 0
    card.get_by_text("Local sensitivities of build A").click()
    assert card.locator("details table").inner_text().count("outer diameter") >= 2
    assert page.locator("#card-B details").count() == 0


def test_print_opens_every_panel_and_closes_it_again(page):
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details:not([open])").count() == 0
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("details[open]").count() == 0


@pytest.mark.parametrize("width", [1400, 420])
def test_first_screen_answers_and_no_word_is_cut(browser, made, width):
    from axe_playwright_python.sync_playwright import Axe

    with opened(browser, made[2], viewport={"width": width, "height": 900}) as page:
        for box in ("What is traded", "What is decided", "Which two to make"):
            place = page.locator(".verdict", has_text=box).first.bounding_box()
            assert place["y"] + 40 < 900, box
        cut = page.evaluate("""[...document.querySelectorAll("main *, header *")].filter((node) => {
            const style = getComputedStyle(node);
            return style.overflowX === "hidden" && node.scrollWidth > node.clientWidth + 1
              && !node.matches(".spoken, .spoken *");
        }).length""")
        assert cut == 0
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert "\u2026" not in page.locator("#trade-off").text_content()
        found = Axe().run(page)
        assert not found.response["violations"], found.generate_report()
