"""The live bench in a real browser: sliders, basis labels, pins, download, accessibility."""

import re
from contextlib import contextmanager

import pytest

from layers.ball_file import read_ball
from layers.estimation import estimate
from optimize.bench.build import read_build
from tests.helpers.bench import SWING, TWO, served, until
from tests.helpers.browser import PATIENCE_MS, chromium, needs_chromium

needs_chromium()

NASTY = '<script>window.struck = 1</script><img src=x onerror="window.struck = 2">'


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def bench():
    """Serve a bench whose ball and material have hostile names, once its emulator speaks."""
    ball = read_ball(TWO)
    cover = ball.layer[1]
    named = cover.material.model_copy(update={"name": f"{NASTY[:60]} cover"})
    layers = (ball.layer[0], cover.model_copy(update={"material": named}))
    hostile = ball.model_copy(update={"name": NASTY, "layer": layers})
    with served(hostile, swings=[SWING], training_builds=8) as found:
        until(lambda: found.ask("GET", "/api/state").record["trainer"]["fitted_on"] >= 8)
        yield found


@contextmanager
def opened(browser, bench, refusals=0, **context):
    """Open the page; a request to another host, an error or a console message fails the test.

    The browser itself writes a message for each of so many `refusals`.
    """
    frame = {"viewport": {"width": 1400, "height": 1000}}
    with browser.new_context(**(frame | context)) as place:
        place.set_default_timeout(PATIENCE_MS)
        page, trouble = place.new_page(), []
        own = f"http://127.0.0.1:{bench.port}/"
        page.on("request", lambda r: r.url.startswith((own, "blob:")) or trouble.append(r.url))
        page.on("console", lambda message: trouble.append(message.text))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda box: (trouble.append(box.message), box.dismiss()))
        page.goto(bench.address)
        done(page)
        yield page
        refused = [text for text in trouble if "status of 422" in text]
        assert len(refused) == refusals
        assert len(trouble) == refusals, trouble


@pytest.fixture
def page(browser, bench):
    with opened(browser, bench) as found:
        yield found


@contextmanager
def held(page, address="**/api/finite"):
    """Hold requests back, and let them go at the end: one that is never handled leaves a task."""
    routes = []
    page.route(address, lambda route: routes.append(route))
    try:
        yield
    finally:
        for route in routes:
            route.continue_()
        page.unroute(address)


def done(page, since="0"):
    """Wait until finite elements of the newest build are in."""
    until(lambda: int(moves(page)) > int(since))


def moves(page):
    return page.evaluate("document.body.dataset.done || 0")


def row(page, name):
    """Return value, ± and basis of a figure."""
    return page.locator(f'#tables tr[data-figure="{name}"] td').all_inner_texts()


def test_a_slider_moves_figures_first_by_emulator_then_by_finite_elements(page, bench):
    before, count = row(page, "deflection_mm"), moves(page)
    assert before[2] == "finite element"
    with held(page):  # only the emulator speaks
        page.get_by_label("core: Young's modulus", exact=True).focus()
        page.keyboard.press("PageDown")
        basis = '#tables tr[data-figure="deflection_mm"] td.basis >> text=emulator'
        page.wait_for_selector(basis)
        emulated = row(page, "deflection_mm")
        assert emulated[0] != before[0]
        assert emulated[1].startswith("±")
        assert row(page, "mass_g")[1:] == ["exact", "closed form"]
        assert row(page, f"{SWING}.carry_m")[2] == "emulator"
    page.keyboard.press("PageDown")
    done(page, count)
    found = row(page, "deflection_mm")
    assert found[2] == "finite element"
    modulus = page.get_by_label("core: Young's modulus in MPa").input_value()
    start = bench.start()
    start["layer"][0]["youngs_modulus_mpa"] = float(modulus)
    truth = estimate(read_build(start, bench.bench.choices)[1], ["deflection_mm"]).figures[
        "deflection_mm"
    ]
    assert float(found[0].split()[0]) == pytest.approx(truth.value, abs=6e-4)
    assert "finite element" in page.locator("#flights .legend").inner_text()


