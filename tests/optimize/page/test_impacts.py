"""The short list in an impact, on the page: shapes, energies, and a build that breaks down."""

import re

import pytest

from layers.energy.barrier import record_barrier
from layers.errors import SolverError
from optimize.page import impacts
from optimize.page.impacts import impacts_of
from optimize.page.write import write_page
from tests.helpers.browser import chromium, needs_chromium, opened
from tests.layers.energy.test_energy import FLAT


@pytest.fixture(scope="module")
def recorded(found):
    """Impacts of the short list on a coarse mesh; the last build breaks down."""
    run, _ = found
    last = run.short_list[-1].ball

    def coarse(ball, swing, conditions, frames):
        if ball == last:
            raise SolverError("the impact broke down: </script>")
        return record_barrier(ball.body(), 38.1, FLAT, frames)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(impacts, "record_impact", coarse)
        return impacts_of(run, None)


def test_every_member_has_its_impact_or_says_why_not(found, recorded):
    run, _ = found
    assert [one["label"] for one in recorded] == [member.label for member in run.short_list]
    assert recorded[-1] == {
        "label": run.short_list[-1].label,
        "failed": "the impact broke down: </script>",
    }
    for one, member in zip(recorded[:-1], run.short_list, strict=False):
        assert [layer["role"] for layer in one["layers"]] == [x.role for x in member.ball.layer]
        shapes = "".join(one["shades"])
        assert shapes.count("M") == shapes.count("Z") == 2 * quads_of(member)
        assert re.fullmatch(r"(M-?[\d.]+ -?[\d.]+(L-?[\d.]+ -?[\d.]+){3}Z)+", shapes)
        assert one["shades"][-1]
        # Up is negative in SVG: the ball stands on the plate.
        heights = [float(y) for _, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", one["surface"])]
        assert -43.0 < min(heights) < -30.0
        assert max(heights) == pytest.approx(0.0, abs=0.05)


def quads_of(member):
    return len(record_barrier(member.ball.body(), 1.0, FLAT, 2).grid.layer)


def test_the_page_draws_them(recorded, data, tmp_path):
    needs_chromium()
    path = tmp_path / "page.html"
    write_page(data | {"impacts": recorded}, path)
    with chromium() as browser, opened(browser, path) as page:
        section = page.locator("#impacts")
        assert section.locator("svg").count() == len(recorded) - 1
        assert section.locator("table").count() == len(recorded) - 1
        first = section.locator("tbody tr").first.inner_text()
        assert f"{recorded[0]['layers'][0]['lost_j']:.2f}" in first
        assert "broke down: </script>" in section.inner_text()
    write_page(data, path)
    with chromium() as browser, opened(browser, path) as page:
        assert page.locator("#impacts").count() == 0
