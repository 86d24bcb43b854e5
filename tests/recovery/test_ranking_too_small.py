"""What is surely worse than its peers, but too small to flag, is never called healthy or explained away."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.analysis.ranking import Ranking, rank
from pipeline.findings.model import Suspect
from pipeline.schema.frames import DAYS, REASONS
from pipeline.settings import Plant, Statistics
from reports import items
from reports.page_suspects import verdict
from tests.recovery.simulated_plant import Truth, all_items, week

SEEDS = range(12, 14)
PARTS = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))


@cache
def _ranking(seed: int, least_saving: float, *, bad: bool = True, part: str = "") -> Ranking:
    """A week of missed picks in which one nozzle, on a spindle of its own, and a `part` miss six times as often."""
    faults = {("nozzle", all_items("nozzle")[seed]): float(np.log(6.0))} if bad else {}
    faults |= {("part", part): float(np.log(6.0))} if part else {}
    frame = week(seed, Truth(faults=faults), losses=("missed",)).frame
    alone = (pl.lit("S") + pl.col("nozzle")).alias("spindle")
    frame = frame.with_columns(alone)
    dated = frame.with_columns(day=pl.col("shift").dt.date().cast(pl.String), week=pl.lit("2026-W47"))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=least_saving))
    return rank(frame, dated.select(list(DAYS)), pl.DataFrame(schema=REASONS), PARTS, plant, "2026-W47")


def _keys(suspects: list[Suspect]) -> set[tuple[str, str, str | None, str]]:
    return {(s.kind, s.id, s.machine, s.loss) for s in suspects}


def test_what_a_smaller_saving_would_flag_stands_out() -> None:
    found = 0
    for seed in SEEDS:
        flagged = [s for s in _ranking(seed, 0.0).suspects if s.flagged]
        assert not [s for s in flagged if s.stands_out]
        unflagged = _ranking(seed, 1e9).suspects
        outstanding = [s for s in unflagged if s.stands_out]
        assert not [s for s in unflagged if s.flagged]
        assert _keys(flagged) <= _keys(outstanding)
        found += bool(flagged)
        assert {verdict(s) for s in outstanding} <= {"worse than its peers, too small to flag"}
        if outstanding:
            assert unflagged[0].stands_out, "they head the list"
    assert found == len(SEEDS)


def test_of_two_that_nothing_tells_apart_neither_explains_the_other() -> None:
    pairs = 0
    for seed in SEEDS:
        nozzle = all_items("nozzle")[seed]
        for least_saving in (0.0, 1e9):
            suspects = _ranking(seed, least_saving).suspects
            twins = [s for s in suspects if s.kind in ("nozzle", "spindle") and s.id.endswith(nozzle) and s.enough]
            blamed = [s for s in twins if s.flagged or s.stands_out]
            assert blamed
            for loss in {s.loss for s in blamed}:
                two = [s for s in twins if s.loss == loss]
                assert len(two) == 2
                assert not [s for s in two if s.explained_by]
                assert "no clear difference" not in {verdict(s) for s in two}
                pairs += all(s.not_separable_from for s in two)
            shown = {(s.kind, s.id) for s in items.explained(suspects)}
            assert not shown & {(s.kind, s.id) for s in twins}, "never under: no need to pull"
    assert pairs >= 2 * len(SEEDS)


def test_a_doubt_about_the_item_does_not_put_it_before_a_larger_saving() -> None:
    clear_first = []
    for seed in SEEDS:
        flagged = [s for s in _ranking(seed, 0.0, part=all_items("part")[2 * seed]).suspects if s.flagged]
        worth = [s.cost_low for s in flagged if s.cost_low is not None]
        assert len(worth) == len(flagged)
        assert worth == sorted(worth, reverse=True)
        clear_first.append(not flagged[0].not_separable_from)
    assert set(clear_first) == {True, False}, "weeks in which either saves more"


def test_nothing_stands_out_in_healthy_weeks() -> None:
    outstanding = [s for seed in range(60, 62) for s in _ranking(seed, 1e9, bad=False).suspects if s.stands_out]
    assert len(outstanding) <= 1
