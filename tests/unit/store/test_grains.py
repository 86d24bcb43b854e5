"""A plant that logs nozzle and feeder counters of the same picks side by side: nothing counts twice.

The hours: 6 single picks beside both counters; 7 both counters; 8 nozzle counters alone; 9 feeder counters alone; 10
machine counters alone. Every expected sum is added up by hand.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import settings
from pipeline.analysis.summary import summaries
from pipeline.store import frames, quality
from tests.unit.rollup.staged import Row, at, load, store


def _counter(hours: float, grain: str, placed: int, missed: int, **more: object) -> Row:
    start = {"start": at(hours - 0.1)}
    return {"time": at(hours), "machine": "M", "grain": grain, "placed": placed, "missed": missed, **start, **more}


PICKS: list[Row] = [
    {"time": at(0.5), "machine": "M", "nozzle": "N1", "feeder": "F1", "part": "P1", "outcome": "placed"}
] * 3
COUNTERS = [
    _counter(0.5, "nozzle", 900, 0, nozzle="N1"),
    _counter(0.5, "feeder", 900, 0, feeder="F1", part="P1"),
    _counter(1.5, "nozzle", 60, 1, nozzle="N1"),
    _counter(1.5, "nozzle", 38, 1, nozzle="N2"),
    _counter(1.5, "feeder", 70, 1, feeder="F1", part="P1"),
    _counter(1.5, "feeder", 29, 0, feeder="F2", part="P2"),
    _counter(1.5, "machine", 97, 2),
    _counter(2.5, "nozzle", 10, 5, nozzle="N1"),
    _counter(3.5, "feeder", 20, 3, feeder="F1", part="P1"),
    _counter(4.5, "machine", 7, 1),
]


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with store(tmp_path) as con:
        load(con, "a", {"counter": COUNTERS})
        load(con, "b", {"pick": PICKS})
        week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        frames.set_clock(con, settings.load(tmp_path), week.start, week.end)
        yield con


def _sums(frame: pl.DataFrame, *keys: str) -> list[tuple[object, ...]]:
    grouped = frame.group_by(*keys).agg(pl.col("attempts").sum(), pl.col("missed").sum())
    return sorted(grouped.rows(), key=repr)


def test_totals_take_every_machine_hour_once(con: duckdb.DuckDBPyConnection) -> None:
    days = frames.days(con)
    assert (days["attempts"].sum(), days["missed"].sum()) == (3 + 100 + 15 + 23 + 8, 0 + 1 + 5 + 3 + 1)
    cells = frames.cells(con, frames.iso_week("2026-W47", frames.ZoneInfo("UTC")))
    assert _sums(cells, "grain") == [("feeder", 123, 4), ("joint", 3, 0), ("machine", 8, 1), ("nozzle", 15, 5)]
    plant = summaries(days, "2026-W47", {}, settings.Statistics())
    assert [(s.loss, s.this_week.attempts, s.this_week.losses) for s in plant if s.loss == "all"] == [("all", 149, 10)]
    machines = quality.machines(con)
    assert _sums(machines, "machine") == [("M", 149, 10)]
    assert machines["hours"].sum() == 5
    assert quality.weeks(con).select("picks", "losses").rows() == [(149, 10)]


def test_nozzles_are_judged_by_what_knows_nozzles(con: duckdb.DuckDBPyConnection) -> None:
    week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
    for frame in (frames.days(con, "nozzle"), frames.cells(con, week, "nozzle")):
        assert _sums(frame, "nozzle") == [("N1", 3 + 61 + 15, 6), ("N2", 39, 1)]


def test_feeders_and_parts_are_judged_by_what_knows_feeders(con: duckdb.DuckDBPyConnection) -> None:
    week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
    for frame in (frames.days(con, "feeder"), frames.cells(con, week, "feeder")):
        assert _sums(frame, "feeder") == [("F1", 3 + 71 + 23, 4), ("F2", 29, 0)]
    assert _sums(frames.usage(con), "part") == [("P1", 97, 4), ("P2", 29, 0)]


def test_the_grain_behind_each_answer_is_told(con: duckdb.DuckDBPyConnection) -> None:
    assert frames.grains(con).rows() == [
        ("M", "feeder", "feeder", 2), ("M", "feeder", "joint", 1), ("M", "feeder", None, 2),
        ("M", "nozzle", "joint", 1), ("M", "nozzle", "nozzle", 2), ("M", "nozzle", None, 2),
        ("M", "part", "feeder", 2), ("M", "part", "joint", 1), ("M", "part", None, 2),
        ("M", "total", "feeder", 2), ("M", "total", "joint", 1),
        ("M", "total", "machine", 1), ("M", "total", "nozzle", 1),
    ]  # fmt: skip


def test_aliases_hold_in_frames_read_from_events(tmp_path: Path) -> None:
    aliases = "kind,alias,id\nmachine,old,M\nnozzle,n-1,N1\npart,P1-ALT,P1\n"
    with store(tmp_path, {"aliases.csv": aliases}) as con:
        load(con, "a", {
            "pick": PICKS,
            "service": [{"time": at(1), "machine": "old", "kind": "nozzle", "id": "n-1", "action": "cleaned"}],
            "measurement": [{"time": at(1), "machine": "old", "part": "P1-ALT", "what": "length", "measured": 1.0}],
            "reel_event": [{"time": at(1), "event": "load", "reel": "R1", "part": "P1-ALT"}],
        })  # fmt: skip
        week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        frames.set_clock(con, settings.load(tmp_path), week.start, week.end)
        services = frames.services(con, settings.load(tmp_path), week.start, week.end)
        assert services.select("machine", "kind", "id").rows() == [("M", "nozzle", "N1")]
        assert frames.measurements(con, week)["part"].to_list() == ["P1"]
        assert frames.loads(con).select("part", "loads").rows() == [("P1", 1)]


# --- tables of a day beside tables of an hour -------------------------------------------------------------------------

HOURLY = [_counter(h + 1, "nozzle", 100, 2, nozzle="N1") | {"start": at(h)} for h in range(8)]
"""Eight hours of 102 picks, from 6:00 to 14:00."""


def _daily(grain: str, placed: int, missed: int, hours: float = 24, **more: object) -> Row:
    return _counter(18, grain, placed, missed, **more) | {"start": at(18 - hours)}


def _of_day(tmp_path: Path, rows: list[Row]) -> dict[str, tuple[int, int]]:
    """Attempts and misses of the day that totals, nozzles and feeders are told."""
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        frames.set_clock(con, settings.load(tmp_path), week.start, week.end)
        found = {q: frames.days(con, q) for q in ("total", "nozzle", "feeder", "part")}  # type: ignore[arg-type]
        assert frames.grains(con).filter(question="total")["grain"].null_count() == 0
    return {q: (int(f["attempts"].sum()), int(f["missed"].sum())) for q, f in found.items()}


@pytest.mark.parametrize(
    ("long", "total"),
    [
        (_daily("feeder", 800, 14, feeder="F1"), (814, 14)),  # about the same picks: feeders go first, as in an hour
        (_daily("machine", 800, 14), (816, 16)),  # the same: nozzles go first
        (_daily("feeder", 150, 0, feeder="F1"), (816, 16)),  # a list of few parts
        (_daily("feeder", 5000, 60, feeder="F1"), (5060, 60)),  # nozzles were logged for some hours only
        (_daily("feeder", 800, 14, hours=12, feeder="F1"), (814 + 612, 26)),  # from 12:00 on: two of the eight hours
        (_daily("feeder", 800, 14, hours=10, feeder="F1"), (814 + 816, 30)),  # from 14:00 on: other picks
    ],
)
def test_a_day_beside_its_hours_counts_once(tmp_path: Path, long: Row, total: tuple[int, int]) -> None:
    """Nozzles by the hour and feeders by the day tell of the same picks; they were added."""
    found = _of_day(tmp_path, [*HOURLY, long])
    assert found["total"] == total
    assert found["part"] == found["feeder"], "no other counts would answer"
    assert found["nozzle"] == (816, 16)
    assert found["feeder"] == (
        (long["placed"] + long["missed"], long["missed"]) if long["grain"] == "feeder" else (0, 0)
    )  # type: ignore[operator]


def test_running_totals_of_a_day_beside_hours_count_once(tmp_path: Path) -> None:
    readings = [
        _counter(h, "feeder", n, n // 50, feeder="F1") | {"running": True, "start": None}
        for h, n in ((-6, 0), (18, 800))
    ]
    assert _of_day(tmp_path, [*HOURLY, *readings])["total"] == (816, 16)


def test_counts_by_the_hour_that_are_some_seconds_long_stay_hourly(tmp_path: Path) -> None:
    """Readings come seconds late, and every second hour has three times the picks: none of them is a long interval."""
    rows: list[Row] = []
    for h in range(8):
        size = 100 + 200 * (h % 2)
        for grain, key in (("nozzle", {"nozzle": "N1"}), ("feeder", {"feeder": "F1"})):
            rows.append(_counter(h + 1 + 0.001 * (h % 3), grain, size, 2, **key) | {"start": at(h + 0.0003)})
    found = _of_day(tmp_path, rows)
    assert found["total"] == found["nozzle"] == found["feeder"] == (1616, 16)


def test_a_day_beside_its_shifts_counts_once(tmp_path: Path) -> None:
    """Nozzles by the day, feeders by the shift: the night's counts are fewer than the day's, and stay all the same."""
    shifts = [
        _counter(e, "feeder", n, 4, feeder="F1") | {"start": at(e - 8)} for e, n in ((2, 700), (10, 700), (18, 100))
    ]
    found = _of_day(tmp_path, [*shifts, _daily("nozzle", 1500, 12, nozzle="N1")])
    assert found == dict.fromkeys(("total", "nozzle", "feeder", "part"), (1512, 12))
    found = _of_day(tmp_path / "other", [*shifts, _daily("machine", 1490, 12)])
    assert found["total"] == (1512, 12)


FEEDERS = [_counter(h + 1, "feeder", 98, 2, feeder="F1") | {"start": at(h)} for h in range(8)]
"""800 picks; what part was in the feeder is not told."""
NAMED: list[Row] = [{**row, "part": "P1"} for row in FEEDERS]


def _of_parts(placed: int, missed: int, **more: object) -> Row:
    """A day's list of parts, which its log mapping calls feeder counts, as there is no other word for carriers."""
    return _daily("feeder", placed, missed, part="P1", **more)


