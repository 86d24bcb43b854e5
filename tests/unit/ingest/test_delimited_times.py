"""Times in delimited logs: how they are written, zones, and the two clock changes."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import pytest

from pipeline.errors import FileRefused, SettingsError
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, Result, stage


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("epoch_s", "1763272800.25"),
        ("epoch_ms", "1763272800250"),
        ("%Y-%m-%dT%H:%M:%S.%f%z", "2025-11-16T07:00:00.25+01:00"),
        ("%Y-%m-%dT%H:%M:%S.%f%z", "2025-11-16T06:00:00.250Z"),
        ("%d/%m/%y %I:%M:%S.%f %p", "16/11/25 06:00:00.250 AM"),
        ("%d %b %Y %H:%M:%S.%f", "16 Nov 2025 06:00:00.25"),
    ],
)
def test_ways_to_write_a_time(tmp_path: Path, form: str, text: str) -> None:
    # 1763272800 is 2025-11-16T06:00:00Z: `date -u -d @1763272800` of GNU coreutils.
    mapping = MAPPING.replace("%Y-%m-%d %H:%M:%S", form)
    got = stage(tmp_path, HEAD + GOOD.replace("2026-11-16 06:00:00", text), mapping)
    assert got.one("time") == [datetime(2025, 11, 16, 6, 0, 0, 250_000)]


def test_milliseconds_taken_for_seconds_are_refused(tmp_path: Path) -> None:
    mapping = MAPPING.replace("%Y-%m-%d %H:%M:%S", "epoch_s")
    for text in ("1763272800250", "1e9", "-1", "99999999999999999"):
        got = stage(tmp_path, HEAD + GOOD.replace("2026-11-16 06:00:00", text), mapping)
        assert got.one("line") == []
        assert len(got.refused) == 1


def test_the_plants_zone_is_the_default_and_columns_are_joined(tmp_path: Path) -> None:
    mapping = (
        MAPPING.replace('["T"]', '["T", "E"]').replace('reason = "E"\n', "").replace('[reason]\n17 = "vacuum"\n', "")
    )
    text = HEAD + "2026-07-01;M1;N1;OK;06:00:00;\n"
    assert stage(tmp_path, text, mapping, zone="Europe/Berlin").one("time") == [datetime(2026, 7, 1, 4)]
    mapping = mapping.replace("[columns]", 'zone = "-03:30"\n[columns]', 1)
    assert stage(tmp_path, text, mapping, zone="Europe/Berlin").one("time") == [datetime(2026, 7, 1, 9, 30)]


def clock(folder: Path, times: list[str], policy: str = "order", more: str = "", transaction: bool = True) -> Result:
    mapping = MAPPING.replace("[columns]", f'zone = "Europe/Berlin"\nrepeated_hour = "{policy}"\n[columns]', 1)
    return stage(
        folder,
        HEAD + "".join(GOOD.replace("2026-11-16 06:00:00", t) for t in times) + more,
        mapping,
        transaction=transaction,
    )


@pytest.mark.parametrize("more", ["", "torn\n"])
def test_the_missing_hour_is_refused(tmp_path: Path, more: str) -> None:
    got = clock(tmp_path, ["2026-03-29 01:59:59", "2026-03-29 02:30:00", "2026-03-29 03:00:00"], more=more)
    assert got.rows("line, time") == [(2, datetime(2026, 3, 29, 0, 59, 59)), (4, datetime(2026, 3, 29, 1))]
    assert got.refused[0][:2] == (3, "2026-03-29 02:30:00;M1;N1;OK;;0.5")
    assert 'time "2026-03-29 02:30:00" does not exist' in got.refused[0][2]


@pytest.mark.parametrize("transaction", [True, False])
@pytest.mark.parametrize("more", ["", "torn\n"])
def test_the_repeated_hour_goes_by_the_order_of_the_lines(tmp_path: Path, more: str, transaction: bool) -> None:
    times = ["01:59:00", "02:10:00", "02:59:00", "02:01:00", "02:30:00", "03:00:00"]
    got = clock(tmp_path, [f"2026-10-25 {t}" for t in times], more=more, transaction=transaction)
    assert got.rows("line, strftime(time, '%H:%M')") == [
        (2, "23:59"), (3, "00:10"), (4, "00:59"), (5, "01:01"), (6, "01:30"), (7, "02:00")
    ]  # fmt: skip


def test_the_repeated_hour_by_policy(tmp_path: Path) -> None:
    alone = ["2026-10-25 02:30:00"]
    assert clock(tmp_path, alone, "first").one("time") == [datetime(2026, 10, 25, 0, 30)]
    assert clock(tmp_path, alone, "second").one("time") == [datetime(2026, 10, 25, 1, 30)]
    for policy, words in (("refuse", "shown twice"), ("order", "show twice")):
        got = clock(tmp_path, [*alone, "2026-10-25 12:00:00"], policy)
        assert got.one("line") == [3]
        assert words in got.refused[0][2]
        assert '"2026-10-25 02:30:00"' in got.refused[0][2]


def test_the_pass_of_a_bad_line_is_not_asked(tmp_path: Path) -> None:
    got = clock(
        tmp_path,
        ["2026-10-25 01:59:00", "2026-10-25 02:20:00"],
        more=GOOD.replace("2026-11-16 06", "2026-10-25 02").replace("OK", "XX"),
    )
    assert got.rows("line, time") == [(2, datetime(2026, 10, 24, 23, 59)), (3, datetime(2026, 10, 25, 0, 20))]
    assert 'outcome "XX"' in got.refused[0][2]


# --- days without a time of day ---------------------------------------------------------------------------------------

DAILY = """format = 1
name = "daily"
table = "counter"
files = ["*.csv"]
[time]
columns = ["D"]
format = "%d.%m.%Y"
[columns]
machine = "M"
part = "P"
placed = "N"
[constants]
grain = "feeder"
"""


def test_counts_of_a_date_are_those_of_the_whole_day(tmp_path: Path) -> None:
    """From midnight to midnight of the plant's clock, also on the days of 23 and 25 hours."""
    days = ("29.03.2026", "30.03.2026", "25.10.2026", "31.02.2026")
    got = stage(tmp_path, "D,M,P,N\n" + "".join(f"{d},M1,P1,9\n" for d in days), DAILY, zone="Europe/Berlin")
    assert got.rows("start, time") == [
        (datetime(2026, 3, 28, 23), datetime(2026, 3, 29, 22)),
        (datetime(2026, 3, 29, 22), datetime(2026, 3, 30, 22)),
        (datetime(2026, 10, 24, 22), datetime(2026, 10, 25, 23)),
    ]
    assert [(r[0], "does not match" in r[2]) for r in got.refused] == [(5, True)]


