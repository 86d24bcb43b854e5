"""A fault of a whole machine, which its heads share: named as the machine, and never in place of one bad head."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.ranking import rank
from pipeline.findings.model import Suspect
from pipeline.schema.frames import DAYS, REASONS
from pipeline.settings import Plant, Statistics
from tests.recovery import simulated_plant
from tests.recovery.simulated_plant import MACHINES, Item, Truth, all_items, item, week

HEADS = tuple((machine, head) for machine in MACHINES for head in ("H1", "H2"))
HEALTHY_SD = 0.1
"""Healthy machines differ by this in log odds."""


@pytest.fixture(autouse=True)
def two_heads_a_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(simulated_plant, "HEADS", HEADS)
    monkeypatch.setattr(simulated_plant, "MACHINE_OF_HEAD", np.repeat(np.arange(4), 2))


def _flagged(seed: int, faults: dict[Item, float], before: int = 2) -> list[Suspect]:
    """What is flagged for missed picks in a week with these faults, after healthy weeks of the same plant."""
    rng = np.random.default_rng(seed)
    healthy = {
        item("head", *head): e for head, e in zip(HEADS, np.repeat(rng.normal(0, HEALTHY_SD, 4), 2), strict=True)
    }
    weeks = []
    for k in range(before + 1):
        bad = {key: healthy[key] + faults.get(key, 0.0) * (k == before) for key in healthy}
        weeks.append(week(seed * 100 + k, Truth(plant=seed, faults=bad)).frame)
    dated = weeks[-1].with_columns(day=pl.col("shift").dt.date().cast(pl.String), week=pl.lit("2026-W47"))
    parts = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=0.0))
    days, reasons = dated.select(list(DAYS)), pl.DataFrame(schema=REASONS)
    found = rank(weeks[-1], days, reasons, parts, plant, "2026-W47", earlier=tuple(weeks[:-1]))
    return [s for s in found.suspects if s.flagged and s.loss == "missed"]


def test_a_machine_whose_heads_all_lose_more_is_named() -> None:
    fault = {item("head", "M2", head): float(np.log(5.0)) for head in ("H1", "H2")}
    flagged = [s for s in _flagged(2, fault) if s.kind in ("machine", "head")]
    assert {(s.kind, s.id) for s in flagged} == {("machine", "M2")}
    assert all(s.cause in ("machine", "cannot tell") and "heads" in s.evidence[1].text for s in flagged)


def test_one_bad_head_is_not_its_machine() -> None:
    flagged = _flagged(1, {item("head", "M2", "H2"): float(np.log(3.0))})
    assert [(s.kind, s.machine, s.id) for s in flagged if s.kind in ("machine", "head")] == [("head", "M2", "H2")]


def test_healthy_machines_are_not_blamed() -> None:
    assert [(s.kind, s.id) for s in _flagged(4, {})] == []
