"""Wall time to UTC, against zoneinfo row by row, and the rules of the repeated hour."""

# ruff: noqa: DTZ001 - a wall time has no zone: that is the subject here
from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.ingest.local_time import FIRST_YEAR, LAST_YEAR, changes, doubt_sql, settle_by_order, utc_sql, zone_of
from pipeline.schema.arrow import ArrowStream

ZONES = (
    "Europe/Berlin",
    "Europe/London",
    "America/New_York",
    "America/Sao_Paulo",
    "Australia/Sydney",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Asia/Kathmandu",
    "Africa/Casablanca",
    "Pacific/Apia",
    "UTC",
)
CON = duckdb.connect(config={"threads": 1})


def by_zoneinfo(local: datetime, zone: ZoneInfo) -> tuple[str | None, datetime, datetime]:
    """What the standard library says (PEP 495): doubt, UTC as the first pass, UTC as the second."""
    first, second = (local.replace(tzinfo=zone, fold=f).astimezone(UTC) for f in (0, 1))
    back = first.astimezone(zone).replace(tzinfo=None, fold=0)
    doubt = "skipped" if back != local else "repeated" if first != second else None
    return doubt, first.replace(tzinfo=None), second.replace(tzinfo=None)


@pytest.mark.parametrize("name", ZONES)
def test_every_wall_time_agrees_with_zoneinfo(name: str) -> None:
    zone = ZoneInfo(name)
    moments = [datetime(FIRST_YEAR, 1, 1), datetime(LAST_YEAR, 12, 31, 23, 59)]
    for change in changes(zone):
        for edge in (change.begin, change.end):
            moments += [edge + timedelta(microseconds=m) for m in (-1, 0, 1)]
        moments.append(change.begin + (change.end - change.begin) / 2)
    moments = [m for m in moments if FIRST_YEAR <= m.year <= LAST_YEAR]
    check(zone, moments)


@settings(deadline=None, max_examples=25)
@example("Australia/Lord_Howe", [datetime(2026, 4, 5, 1, 45), datetime(2026, 10, 4, 2, 15)])
@given(
    st.sampled_from(ZONES),
    st.lists(st.datetimes(datetime(FIRST_YEAR, 1, 1), datetime(LAST_YEAR, 12, 31)), min_size=1, max_size=50),
)
def test_generated_wall_times_agree_with_zoneinfo(name: str, moments: list[datetime]) -> None:
    check(ZoneInfo(name), moments)


def fill(name: str, moments: list[datetime], machines: list[str]) -> None:
    schema = {"line": pl.Int64, "machine": pl.String, "local": pl.Datetime("us")}
    frame = pl.DataFrame({"line": range(len(moments)), "machine": machines, "local": moments}, schema=schema)
    CON.register("incoming", ArrowStream(frame))
    CON.execute(
        f"create or replace temp table {name} as select *, cast(null as timestamp) as time, "
        "cast(null as varchar) as problem from incoming"
    )
    CON.unregister("incoming")


def check(zone: ZoneInfo, moments: list[datetime]) -> None:
    fill("t", moments, ["M"] * len(moments))
    rows = CON.execute(
        f"select {doubt_sql('local', zone)}, {utc_sql('local', zone, None)}, {utc_sql('local', zone, 'first')}, "
        f"{utc_sql('local', zone, 'second')} from t order by line"
    ).fetchall()
    for local, (doubt, once, first, second) in zip(moments, rows, strict=True):
        expected, early, late = by_zoneinfo(local, zone)
        assert doubt == expected, local
        if expected == "skipped":
            assert (once, first, second) == (None, None, None)
        elif expected == "repeated":
            assert (once, first, second) == (None, early, late)
        else:
            assert (once, first, second) == (early, early, early)


