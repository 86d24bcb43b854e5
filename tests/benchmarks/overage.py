"""The buyer's figures for a large plant: seconds of CPU and wall clock, and peak memory.

    python -m tests.benchmarks overage

10 000 parts in 50 builds each, a kit of 400 lines, and the test on the past. Goals on two idle cores: below 10 s for the
half million lines, below 1 s for the kit.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.analysis.overage import Lines, prepare
from pipeline.analysis.overage_kit import whole_kit
from pipeline.analysis.overage_lines import recommend
from pipeline.analysis.overage_past import past_test
from pipeline.analysis.overage_standing import standing_overage
from pipeline.schema.frames import LOADS, PAST, USAGE
from pipeline.settings import Plant

PARTS, BUILDS, KIT = 10_000, 50, 400
PLANT = Plant(Path())
NO_LOADS = pl.DataFrame(schema=LOADS)
START = datetime.fromisoformat("2026-09-28T06:00:00")


def plant() -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """USAGE of six weeks, the part table, the planned builds."""
    rng = np.random.default_rng(0)
    rows = pl.DataFrame({"part": np.repeat(np.arange(PARTS), 6), "k": np.tile(np.arange(6), PARTS)})
    rows = rows.with_columns(
        placed=pl.Series(rng.integers(100, 2000, rows.height)), rejected=pl.Series(rng.poisson(2, rows.height))
    )
    none = pl.lit(0, pl.Int64)
    usage = rows.select(
        part=pl.format("P{}", "part"), package=pl.format("K{}", pl.col("part") % 40), feeder_type=pl.lit("tape"),
        week=pl.format("2026-W{}", 40 + pl.col("k")), shift=pl.lit(START) + pl.duration(weeks=pl.col("k")),
        machine=pl.lit("M1"), lot=pl.format("L{}-{}", "part", pl.col("k") // 2), reel=pl.lit(None, pl.String),
        attempts=pl.col("placed") + pl.col("rejected"), placed="placed", missed=none, rejected="rejected", dropped=none,
        returned=none, unknown=none, first_tries="placed", missed_runs=none, rejected_runs="rejected",
        dropped_runs=none, lost_runs="rejected",
    ).select([pl.col(c).cast(t) for c, t in USAGE.items()])  # fmt: skip
    table = pl.DataFrame({"part": [f"P{i}" for i in range(PARTS)]}).with_columns(
        package=pl.lit(None, pl.String), unit_cost=pl.Series(10 ** rng.uniform(-3, 1, PARTS)),
        feeder_type=pl.lit("tape"), pack_size=pl.lit(5000, pl.Int64), minimum_order=pl.lit(None, pl.Int64),
        stock=pl.lit(1000, pl.Int64), on_order=pl.lit(None, pl.Int64),
    )  # fmt: skip
    many = table.select("part").join(pl.DataFrame({"build": [f"B{b}" for b in range(BUILDS)]}), how="cross")
    many = many.with_columns(
        quantity_per_board=pl.Series(rng.integers(1, 12, many.height)),
        boards=pl.Series(rng.integers(5, 1000, many.height)),
        due=pl.lit("2026-12-01"),
    )
    return usage, table, many


def kit_lines(usage: pl.DataFrame, table: pl.DataFrame, builds: pl.DataFrame) -> Lines:
    """One build of `KIT` lines."""
    one = builds.filter(pl.col("build") == "B0").head(KIT)
    found = prepare(usage, NO_LOADS, table, one, PLANT)
    assert found is not None
    return found


def _timed(name: str, work: Callable[[], object]) -> None:
    wall, cpu = time.monotonic(), time.process_time()
    work()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"| {name} | {time.monotonic() - wall:.1f} | {time.process_time() - cpu:.1f} | {peak:.0f} |")


def overage() -> None:
    """Print the table."""
    usage, table, builds = plant()
    lines = kit_lines(usage, table, builds)
    sums = [pl.col(c).sum() for c in ("placed", "missed", "rejected", "dropped", "unknown")]
    past = usage.with_columns(build=pl.lit("X"), machines=pl.lit(1, pl.Int64))
    past = past.group_by("build", "week", "part", "feeder_type", "machines").agg(sums)
    past = past.select([pl.col(c).cast(t) for c, t in PAST.items()]).sort(pl.all())
    print("| what | wall s | CPU s | peak MB |\n|---|---|---|---|")
    _timed(f"{PARTS} parts x {BUILDS} builds", lambda: recommend(usage, NO_LOADS, table, builds, PLANT))
    _timed(f"a kit of {lines.need.size} lines", lambda: whole_kit(lines, "B0", PLANT))
    _timed(f"standing rules of {PARTS} parts", lambda: standing_overage(usage, NO_LOADS, table, PLANT))
    _timed(f"the test on {past.height} past lines", lambda: past_test(past, usage, NO_LOADS, table, PLANT))
