"""Start-up: `orbwright --help` and `import layers`, as ratios to `import typer` in one run.

Bars: --help within 0.5 s and the import within 0.1 s, on a machine that imports typer in 0.05 s:
ratios of 10 and 2. Run with `python -m tests.benchmarks.startup`.
"""

import importlib.util
import statistics
import subprocess
import sys
import time

ROUNDS = 15
HELP = "import sys; sys.argv = ['orbwright', '--help']; from optimize.start import main; main()"
# The public face where it is installed, else what it stands for.
FACE = "orbwright" if importlib.util.find_spec("orbwright") else "layers"
COMMANDS = {
    "import typer": "import typer",
    "orbwright --help": HELP,
    f"import {FACE}": f"import {FACE}",
}


def seconds(code: str) -> float:
    """Return the wall time of one process that runs the code."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    """Print medians and ratios; the commands take turns, so that a busy machine slows all alike."""
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, code in COMMANDS.items():
            times[name].append(seconds(code))
    reference = statistics.median(times["import typer"])
    print(f"medians of {ROUNDS} processes each, taking turns")
    for name, measured in times.items():
        middle = statistics.median(measured)
        print(f"{name:20} {middle:6.3f} s  {middle / reference:5.2f} of 'import typer'")


if __name__ == "__main__":
    main()
