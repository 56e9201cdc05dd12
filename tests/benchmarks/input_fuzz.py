"""Mutate good input files of every format and judge what is said of them.

python -m tests.benchmarks.input_fuzz CASES SEED

Every case must end in an answer or in one sentence (exit code 0 or 2, no traceback, one line) that
names the file and, where the fault has one, the place (line, row, layer or key), quotes no number
with fewer digits than the file has, and ends with a remedy or what is allowed. Prints the counts
and an example of each class of message that falls short.
"""

import contextlib
import io
import random
import re
import sys
import tempfile
import traceback
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from layers.ball import Ball
from layers.ball_file import read_ball
from layers.cure.chemistry import default_chemistry, read_chemistry
from layers.cure.cycle import read_cycle
from layers.errors import OrbwrightError
from layers.flight.aero_file import read_aero_table
from layers.range.tracks_file import read_tracks
from optimize.commands.app import main as command
from optimize.commands.runs import checked_scenario
from optimize.cure.wanted import read_wanted
from optimize.lab.cut_cores import read_cut_cores
from optimize.lab.measurements import read_measurements
from optimize.lab.scatter import read_scatter
from optimize.reference.formats import FORMATS
from optimize.scenario.windows import read_windows

ROOT = Path(__file__).parents[2]
K1 = ROOT / "scenarios" / "prototype" / "ball.toml"
RECIPE = ROOT / "scenarios" / "prototype" / "core_recipe.toml"
EXAMPLES = ROOT / "optimize" / "reference" / "examples"

_MASS = ("-f", "mass_g", "--json")
# How each format is read: a command of cheap figures, or the reader that the command calls first.
COMMANDS: dict[str, Callable[[str], list[str]]] = {
    "ball": lambda f: ["estimate", f, *_MASS],
    "swings": lambda f: ["estimate", str(K1), *_MASS, "--swings", f],
    "materials": lambda f: [
        *("screen", str(EXAMPLES / "builds.csv"), *_MASS, "--materials", f),
        *("--workers", "1", "--ledger", f + ".sqlite"),
    ],
    "process": lambda f: ["sheet", str(K1), "--process", f],
    "recipe": lambda f: ["recipe", f],
    "trials": lambda f: [
        *("recipe", str(RECIPE), "--trials", f, "--minutes", "12", "--celsius", "160"),
    ],
    "builds": lambda f: ["screen", f, *_MASS, "--workers", "1", "--ledger", f + ".sqlite"],
}


READERS: dict[str, Callable[[str], object]] = {
    "scenario": lambda f: checked_scenario(Path(f)),
    "windows": read_windows,
    "scatter": read_scatter,
    "aerodynamics": read_aero_table,
    "tracks": read_tracks,
    "cycle": read_cycle,
    "chemistry": read_chemistry,
    "cut-cores": lambda f: read_cut_cores([f], default_chemistry()),
    "wanted": lambda f: read_wanted(f, 39.0),
    "measurements": lambda f: read_measurements([f], _builds()),
    "launches": lambda f: read_measurements([f], _builds()),
}


def _builds() -> list[Ball]:
    trial = read_ball(EXAMPLES / "ball.toml").replace(name="trial ball")
    return [trial, read_ball(K1), *map(read_ball, sorted(K1.parent.glob("k?.toml")))]


def originals() -> list[tuple[str, str, bytes]]:
    """Return format, ending and content of the good files that are mutated."""
    found = [(f.name, Path(f.example_file).suffix, f.example.encode()) for f in FORMATS]
    more = [
        ("ball", sorted((ROOT / "scenarios" / "balls").glob("*.toml"))),
        ("ball", sorted((ROOT / "scenarios" / "prototype").glob("k?.toml"))),
        ("scenario", sorted((ROOT / "scenarios").glob("*.toml"))),
        ("process", sorted((ROOT / "scenarios" / "prototype").glob("process*.toml"))),
        ("recipe", [RECIPE]),
        ("trials", [RECIPE.with_name("core_trials.csv")]),
        ("measurements", [RECIPE.with_name("round_one.csv")]),
    ]
    found += [(name, path.suffix, path.read_bytes()) for name, paths in more for path in paths]
    return found


# Mutations: each takes a text and random numbers, and returns bytes.

_TOKEN = re.compile(r'"[^"\n]*"|[A-Za-z_][\w@.]*|[-+]?\d[\d.eE+-]*|[^\s\w]')
_NUMBER = re.compile(r"(?<![\w@.-])[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w@.])")
_ODD = (
    *("nan", "inf", "-inf", "1e999", "-1", "0", "1e-300", "99999999999999999999", "123456.789"),
    *("true", '"text"', '""', "[]", "[1, 2]", "{}", "1979-05-27", "4271234.56789012", "0x1F"),
    *(
        "42,7",
        "1.234,5",
        '"42.7 mm"',
        '"1.68 in"',
        '"45.9 g"',
        '"1.6 oz"',
        '"80 Shore A"',
        "42.7mm",
    ),
)