def test_a_day_begins_where_the_clocks_skip_or_repeat_its_midnight(tmp_path: Path) -> None:
    """Santiago skips 0:00 to 1:00 on 6 September 2026, Havana shows it twice on 1 November (tz database)."""
    got = stage(tmp_path, "D,M,P,N\n05.09.2026,M1,P1,9\n06.09.2026,M1,P1,9\n", DAILY, zone="America/Santiago")
    change = datetime(2026, 9, 6, 4)
    assert got.rows("start, time") == [
        (datetime(2026, 9, 5, 4), change),
        (change, datetime(2026, 9, 7, 3)),
    ]
    got = stage(tmp_path, "D,M,P,N\n31.10.2026,M1,P1,9\n01.11.2026,M1,P1,9\n", DAILY, zone="America/Havana")
    first = datetime(2026, 11, 1, 4)
    assert got.rows("start, time") == [
        (datetime(2026, 10, 31, 4), first),
        (first, datetime(2026, 11, 2, 5)),
    ]


def test_a_service_may_name_the_day_alone(tmp_path: Path) -> None:
    mapping = DAILY.replace('"counter"', '"service"').replace('placed = "N"', 'action = "N"').replace("part", "id")
    mapping = mapping.replace('grain = "feeder"', 'kind = "nozzle"')
    got = stage(tmp_path, "D,M,P,N\n17.11.2026,M1,N1,cleaned\n", mapping, zone="Europe/Berlin")
    assert got.rows("time, id") == [(datetime(2026, 11, 16, 23), "N1")]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"counter": "pick", 'placed = "N"': 'outcome = "N"', 'grain = "feeder"': 'lot = "L"'},
            "must give a whole date",
        ),
        ({'placed = "N"': 'placed = "N"\nstart = "S"'}, 'gives whole days: leave "start" out'),
        ({"%d.%m.%Y": "%m.%Y"}, "must give a whole date"),
        ({"%d.%m.%Y": "%d.%m.%Y %M"}, "must give a whole date"),
    ],
)
def test_a_date_alone_is_refused_where_it_says_too_little(tmp_path: Path, changes: dict[str, str], words: str) -> None:
    mapping = DAILY
    for old, new in changes.items():
        mapping = mapping.replace(old, new)
    with pytest.raises(SettingsError, match=words):
        stage(tmp_path, "D,M,P,N\n17.11.2026,M1,P1,9\n", mapping)


