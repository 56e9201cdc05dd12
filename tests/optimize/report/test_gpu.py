"""The check of cards as tables and data: every card, all at once, and what makes it fail.

Kind: structure.
"""

import numpy as np
import pytest

from layers.gpu.card import Card
from layers.gpu.check import Check, Together
from optimize.report.gpu import Checked, check_record, check_sections


def check(precision, worst=1e-15):
    off = np.full(3, worst)
    return Check(precision, off, off / 3.0, flags=0, repeats=True, per_second=8000.0, figures=off)


def checked(kinds, *, worst=1e-15, same=True):
    cards = [Card(number, kind, 132) for number, kind in enumerate(kinds)]
    found = {card: [check("double"), check("single", worst)] for card in cards}
    return Checked(found, [Together("single", same, 15000.0)] if len(cards) > 1 else [])


def test_every_card_has_a_table_and_all_at_once_one_more():
    one, two = check_sections(checked(["a"])), check_sections(checked(["a", "a"]))
    assert [section.title for section in one] == ["Check of card 0, a"]
    assert [section.title for section in two[1:]] == ["Check of card 1, a", "All 2 cards at once"]
    assert two[-1].rows == (("single", "yes", "15,000"),)
    record = check_record(checked(["a", "a"]))
    assert [card["number"] for card in record["cards"]] == [0, 1]
    assert record["cards"][1]["precision"]["double"]["impacts_per_s"] == 8000.0
    assert record["all_at_once"] == {"single": {"same_bits": True, "impacts_per_s": 15000.0}}


@pytest.mark.parametrize(
    ("kinds", "changes", "passes"),
    [
        (["a"], {}, True),
        (["a", "a"], {}, True),
        (["a", "a"], {"same": False}, False),
        (["a", "b"], {"same": False}, True),  # each kind has its own bits
        (["a", "b"], {"worst": 0.1}, False),
    ],
)
def test_the_check_fails_by_a_difference_or_by_other_bits_of_a_like_card(kinds, changes, passes):
    found = checked(kinds, **changes)
    assert found.passed == check_record(found)["passed"] == passes