def test_a_figure_of_an_earlier_build_is_marked_stale(page):
    with held(page):
        page.get_by_label("core: Young's modulus in MPa").fill("900")  # where no emulator speaks
        page.wait_for_selector('#tables tr.stale[data-figure="deflection_mm"] >> text=stale')
        assert row(page, "mass_g")[2] == "closed form"
        assert "no emulator" in page.locator("#progress").inner_text()
        assert "stale" in page.locator("#flights .legend").inner_text()
        assert "stale" in page.locator("#margins tbody tr").filter(has_text="velocity").inner_text()


def test_cut_and_limits_follow(page):
    cut = page.locator("#cut svg").get_attribute("aria-label")
    assert "core 39.3 mm outer dia." in cut
    count = moves(page)
    page.get_by_label("cover: thickness in mm").fill("2.0")
    done(page, count)
    assert "core 38.7 mm outer dia." in page.locator("#cut svg").get_attribute("aria-label")
    count = moves(page)
    page.get_by_label("cover: density in g/cm³").fill("1.3")
    done(page, count)
    mass = page.locator("#margins tbody tr").filter(has_text="mass")
    assert "✗ outside" in mass.inner_text()
    assert "\u2212" in mass.locator("td.n").inner_text()
    page.get_by_label("Hold the mass at").check()
    until(lambda: "✓ within" in mass.inner_text())
    assert row(page, "mass_g")[0].startswith("45.9")
    assert page.locator("input:disabled").count() == 2


def test_a_number_out_of_range_is_said_and_nothing_is_asked(browser, bench):
    with opened(browser, bench, refusals=1) as page:
        _type_out_of_range(page)


def _type_out_of_range(page):
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    field = page.get_by_label("cover: thickness in mm")
    field.fill("40")
    assert field.get_attribute("aria-invalid") == "true"
    assert "from 0.2 to 25 mm" in page.locator(".message:visible").inner_text()
    assert not [url for url in asked if "/api/quick" in url]
    field.fill("19.9")
    page.wait_for_selector("#trouble:visible")
    assert "must leave at least 5 mm" in page.locator("#trouble").inner_text()
    field.fill("1.8")
    page.wait_for_selector("#trouble", state="hidden")


def test_a_build_that_breaks_the_solver_is_told_in_a_sentence(page):
    count = moves(page)
    page.get_by_label("cover: Young's modulus in MPa").fill("0.5")
    done(page, count)
    assert row(page, "cor")[0::2] == ["none", "not computed"]
    assert "turned inside out" in page.locator("#tables").inner_text()


def test_pinned_builds_compare_and_differences_beyond_error_are_bold(page):
    page.get_by_role("button", name="Pin this build").click()
    count = moves(page)
    page.get_by_label("core: Young's modulus in MPa").fill("60")
    done(page, count)
    page.get_by_role("button", name="Pin this build").click()
    table = page.locator("#comparison table")
    table.wait_for()
    until(lambda: "…" not in table.inner_text())
    assert [b.inner_text() for b in table.locator("thead .badge").all()] == ["A", "B"]
    bolds = table.locator('td[data-figure="deflection_mm"] .beyond')

    def told_from_a() -> bool:
        # Chosen anew each time: the table may be drawn by the next figures while it is chosen.
        page.get_by_label("Differences from").select_option("A")
        page.wait_for_timeout(1000)
        return bolds.count() == 2

    until(told_from_a)
    bold = bolds.all_inner_texts()
    assert len(bold) == 2  # on the sliders and B, which is the same build
    assert bold[0] == bold[1]
    assert re.fullmatch(r"\+[\d.]+ ±\xa0[\d.]+", bold[0])  # a softer core gives way more
    same = table.locator('td[data-figure="diameter_mm"] .same').all_inner_texts()
    assert [" ".join(words.split()) for words in same] == [
        "≈ no difference the model can tell,"
    ] * 2
    for _ in range(3):
        page.get_by_role("button", name="Pin this build").click()
    assert table.locator("thead .badge").count() == 4
    assert "At most four builds" in page.locator("#live").inner_text()
    count = moves(page)
    table.get_by_role("button", name="load into the sliders A").click()
    done(page, count)
    assert page.get_by_label("core: Young's modulus in MPa").input_value() == "70"
    table.get_by_role("button", name="remove A").click()
    assert table.locator("thead .badge").all_inner_texts() == ["B", "C", "D"]


