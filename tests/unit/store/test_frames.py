"""Frames: local weeks, days and shifts over a clock change; grains are never mixed."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import settings
from pipeline.store import frames
from pipeline.store.database import open_store
from pipeline.store.past_builds import past_builds
from tests.plants import make_plant
from tests.unit.rollup.staged import Row, at, load, store

BERLIN = ZoneInfo("Europe/Berlin")


def test_the_week_of_the_clock_change_has_169_hours() -> None:
    week = frames.iso_week("2026-W43", BERLIN)
    assert (week.end - week.start) == timedelta(hours=169)
    assert week.start == datetime(2026, 10, 18, 22)  # noqa: DTZ001
    assert frames.iso_week("2026-W13", BERLIN).end - frames.iso_week("2026-W13", BERLIN).start == timedelta(hours=167)


def test_weeks_before_cross_the_year() -> None:
    labels = [w.label for w in frames.weeks_before(frames.iso_week("2027-W02", BERLIN), 4, BERLIN)]
    assert labels == ["2026-W52", "2026-W53", "2027-W01", "2027-W02"]


@pytest.mark.parametrize(
    ("zone", "hours"),
    [("Asia/Kolkata", 168), ("Asia/Kathmandu", 168), ("Australia/Adelaide", 168), ("Europe/Berlin", 168)],
)
def test_the_clock_of_a_week_holds_that_week_only(tmp_path: Path, zone: str, hours: int) -> None:
    folder = make_plant(tmp_path)
    (folder / "plant.toml").write_text(f'[plant]\nzone = "{zone}"\n', encoding="utf-8")
    plant = settings.load(folder)
    week = frames.iso_week("2026-W47", ZoneInfo(zone))
    with open_store(plant, write=True) as con:
        frames.set_clock(con, plant, week.start, week.end)
        found = con.execute("select week, count(*), count(distinct day) from clock group by week").fetchall()
    assert found == [("2026-W47", hours, 7)]


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Asia/Kathmandu", "Australia/Adelaide", "Europe/Berlin"])
@pytest.mark.parametrize(("late", "length"), [(0, 24), (240, 1)])
def test_counts_of_a_day_are_those_of_that_day(tmp_path: Path, zone: str, late: int, length: int) -> None:
    """Also in zones that are half an hour or a quarter off, and written some minutes late."""
    midnights = [datetime(2026, 11, 16 + day, tzinfo=ZoneInfo(zone)).astimezone(UTC) for day in range(1, 8)]
    rows: list[Row] = []
    for placed, midnight in enumerate(midnights, 1):
        end = midnight.replace(tzinfo=None) + timedelta(seconds=late)
        span = {"time": end, "start": end - timedelta(hours=length)}
        rows.append({**span, "machine": "M", "grain": "machine", "placed": placed})
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        week = frames.iso_week("2026-W47", ZoneInfo(zone))
        frames.set_clock(con, dataclasses.replace(settings.load(tmp_path), zone=zone), week.start, week.end)
        days = frames.days(con)
        cells = frames.cells(con, week)
    assert [(d[-2:], n) for d, n in days.select("day", "attempts").rows()] == [(str(15 + n), n) for n in range(1, 8)]
    assert {str(shift)[11:16] for shift in cells["shift"]} == {"22:00"}


@given(st.datetimes(datetime(2000, 1, 1), datetime(2050, 1, 1)))  # noqa: DTZ001
def test_every_local_time_lies_in_the_week_of_its_label(moment: datetime) -> None:
    label = frames.iso_label(moment.date())
    week = frames.iso_week(label, BERLIN)
    utc = moment.replace(tzinfo=BERLIN).astimezone(UTC).replace(tzinfo=None)
    assert week.start <= utc < week.end


@pytest.mark.parametrize(
    ("utc", "shift", "day"),
    [
        ("2026-10-24 20:00", "2026-10-24 22:00", "2026-10-24"),  # 22:00 summer time: the night shift begins
        ("2026-10-25 00:00", "2026-10-24 22:00", "2026-10-25"),  # 02:00 the first time
        ("2026-10-25 01:00", "2026-10-24 22:00", "2026-10-25"),  # 02:00 the second time
        ("2026-10-25 05:00", "2026-10-25 06:00", "2026-10-25"),  # 06:00 winter time
    ],
)
def test_shifts_over_the_clock_change(tmp_path: Path, utc: str, shift: str, day: str) -> None:
    folder = make_plant(tmp_path)
    (folder / "plant.toml").write_text('[plant]\nzone = "Europe/Berlin"\n', encoding="utf-8")
    plant = settings.load(folder)
    week = frames.iso_week("2026-W43", BERLIN)
    with open_store(plant, write=True) as con:
        frames.set_clock(con, plant, week.start, week.end)
        found = con.execute(
            "select shift, day, week from clock where hour = ?", [datetime.fromisoformat(utc)]
        ).fetchall()
    assert found == [(datetime.fromisoformat(shift), day, "2026-W43")]


def test_how_feeders_feed_is_taken_from_masters_then_messages_then_the_part(tmp_path: Path) -> None:
    """Of a feeder that messages disagree on nothing is taken from them, whichever file came first."""
    told = {"F1": ["tray"], "F2": ["tray"], "F3": ["tube", "bulk"], "F4": []}
    for order in (1, -1):
        folder = make_plant(tmp_path / str(order))
        (folder / "masters").mkdir(exist_ok=True)
        (folder / "masters" / "feeders.csv").write_text("feeder,feeder_type\nF1,bulk\n", encoding="utf-8")
        (folder / "masters" / "parts.csv").write_text("part,feeder_type\nP,tape\n", encoding="utf-8")
        with store(folder) as con:
            picks = [{"time": at(0), "machine": "M", "feeder": f, "part": "P", "outcome": "placed"} for f in told]
            says = [{"time": at(0), "feeder": f, "feeder_type": t} for f, types in told.items() for t in types]
            for number, row in enumerate(says[::order]):
                load(con, f"file {number}", {"pick": picks if not number else [], "carrier": [row]})
            plant = settings.load(folder)
            week = frames.iso_week("2026-W47", ZoneInfo("UTC"))
            frames.set_clock(con, plant, week.start, week.end)
            cells = frames.cells(con, week, "total")
            builds = past_builds(con)
        found = dict(cells.select("feeder", "feeder_type").iter_rows())
        assert found == {"F1": "bulk", "F2": "tray", "F3": "tape", "F4": "tape"}
        assert builds["feeder_type"].to_list() == ["bulk"], "the first of those that a build used"
