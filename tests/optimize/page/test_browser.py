"""The page of a run in a real browser, offline: filters, comparison, keyboard, accessibility."""

import re

import pytest

from optimize.page.write import write_page
from tests.helpers.browser import chromium, needs_chromium, opened, settle
from tests.helpers.pages import CLOSING, SCRIPT, data_of, searched

needs_chromium()


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Write the page of a run with hostile names; return the run, its data and the file."""
    folder = tmp_path_factory.mktemp("browser")
    run, launches = searched(folder)
    data = data_of(run, launches)
    write_page(data, folder / "page.html")
    return run, data, folder / "page.html"


@pytest.fixture
def page(browser, made):
    with opened(browser, made[2]) as found:
        yield found


def _values(data, name):
    return next(axis["values"] for axis in data["axes"] if axis["id"] == name)


def _column(page, name):
    return page.locator(".axis").filter(has=page.locator(f"#axis-{name}"))


def _count(page):
    return int(re.search(r"\d+", page.locator("#left").inner_text())[0])


def test_typing_a_bound_filters_scatter_cards_table_and_is_announced(page, made):
    _, data, _ = made
    values = _values(data, "stage1.mass_g")
    middle = sorted(values)[len(values) // 2 + 12]
    left = [v >= middle for v in values]
    members = [m["label"] for m in data["members"] if left[m["build"]]]
    gone = [m["label"] for m in data["members"] if not left[m["build"]]]
    assert members
    assert gone
    page.get_by_label("Show every build").check()
    _column(page, "stage1-mass-g").get_by_label("at least").fill(str(middle))
    settle(page)
    assert _count(page) == sum(left)
    assert page.locator(".card:visible").count() == len(members)
    assert page.locator("#build-table tbody tr").count() == min(25, sum(left))
    assert f"Hidden by the filters: {', '.join(gone)}" in page.locator("#short-list").inner_text()
    assert page.locator("#scatter-shown").inner_text() == f"{sum(left)} builds are drawn."
    faint = page.locator("#scatter a[opacity='0.18']").count()
    assert faint == len(gone)
    spoken = page.locator("#live").inner_text()
    assert spoken == f"{sum(left)} of 40 builds left; short list: {' '.join(members)}."
    page.get_by_role("button", name="Clear all filters").click()
    settle(page)
    assert page.locator("#left").inner_text() == "All 40 builds"
    assert page.locator(".card:visible").count() == len(data["members"])


def test_the_first_screen_has_the_trade_off_and_says_which_way_is_better(page, made):
    _, data, _ = made
    glance = page.locator("#verdicts .glance")
    assert glance.bounding_box()["y"] < page.viewport_size["height"]
    letters = glance.locator("svg a").all_text_contents()
    assert sorted(letters) == sorted(member["label"] for member in data["members"])
    words = glance.text_content()
    for goal in data["goals"]:
        assert goal["better"] in words
    assert glance.locator("svg a").first.get_attribute("href").startswith("#card-")


def test_dragging_along_an_axis_draws_a_brush_that_filters_and_can_be_moved_and_cleared(page, made):
    _, data, _ = made
    hit = page.locator(".axes .hit").first
    hit.scroll_into_view_if_needed()
    box = hit.bounding_box()
    x, y, tall = box["x"] + box["width"] / 2, box["y"], box["height"]

    def drag(start, end):
        page.mouse.move(x, y + start * tall)
        page.mouse.down()
        page.mouse.move(x, y + (start + end) / 2 * tall)
        page.mouse.move(x, y + end * tall)
        page.mouse.up()
        settle(page)

    drag(0.02, 0.5)
    upper = _count(page)
    low = float(_column(page, "moi-g-cm2").get_by_label("at least").input_value())
    values = _values(data, "moi_g_cm2")
    assert upper == sum(v >= low for v in values)
    assert 0 < upper < len(values)
    drag(0.3, 0.78)  # inside the brush: it moves down
    moved = float(_column(page, "moi-g-cm2").get_by_label("at least").input_value())
    assert moved < low
    page.mouse.click(x, y + 0.5 * tall)
    settle(page)
    assert _count(page) == len(values)


def test_choice_of_material_is_a_filter_of_its_own(page, made):
    _, data, _ = made
    axis = next(a for a in data["axes"] if a["id"] == "layer2.material")
    place = axis["choices"].index("firm")
    _column(page, "layer2-material").get_by_label("firm", exact=True).uncheck()
    settle(page)
    kept = [v for v in axis["values"] if v is not None and v != place]
    assert _count(page) == len(kept)


def test_comparison_shows_differences_beyond_the_error_in_bold_and_takes_four_at_most(page, made):
    _, data, _ = made
    first, second = data["members"][0], data["members"][-1]
    assert page.locator("#comparison thead th").count() == 3  # the two ends are selected at first

    def bold(name):
        return page.locator(f"#comparison tr[data-figure='{name}'] td").nth(1).locator("b").count()

    checked = 0
    for name, (value, error, *_) in first["figures"].items():
        other, other_error, *_ = second["figures"][name]
        assert bold(name) == (abs(other - value) > max(error, other_error)), name
        checked += bold(name)
    assert 0 < checked < len(first["figures"])
    for label in ("B", "C", "D"):
        page.get_by_label(f"Compare build {label}", exact=True).first.click()
    assert page.locator("#comparison thead th").count() == 5
    assert "At most four builds" in page.locator("#live").inner_text()
    assert not page.locator("#card-D input").is_checked()
    page.get_by_label("Baseline").select_option(label="Build C")
    assert "Build C" in page.locator("#comparison thead th").nth(1).inner_text()
    for label in ("A", "B", "C", "F"):
        page.locator(f"#card-{label} input").uncheck()
    assert "No build is selected" in page.locator("#comparison").inner_text()


def test_any_quantity_can_be_on_the_axes_of_the_trade_off(page):
    for which, name in (("x", "layer2.material"), ("y", "layer3.thickness"), ("x", "order")):
        page.locator(f"#scatter-{which}").select_option(value=name)
    page.get_by_label("Show every build").check()
    page.get_by_label("Error bars on all builds").check()
    assert page.locator("#scatter-shown").inner_text() == "40 builds are drawn."
    assert "order of evaluation" in page.locator("#scatter").text_content()


def test_table_sorts_and_shows_more(page):
    head = page.locator("#build-table th[data-sort='stage1.mass_g']")
    head.get_by_role("button").click()
    assert head.get_attribute("aria-sort") == "ascending"
    column = page.locator("#build-table tbody tr td:nth-child(5)")
    shown = [float(text) for text in column.all_inner_texts()]
    assert shown == sorted(shown)
    assert len(shown) == 25
    page.get_by_role("button", name="Show 25 more").click()
    assert page.locator("#build-table tbody tr").count() == 40


def test_everything_can_be_done_by_keyboard_alone(page, made):
    _, data, _ = made
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the short list"
    page.keyboard.press("Enter")

    def tab_to(script, most=150):
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate(f"document.activeElement.{script}"):
                return
        raise AssertionError(script)

    tab_to("matches('#card-B input')")
    page.keyboard.press("Space")
    assert page.locator("#comparison thead th").count() == 4
    tab_to("matches('.axis input[type=number]')")
    page.keyboard.type("82.5")
    settle(page)
    assert _count(page) == sum(v <= 82.5 for v in _values(data, "moi_g_cm2"))
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    tab_to("matches('#build-table th button')")
    page.keyboard.press("Enter")
    assert page.locator("#build-table th[aria-sort='ascending']").count() == 1


def test_hostile_names_are_shown_as_text(page):
    assert page.title() == SCRIPT
    assert page.locator("h1").inner_text().startswith("What does </script><!-- --> &")
    assert page.locator("img").count() == 0
    assert page.locator("script").count() == 2
    assert SCRIPT in page.locator(".axis label.pick").all_inner_texts()
    assert CLOSING.strip("\u2028 ") in page.locator("#sources").inner_text()


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 390)])
def test_page_is_accessible_and_fits_its_window(browser, made, scheme, width):
    from axe_playwright_python.sync_playwright import Axe

    view = {"width": width, "height": 900}
    with opened(browser, made[2], color_scheme=scheme, viewport=view) as page:
        page.get_by_text("Select the axes").click()
        _column(page, "stage1-mass-g").get_by_label("at least").fill("33")
        settle(page)
        found = Axe().run(page)
        assert not found.response["violations"], found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
        assert (dark == "rgb(17, 23, 26)") == (scheme == "dark")


def test_switch_of_units_converts_the_page_keeps_the_filter_and_stands_in_the_address(
    browser, made
):
    from axe_playwright_python.sync_playwright import Axe

    _, data, _ = made
    member = data["members"][0]
    mass, carry = (
        next(cells[0] for name, cells in member["figures"].items() if name.endswith(end))
        for end in ("mass_g", "carry_m")
    )

    def numbers(page, place):
        return [float(n) for n in re.findall(r"\d+\.\d+", page.locator(place).inner_text())]

    with opened(browser, made[2]) as page:
        card, flights, axes = (
            "#card-A dl",
            "#flights [data-swing] > :not(details) tbody tr:first-child",
            "#scatter",
        )
        metric = page.locator(card).inner_text()
        _column(page, "stage1-mass-g").get_by_label("at least").fill("38.5")
        settle(page)
        left = _count(page)
        page.get_by_label("Units").select_option("trade")
        settle(page)
        assert min(abs(n - mass / 28.349523) for n in numbers(page, card)) < 1e-4
        assert min(abs(n - carry / 0.9144) for n in numbers(page, flights)) < 0.06
        deflection = member["figures"]["deflection_mm"][0] / 25.4
        assert min(abs(n - deflection) for n in numbers(page, card)) < 1e-5
        assert "oz in²" in page.locator(axes).text_content()
        assert not re.search(r"\d\s(mm|g|MPa|m)(?![\w/²³])", page.locator("#main").inner_text())
        assert _count(page) == left
        assert "units=trade" in page.url
        assert not Axe().run(page).response["violations"]
        address = page.url.partition("#")[2]
        page.get_by_label("Units").select_option("metric")
        settle(page)
        assert page.locator(card).inner_text() == metric
        assert _count(page) == left
    with opened(browser, made[2]) as page:
        page.evaluate(f"location.hash = {address!r}")
        settle(page)
        assert page.locator("#units").input_value() == "trade"
        assert _count(page) == left


def test_theme_button_changes_the_page_and_its_charts(page):
    def pixels():
        return page.evaluate("document.querySelector('#scatter canvas').toDataURL().length")

    light = pixels()
    page.get_by_role("button", name="Dark page").click()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(17, 23, 26)"
    assert page.get_by_role("button", name="Light page").is_visible()
    assert pixels() != light


def test_flights_have_one_scale_along_and_up(page, made):
    _, data, _ = made
    line = page.locator("svg.side polyline").first
    points = [tuple(map(float, p.split(","))) for p in line.get_attribute("points").split()]
    path = data["flights"]["swings"][0]["paths"][0]
    top = max(range(len(points)), key=lambda i: path["z"][i])
    along = (points[-1][0] - points[0][0]) / (path["x"][-1] - path["x"][0])
    up = (points[0][1] - points[top][1]) / (path["z"][top] - path["z"][0])
    assert abs(along / up - 1.0) < 0.02  # coordinates are written to 0.1


def test_page_prints_without_controls_and_in_light(browser, made, tmp_path):
    with opened(browser, made[2], color_scheme="dark") as page:
        page.emulate_media(media="print")
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        for hidden in (".bar", ".controls", "nav", "#reset"):
            assert not page.locator(hidden).first.is_visible()
        assert (
            page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        )
        assert page.locator("#scatter").bounding_box()["width"] <= 690
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        assert page.pdf(format="A4", path=tmp_path / "page.pdf")[:4] == b"%PDF"


@pytest.mark.parametrize(("goals", "evaluations"), [(1, 1), (4, 8)])
def test_pages_of_one_build_of_four_goals_and_of_none_feasible(
    browser, tmp_path, goals, evaluations
):
    figures = ("moi_g_cm2", "stage1.mass_g", "stage1.moi_g_cm2", "mean_density_g_cm3")
    aims = [{"figure": name, "aim": "minimize"} for name in figures[:goals]]
    limit = [{"figure": "deflection_mm", "at_least": 9.0}] if goals == 4 else []
    run, launches = searched(tmp_path, goal=aims, limit=limit, evaluations=evaluations)
    write_page(data_of(run, launches), tmp_path / "page.html")
    with opened(browser, tmp_path / "page.html") as page:
        assert page.locator("#left").inner_text() == (
            "1 build" if evaluations == 1 else "All 8 builds"
        )
        assert page.locator(".card").count() == len(run.short_list)
        assert page.locator("#short-list .warn").count() == (run.feasible == 0)
        page.get_by_label("Show every build").check()
        shown = "1 build is drawn." if evaluations == 1 else "8 builds are drawn."
        assert page.locator("#scatter-shown").inner_text() == shown
        page.get_by_text("Select the axes").click()
        ticked = page.locator(".choices input:checked")
        ticked.evaluate_all("boxes => boxes.forEach((box) => box.click())")
        settle(page)
        assert "No axis is selected" in page.locator("#filters").inner_text()


def test_maps_show_cells_and_follow_the_units(browser, made, tmp_path):
    _, data, _ = made
    side = {"label": "cover thickness", "unit": "mm", "marks": [(0, 0.8), (1, 1.2)]}
    choice = {"label": "cover material", "unit": "", "marks": [(0, SCRIPT)]}
    space_map = {
        "figure": "mass_g", "label": "mass", "unit": "g", "share": 0.42,
        "sides": [side, choice], "cells": [[45.0], [None], [46.0]],
    }  # fmt: skip
    sobol = {
        "figures": ["mass"], "variables": ["cover thickness"], "sentences": [], "notes": [],
        "source": "Of 3 builds.", "maps": [space_map],
        **{name: [[0.5]] for name in ("first", "total", "low", "high")},
    }  # fmt: skip
    write_page(data | {"sobol": sobol}, tmp_path / "maps.html")
    with opened(browser, tmp_path / "maps.html") as page:
        figure = page.locator(".maps figure")
        assert figure.locator("rect[fill-opacity]").count() == 2
        words = figure.locator("svg").get_attribute("aria-label")
        assert (
            words == "mass over cover thickness and cover material: means of cells from 45 to 46 g"
        )
        assert "0.8" in figure.inner_text()
        page.locator("#units").select_option("trade")
        settle(page)
        told = page.locator(".maps figure").inner_text()
        assert "1.5873 to 1.6226 oz" in told
        assert "0.0315" in told
        assert "explain 42" in told