def test_an_impact_is_seen_and_stale_or_cancelled_by_the_next_move(page):
    page.get_by_role("button", name="See the impact").focus()
    page.keyboard.press("Enter")
    section = page.locator("#impact")
    section.locator("svg").wait_for()
    assert "rigid barrier at 38.1 m/s" in section.locator("h3").inner_text()
    assert section.locator("tbody th").all_inner_texts() == ["core", "cover"]
    assert "Computed in" in page.locator("#impact-words").inner_text()
    assert page.locator("#impact-progress").is_hidden()
    count = moves(page)
    page.get_by_label("core: Young's modulus in MPa").fill("66")
    page.wait_for_selector("#impact-view.stale")
    assert "stale: of an earlier build" in section.locator("h3").inner_text()
    done(page, count)
    with held(page, "**/api/impact"):
        page.get_by_role("button", name="See the impact").click()
        page.wait_for_selector("#impact-progress:visible")
        page.get_by_label("core: Young's modulus in MPa").fill("67")
        until(lambda: "Cancelled" in page.locator("#impact-words").inner_text())
    assert page.locator("#impact-progress").is_hidden()
    assert page.locator("#impact-view.stale").count() == 1


def test_the_trades_units_are_shown_and_typed_and_change_no_build(page):
    page.get_by_role("button", name="Pin this build").click()
    page.locator("#comparison table").wait_for()
    count, before = moves(page), row(page, "deflection_mm")
    metric = page.locator("#main").inner_text()
    assert "in outer dia." not in metric
    page.get_by_label("Units").select_option("trade")
    inches = float(row(page, "deflection_mm")[0].removesuffix("\xa0in"))
    assert inches == pytest.approx(float(before[0].split()[0]) / 25.4, rel=2e-4)
    assert row(page, "mass_g")[0].endswith("\xa0oz")
    assert row(page, f"{SWING}.carry_m")[0].endswith("\xa0yd")
    whole = page.locator("#main").inner_text()
    assert not re.findall(r"\d\s(?:m/s|mm outer|MPa|N|g)\b(?!/)", whole)
    assert "at 125.0 ft/s" in whole
    assert page.locator("#cut svg text").all_text_contents()[:2] == ["0", "0.5 in"]
    assert "at most 1.620\xa0oz" in whole
    assert "at least 1.680\xa0in" in whole
    field = page.get_by_label("cover: thickness in in")
    assert float(field.input_value()) == pytest.approx(1.7 / 25.4, abs=1e-4)
    assert moves(page) == count  # nothing was computed for it
    field.fill("0.06")
    done(page, count)
    assert "thick" in page.locator("#slider-2-thickness_mm").get_attribute("aria-label")
    page.get_by_label("Units").select_option("metric")
    assert page.get_by_label("cover: thickness in mm").input_value() == "1.524"


def test_pins_survive_a_reload(page):
    page.get_by_role("button", name="Pin this build").click()
    page.locator("#comparison table").wait_for()
    page.reload()
    done(page)
    table = page.locator("#comparison table")
    table.wait_for()
    until(lambda: "…" not in table.inner_text())
    assert table.locator("thead .badge").all_inner_texts() == ["A"]
    table.get_by_role("button", name="remove A").click()
    page.reload()
    done(page)
    assert page.locator("#comparison table").count() == 0


