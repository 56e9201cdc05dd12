"""A real browser for the tests of pages: the system's Chromium, headless, without a network."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
)

# However loaded the machine is: what a test waits for comes, or the page hangs.
PATIENCE_MS = 600_000


def needs_chromium() -> None:
    """Skip a module where there is no browser to drive."""
    pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed (apt-get install chromium)", allow_module_level=True)


@contextmanager
def chromium() -> Iterator[Any]:
    """Start the browser."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=CHROMIUM, args=list(FLAGS), timeout=PATIENCE_MS
        )
        yield browser
        browser.close()


@contextmanager
def opened(browser: Any, path: Path, init_script: str = "", **context: Any) -> Iterator[Any]:
    """Open a file; any request beyond it, error or console message fails the test.

    Parameters
    ----------
    browser : playwright's Browser
        From `chromium`.
    path : Path
        The page.
    init_script : str
        JavaScript that runs before the page's own.
    **context
        Options of the browser's context.
    """
    frame = {"viewport": {"width": 1280, "height": 900}}
    with browser.new_context(**(frame | context)) as place:
        place.set_offline(True)
        place.set_default_timeout(PATIENCE_MS)
        if init_script:
            place.add_init_script(init_script)
        page, trouble = place.new_page(), []
        address = path.as_uri()
        page.on("request", lambda r: r.url.split("#")[0] == address or trouble.append(r.url))
        page.on("console", lambda message: trouble.append(message.text))
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda box: (trouble.append(box.message), box.dismiss()))
        page.goto(address)  # returns once the page's script has run
        yield page
        assert not trouble, trouble


def settle(page: Any) -> None:
    """Wait until a filter's slow views have followed: this timer is set after theirs, of 90 ms."""
    page.evaluate(
        "new Promise((done) => requestAnimationFrame(() => setTimeout(done, 100)))",
    )
