"""Counted reels and past builds, from log files to the figures: the planted losses of loads and misses are found."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import buying, settings
from pipeline.analysis.overage_counts import unexplained
from pipeline.store.database import open_store
from tests.plants import PickLine, make_plant, pickfall, query, some_picks, write_picks

MAPPING = """
format = 1
name = "reels"
table = "reel_event"
files = ["reels*"]

[text]
delimiter = ";"
header = true

[time]
columns = ["when"]
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"

[columns]
machine = "machine"
feeder = "feeder"
slot = "slot"
event = "what"
reel = "reel"
part = "part"
lot = "lot"
quantity = "count"

[values.event]
"ON" = "load"
"COUNTED" = "count"
"""
FULL, PER_LOAD, SHARE = 1000, 9, 0.5
STRAY = ("R2-1", 60)
"""A reel that a handful of parts went astray from. Its part is P2, at 80 apiece."""


def _reel_log(picks: list[PickLine]) -> str:
    """Each reel is put on before its first pick and counted after its last."""
    rng = np.random.default_rng(4)
    rows = []
    for reel in sorted({p.reel for p in picks}):
        mine = [p for p in picks if p.reel == reel]
        missed = sum(p.result == "MISS" for p in mine)
        gone = len(mine) - missed + int(rng.binomial(missed, SHARE)) + int(rng.poisson(PER_LOAD))
        gone += STRAY[1] if reel == STRAY[0] else 0
        for what, when, count in (
            ("ON", mine[0].when - timedelta(seconds=2), FULL),
            ("COUNTED", mine[-1].when + timedelta(seconds=2), FULL - gone),
        ):
            p = mine[0]
            rows.append((when, f"{when:%Y-%m-%d %H:%M:%S};{p.machine};{p.feeder};{p.slot};{what};{reel};{p.part};"
                               f"{p.lot};{count}"))  # fmt: skip
    return "\n".join(["when;machine;feeder;slot;what;reel;part;lot;count", *(r for _, r in sorted(rows))]) + "\n"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_plant(tmp_path_factory.mktemp("counts") / "plant")
    (folder / "mappings" / "reels.toml").write_text(MAPPING, encoding="utf-8")
    (folder / "masters" / "parts.csv").write_text(
        "part,package,unit_cost,feeder_type\nP0,0402,0.004,tape\nP1,0402,0.004,tape\nP2,QFP,80,tape\n", encoding="utf-8"
    )
    picks: list[PickLine] = []
    for n, day in enumerate((2, 9, 16)):
        begin = datetime(2026, 11, day, 6)  # noqa: DTZ001
        some = some_picks(7000, seed=day, begin=begin)
        # Each week has reels of its own, so that every reel has one load and one count.
        picks += [dataclasses.replace(p, reel=f"{p.reel}-{n}" if n else p.reel) for p in some]
    write_picks(folder / "inbox" / "picks.csv", picks)
    (folder / "inbox" / "reels.csv").write_text(_reel_log(picks), encoding="utf-8")
    done = pickfall("ingest", "--plant", folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.fixture(scope="module")
def ground(plant: Path) -> buying.Ground:
    of = settings.load(plant)
    with open_store(of, write=False) as con:
        return buying.gather(con, of, buying.clock(con, of, "2026-W47"))


def test_every_reel_is_counted_with_the_picks_from_it(plant: Path, ground: buying.Ground) -> None:
    reels = ground.counts.reels
    ((many,),) = query(plant, "select count(distinct reel) from pick")
    # All but the one that was put on before the oldest pick that is kept: some of its picks may be gone.
    ((first,),) = query(plant, "select arg_min(reel, time) from pick")
    assert reels.height == many - 1
    assert first not in reels["reel"]
    (row,) = query(plant, "select count(*) filter (outcome = 'placed'), count(*) filter (outcome = 'missed'), "
                          "count(*) filter (outcome in ('rejected', 'dropped')) from pick "
                          "where reel = 'R1-1'")  # fmt: skip
    (mine,) = reels.filter(pl.col("reel") == "R1-1").select("placed", "missed", "lost").rows()
    assert mine == row
    assert (reels["loads"] == 1).all()
    assert (reels["splices"] == 0).all()


def test_the_planted_losses_stand_in_the_place_of_the_settings(plant: Path, ground: buying.Ground) -> None:
    load = next(f for f in ground.counts.figures if f.what.startswith("parts lost") and f.feeder_type == "tape")
    assert load.source == "counted"
    assert load.low is not None
    assert load.high is not None
    assert load.low <= PER_LOAD <= load.high
    assert ground.plant.buying.load_loss_tape == load.value != settings.load(plant).buying.load_loss_tape


def test_the_stray_parts_lead_the_list(plant: Path, ground: buying.Ground) -> None:
    first, *rest = unexplained(ground.counts, ground.parts, settings.load(plant))
    assert first.part == "P2"
    assert 0 < first.low <= STRAY[1] <= first.high
    assert first.value == pytest.approx(80 * first.difference)
    assert all(u.low <= 0 <= u.high for u in rest)


def test_past_builds_add_up_to_the_picks(plant: Path, ground: buying.Ground) -> None:
    counts = ("placed", "missed", "rejected", "dropped")
    told = query(plant, "select part, count(*) filter (outcome = 'placed'), count(*) filter (outcome = 'missed'), "
                        "count(*) filter (outcome = 'rejected'), count(*) filter (outcome = 'dropped') "
                        "from pick group by part order by part")  # fmt: skip
    assert ground.past.group_by("part").agg(pl.col(counts).sum()).sort("part").rows() == told
    assert set(ground.past["week"]) == {"2026-W45", "2026-W46", "2026-W47"}
    test = buying.tried(ground)
    assert test is not None
    assert (test.first_week, test.last_week) == ("2026-W47", "2026-W47")
    assert test.verdict == "cannot say yet"