@pytest.mark.parametrize(
    ("feeders", "parts", "found"),
    [
        # the list alone knows parts: it answers for them, and the feeder counters for feeders and totals
        (FEEDERS, _of_parts(790, 14), {"total": (800, 16), "feeder": (800, 16), "part": (804, 14)}),
        # both do: feeder counters know more, once
        (NAMED, _of_parts(790, 14), {"total": (800, 16), "feeder": (800, 16), "part": (800, 16)}),
        # feeders were counted for some hours only
        (NAMED[:2], _of_parts(790, 14), {"total": (804, 14), "feeder": (200, 4), "part": (804, 14)}),
        ([], _of_parts(790, 14), {"total": (804, 14), "feeder": (0, 0), "part": (804, 14)}),
    ],
)
def test_a_list_of_parts_beside_feeder_counters_counts_once(
    tmp_path: Path, feeders: list[Row], parts: Row, found: dict[str, tuple[int, int]]
) -> None:
    """Both were counts of feeders, and were added: twice the picks in totals and in what the buyer is told."""
    with store(tmp_path) as con:
        if feeders:
            load(con, "feeders", {"counter": feeders})
        load(con, "parts", {"counter": [parts]})
        assert con.execute("select distinct grain from counter where feeder is null").fetchall() == [("part",)]
        week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        frames.set_clock(con, settings.load(tmp_path), week.start, week.end)
        read = {q: frames.days(con, q) for q in ("total", "feeder", "part")}  # type: ignore[arg-type]
        usage = frames.usage(con)
        machines = quality.machines(con)
    assert {q: (f["attempts"].sum(), f["missed"].sum()) for q, f in read.items()} == found
    assert _sums(usage, "part") == [("P1", *found["part"])]
    assert machines["attempts"].sum() == found["total"][0]
    assert set(read["part"]["part"].to_list()) == {"P1"}


def test_counts_of_nothing_do_not_answer_for_an_hour(tmp_path: Path) -> None:
    """What is left on a reel, and a table of feeders that stood still, beside nozzle counters that counted."""
    nothing = [_counter(0.5, "feeder", 0, 0, feeder="F1"), _counter(0.5, "feeder", 0, 0, feeder="F2")]
    left = {"time": at(0.5), "start": at(0.4), "machine": "M", "grain": "feeder", "feeder": "F3", "remaining": 900}
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counter(0.5, "nozzle", 60, 1, nozzle="N1"), *nothing, left]})
        assert con.execute("select grain, attempts from tally").fetchall() == [("nozzle", 61)]
        week = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        frames.set_clock(con, settings.load(tmp_path), week.start, week.end)
        assert _sums(frames.cells(con, week), "grain") == [("nozzle", 61, 1)]