def _bytes(text: str, rng: random.Random) -> bytes:
    data = bytearray(text.encode())
    for _ in range(rng.choice((1, 1, 2, 8))):
        data[rng.randrange(len(data))] = rng.choice((rng.randrange(256), 0, 0xE9, 0xFF, 34, 91, 10))
    return bytes(data)


def _token(text: str, rng: random.Random) -> bytes:
    spans = [m.span() for m in _TOKEN.finditer(text)]
    a, b = rng.choice(spans)
    c, d = rng.choice(spans)
    return (text[:a] + rng.choice(("", text[c:d], text[a:b] * 2)) + text[b:]).encode()


def _number(text: str, rng: random.Random) -> bytes:
    spans = [m.span() for m in _NUMBER.finditer(text)]
    a, b = rng.choice(spans)
    value = float(text[a:b])
    new = rng.choice(
        (*_ODD, repr(value * 10.0 ** rng.randint(-6, 9)), repr(-value), f"{value}0001")
    )
    return (text[:a] + new + text[b:]).encode()


def _value(text: str, rng: random.Random) -> bytes:
    lines = text.split("\n")
    places = [i for i, line in enumerate(lines) if " = " in line] or list(range(1, len(lines)))
    i = rng.choice(places)
    if " = " in lines[i]:
        lines[i] = lines[i].partition(" = ")[0] + " = " + rng.choice(_ODD)
    else:
        cells = lines[i].split(",")
        cells[rng.randrange(len(cells))] = rng.choice((*_ODD, "", "x", "-", "n/a", "7..1"))
        lines[i] = ",".join(cells)
    return "\n".join(lines).encode()


def _lines(text: str, rng: random.Random) -> bytes:
    lines = text.split("\n")
    i, j = rng.randrange(len(lines)), rng.randrange(len(lines))
    how = rng.randrange(4)
    if how == 0:
        del lines[i]
    elif how == 1:
        lines.insert(j, lines[i])
    elif how == 2:
        lines[i], lines[j] = lines[j], lines[i]
    else:
        lines = lines[:i]
    return "\n".join(lines).encode()


def _key(text: str, rng: random.Random) -> bytes:
    spans = [m.span(1) for m in re.finditer(r"(?m)^\[*([A-Za-z_][\w.]*)", text)] or [(0, 1)]
    a, b = rng.choice(spans)
    word = text[a:b]
    k = rng.randrange(len(word))
    new = rng.choice((word[:k] + word[k + 1 :], word.upper(), word + "s", word[::-1], "_" + word))
    return (text[:a] + new + text[b:]).encode()


def _columns(text: str, rng: random.Random) -> bytes:
    rows = [line.split(",") for line in text.split("\n")]
    width = len(rows[0])
    i, j = rng.randrange(width), rng.randrange(width)
    heads = rng.random() < 0.5  # the names move along, or stay
    for row in rows[0 if heads else 1 :]:
        if max(i, j) < len(row):
            if i == j:
                del row[i]
            else:
                row[i], row[j] = row[j], row[i]
    return "\n".join(",".join(row) for row in rows).encode()


def _encoding(text: str, rng: random.Random) -> bytes:
    kind = rng.choice(("utf-16", "utf-16-le", "utf-32", "latin-1", "utf-8-sig", "cp037", "crlf"))
    text = text.replace("a", "ä", 3) if kind == "latin-1" else text
    if kind == "crlf":
        return text.replace("\n", "\r\n").encode()
    return text.encode(kind, "replace")


def _country(text: str, rng: random.Random) -> bytes:
    comma = _NUMBER.sub(lambda m: m[0].replace(".", ","), text)
    kind = rng.randrange(3)
    if kind == 0:
        return comma.encode()
    sign = rng.choice(";\t|")
    return (_NUMBER.sub(lambda m: m[0].replace(".", ","), text.replace(",", sign))).encode()


MUTATIONS = (
    _bytes,
    _token,
    _number,
    _number,
    _value,
    _value,
    _lines,
    _key,
    _columns,
    _encoding,
    _country,
)


@dataclass
class Case:
    """One mutated file: what was said, and where it falls short."""

    form: str
    mutation: str
    code: int
    said: str
    faults: list[str] = field(default_factory=list)


def run_case(form: str, path: Path, mutation: str) -> Case:
    """Read a file as its command does, in this process, and judge what is said."""
    out, err = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            if form in COMMANDS:
                code = command(COMMANDS[form](str(path)))
            else:
                code = _read(READERS[form], str(path))
    except Exception:
        return Case(form, mutation, -1, traceback.format_exc(), ["traceback"])
    case = Case(form, mutation, code, err.getvalue())
    if code == 2:
        case.faults = list(_short_of(case.said, path))
    elif code != 0:
        case.faults = [f"exit code {code}"]
    return case


