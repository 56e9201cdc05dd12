"""Provenance on the page: hash, versions, cards, calibration."""

import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime

from layers.model_version import MODEL_VERSION
from optimize.page import provenance
from tests.helpers.pages import PICTURE


def test_hash_hangs_on_every_bit_of_the_runs_evaluations_only(found):
    run, _ = found
    known = provenance.evaluation_hash(run)
    assert re.fullmatch(r"[0-9a-f]{64}", known)
    assert provenance.evaluation_hash(replace(run, reused=99, seconds=7.0)) == known
    build = run.builds[0]
    name = run.scenario.figures()[0]
    figure = build.figures[name]
    moved = replace(figure, value=math.nextafter(figure.value, 1e9))
    other = replace(build, figures=build.figures | {name: moved})
    assert provenance.evaluation_hash(replace(run, builds=(other, *run.builds[1:]))) != known
    assert provenance.evaluation_hash(replace(run, builds=run.builds[::-1])) != known


def test_sources_say_versions_hash_cards_and_that_nothing_is_calibrated(found, data):
    run, _ = found
    facts = dict(data["provenance"]["facts"])
    assert facts["Run"] == run.id
    assert facts["Model"] == MODEL_VERSION
    assert provenance.evaluation_hash(run) in facts.values()
    assert any("Nothing here is calibrated" in note for note in data["provenance"]["notes"])
    assert json.loads(data["provenance"]["scenario"])["seed"] == 3


def test_calibrated_numbers_are_named_and_the_others_said_not_to_be(found):
    run, launches = found
    card = run.scenario.material[0].with_values(
        "calibrated on 12 readings of lab.csv", youngs_modulus_mpa=48.0
    )
    cards = (card, *run.scenario.material[1:])
    fitted = replace(run, scenario=run.scenario.model_copy(update={"material": cards}))
    notes = provenance.provenance_record(fitted, launches, "x", datetime.now(UTC))["notes"]
    told = next(note for note in notes if note.startswith("Calibrated on measurements"))
    assert f"youngs_modulus_mpa of {PICTURE}" in told
    assert told.endswith("All other numbers are not.")
