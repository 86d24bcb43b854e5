"""The whole ranking on four kinds of loss at once: one family of tests, faults of one kind of loss each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.ranking import Ranking, rank
from pipeline.schema.frames import COUNTS, DAYS, REASONS
from pipeline.schema.words import LOSSES
from pipeline.settings import Plant, Statistics
from tests.recovery.simulated_plant import Item, Truth, all_items, week

LOST = ("missed", "rejected", "dropped")


def _ranking(seed: int, faults: dict[str, dict[Item, float]]) -> Ranking:
    cells = week(seed, Truth(faults_of=faults), losses=LOST).frame
    keys = [c for c in DAYS if c not in (*COUNTS, "day", "week")]
    days = (
        cells.with_columns(day=pl.col("shift").dt.date().cast(pl.String), week=pl.lit("2026-W47"))
        .group_by(["day", "week", *keys])
        .agg(pl.col(COUNTS).sum())
        .select(list(DAYS))
        .sort(pl.all())
    )
    parts = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=0.0))
    return rank(cells, days, pl.DataFrame(schema=REASONS), parts, plant, "2026-W47")


def _planted(seed: int) -> dict[str, Item]:
    rng = np.random.default_rng([seed, 9])
    return {
        loss: (kind, str(rng.choice(all_items(kind))))
        for loss, kind in zip(LOST, ("nozzle", "part", "feeder"), strict=True)
    }


def _check(seeds: range) -> None:
    hits = false = flags = 0
    for seed in seeds:
        planted = _planted(seed)
        found = _ranking(seed, {loss: {item: float(np.log(6.0))} for loss, item in planted.items()})
        flagged = [s for s in found.suspects if s.flagged]
        hits += sum(any((s.kind, s.id, s.loss) == (*item, loss) for s in flagged) for loss, item in planted.items())
        false += sum((s.kind, s.id) not in planted.values() for s in flagged)
        flags += len(flagged)
        assert flagged == list(found.suspects[: len(flagged)]), "flagged ones come first"
        worth = [s.cost_low for s in flagged if s.cost_low is not None]
        assert worth == sorted(worth, reverse=True)
        for s in flagged:
            assert s.q is not None
            assert s.effect is not None
            assert s.q <= 0.05
            assert s.effect >= 1.5
            assert s.evidence
    count = len(LOST) * len(seeds)
    assert hits >= count / 2, f"{hits} of {count} faults found"
    assert false <= 0.1 * flags + 3 * np.sqrt(0.1 * flags), f"{false} false flags of {flags}"


def test_faults_of_one_kind_of_loss_each() -> None:
    _check(range(800, 801))


@pytest.mark.long
def test_faults_of_one_kind_of_loss_each_in_many_weeks() -> None:
    _check(range(6000, 6015))


def test_a_healthy_week_has_one_family_and_no_flag() -> None:
    found = _ranking(810, {})
    assert not [s for s in found.suspects if s.flagged]
    judged = [s for s in found.suspects if s.q is not None]
    assert {s.loss for s in judged} == set(LOSSES)
    # Items without a loss are tested too, and are not listed.
    assert found.looked_at >= len(judged)
    assert len({(s.kind, s.id, s.machine, s.loss) for s in found.suspects}) == len(found.suspects)
