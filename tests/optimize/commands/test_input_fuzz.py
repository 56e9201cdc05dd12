"""Mutated input files of every format end in an answer or one whole sentence, at a fixed seed."""

import re

import pytest

from tests.benchmarks.input_fuzz import FORMATS, Path, _short_of, mutated, originals, run_case


def test_mutated_files_are_read_or_refused_in_a_whole_sentence(tmp_path):
    results = mutated(200, 20, tmp_path)
    assert {case.form for case in results} == {form.name for form in FORMATS}
    assert [(case.form, case.faults, case.said) for case in results if case.faults] == []
    assert sum(case.code == 2 for case in results) > 100


def test_the_judge_notices_what_a_message_lacks(tmp_path):
    """The guard: each part of a good sentence taken away is told."""
    path = Path(tmp_path, "input.csv")
    path.write_text("value\n1234567.5\n")
    good = "orbwright: input.csv: row 2, value is 1234567.5, but must be from 0 to 9 mm.\n"
    assert _short_of(good, path) == []
    assert _short_of(good.replace("1234567.5", "1.23457e+06"), path) == ["cut digits"]
    assert _short_of("orbwright: input.csv: value is bad.\n", path) == ["no place", "no remedy"]
    assert "no file" in _short_of(good.replace("input.csv", "file"), path)
    assert "not one line" in _short_of(good + good, path)
    assert len(originals()) > len(FORMATS)


# A key's first number, alone or in a list.
NUMBERED = re.compile(r"^(\w+) = (\[*)(-?\d[\d.e+-]*)(?=[,\]\s])", re.M)
TABLES = {name: text.decode() for name, ending, text in originals() if ending == ".toml"}


@pytest.mark.parametrize("form", TABLES)
def test_true_is_no_number(form, tmp_path):
    """Python takes it for 1, and so would a modulus, a count or a seed."""
    first = {found[1]: found for found in NUMBERED.finditer(TABLES[form])}
    assert first
    for key, found in first.items():
        path = tmp_path / f"{key}.toml"
        path.write_text(TABLES[form][: found.start(3)] + "true" + TABLES[form][found.end(3) :])
        case = run_case(form, path, "true")
        assert (case.code, case.faults) == (2, []), (key, case.said)
        assert "number" in case.said
