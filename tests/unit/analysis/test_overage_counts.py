"""What reel counts say of loads: which feeder type the scatter comes from, and when the setting stands."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from pipeline.analysis.overage_counts import SCATTER, Counts, read_counts, unexplained
from pipeline.findings.buying import LossFigure
from pipeline.findings.to_json import rounded
from pipeline.schema.frames import REELS
from tests.unit.analysis.test_overage import PLANT, parts_of, usage_of

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
