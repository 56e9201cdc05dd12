"""Size, load time and brushing of the page in Chromium, beside a page that inlines plotly.js.

Run as ``python -m tests.benchmarks.page``; plotly is measured where it is installed.
"""

import json
import tempfile
from importlib import resources, util
from pathlib import Path
from statistics import median
from time import perf_counter

from optimize.page.write import write_page
from tests.helpers.browser import chromium
from tests.helpers.pages import data_of, enlarged, searched

COUNTS = (40, 500, 2000)
REPEATS = 5

# Times every drawing of the page, with what the canvases have yet to fill.
_TIMED = """
const ask = window.requestAnimationFrame.bind(window);
window.drawn = [];
window.requestAnimationFrame = (draw) => ask((now) => {
  const began = performance.now();
  draw(now);
  for (const canvas of document.querySelectorAll("canvas"))
    canvas.getContext("2d").getImageData(0, 0, 1, 1);
  window.drawn.push(performance.now() - began);
});
"""
# Places that a keyboard can reach.
_REACHED = "document.querySelectorAll('#chart [tabindex], #chart a[href], #chart input').length"


def load_seconds(browser, path: Path, ready: str) -> float:
    """Return the median time from asking for a page to its being drawn, s."""
    times = []
    for _ in range(REPEATS):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        began = perf_counter()
        page.goto(path.as_uri())
        page.wait_for_function(ready)
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => setTimeout(done)))")
        times.append(perf_counter() - began)
        page.close()
    return median(times)


def brushed(browser, path: Path, ready: str, target: str) -> tuple[float, float]:
    """Drag along an axis for 120 steps; return least and median time of a redrawing, ms."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.add_init_script(_TIMED)
    page.goto(path.as_uri())
    page.wait_for_function(ready)
    mark = page.locator(target).first
    mark.scroll_into_view_if_needed()
    box = mark.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + 0.02 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate("window.drawn.length = 0")
    for k in range(120):
        page.mouse.move(x, y + 0.9 * box["height"] * (k + 1) / 120)
        page.wait_for_timeout(16)
    frames = page.evaluate("window.drawn")
    page.close()
    # The first redrawings of a drag keep few builds.
    return min(frames[len(frames) // 2 :]), median(frames)


def plotly_page(data: dict, path: Path) -> int:
    """Write the parallel axes alone with plotly.js inlined; return its size in bytes."""
    code = (resources.files("plotly") / "package_data" / "plotly.min.js").read_text("utf-8")
    axes = [a for a in data["axes"] if "choices" not in a and len(set(a["values"])) > 1][:9]
    kept = [a for a in axes if None not in a["values"]]
    dimensions = [{"label": a["label"], "values": a["values"]} for a in kept]
    trace = json.dumps([{"type": "parcoords", "dimensions": dimensions}])
    plot = f"Plotly.newPlot('chart', {trace}, {{}}, {{displaylogo: false}})"
    draw = f"{plot}.then(() => window.ready = true)"
    text = f"<!doctype html><div id=chart></div><script>{code}</script><script>{draw}</script>"
    path.write_text(text, encoding="utf-8")
    return len(text.encode())


def main() -> None:
    """Print the figures."""
    folder = Path(tempfile.mkdtemp())
    run, launches = searched(folder)
    with chromium() as browser:
        for count in COUNTS:
            began = perf_counter()
            data = data_of(enlarged(run, count), launches)
            path = folder / f"page{count}.html"
            size = write_page(data, path)
            written = perf_counter() - began
            ready = "document.getElementById('left') && document.getElementById('left').textContent"
            load = load_seconds(browser, path, ready)
            least, middle = brushed(browser, path, ready, ".axes .hit")
            print(
                f"{count:5d} builds: {size / 1e6:.2f} MB, written in {written:.2f} s, drawn after "
                f"{load:.2f} s, redrawn under a brush in {least:.1f} ms (median {middle:.1f} ms)"
            )
            if count == COUNTS[-1] and util.find_spec("plotly"):
                other = folder / "plotly.html"
                size = plotly_page(data, other)
                load = load_seconds(browser, other, "window.ready")
                page = browser.new_page()
                page.goto(other.as_uri())
                page.wait_for_function("window.ready")
                reached = page.evaluate(_REACHED)
                print(
                    f"plotly.js, parallel axes alone: {size / 1e6:.2f} MB, drawn after "
                    f"{load:.2f} s, {reached} places that the keyboard reaches"
                )


if __name__ == "__main__":
    main()
