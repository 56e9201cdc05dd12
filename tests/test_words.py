"""Screens, docs and code use the field's words: private ones do not come back.

Kind: structure. Each pattern is a word that a reader in the trade or in numerics stumbled over; the
comment is what to say instead.
"""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

PRIVATE = {
    r"\bspeed[ _]ratio\b(?<!impact speed ratio)": "impact speed ratio (COR), cor",
    r"\beven (sphere|density)\b": "uniform",
    r"\bshortening\b": "peak deformation",
    r"\begg-to-disc\b": "first spheroidal (n = 2) frequency",
    r"\bacross, mm\b": "outer dia., mm",
    r"\bthick, mm\b": "thickness, mm",
    r"\bcentring\b": "concentricity, eccentricity",
    r"\bmoments apart\b": "MOI asymmetry",
    r"\bthinnest wall\b": "minimum thickness",
    r"\bground off\b": "removed by grinding",
    r"\btime of cure\b": "cure time",
    r"\btemperature of the press\b": "platen temperature",
    r"\bfreedoms?\b(?<!degrees of freedom)(?<!degree of freedom)": "design variable",
    r"\bdrivers(_| what| plot| matrix)": "local sensitivities, slopes",
    r"\bwhat drives what\b": "local sensitivities",
    r"\blessons?\b|\bschooling\b|\btaught\b": "training builds, fit",
    r"\broams?\b": "optimises over",
    r"\bdrawn blindly\b|\bblind builds?\b": "drawn at random",
    r"\blone builds\b": "isolated builds",
    r"\bbelieved beforehand\b": "priors",
    r"\bhardly told\b": "not identifiable from these data",
    r"\bnot told apart\b": "the same within the resolution",
    r"\bthan the model can tell\b": "below the model's resolution of",
    r"\bnearest misses\b": "closest infeasible builds",
    r"\b(keeps?|breaks?) (every|a|the|all|any) limits?\b": "meets all constraints; violates",
    r"\bwhere the front had a gap\b": "fills the gap between",
    r"\bWhere this comes from\b": "Provenance",
    r"\bTake care\b": "Warnings",
    r"\bdoes not enter\b": "is not modelled",
    r"\bthe one door\b": "the public entry point",
    r"\bNo leave is given\b": "requests are refused",
    r"\berror bars are widened\b": "intervals are inflated",
    r"\bripple\b": "discretisation noise",
    r"\bfriction that remembers\b": "stick with a tangential spring",
}

_SUFFIXES = {".py", ".md", ".js", ".html", ".toml"}
_FOLDERS = ("layers", "optimize", "scenarios", "docs")


def texts() -> list[Path]:
    """Return every file that a user or a developer reads, the tests aside."""
    found = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    for folder in _FOLDERS:
        found += [p for p in (ROOT / folder).rglob("*") if p.suffix in _SUFFIXES]
    return sorted(p for p in found if p.name != "changelog.md")


def places(pattern: str, paths: list[Path]) -> list[str]:
    """Return file, line and match of every occurrence."""
    wanted = re.compile(pattern)
    return [
        f"{path.relative_to(ROOT)}:{number}: {match[0]}"
        for path in paths
        for number, line in enumerate(path.read_text("utf-8").splitlines(), start=1)
        for match in wanted.finditer(line)
    ]


@pytest.mark.parametrize("pattern", PRIVATE)
def test_no_private_word(pattern):
    assert not places(pattern, texts()), f"say: {PRIVATE[pattern]}"


def test_a_private_word_would_be_found(tmp_path):
    assert len(texts()) > 200
    slip = tmp_path / "slip.md"
    slip.write_text("The nearest misses are shown.\n")
    assert re.search(r"\bnearest misses\b", slip.read_text())
