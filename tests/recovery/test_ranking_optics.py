"""Recognition rejects that come from a machine's laser, camera or light: planted, found, never blamed for nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.ranking import Ranking, rank
from pipeline.findings.model import Suspect
from pipeline.schema.frames import CELLS, DAYS, REASONS
from pipeline.settings import Plant, Statistics
from tests.recovery.simulated_plant import Truth, all_items, week

SEEDS = range(10, 13)
LIT = (
    pl.when(pl.col("method") == "camera_side")
    .then(pl.when(pl.col("part").str.slice(1).cast(pl.Int64) % 2 == 0).then(pl.lit("ring")).otherwise(pl.lit("dome")))
    .alias("lighting")
)
"""Cameras have two lights; lasers none."""
PARTS = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))


def _ranking(
    seed: int,
    machine: str = "",
    method: str = "",
    rate: float = 0.0,
    given: Truth | None = None,
    logged: pl.Expr | None = None,
    light: str = "",
) -> Ranking:
    """A week of recognition rejects; of the parts that this machine sees by this method, `rate` more are refused.

    logged  a column as the log has it
    light   of cameras: only in this of the two lights, which part numbers tell apart
    """
    frame = week(seed, given or Truth(), losses=("rejected",)).frame.with_columns(LIT)
    seen = ((frame["machine"] == machine) & (frame["method"] == method)).to_numpy()
    if light:
        seen &= (frame["lighting"] == light).fill_null(False).to_numpy()
    placed = frame["placed"].to_numpy()
    more = np.where(seen, np.random.default_rng(seed).binomial(placed, rate), 0)
    left = pl.Series(placed - more)
    added = [(pl.col(c) + pl.Series(more)).alias(c) for c in ("rejected", "rejected_runs", "lost_runs")]
    frame = frame.with_columns(*added, placed=left, first_tries=left).select(list(CELLS))
    frame = frame if logged is None else frame.with_columns(logged)
    dated = frame.with_columns(day=pl.col("shift").dt.date().cast(pl.String), week=pl.lit("2026-W47"))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=0.0))
    return rank(frame, dated.select(list(DAYS)), pl.DataFrame(schema=REASONS), PARTS, plant, "2026-W47")


def _flagged(found: Ranking) -> list[Suspect]:
    return [s for s in found.suspects if s.flagged]


@pytest.mark.parametrize(("machine", "heads"), [pytest.param("M1", 1, marks=pytest.mark.long), ("M3", 2)])
def test_bad_optics_are_blamed_for_rejects(machine: str, heads: int) -> None:
    """A laser that refuses 3 % more. On a machine of one head both are named: nothing tells them apart."""
    hits = 0
    for seed in SEEDS:
        flagged = _flagged(_ranking(seed, machine, "laser", 0.03))
        named = [s for s in flagged if s.loss == "rejected" and (s.kind, s.machine) == ("optics", machine)]
        doubted = [s for s in flagged if f"optics laser of {machine}" in s.not_separable_from]
        hits += bool(named or doubted)
        assert all(s.id == "laser" for s in named)
        if machine == "M1":
            assert all("head H1 of M1" in s.not_separable_from for s in named)
        if heads == 2 and named:
            assert [s.cause for s in named] == ["optics"]
            assert not [s for s in flagged if s.kind == "head"], "two heads that look through it are innocent"
    assert 2 * hits > len(SEEDS)


def test_healthy_optics_are_not_blamed() -> None:
    flagged = [s for seed in range(20, 23) for s in _flagged(_ranking(seed))]
    assert [s for s in flagged if s.kind in ("optics", "light")] == []
    assert len(flagged) <= 1


def test_one_bad_light_of_a_camera_is_blamed() -> None:
    """15 % more refused in one of two lights, which one other machine has, too; the camera is named only in doubt."""
    found = _ranking(12, "M3", "camera_side", 0.15, light="ring")
    refused = [s for s in _flagged(found) if s.loss == "rejected" and s.kind in ("light", "optics", "head")]
    assert [(s.kind, s.machine, s.id) for s in refused] == [("light", "M3", "camera_side/ring")]
    assert set(refused[0].not_separable_from) <= {"optics camera_side of M3"}
    assert {s.loss for s in found.suspects if s.kind == "light"} == {"rejected"}


def test_a_light_that_one_machine_alone_has_is_not_judged() -> None:
    lit = pl.when((pl.col("machine") == "M4") & (pl.col("lighting") == "ring")).then(pl.lit("bar"))
    found = _ranking(10, "M3", "camera_side", 0.15, light="ring", logged=lit.otherwise("lighting").alias("lighting"))
    assert {s.kind for s in found.suspects if "ring" in s.id or "bar" in s.id} == set()


@pytest.mark.long
def test_a_bad_nozzle_is_still_told_from_the_optics() -> None:
    found = 0
    for seed in SEEDS:
        nozzle = all_items("nozzle")[seed]
        flagged = _flagged(_ranking(seed, given=Truth(faults={("nozzle", nozzle): float(np.log(6.0))})))
        kinds = {(s.kind, s.id) for s in flagged if s.loss == "rejected"}
        found += ("nozzle", nozzle) in kinds
        assert kinds <= {("nozzle", nozzle)}
    assert found >= len(SEEDS) - 1


def test_optics_are_asked_about_rejects_alone() -> None:
    found = _ranking(10, "M3", "laser", 0.03)
    assert {s.loss for s in found.suspects if s.kind == "optics"} == {"rejected"}
    assert found.notes == ()


def test_what_a_log_tells_of_rejects_only_is_said_and_not_ranked() -> None:
    refused = (pl.col("machine") != "M1") | (pl.col("rejected") > 0)
    found = _ranking(10, logged=pl.when(refused).then(pl.col("method")).alias("method"))
    (note,) = found.notes
    assert note.startswith("Machine M1 names the method of 100% of the lost parts")
    assert note.endswith("its methods are not ranked")
    assert "M1" not in {s.machine for s in found.suspects if s.kind == "optics"}