def test_duckdb_alone_would_choose_in_silence() -> None:
    """The reason for this module; if DuckDB changes, look again."""
    try:
        CON.execute("load icu")
    except duckdb.Error:
        pytest.skip("no icu extension here")
    row = CON.execute(
        "select timestamp '2026-10-25 02:30:00' at time zone 'Europe/Berlin' = timestamptz '2026-10-25 01:30:00+00', "
        "timestamp '2026-03-29 02:30:00' at time zone 'Europe/Berlin' is not null"
    ).fetchall()
    assert row == [(True, True)]


def test_fixed_offsets_and_unknown_zones() -> None:
    assert zone_of("-03:30") == timezone(-timedelta(hours=3, minutes=30))
    assert changes(zone_of("+01:00")) == ()
    assert CON.execute(
        f"select {utc_sql(chr(39) + '2026-01-01' + chr(39) + '::timestamp', zone_of('+02:00'), None)}"
    ).fetchall() == [(datetime(2025, 12, 31, 22),)]
    for wrong in ("Europe/Nowhere", "", "../../etc/passwd", "+1:00", "'; drop table pick; --"):
        with pytest.raises(ValueError, match="not known"):
            zone_of(wrong)


BERLIN = ZoneInfo("Europe/Berlin")  # 2026-10-25: 03:00 CEST becomes 02:00 CET, so 02:00 to 03:00 is shown twice


def settle(
    times: list[str], zone: ZoneInfo = BERLIN, day: str = "2026-10-25", machines: list[str] | None = None
) -> list[str | None]:
    """UTC (HH:MM:SS) that each line got, in the order of the lines; None: undecided."""
    fill("rows_", [datetime.fromisoformat(f"{day} {t}") for t in times], machines or ["M1"] * len(times))
    CON.execute(
        f"update rows_ set time = {utc_sql('local', zone, None)}, "
        f"problem = case when {doubt_sql('local', zone)} = 'repeated' then 'wait' end"
    )
    settle_by_order(CON, "rows_", "line", zone, "wait")
    rows = CON.execute("select strftime(time, '%H:%M:%S'), problem from rows_ order by line").fetchall()
    assert all((time is None) == (problem == "wait") for time, problem in rows)
    return [time for time, _ in rows]


def test_a_step_back_begins_the_second_pass() -> None:
    assert settle(["01:59:00", "02:10:00", "02:59:59", "02:00:00", "02:10:00", "03:00:00"]) == [
        "23:59:00",
        "00:10:00",
        "00:59:59",
        "01:00:00",
        "01:10:00",
        "02:00:00",
    ]


def test_a_step_back_is_enough_without_neighbours() -> None:
    assert settle(["02:40:00", "02:45:00", "02:50:00", "02:05:00"]) == ["00:40:00", "00:45:00", "00:50:00", "01:05:00"]


def test_each_machine_has_its_own_order() -> None:
    times = ["02:10:00", "02:50:00", "02:55:00", "02:55:00", "02:05:00", "02:56:00"]
    machines = ["A", "A", "B", "A", "A", "B"]
    before = ["01:55:00", "02:30:00"]
    result = settle(before + times, machines=["A", "B", *machines])
    assert result[0] == "23:55:00"
    assert [result[i] for i in (2, 3, 5, 6)] == ["00:10:00", "00:50:00", "00:55:00", "01:05:00"]
    assert [result[i] for i in (1, 4, 7)] == [None, None, None]  # B: nothing before or after the hour


def test_lines_running_on_from_before_are_the_first_pass() -> None:
    assert settle(["01:45:00", "02:10:00", "02:40:00"]) == ["23:45:00", "00:10:00", "00:40:00"]


def test_lines_running_on_into_the_time_after_are_the_second_pass() -> None:
    assert settle(["02:10:00", "02:40:00", "03:05:00"]) == ["01:10:00", "01:40:00", "02:05:00"]


def test_a_gap_of_more_than_half_an_hour_is_not_running_on() -> None:
    assert settle(["01:20:00", "02:10:00"]) == ["23:20:00", None]
    assert settle(["01:45:00", "02:10:00", "02:41:00"]) == ["23:45:00", "00:10:00", None]
    # ... so that a long stop tells lines before it from lines after it
    assert settle(["01:50:00", "02:05:00", "02:45:00", "03:05:00"]) == ["23:50:00", "00:05:00", "01:45:00", "02:05:00"]


