"""A week is judged against the spread of the weeks before it, whatever comes after and whatever was reported."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import pytest

from pipeline import settings, weekly
from pipeline.findings.model import Bundle
from pipeline.settings import Plant
from pipeline.store.database import open_store
from pipeline.weekly import analyse
from tests.plants import load_here, make_plant, some_picks, write_picks

MONDAYS = [datetime(2026, 10, 26, 6) + timedelta(days=7 * n) for n in range(4)]  # noqa: DTZ001
LABELS = ["2026-W44", "2026-W45", "2026-W46", "2026-W47"]


def _load(con: duckdb.DuckDBPyConnection, plant: Plant, number: int) -> None:
    lines = some_picks(2400, seed=number, begin=MONDAYS[number])
    load_here(con, plant, write_picks(plant.folder / f"picks_{number}.csv", lines))


def _with(plant: Plant, spread_weeks: int) -> Plant:
    return replace(plant, statistics=replace(plant.statistics, spread_weeks=spread_weeks))


def _suspects(bundle: Bundle) -> list[tuple[object, ...]]:
    return [
        (s.kind, s.id, s.loss, s.attempts, s.losses, s.effect, s.effect_low, s.q, s.flagged) for s in bundle.suspects
    ]


def test_only_the_weeks_before_count(tmp_path: Path) -> None:
    plant = settings.load(make_plant(tmp_path))
    with open_store(plant, write=True) as con:
        for number in range(3):
            _load(con, plant, number)
        first, third = analyse(con, plant, LABELS[0]), analyse(con, plant, LABELS[2])
        _load(con, plant, 3)
        again = analyse(con, plant, LABELS[2])
        alone = analyse(con, _with(plant, 0), LABELS[2])
        one_before = analyse(con, plant, LABELS[1])
        one_alone = analyse(con, _with(plant, 0), LABELS[1])
        of_two = analyse(con, _with(plant, 2), LABELS[3])
    assert [b.spread_weeks for b in (first, one_before, third, alone, of_two)] == [0, 0, 2, 0, 2]
    assert _suspects(again) == _suspects(third)
    assert _suspects(one_before) == _suspects(one_alone)
    assert _suspects(alone) != _suspects(third)
    assert sorted(s[:5] for s in _suspects(alone)) == sorted(s[:5] for s in _suspects(third))


def test_what_was_published_holds_no_longer_once_the_store_counts_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = settings.load(make_plant(tmp_path))
    with open_store(plant, write=True) as con:
        before = weekly.basis(con, plant, "2026-W47")
        assert weekly.basis(con, plant, "2026-W47") == before
        monkeypatch.setattr(weekly, "CURRENT", weekly.CURRENT + 1)
        assert weekly.basis(con, plant, "2026-W47") != before