def test_another_material_moves_the_sliders_to_its_card(page):
    picker = page.locator("#material-2")
    count, before = moves(page), page.get_by_label("cover: Young's modulus in MPa").input_value()
    names = picker.locator("option").all_inner_texts()
    picker.select_option(next(name for name in names if name == "urethane, soft"))
    done(page, count)
    assert page.get_by_label("cover: Young's modulus in MPa").input_value() != before
    assert row(page, "deflection_mm")[2] == "finite element"
    page.get_by_role("button", name="Back to the start").click()
    until(lambda: page.get_by_label("cover: Young's modulus in MPa").input_value() == before)


def test_arrow_keys_move_every_slider(page):
    for slider in page.locator('input[type="range"]:not(:disabled)').all():
        words = slider.get_attribute("aria-valuetext")
        slider.focus()
        for key in ("ArrowLeft", "ArrowRight", "ArrowRight"):
            page.keyboard.press(key)
            assert slider.get_attribute("aria-valuetext") != words
            words = slider.get_attribute("aria-valuetext")


def test_saved_toml_is_the_build_on_the_sliders(page, tmp_path):
    count = moves(page)
    page.get_by_label("cover: thickness in mm").fill("1.5")
    page.get_by_label("Name", exact=True).fill('A "soft" one <b>')
    done(page, count)
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save as TOML").click()
    assert waiting.value.suggested_filename == "a_soft_one_b.toml"
    waiting.value.save_as(tmp_path / "build.toml")
    ball = read_ball(tmp_path / "build.toml")
    assert ball.name == 'A "soft" one <b>'
    figures = estimate(ball, ("deflection_mm", f"{SWING}.spin_rpm")).figures
    shown = row(page, "deflection_mm")[0].split()[0]
    assert float(shown) == pytest.approx(figures["deflection_mm"].value, abs=6e-4)
    shown = row(page, f"{SWING}.spin_rpm")[0].split()[0]
    assert float(shown) == pytest.approx(figures[f"{SWING}.spin_rpm"].value, abs=6)


def test_hostile_names_are_shown_as_text(page):
    assert page.locator("h1").inner_text() == NASTY
    assert NASTY[:60] in page.locator("#material-2 option").all_inner_texts()[0]
    page.get_by_role("button", name="Pin this build").click()
    page.locator("#comparison table").wait_for()
    assert NASTY in page.locator("#comparison thead").inner_text()
    assert page.evaluate("window.struck") is None
    assert page.locator("main script, main img, h1 *").count() == 0


def test_a_wrong_token_is_told(browser, bench):
    with browser.new_context() as place:
        place.set_default_timeout(PATIENCE_MS)
        page = place.new_page()
        page.goto(bench.address.partition("#")[0] + "#wrong")
        page.wait_for_selector("#trouble:visible")
        assert "token is missing or wrong" in page.locator("#trouble").inner_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 390])
def test_the_page_is_accessible(browser, bench, scheme, width):
    from axe_playwright_python.sync_playwright import Axe

    frame = {"color_scheme": scheme, "viewport": {"width": width, "height": 900}}
    with opened(browser, bench, **frame) as page:
        page.get_by_role("button", name="Pin this build").click()
        page.locator("#comparison table").wait_for()
        page.get_by_role("button", name="See the impact").click()
        page.locator("#impact svg").wait_for()
        with held(page):
            page.get_by_label("core: Young's modulus in MPa").fill("900")
            page.wait_for_selector("#tables tr.stale")
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_every_control_is_reached_and_worked_by_keyboard(page):
    page.locator("#theme").focus()
    reached = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.type"))
    for control in (
        "name",
        "pin",
        "save",
        "restart",
        "units",
        "impact-kind",
        "see",
        "slider-2-thickness_mm",
        "hold",
        "error",
    ):
        assert control in reached
    slider = page.locator("#slider-2-thickness_mm")
    before = slider.get_attribute("aria-valuetext")
    slider.focus()
    page.keyboard.press("ArrowRight")
    after = slider.get_attribute("aria-valuetext")
    assert after != before
    assert re.fullmatch(r"[\d.]+ mm", after)
    assert page.evaluate("document.getElementById('live').getAttribute('aria-live')") == "polite"