@pytest.mark.parametrize(
    "times",
    [
        ["02:10:00", "02:20:00"],  # nothing around
        ["02:50:00", "02:05:00"],  # a clock change, or a log that is newest first
        ["01:50:00", "02:10:00", "02:35:00", "03:00:00"],  # both sides, no step back
        ["02:10:00", "02:50:00", "02:05:00", "02:50:00", "02:05:00"],  # two steps back
        ["03:10:00", "02:50:00", "02:49:30", "02:10:00", "01:50:00"],  # newest first
        ["01:59:50", "02:00:30", "02:00:00", "01:59:40", "01:59:10"],  # newest first, small steps
        ["01:50:00", "02:10:00", "01:00:00", "02:10:00"],  # out of order
    ],
)
def test_what_the_order_does_not_tell_stays_undecided(times: list[str]) -> None:
    result = settle(times)
    for time, utc in zip(times, result, strict=True):
        assert (utc is None) == ("02:00:00" <= time < "03:00:00")


def test_small_disorder_is_no_clock_change() -> None:
    assert settle(["01:59:00", "02:10:00", "02:09:30", "02:10:01", "02:11:00"]) == [
        "23:59:00",
        "00:10:00",
        "00:09:30",
        "00:10:01",
        "00:11:00",
    ]


def test_a_southern_zone() -> None:
    # Sydney 2026-04-05: 03:00 AEDT (+11) becomes 02:00 AEST (+10)
    zone = ZoneInfo("Australia/Sydney")
    assert settle(["01:59:00", "02:59:00", "02:01:00", "03:01:00"], zone, "2026-04-05") == [
        "14:59:00",
        "15:59:00",
        "16:01:00",
        "17:01:00",
    ]


def test_a_zone_that_shifts_by_half_an_hour() -> None:
    # Lord Howe 2026-04-05: 02:00 (+11) becomes 01:30 (+10:30)
    zone = ZoneInfo("Australia/Lord_Howe")
    assert settle(["01:29:00", "01:59:00", "01:31:00", "02:01:00"], zone, "2026-04-05") == [
        "14:29:00",
        "14:59:00",
        "15:01:00",
        "15:31:00",
    ]
    assert settle(["01:20:00", "01:34:00"], zone, "2026-04-05") == ["14:20:00", "14:34:00"]
    assert settle(["01:10:00", "01:34:00"], zone, "2026-04-05") == ["14:10:00", None]


@settings(deadline=None, max_examples=20)
@given(
    st.lists(st.integers(1, 14 * 60), min_size=12, max_size=20),
    st.sampled_from(
        [("Europe/Berlin", datetime(2026, 10, 25, 0, 0)), ("Australia/Sydney", datetime(2026, 4, 4, 15, 0))]
    ),
)
def test_a_machine_that_runs_gets_back_its_true_times(gaps: list[int], where: tuple[str, datetime]) -> None:
    """A machine with stops of at most 14 minutes, logging wall time in order, through the whole change."""
    name, now = where
    zone = ZoneInfo(name)
    truth = [now - timedelta(minutes=20)]
    while truth[-1] < now + timedelta(hours=3):
        truth += [truth[-1] + timedelta(seconds=s) for s in _sums(gaps)]
    local = [t.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None) for t in truth]
    fill("rows_", local, ["M"] * len(local))
    CON.execute(
        f"update rows_ set time = {utc_sql('local', zone, None)}, "
        f"problem = case when {doubt_sql('local', zone)} = 'repeated' then 'wait' end"
    )
    settle_by_order(CON, "rows_", "line", zone, "wait")
    assert [r[0] for r in CON.execute("select time from rows_ order by line").fetchall()] == truth


def _sums(gaps: list[int]) -> list[int]:
    total, found = 0, []
    for gap in gaps:
        total += gap
        found.append(total)
    return found
