"""Parts whose rejects follow the same thing share a card, and are called explained; a flagged part has its own."""

from __future__ import annotations

import dataclasses
import random

from reports import page_engineer
from tests.fixtures_bundle import recognition

DICE = random.Random(1)
ONE = recognition(DICE, 1, flagged=True)
HEALTHY = recognition(DICE, 2, flagged=False)
FOLLOWERS = [dataclasses.replace(ONE, part=f"Q{n}", by_itself=False, follows="head H2 of M1") for n in range(15)]
OTHER = dataclasses.replace(ONE, part="X", by_itself=False, follows="lot L1")


def test_one_card_for_all_that_follow_the_same() -> None:
    found = [ONE, FOLLOWERS[0], OTHER, *FOLLOWERS[1:], dataclasses.replace(ONE, part="ANOTHER"), HEALTHY]
    cards = page_engineer.cards(found, None)
    assert [c.title.split()[0] for c in cards] == [ONE.part, "Q0", "X", "ANOTHER"]
    told = [[f.text for f in c.facts if f.name == "Also follow it"] for c in cards]
    assert told[0] == told[2] == told[3] == []
    assert told[1] == [", ".join(f"Q{n}" for n in range(1, 13)) + " and 2 more"]
    assert [c.title.split()[0] for c in page_engineer.cards(found, 2)] == [ONE.part, "Q0"]


def test_a_part_that_follows_another_thing_is_explained_by_it() -> None:
    table = page_engineer.recognition([ONE, OTHER, HEALTHY], limit=None)
    verdicts = [row[1].text for row in table.rows]
    assert verdicts == ["▲ flagged", "explained", "no clear difference"]
    expected = [row[3].small for row in table.rows]
    assert ["with what it follows" in e for e in expected] == [False, True, False]
