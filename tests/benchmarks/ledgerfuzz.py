"""Damage a ledger in one place and see that no command answers wrongly or ends in a traceback.

python -m tests.benchmarks.ledgerfuzz [CASES] [SEED] [first case]

Two cases of three flip one bit of the file, anywhere in it; the third deletes, swaps or doubles
rows by SQL. In every second case the file is not checked whole when it is opened, as a large one
is not. Then the real commands read it (`show`, `export`, `page`, `decisions`, `history`, `ledger
info`, `check`, `export`, `merge`), mark a build in a copy, and at last write to it (`search` again,
of a finished and of a stopped run); each answer is compared with the whole ledger's. A case is

    harmless   every answer is right, and `check` finds the ledger whole;
    told       every answer is right or one sentence, and `check` tells the damage;
    UNFOUND    as told, but `check` finds the ledger whole;
    WRONG      an answer differs from the whole ledger's without a word;
    TRACEBACK  a command ends in one.
"""

import io
import json
import re
import shutil
import sqlite3
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from random import Random

from layers.estimates import Estimate
from optimize.commands.app import main as command_line
from optimize.ledger import file as ledger_file
from optimize.ledger.decisions import record
from optimize.ledger.events import Event
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import Scenario, read_scenario
from optimize.scenario.space import Space, content_of, key_of
from optimize.search.result import Interrupted, Run
from optimize.search.run import name_run, run_search

CLOSED = Path(__file__).parents[1] / "helpers" / "closed_form.toml"
ORDER = ("harmless", "told", "UNFOUND", "WRONG", "TRACEBACK")
BUILDS = 16
_CHECK_BYTES = ledger_file._CHECK_BYTES
# What a whole answer may tell differently: moments, places, what was at hand.
_VOLATILE = re.compile(r'"(ledger|reused|bytes)": [^,}]*,?|\d{4}-\d\d-\d\d[T ][\d:.+]*( UTC)?')

Outcome = tuple[int, str, str]


def _scenario(seed: int) -> Scenario:
    return read_scenario(CLOSED).model_copy(update={"seed": seed, "evaluations": BUILDS})


def _guessing() -> Scenario:
    return _scenario(4).model_copy(update={"method": "emulator"})


def make(path: Path, *, full: bool) -> None:
    """Write a ledger: a finished run, a stopped one, a build in three rows; in full, guesses.

    Two people mark and note builds of the finished run, and a sheet is written.
    """

    def stop(_: object) -> None:
        counted[0] += 1
        if counted[0] > BUILDS // 2:
            raise KeyboardInterrupt

    counted = [0]
    with Ledger(path) as ledger:
        found = run_search(_scenario(3), ledger)
        if full:
            run_search(_guessing(), ledger)
        with suppress(Interrupted):
            run_search(_scenario(9), ledger, progress=stop)
        ball = Space(found.scenario).decode(found.builds[0].row).ball
        assert ball is not None
        content = content_of(ball)
        known = ledger.known([key_of(content)], found.model_version)[key_of(content)]
        changed = {n: f.__class__(n, f.value + 1.0, *_rest(f)) for n, f in known.figures.items()}
        ledger.add(key_of(content), content, found.model_version, Estimate(ball, changed))
        ledger.add(
            key_of(content),
            content,
            found.model_version,
            Estimate(ball, {}, {"frequency_hz": "no"}),
        )
        record(ledger, _decided(found))


def _decided(run: Run) -> list[Event]:
    first, second = run.short_list[:2]
    place = (run.id, first.key, first.label)
    return [
        Event("chosen", *place, "Ann", "lightest"),
        Event("rejected", *place, "Bea"),
        Event("note", run.id, who="Bea", text="all too soft"),
        Event("parked", run.id, second.key, second.label, "Ann", "later"),
        Event("sheet", build=first.key, who="Lab", file="k1.csv", file_digest="0f" * 16),
    ]


def _rest(figure: object) -> tuple[object, ...]:
    names = ("unit", "basis", "difference_error", "absolute_error", "flag", "caution")
    return tuple(getattr(figure, name) for name in names)


