"""Give the commands hostile input files from 100 bytes to 1 GB; measure time and memory of each.

python -m tests.benchmarks.inputs

Each command runs in a process of its own and must end by itself with exit code 0 or 2 and no
traceback. Time is the process's own, which other programs do not lengthen.
"""

import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

from layers.files.csv import MOST_ROWS

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-c", "import sys; from optimize.start import main; sys.exit(main())"]
K1 = str(ROOT / "scenarios" / "prototype" / "ball.toml")
RECIPE = str(ROOT / "scenarios" / "prototype" / "core_recipe.toml")
SCENARIO = str(ROOT / "tests" / "helpers" / "closed_form.toml")
MASS = ["-f", "mass_g"]
SLOWEST_S, MOST_MB = 10.0, 1000.0

# A command for each kind of file; the file takes the place of None.
TOML: dict[str, list[str | None]] = {
    "ball": ["estimate", None, *MASS],
    "swings": ["estimate", K1, *MASS, "--swings", None],
    "calibration": ["estimate", K1, *MASS, "--calibration", None],
    "scenario": ["search", None, "--ledger", "l.sqlite"],
    "process": ["sheet", K1, "--process", None],
    "scatter": ["tolerance", K1, "--scatter", None, *MASS],
    "recipe": ["recipe", None],
}
CSV: dict[str, list[str | None]] = {
    "trials": ["recipe", RECIPE, "--trials", None, "--minutes", "12", "--celsius", "160"],
    "measurements": ["calibrate", K1, "--measurements", None],
}

_CARD = (
    '[[material]]\nname = "m{i}"\nyoungs_modulus_mpa = 50\npoisson_ratio = 0.4\ndensity_g_cm3 = 1\n'
)
_LAYER = '[[layer]]\nrole = "core"\nouter_diameter_mm = {i}.5\nmaterial = "m{i}"\n'
_TRIALS = "trial,coagent_phr,peroxide_phr,cure_minutes,cure_celsius,core_diameter_mm,modulus_mpa"
_READINGS = "build,stage,figure,unit,value,repeat"


def rows(line: str, most: int = 10**9) -> Callable[[int], str]:
    """Repeat a line with its number until so many bytes are full, or so many lines are there."""

    def fill(size: int) -> str:
        lines, length = [], 0
        for i in range(most):
            lines.append(line.replace("{i}", str(i)))
            length += len(lines[-1])
            if length > size:
                return "".join(lines[:-1])
        return "".join(lines)

    return fill


def headed(header: str, line: str) -> Callable[[int], str]:
    """Put a header over as many rows as are read."""
    return lambda size: header + "\n" + rows(line + "\n", MOST_ROWS)(size - len(header))


TOML_TEXTS: dict[str, Callable[[int], str]] = {
    "dotted key": lambda size: "a" + ".a" * (size // 2) + " = 1",
    "16 dots a key": rows("k{i}" + ".a" * 15 + " = 1\n"),
    "deep lists": lambda size: "a = " + "[" * size,
    "deep tables": lambda size: "a = " + "{a = " * (size // 5),
    "long integer": lambda size: "a = " + "9" * size,
    "long hexadecimal": lambda size: "a = 0x" + "f" * size,
    "long name": lambda size: 'name = "' + "x" * size + '"',
    "long key": lambda size: "x" * size + " = 1",
    "many keys": rows("key{i} = 1\n"),
    "many tables": rows("[[layer]]\n"),
    "many cards": rows(_CARD),
    "layers without a card": rows(_LAYER),
    "cards and layers": lambda size: rows(_LAYER)(size // 3) + rows(_CARD)(2 * size // 3),
    "layer of many materials": lambda size: (
        "[[layer]]\nmaterial = [" + rows('"m{i}",')(size - 30) + "]\n"
    ),
    "quotes": lambda size: '"' * size,
    "open text": lambda size: 'a = """' + "\\n" * (size // 2),
    "zeros": lambda size: "\0" * size,
}
CSV_TEXTS: dict[str, Callable[[int], str]] = {
    "bad trials": headed(_TRIALS, "t,x,x,x,x,x,x"),
    "good trials": headed(_TRIALS, "t{i},30,0.8,12,160,38.0,60.{i}"),
    "bad readings": headed(_READINGS, "x,9,x,x,x,x"),
    "good readings": headed(_READINGS, "K1 prototype,ball,mass_g,g,45.5,{i}"),
    "readings off theory": headed(_READINGS, "K1 prototype,ball,mass_g,g,60,{i}"),
    "many columns": lambda size: ",".join(f"piece_{i}" for i in range(1, size // 10)),
    "one open cell": lambda size: 'a,b\n"' + "x" * size,
    "commas": lambda size: "," * size,
    "short rows": lambda size: "a\n" + "1\n" * (size // 2),
}


def measure(command: list[str | None], file: str, folder: Path) -> tuple[float, float, int, str]:
    """Return seconds, MB, exit code and the end of what was said."""
    full = [*COMMAND, *(file if part is None else part for part in command)]
    with (folder / "said").open("w+b") as said:
        child = subprocess.Popen(full, cwd=folder, stdout=said, stderr=said)
        end = threading.Timer(10.0 * SLOWEST_S, child.kill)
        end.start()
        _, status, usage = os.wait4(child.pid, 0)
        end.cancel()
        child.returncode = os.waitstatus_to_exitcode(status)
        said.seek(0)
        text = said.read().decode(errors="replace")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1e3, child.returncode, text


def main() -> None:
    slowest = largest = 0.0
    bad = count = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "input"
        for kinds, texts, full in ((TOML, TOML_TEXTS, 1_999_000), (CSV, CSV_TEXTS, 7_999_000)):
            inputs: list[tuple[str, Callable[[], object], str]] = [
                (f"{what}, {size} bytes", lambda t=text, s=size: path.write_text(t(s)), str(path))
                for what, text in texts.items()
                for size in (100, 300_000, full)
            ]
            inputs += [
                (f"hole, {size:g} bytes", lambda s=size: _hole(path, int(s)), str(path))
                for size in (1e7, 1e8, 1e9)
            ]
            inputs += [("device", lambda: None, "/dev/zero")]
            for what, write, file in inputs:
                write()
                for kind, command in kinds.items():
                    seconds, mb, code, text = measure(command, file, folder)
                    count += 1
                    slowest, largest = max(slowest, seconds), max(largest, mb)
                    wrong = (
                        code not in (0, 2)
                        or "Traceback" in text
                        or (code == 2 and len(text) > 5000)
                        or seconds > SLOWEST_S
                        or mb > MOST_MB
                    )
                    bad += wrong
                    if wrong or seconds > 0.5 * SLOWEST_S:
                        print(f"{kind}: {what}: {seconds:.1f} s, {mb:.0f} MB, exit {code}")
                        print(f"    {text[:150]} ... {text[-150:]}", flush=True)
    print(f"{count} inputs: slowest {slowest:.1f} s, largest {largest:.0f} MB, {bad} out of bounds")


def _hole(path: Path, size: int) -> None:
    with path.open("wb") as file:
        file.truncate(size)


if __name__ == "__main__":
    main()
