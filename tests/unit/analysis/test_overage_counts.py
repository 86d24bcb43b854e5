"""What reel counts say of loads: which feeder type the scatter comes from, and when the setting stands."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.analysis.overage_counts import (
    RECOVERED,
    SCATTER,
    TAIL,
    Counts,
    moved,
    read_counts,
    recovered,
    unexplained,
)
from pipeline.findings.buying import LossFigure
from pipeline.findings.to_json import rounded
from pipeline.schema.frames import LOADS, REELS
from tests.unit.analysis.test_overage import PLANT, cell, parts_of, usage_of

TABLE = (
    {"part": "R0", "package": "0402", "unit_cost": 0.01, "feeder_type": "tape"},
    {"part": "F0", "package": "0402", "unit_cost": 0.0, "feeder_type": "tape"},
    {"part": "Q0", "package": "QFP", "unit_cost": 80.0, "feeder_type": "tray"},
)


def _reels(part: str, gone: np.ndarray, logged: int = 500) -> list[dict[str, Any]]:
    """Reels that were counted after one load and 500 placed, without a miss."""
    return [
        {"machine": None, "reel": f"{part}-{k}", "part": part, "counted_by": "count", "loads": 1, "splices": 0,
         "ended": False, "first": 10_000, "last": 10_000 - logged - int(n), "placed": logged, "missed": 0, "lost": 0}
        for k, n in enumerate(gone)
    ]  # fmt: skip


def _counts(*reels: dict[str, Any]) -> Counts:
    return read_counts(pl.DataFrame(list(reels), schema=REELS), parts_of(*TABLE), usage_of(), PLANT)


def _scatter(counts: Counts) -> LossFigure:
    (found,) = (f for f in counts.figures if f.what == SCATTER)
    return found


def test_scatter_comes_from_what_loses_in_loading() -> None:
    """Trays lose nothing, and were counted most; tapes lose with twice the variance of Poisson counts."""
    rng = np.random.default_rng(3)
    tapes = _reels("R0", rng.negative_binomial(6, 0.5, 120))
    found = _scatter(_counts(*tapes, *_reels("Q0", np.zeros(300))))
    assert (found.source, found.reels) == ("counted", 120)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 2.0 < found.high
    assert found == _scatter(_counts(*tapes))


def test_the_setting_stands_where_counts_say_nothing_about_the_scatter() -> None:
    trays = _counts(*_reels("Q0", np.zeros(300)))
    assert (_scatter(trays).source, _scatter(trays).value) == ("setting", PLANT.buying.load_scatter)
    assert trays.plant.buying.load_scatter == PLANT.buying.load_scatter


def test_a_free_part_is_worth_nothing_and_no_negative_nothing() -> None:
    """By its counts, 300 pieces of each reel came back: however many, they lead no list that goes by value."""
    rng = np.random.default_rng(4)
    counts = _counts(*_reels("R0", rng.poisson(6, 60)), *_reels("F0", np.full(4, -300.0)))
    found = rounded(unexplained(counts, parts_of(*TABLE), PLANT))
    assert [u.part for u in found] == ["R0", "F0"]
    assert found[1].difference < -1000
    assert [str(v) for v in (found[1].value, found[1].value_low, found[1].value_high)] == ["0.0"] * 3


def test_what_is_left_on_a_tape_that_was_taken_for_empty() -> None:
    """3 to 10 pieces on eight reels: mean 6.5, variance 6, t at 7 degrees 2.365: +- 2.365 * sqrt(6 / 8)."""
    ended = [r | {"ended": True, "last": 3 + k} for k, r in enumerate(_reels("R0", np.zeros(8)))]
    others = [*_reels("R0", np.full(3, -40.0)), *(r | {"ended": True} for r in _reels("Q0", np.zeros(9)))]
    (tail,) = (f for f in _counts(*ended, *others).figures if f.what == TAIL)
    assert (tail.value, tail.source, tail.reels) == (6.5, "counted", 8)
    assert (tail.low, tail.high) == pytest.approx((4.4521, 8.5479), abs=5e-4)
    (few,) = (f for f in _counts(*ended[1:], *others).figures if f.what == TAIL)
    assert (few.value, few.source, few.low, few.reels) == (PLANT.buying.tail_loss, "setting", None, 7)


LEFT, BACK = (140, 240, 340, 440, 540), (70, 120, 400, 0, 270)
"""Pieces of five parts that were issued and not used, and what came back: of the third more than can have been left."""


def _moves() -> dict[str, Any]:
    """Each part: 800 placed, 16 lost, 100 missed (0.3 of a part each), two loads (6 each), a splice (2): 860 used."""
    names = [f"P{i}" for i in range(5)]
    lost = {"missed": 100, "dropped": 5, "unknown": 1, "returned": 7}
    return {
        "moves": pl.DataFrame({"part": names, "issued": [860 + x for x in LEFT], "returned": BACK}),
        "usage": usage_of(*(cell(p, k, 400, 5 * k * 2, **(lost if k else {})) for p in names for k in (0, 1))),
        "loads": pl.DataFrame(
            [(p, w, 1, k) for p in names for k, w in enumerate(("2026-W46", "2026-W47"))], schema=LOADS, orient="row"
        ),
        "parts": parts_of(*({"part": p, "unit_cost": 0.5 if p != "P4" else None, "package": "0402"} for p in names)),
    }


def test_share_of_what_was_left_that_came_back() -> None:
    """(70 + 120 + 340 + 0 + 270) of 1700 came back; its interval leaves out each part in turn (jackknife)."""
    found = recovered(counts=_counts(), plant=PLANT, **_moves())
    back = np.array([70, 120, 340, 0, 270])
    without = [np.delete(back, i).sum() / np.delete(LEFT, i).sum() for i in range(5)]
    half = stats.t.ppf(0.975, 4) * np.sqrt(0.8 * np.sum((without - np.mean(without)) ** 2))
    assert (found.what, found.source, found.reels) == (RECOVERED, "counted", 5)
    assert found.value == pytest.approx(800 / 1700)
    assert (found.low, found.high) == pytest.approx((max(0.0, 800 / 1700 - half), 800 / 1700 + half))
    few = _moves()
    few["moves"] = few["moves"].with_columns(issued=pl.when(pl.col("part") == "P0").then(860).otherwise("issued"))
    few = recovered(counts=_counts(), plant=PLANT, **few)
    assert (few.value, few.source, few.reels) == (PLANT.buying.returns_recovered, "setting", 4)


def test_parts_issued_and_neither_used_nor_returned_are_named_with_their_value() -> None:
    found = moved(counts=_counts(), plant=PLANT, **_moves())
    away = {p: left - back for p, left, back in zip(("P0", "P1", "P2", "P3", "P4"), LEFT, BACK, strict=True)}
    assert {u.part: u.difference for u in found} == pytest.approx(away)
    assert [(u.part, u.value) for u in found] == [
        ("P3", pytest.approx(220.0)),
        ("P1", pytest.approx(60.0)),
        ("P0", pytest.approx(35.0)),
        ("P2", pytest.approx(-30.0)),
        ("P4", None),
    ]
    first = found[0]
    assert (first.gone, first.logged, first.expected, first.reels) == (1300, 816, pytest.approx(44.0), 3)
    assert (first.value_low, first.value_high) == pytest.approx((first.low / 2, first.high / 2))
    assert first.text.startswith("Issues and returns say 1")
    assert "440 more than that" in first.text