def command(*arguments: object) -> Outcome:
    """Run a command in this process; an exit code of -1 is a traceback."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            code = command_line([str(a) for a in arguments])
        except Exception:
            return -1, "", traceback.format_exc()
    return code, out.getvalue(), err.getvalue()


@dataclass(frozen=True)
class Questions:
    """What is asked of a ledger, each an answer as text; the last ones write to it."""

    folder: Path
    runs: tuple[str, ...]
    stopped: str

    def answers(self, path: Path, *, full: bool, page: bool) -> Iterator[tuple[str, Outcome]]:
        """Ask a ledger; in full, with the page, or only the most telling."""
        yield "check", self._of(path, "ledger", "check", path)
        yield "info", self._of(path, "ledger", "info", path, "--json")
        yield "list", self._of(path, "show", "--ledger", path, "--json")
        for run in self.runs:
            yield f"show {run}", self._of(path, "show", run, "--ledger", path, "--json")
        yield "decisions", self._of(path, "decisions", "--ledger", path, "--json")
        table, into = self.folder / "table.csv", self.folder / "into.sqlite"
        yield "table", self._of(table, "ledger", "export", path, "--out", table)
        yield "merge", (done := self._of(into, "ledger", "merge", into, path))
        if full and not done[0]:
            events = self._of(table, "ledger", "export", into, "--events", "--out", table)
            yield "events merged", events
        if full:
            yield from self._more(path, table, into)
        remove(into)
        if page:
            file = self.folder / "page.html"
            yield "page", self._of(file, "page", self.runs[0], "--ledger", path, "--out", file)
        if full:
            yield from self._marked(path)
        yield "again", self._search(path, 3)
        if full:
            yield "resumed", self._search(path, 9)
            for name, run in (("then shown", self.runs[0]), ("resumed, shown", self.stopped)):
                yield name, self._of(path, "show", run, "--ledger", path, "--json")

    def _more(self, path: Path, table: Path, into: Path) -> Iterator[tuple[str, Outcome]]:
        first = self.runs[0]
        yield "by name", self._of(path, "show", "Quick: mass outward, cheaply", "--ledger", path)
        yield "csv", self._of(path, "export", first, "--ledger", path, "--format", "csv")
        yield (
            "table of a run",
            self._of(table, "ledger", "export", path, "--out", table, "--run", first),
        )
        yield "merged", self._of(into, "ledger", "export", into, "--out", table)
        yield "history", self._of(path, "history", first, "A", "--ledger", path, "--json")
        yield "events", self._of(table, "ledger", "export", path, "--events", "--out", table)

    def _marked(self, path: Path) -> Iterator[tuple[str, Outcome]]:
        copy = self.folder / "marked.sqlite"
        shutil.copy(path, copy)
        mark = ("mark", self.runs[0], "B", "made", "--who", "Lab", "--ledger", copy)
        yield "mark", (done := self._of(copy, *mark))
        if not done[0]:
            yield "marked", self._of(copy, "decisions", "--ledger", copy, "--json")
        remove(copy)

    def _search(self, path: Path, seed: int) -> Outcome:
        numbers = ["--seed", seed, "--evaluations", BUILDS, "--workers", 1]
        return self._of(path, "search", CLOSED, "--ledger", path, "--json", *numbers)

    def _of(self, written: Path, *arguments: object) -> Outcome:
        code, out, err = command(*arguments)
        text = written.suffix in (".csv", ".html") and not code and written.exists()
        out += written.read_text() if text else ""
        if written.suffix == ".csv":
            written.unlink(missing_ok=True)
            return code, out, err
        return code, _VOLATILE.sub("", out), err


def remove(path: Path) -> None:
    """Remove a ledger and what a database leaves beside it."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def flip(path: Path, dice: Random) -> str:
    """Flip one bit of a file."""
    raw = bytearray(path.read_bytes())
    place, bit = dice.randrange(len(raw)), dice.randrange(8)
    raw[place] ^= 1 << bit
    path.write_bytes(raw)
    return f"bit {bit} of byte {place}"


_KEYS = {
    "evaluation": ("id",),
    "run": ("id",),
    "proposal": ("run", "ordinal"),
    "event": ("id",),
    "seal": ("id",),
}
_TABLES = ("evaluation", "evaluation", "proposal", "proposal", "event", "event", "run", "seal")