# --- a date and a shift -----------------------------------------------------------------------------------------------

BY_SHIFT = DAILY.replace("[columns]", 'shift = "S"\n[time.shifts]\nE = "6:00"\nL = "14:00"\nN = "22:00"\n[columns]')


def test_counts_of_a_shift_are_those_of_its_hours(tmp_path: Path) -> None:
    """In Berlin; the night of 24 to 25 October has nine hours, and its clocks show one of them twice."""
    lines = ["16.11.2026,E", "16.11.2026,L", "24.10.2026,N", "16.11.2026,X", "16.11.2026,", "31.02.2026,E"]
    text = "D,S,M,P,N\n" + "".join(f"{line},M1,P1,9\n" for line in lines)
    got = stage(tmp_path, text, BY_SHIFT, zone="Europe/Berlin")
    assert got.rows("start, time") == [
        (datetime(2026, 11, 16, 5), datetime(2026, 11, 16, 13)),
        (datetime(2026, 11, 16, 13), datetime(2026, 11, 16, 21)),
        (datetime(2026, 10, 24, 20), datetime(2026, 10, 25, 5)),
    ]
    assert [r[0] for r in got.refused] == [5, 6, 7]
    reasons = " ".join(str(r[2]) for r in got.refused)
    for words in ('shift "X" is not in [time.shifts]', 'column "S" is empty', '"31.02.2026" does not match'):
        assert words in reasons


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('L = "14:00"', 'L = "6:00"', '"E" and "L" begin at the same time'),
        ('L = "14:00"', 'L = "24:00"', 'must begin at a time such as "06:00"'),
        ('L = "14:00"', "L = 14", 'must begin at a time such as "06:00"'),
        ('E = "6:00"\nL = "14:00"\nN = "22:00"\n', "", "must give the begin of each shift"),
        ("[time.shifts]", "[time.shift_s]", "shift_s"),
        ("%d.%m.%Y", "%d.%m.%Y %H", "whose format gives the date alone"),
        ('shift = "S"\n', "", '"shift" must be the name'),
        ('shift = "S"', 'shift = "Q"', 'no column "Q"'),
        ('shift = "S"', 'shift = ["S", "M"]', "takes one column"),
    ],
)
def test_what_is_wrong_with_shifts_is_said(tmp_path: Path, old: str, new: str, words: str) -> None:
    with pytest.raises((SettingsError, FileRefused), match=re.escape(words)):
        stage(tmp_path, "D,S,M,P,N\n16.11.2026,E,M1,P1,9\n", BY_SHIFT.replace(old, new))


INTERVAL = """
format = 1
name = "counts"
table = "counter"
files = ["*.csv"]
[time]
columns = ["E"]
format = "%Y-%m-%d %H:%M"
[columns]
start = "S"
machine = "M"
attempts = "N"
[constants]
grain = "machine"
"""


def test_an_interval_that_begins_after_its_end_is_refused(tmp_path: Path) -> None:
    """In the hour that the clocks show twice the begin may show a later time than the end."""
    lines = [
        "2026-11-16 06:00,2026-11-16 14:00",
        "2026-11-16 14:00,2026-11-16 06:00",
        "2026-10-25 02:50,2026-10-25 02:10",
    ]
    text = "S,E,M,N\n" + "".join(f"{line},M1,9\n" for line in lines)
    got = stage(
        tmp_path, text, INTERVAL.replace("[columns]", 'repeated_hour = "second"\n[columns]'), zone="Europe/Berlin"
    )
    assert [(n, "is after the end of its interval" in str(r)) for n, _, r in got.refused] == [(3, True)]
    exact = INTERVAL.replace("%H:%M", "%H:%M%z")
    text = "S,E,M,N\n2026-11-16 06:01Z,2026-11-16 06:00Z,M1,9\n2026-11-16 06:00Z,2026-11-16 06:00Z,M1,9\n"
    assert [n for n, _, _ in stage(tmp_path, text, exact).refused] == [2]
