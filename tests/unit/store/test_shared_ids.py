"""Nozzles, feeders and lots that are numbered alike are things of their own; one that was moved is not."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline import settings
from pipeline.analysis import items
from pipeline.analysis.overage import prepare
from pipeline.analysis.quality_keys import shared as shared_lines
from pipeline.commands.explain import explain
from pipeline.errors import UserError
from pipeline.schema.frames import LOADS
from pipeline.store import frames, shared_ids
from pipeline.weekly import analyse
from tests.plants import make_plant
from tests.unit.rollup.staged import Row, at, load, store

MONDAY = datetime(2026, 11, 16, 6)  # noqa: DTZ001
WEEK = frames.iso_week("2026-W47", ZoneInfo("UTC"))


def _hours(machine: str, nozzle: str, hours: Iterable[int], feeder: str = "") -> list[dict[str, Any]]:
    """A pick an hour."""
    row = {"machine": machine, "nozzle": nozzle, "feeder": feeder or f"F-{machine}", "part": "P", "outcome": "placed"}
    return [{**row, "time": MONDAY + timedelta(hours=h)} for h in hours]


def _names(folder: Path, picks: list[dict[str, Any]], column: str = "nozzle") -> set[str]:
    make_plant(folder)
    with store(folder) as con:
        load(con, "file", {"pick": picks})
        frames.set_clock(con, settings.load(folder), WEEK.start, WEEK.end)
        read = (frames.cells(con, WEEK), frames.days(con), frames.usage(con))
    named = [set(frame[column]) for frame in read if column in frame.columns]
    assert len(named) > 1
    assert all(names == named[0] for names in named)
    return named[0]


def test_an_id_at_work_on_two_machines_at_once_is_that_of_two_things(tmp_path: Path) -> None:
    picks = [*_hours("M1", "1", range(8)), *_hours("M2", "1", range(8)), *_hours("M1", "N-17", range(40))]
    assert _names(tmp_path / "a", picks) == {"M1/1", "M2/1", "N-17"}
    assert _names(tmp_path / "b", picks, "feeder") == {"F-M1", "F-M2"}


def test_one_that_is_moved_at_every_shift_stays_itself(tmp_path: Path) -> None:
    """Eight hours on each of two machines by turns, on both in the hour of the move."""
    picks = [
        pick for shift in range(10) for pick in _hours(f"M{1 + shift % 2}", "N-17", range(8 * shift, 8 * shift + 9))
    ]
    assert _names(tmp_path, picks) == {"N-17"}


def test_feeders_that_are_moved_with_every_job_stay_themselves(tmp_path: Path) -> None:
    """One of three is on another machine every hour, so that each hour of it is one of a move; the others stay."""
    picks = [p for h in range(40) for m in ("M1", "M2") for p in _hours(m, f"N-{m}", [h], "F-1")]
    picks += [p for m in ("M1", "M2") for p in _hours(m, f"N-{m}", range(40), f"F-2{m}")]
    assert _names(tmp_path, picks, "feeder") == {"F-1", "F-2M1", "F-2M2"}


def test_a_few_hours_prove_nothing(tmp_path: Path) -> None:
    picks = [*_hours("M1", "1", range(4)), *_hours("M2", "1", range(4))]
    assert _names(tmp_path, picks) == {"1"}


def test_where_most_are_numbered_alike_all_are(tmp_path: Path) -> None:
    """The ninth nozzle is there on one machine only."""
    picks = [p for m in ("M1", "M2") for n in range(1, 9) for p in _hours(m, str(n), range(8))]
    assert _names(tmp_path, [*picks, *_hours("M1", "9", range(8))]) == {
        *(f"M{m}/{n}" for m in (1, 2) for n in range(1, 9)),
        "M1/9",
    }


def test_feeders_too(tmp_path: Path) -> None:
    picks = [*_hours("M1", "N1", range(8), "1"), *_hours("M2", "N2", range(8), "1")]
    assert _names(tmp_path, picks, "feeder") == {"M1/1", "M2/1"}


def test_the_quality_page_says_so(tmp_path: Path) -> None:
    make_plant(tmp_path)
    with store(tmp_path) as con:
        load(con, "file", {"pick": [p for m in ("M1", "M2", "M3") for p in _hours(m, "7", range(8), f"F-{m}")]})
        frames.set_clock(con, settings.load(tmp_path), WEEK.start, WEEK.end)
        (line,) = shared_lines(shared_ids.shared(con))
    assert (line.level, line.what, line.value) == ("note", "nozzle ids", 1.0)
    assert line.text.startswith("Machines number their nozzles alike: 7 works on 3 machines at the same time.")


@pytest.mark.parametrize("slot", [None, "12"])
def test_reels_on_feeders_that_are_numbered_alike_need_a_slot(tmp_path: Path, slot: str | None) -> None:
    make_plant(tmp_path)
    picks = [*_hours("M1", "N1", range(8), "1"), *_hours("M2", "N2", range(8), "1")]
    loads = [{"time": MONDAY, "event": "load", "machine": m, "slot": slot, "feeder": "1", "reel": m} for m in "AB"]
    with store(tmp_path) as con:
        load(con, "file", {"pick": picks, "reel_event": loads})
        frames.set_clock(con, settings.load(tmp_path), WEEK.start, WEEK.end)
        lines = shared_lines(shared_ids.shared(con))
    assert [(q.level, q.value) for q in lines if q.what == "reels on feeders"] == ([] if slot else [("warning", 2.0)])


def test_a_lot_of_two_parts_is_two_lots(tmp_path: Path) -> None:
    """Date codes: 2641 of each part. A lot of one part keeps its name where most have one of their own."""
    picks = [
        {**row, "part": part, "lot": lot}
        for part, lot, hours in (("P1", "2641", 8), ("P2", "2641", 8), ("P2", "L-7", 40), ("P3", "L-7", 3))
        for row in _hours("M1", "N1", range(hours))
    ]
    assert _names(tmp_path / "a", picks, "lot") == {"P1/2641", "P2/2641", "L-7"}
    reels = [{**row, "reel": f"R{row['lot']}"} for row in picks]
    assert _names(tmp_path / "c", reels, "reel") == {"P1/R2641", "P2/R2641", "RL-7"}
    folder = make_plant(tmp_path / "b")
    builds = "".join(f"B,{part},10,5\n" for part in ("P1", "P2", "P3"))
    (folder / "masters" / "builds.csv").write_text(f"build,part,boards,quantity_per_board\n{builds}", encoding="utf-8")
    plant = settings.load(folder)
    with store(folder) as con:
        load(con, "file", {"pick": picks})
        frames.set_clock(con, plant, WEEK.start, WEEK.end)
        usage, parts, wanted = frames.usage(con), frames.master(con, "part"), frames.master(con, "build")
    for left, dropped in (
        ("P1/2641", {"P1": ("P1/2641",)}),
        ("2641", {"P1": ("P1/2641",), "P2": ("P2/2641",)}),
        ("L-7", {"P2": ("L-7",), "P3": ("L-7",)}),
    ):
        lines = prepare(usage, pl.DataFrame(schema=LOADS), parts, wanted, plant, leave_out_lots=[left])
        assert lines is not None
        assert lines.left_out == dropped


def test_a_spindle_of_a_machine_whose_log_names_no_head_can_be_ranked(tmp_path: Path) -> None:
    """Of a machine that names its heads a spindle without one is not known; a head that nobody named is no item."""
    rows = [
        {**row, "machine": machine, "head": head, "spindle": "4"}
        for machine, head in (("M1", None), ("M2", "H1"), ("M2", None))
        for row in _hours(machine, f"N-{machine}", range(8))
    ]
    make_plant(tmp_path)
    with store(tmp_path) as con:
        load(con, "file", {"pick": rows})
        frames.set_clock(con, settings.load(tmp_path), WEEK.start, WEEK.end)
        cells = frames.cells(con, WEEK)
    keys = {kind: set(cells.select(items.key(kind)).to_series()) for kind in ("spindle", "head")}
    assert {items.name("spindle", k) for k in keys["spindle"] if k} == {("M1", "4"), ("M2", "H1/4")}
    assert {items.name("head", k) for k in keys["head"] if k} == {("M2", "H1")}
    for key in keys["spindle"] - {None}:
        assert items.key_of("spindle", *items.name("spindle", key)) == key
    assert items.label("spindle", items.key_of("spindle", "M1", "4")) == "spindle 4 of M1"
    odd = items.SEPARATOR.join(("M1", "", "a/4"))
    assert items.key_of("spindle", *items.name("spindle", odd)) == odd


def test_a_bad_nozzle_is_not_lost_among_its_namesakes(tmp_path: Path) -> None:
    """Nozzle 3 of one of four machines misses eight times as often; all four have a nozzle 3."""
    make_plant(tmp_path, "[statistics]\nsmallest_saving = 0.0\n")
    rng = random.Random(7)
    healthy: dict[tuple[str, int], float] = {}
    picks = []
    for i in range(36_000):
        machine, nozzle, feeder = f"M{1 + i % 4}", 1 + i // 4 % 6, rng.randrange(10)
        logit = math.log(0.004) + healthy.setdefault((machine, nozzle), rng.gauss(0.0, 0.1))
        bad = (machine, nozzle) == ("M2", 3)
        missed = rng.random() < math.exp(logit) * (8.0 if bad else 1.0)
        picks.append(
            {
                "machine": machine,
                "nozzle": str(nozzle),
                "feeder": f"F-{machine}-{feeder}",
                "part": f"P{feeder}",
                "outcome": "missed" if missed else "placed",
                "time": MONDAY + timedelta(seconds=2 * i),
            }
        )
    services = [{"time": MONDAY, "machine": "M2", "kind": "nozzle", "id": "3", "action": "cleaned"}]
    with store(tmp_path) as con:
        load(con, "file", {"pick": picks, "service": services})
        bundle = analyse(con, settings.load(tmp_path), "2026-W47")
    flagged = {(s.kind, s.id, s.machine) for s in bundle.suspects if s.flagged}
    assert flagged == {("nozzle", "M2/3", "M2")}
    assert {(s.id, s.machine) for s in bundle.services} == {("M2/3", "M2")}
    document, _ = explain(bundle, "nozzle", "3", "M2")
    assert document["id"] == "M2/3"
    with pytest.raises(UserError, match=r"'3' is on M1, M2, M3, M4\. Name one with --machine"):
        explain(bundle, "nozzle", "3", None)
    with pytest.raises(UserError, match="no nozzle '3' of M9 in week"):
        explain(bundle, "nozzle", "3", "M9")


def test_a_nozzle_that_its_old_machine_still_lists_is_one(tmp_path: Path) -> None:
    """A table of running totals goes on with the nozzle that has gone to another machine; its total stands still."""
    totals: list[Row] = []
    for hour in range(20):
        for machine, total in (("A", 100 * min(hour, 10)), ("B", 100 * max(hour - 10, 0))):
            totals.append(
                {
                    "time": at(hour),
                    "machine": machine,
                    "grain": "nozzle",
                    "nozzle": "N7",
                    "placed": total,
                    "running": True,
                }
            )
    with store(tmp_path) as con:
        load(con, "a", {"counter": totals})
        shared_ids.find(con)
        assert con.execute("select * from shared_id").fetchall() == []
        assert con.execute("select machine, sum(placed) from tally group by all order by all").fetchall() == [
            ("A", 1000),
            ("B", 900),
        ]