def tamper(path: Path, dice: Random) -> str:
    """Delete, swap or double rows; what the tables' keys do not allow is tried otherwise."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        while True:
            table = dice.choice(_TABLES)
            how = dice.choice((_delete, _delete_some, _swap_keys, _swap_cell, _double))
            before = db.execute(f"SELECT * FROM {table}").fetchall()
            try:
                what = how(db, table, dice)
            except sqlite3.IntegrityError:
                continue
            if db.execute(f"SELECT * FROM {table}").fetchall() != before:
                return f"{what} of {table}"


def _some(db: sqlite3.Connection, table: str, dice: Random) -> tuple[str, tuple, tuple]:
    keys = _KEYS[table]
    rows = db.execute(f"SELECT {', '.join(keys)} FROM {table}").fetchall()
    one, other = dice.choice(rows), dice.choice(rows)
    return " AND ".join(f"{key} = ?" for key in keys), one, other


def _delete(db: sqlite3.Connection, table: str, dice: Random) -> str:
    where, one, _ = _some(db, table, dice)
    db.execute(f"DELETE FROM {table} WHERE {where}", one)
    return f"delete row {one}"


def _delete_some(db: sqlite3.Connection, table: str, dice: Random) -> str:
    _, one, _ = _some(db, table, dice)
    key = _KEYS[table][-1]
    db.execute(f"DELETE FROM {table} WHERE {key} >= ?", one[-1:])
    return f"delete from {key} {one[-1]} on"


def _swap_keys(db: sqlite3.Connection, table: str, dice: Random) -> str:
    where, one, other = _some(db, table, dice)
    sets = ", ".join(f"{key} = ?" for key in _KEYS[table])
    away = (*one[:-1], -1)
    for old, new in ((one, away), (other, one), (away, other)):
        db.execute(f"UPDATE {table} SET {sets} WHERE {where}", (*new, *old))
    return f"swap rows {one} and {other}"


def _swap_cell(db: sqlite3.Connection, table: str, dice: Random) -> str:
    where, one, other = _some(db, table, dice)
    columns = [c[1] for c in db.execute(f"PRAGMA table_info({table})") if c[1] not in _KEYS[table]]
    column = dice.choice(columns)
    cells = [
        db.execute(f"SELECT {column} FROM {table} WHERE {where}", key).fetchone()
        for key in (one, other)
    ]
    for key, cell in ((one, cells[1]), (other, cells[0])):
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {where}", (*cell, *key))
    return f"swap {column} of rows {one} and {other}"


def _double(db: sqlite3.Connection, table: str, dice: Random) -> str:
    where, one, _ = _some(db, table, dice)
    columns = [c[1] for c in db.execute(f"PRAGMA table_info({table})")]
    last = _KEYS[table][-1]
    row = dict(
        zip(
            columns, db.execute(f"SELECT * FROM {table} WHERE {where}", one).fetchone(), strict=True
        )
    )
    keys = [key for (key,) in db.execute(f"SELECT {last} FROM {table}")]
    row[last] = "f" * 12 if isinstance(row[last], str) else max(keys) + 1
    if table in ("evaluation", "event"):  # the same row cannot stand twice
        row["digest"] = dice.randbytes(8)
    marks = ",".join("?" * len(row))
    db.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))
    return f"double row {one}"


def judged(name: str, found: Outcome, right: Outcome) -> str:
    """Return how an answer did, one of `ORDER`."""
    code, out, err = found
    if code == -1 or "Traceback" in err:
        return "TRACEBACK"
    if code == 2:
        whole = err.count("\n") == 1 and err.startswith("orbwright: ") and err.endswith(".\n")
        return "told" if whole or name in ("again", "resumed") else "WRONG"
    return "harmless" if (code, out) == right[:2] else "WRONG"


def cases(
    folder: Path, numbers: range, seed: int, *, full: bool
) -> Iterator[tuple[int, str, str, dict[str, Outcome]]]:
    """Give of each case its number, what was done, the verdict and the answers that were not right.

    Parameters
    ----------
    folder : Path
        Where the ledgers are written.
    numbers : range
        Which cases; a case is the same, whichever others there are.
    seed : int
        Seeds all of them.
    full : bool
        Whether everything is asked, and in one case of 200 the page, which takes longest.
    """
    whole, path = folder / "whole.sqlite", folder / "l.sqlite"
    make(whole, full=full)
    first, stopped, guessed = (name_run(s)[0] for s in (_scenario(3), _scenario(9), _guessing()))
    questions = Questions(folder, (first, guessed) if full else (first,), stopped)
    shutil.copy(whole, path)
    right = dict(questions.answers(path, full=full, page=full))
    assert all(code == 0 for code, _, _ in right.values()), right
    for case in numbers:
        ledger_file._CHECK_BYTES = _CHECK_BYTES if case % 2 else 0
        dice = Random(f"{seed} {case}")
        remove(path)
        shutil.copy(whole, path)
        what = (tamper if case % 3 == 2 else flip)(path, dice)
        found = dict(questions.answers(path, full=full, page=full and case % 200 == 0))
        verdicts = {name: judged(name, answer, right[name]) for name, answer in found.items()}
        worst = max(verdicts.values(), key=ORDER.index)
        if worst == "told" and verdicts["check"] == "harmless":
            worst = "UNFOUND"
        wrong = {name: found[name] for name, verdict in verdicts.items() if verdict != "harmless"}
        yield case, what, worst, wrong


def main(count: int = 2000, seed: int = 1, first: int = 0) -> int:
    kinds: Counter[tuple[str, str]] = Counter()
    told: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        numbers = range(first, first + count)
        for case, what, verdict, wrong in cases(Path(folder), numbers, seed, full=True):
            kinds["rows" if case % 3 == 2 else "bits", verdict] += 1
            for name, (_, _, err) in wrong.items():
                told[name] += 1
                if verdict in ORDER[2:]:
                    last = err.strip().splitlines()[-1:] or [""]
                    print(f"{verdict} case {case}, {what}: {name}: {last[0]}", flush=True)
    for how in ("bits", "rows"):
        line = ", ".join(f"{kinds[how, verdict]} {verdict}" for verdict in ORDER)
        print(f"{how}: {line}")
    print("not answered, by command: " + json.dumps(dict(told.most_common())))
    return sum(kinds[how, verdict] for how in ("bits", "rows") for verdict in ORDER[2:])


if __name__ == "__main__":
    sys.exit(min(1, main(*(int(a) for a in sys.argv[1:]))))
