"""Rules held against past builds: what each would have cost, and how sure its share is, by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.analysis.overage_past import past_test
from pipeline.findings.buying import PastTest
from pipeline.schema.frames import PAST
from pipeline.settings import Buying, Plant
from tests.unit.analysis.test_overage import NO_LOADS, PLANT, cell, parts_of, usage_of

BUYING = Buying(flat_share=0.01, flat_fixed=10.0, surplus_share=0.5, stop_cost=40.0, short_piece_cost=3.0)
"""A build of 1000: 10 + 10 extra, of which the one load takes 6: 14 for what is lost in running."""
USAGE = usage_of(*(cell(f"P{i}", k, 995, 5) for i in range(6) for k in (0, 20, 40)))
PARTS = parts_of(*({"part": f"P{i}", "package": "0402", "unit_cost": 0.5, "feeder_type": "tape"} for i in range(6)))


def _tried(*lines: tuple[str, str, int], plant: Plant = PLANT, week: str = "2026-W42") -> PastTest | None:
    """Lines of a build in the third week of use: build, part, rejects; 20 missed picks use up 6 more."""
    plain: dict[str, Any] = dict.fromkeys(PAST, 0) | {"feeder_type": "tape", "machines": 1, "placed": 1000}
    rows = [plain | {"build": b, "part": p, "week": week, "rejected": n - 6, "missed": 20} for b, p, n in lines]
    return past_test(pl.DataFrame(rows, schema=PAST), USAGE, NO_LOADS, PARTS, replace(plant, buying=BUYING))


def test_pieces_and_money_of_a_flat_rule_and_of_perfect_knowledge() -> None:
    """14 pieces for 8, 14 and 17 lost: 6 too many, one line short of 3 pieces."""
    found = _tried(("A", "P0", 8), ("B", "P1", 14), ("C", "P2", 17))
    assert found is not None
    _, flat, perfect = found.rules
    assert (flat.name, flat.short, flat.surplus) == ("flat rule", 1, 6)
    assert flat.enough == pytest.approx(2 / 3)
    assert flat.surplus_cost == pytest.approx(3.0)
    assert flat.cost == pytest.approx(0.5 * 3.0 + 40.0 + 3 * 3.0)
    assert (perfect.enough, perfect.short, perfect.surplus, perfect.cost) == (1.0, 0, 0, 0.0)
    assert (found.lines, found.builds, found.first_week, found.verdict) == (3, 3, "2026-W42", "cannot say yet")


def test_lines_of_one_build_share_their_luck() -> None:
    """Both lines of A short, both of B and of C not: 4 of 6, and three builds that differ by 4/3 and 2/3 twice.

    (16 + 4 + 4) / 9 * 3 / 2 over 6 * 2/3 * 1/3 is 3: the six lines are worth two.
    """
    lines = [("A", "P0", 20), ("A", "P1", 20), ("B", "P2", 8), ("B", "P3", 8), ("C", "P4", 8), ("C", "P5", 8)]
    found = _tried(*lines)
    assert found is not None
    flat = found.rules[1]
    assert (flat.low, flat.high) == pytest.approx(proportion_confint(4 / 3, 2, method="wilson"))
    each = _tried(*((f"{b}{p}", p, n) for b, p, n in lines))
    assert each is not None
    # Each build by itself: 6 / 5 over what chance gives.
    assert (each.rules[1].low, each.rules[1].high) == pytest.approx(proportion_confint(4 / 1.2, 5, method="wilson"))


def test_a_build_is_judged_by_the_weeks_before_it_only() -> None:
    assert _tried(("A", "P0", 8), week="2026-W41") is None, "one week behind it is too few"
    found = [_tried(("A", "P0", n)) for n in (6, 7, 400)]
    left = [(t.rules[0].surplus, t.rules[0].short) for t in found if t is not None]
    assert left[0][0] > 1
    assert left == [left[0], (left[0][0] - 1, 0), (0, 1)], "the advice is the same, whatever came of it"