def _read(reader: Callable[[str], object], path: str) -> int:
    try:
        reader(path)
    except OrbwrightError as error:
        print(f"orbwright: {error}", file=sys.stderr)
        return 2
    return 0


# A line or row; or a fault of the file as a whole.
_PLACE = re.compile(
    r"\bline \d|\brow \d|\bis missing; add|\bare missing; add|\bis empty[;:]|at end of document|"
    r"\bhas (no|fewer than|more than|column names but) |rows?, but"
)
# What to do, or all that is allowed.
_REMEDY = re.compile(
    r"must (be|have|leave|end|not|stand)|did you mean|known: '?\w|save |give |write |remove|split|"
    r"choose |close |rename |fill it|add |set |change |swap |multiply |separate |move |put |"
    r"enlarge|widen|writes an empty table|number replicates"
)
# What only a programmer reads.
_RAW = re.compile(
    r"datetime\.|\b(True|False|None)\b|<class|Error\b|\btuple\b|\bdict\b|\bvalidation\b|\[type="
)
# The nearest name offered for one that is it.
_SAME = re.compile(r"\b(\w+) is not a known field; did you mean \1\?")


def _short_of(said: str, path: Path) -> list[str]:
    short = []
    # Another line may say before what a command starts, or what in the file is probably a slip.
    if len(re.findall("(?m)^orbwright: ", said)) != 1 or not said.endswith("\n"):
        short.append("not one line")
    if "Traceback" in said:
        short.append("traceback")
    if path.name not in said:
        short.append("no file")
    text = said.replace(str(path), "")
    if not _PLACE.search(text):
        short.append("no place")
    if not _REMEDY.search(text):
        short.append("no remedy")
    if _RAW.search(re.sub(r"'[^']*'", "", text)):
        short.append("raw")
    if _SAME.search(text):
        short.append("same name offered")
    if _is_cut(text, path):
        short.append("cut digits")
    return short


def _is_cut(said: str, path: Path) -> bool:
    """Whether a number of the file is quoted with fewer digits than it has."""
    text = path.read_bytes().decode("utf-8", "replace")
    said = re.sub(r"'[^']*'", "", said)  # what is no number is quoted as it is
    quoted = set(re.findall(r"[-+]?\d[\d.]*(?:e[-+]?\d+)?", said))
    for token in set(_NUMBER.findall(text)):
        value = float(token)
        rounded = f"{value:g}"
        if float(rounded) != value and rounded in quoted and rounded not in text:
            return True
    return False


def _check_originals(folder: Path) -> None:
    """Say which of the good files is refused: its mutants would show little."""
    for form, ending, content in originals():
        path = folder / f"input{ending}"
        path.write_bytes(content)
        case = run_case(form, path, "none")
        if case.code:
            print(f"a good file of {form} is refused: {case.said}")


def mutated(cases: int, seed: int, folder: Path) -> list[Case]:
    """Make, read and judge so many files."""
    rng, files, results = random.Random(seed), originals(), []
    for other in filter(Path.is_dir, (ROOT / "scenarios").iterdir()):
        if not (folder / other.name).exists():
            (folder / other.name).symlink_to(other)  # where a brief finds what it names
    for number in range(cases):
        form, ending, content = files[number % len(files)]
        mutate = rng.choice(MUTATIONS)
        data = mutate(content.decode(), rng)
        path = folder / f"input{ending}"
        path.write_bytes(data)
        results.append(run_case(form, path, mutate.__name__))
    return results


def main() -> None:
    cases, seed = int(sys.argv[1]), int(sys.argv[2])
    with tempfile.TemporaryDirectory() as name:
        results = mutated(cases, seed, Path(name))
        _check_originals(Path(name))
        codes = Counter(case.code for case in results)
        print(f"{cases} files, seed {seed}: {codes[0]} read, {codes[2]} refused")
        classes: dict[tuple[str, str], list[Case]] = defaultdict(list)
        for case in results:
            for fault in case.faults:
                plain = re.sub(r"\d+|'[^']*'|\"[^\"]*\"", "…", case.said.replace(name, ""))
                classes[fault, plain[-90:] if fault == "traceback" else plain[:70]].append(case)
        totals = Counter(fault for case in results for fault in case.faults)
        print("short of the bar:", dict(totals) or "none")
        for (fault, _), found in sorted(classes.items(), key=lambda item: -len(item[1])):
            case = min(found, key=lambda one: len(one.said))
            said = case.said.replace(name, "").strip()
            print(f"{len(found):5d} {fault}: {case.form}, {case.mutation}: {said[-400:]}")


if __name__ == "__main__":
    main()
