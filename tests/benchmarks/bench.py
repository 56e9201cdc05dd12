"""How long the live bench takes from a slider's move to new figures on the page, on one core.

The command, its processes and the browser all share the core. A second argument keeps what the
emulator learns in a ledger, so that a second run need not wait for it.

python -m tests.benchmarks.bench [BALL.toml] [LEDGER]
"""

import os
import random
import sys
import time
from pathlib import Path
from typing import Any

BALLS = Path(__file__).parents[2] / "scenarios" / "balls"
MOVES = 30

# Moves a slider as a hand does and waits, frame by frame, until the answers are on the page.
MOVE = """
async ([id, step]) => {
  const frame = () => new Promise((resume) => requestAnimationFrame(resume));
  const slider = document.getElementById(id);
  const body = document.body;
  const before = Number(body.dataset.done || 0);
  const begun = performance.now();
  slider.value = step;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  while (!(Number(body.dataset.answered) > before)) await frame();
  const emulated = performance.now() - begun;
  const basis = document.querySelector('tr[data-figure="deflection_mm"] td.basis').textContent;
  while (!(Number(body.dataset.done) > before)) await frame();
  return [emulated, performance.now() - begun, basis];
}
"""


def _trained(place: Any) -> None:
    begun, told = time.monotonic(), -1
    while True:
        state = place.ask("GET", "/api/state").record["trainer"]
        if state["done"] and state["fitted_on"] >= place.bench.trainer.count:
            break
        if state["computed"] // 20 != told:
            told = state["computed"] // 20
            waited = time.monotonic() - begun
            print(f"{waited:6.0f} s: computed {state['computed']}, fitted on {state['fitted_on']}")
        time.sleep(0.2)
    print(f"{time.monotonic() - begun:6.0f} s: trained on {state['fitted_on']}")


def _row(label: str, values: list[float], unit: str) -> None:
    values = sorted(values)
    median, late = values[len(values) // 2], values[int(0.95 * len(values))]
    print(f"{label:34} median {median:6.2f}  95 % {late:6.2f}  worst {values[-1]:6.2f} {unit}")


def main(ball: Path, ledger: Path | None) -> None:
    from layers.ball_file import read_ball
    from tests.helpers.bench import served
    from tests.helpers.browser import chromium

    with served(read_ball(ball), ledger=ledger) as place, chromium() as browser:
        page = browser.new_context(viewport={"width": 1400, "height": 1000}).new_page()
        page.goto(place.address)
        page.wait_for_selector("body[data-done]", timeout=120_000)
        _trained(place)
        sliders = [
            f"slider-{k['layer']}-{k['what']}"
            for k in place.ask("GET", "/api/about").record["sliders"]
        ]
        times = []
        dice = random.Random()  # other builds in every run: the ledger must know none of them
        for i in range(MOVES):
            times.append(page.evaluate(MOVE, [sliders[i % len(sliders)], dice.randint(20, 180)]))
            page.wait_for_timeout(200)
        assert {basis for *_, basis in times} == {"emulator"}
        print(f"{MOVES} moves, {len(sliders)} sliders, {len(place.bench.names)} figures, one core")
        _row("slider to emulator on the page", [emulated for emulated, _, _ in times], "ms")
        _row("slider to all finite elements", [finite / 1e3 for _, finite, _ in times], "s")
        state = place.ask("GET", "/api/state").record["trainer"]
        print(f"within the emulator's 95 % band: {state['covered']} of {state['checks']} figures")
        for name, score in state["scores"].items():
            print(f"  {name:36} {score['covered']:3} of {score['checks']}, mean error "
                  f"{score['mean_error_percent']:.3f} %")  # fmt: skip


if __name__ == "__main__":
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else BALLS / "four_layer_speed_feel.toml",
        Path(sys.argv[2]) if len(sys.argv) > 2 else None,
    )
