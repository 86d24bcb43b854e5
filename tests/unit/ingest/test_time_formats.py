"""Formats of times: what is allowed is read as Python reads it; the rest is refused with what to write instead."""

# ruff: noqa: DTZ001, DTZ007 - times in the store are UTC without a zone
from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import SettingsError
from pipeline.ingest.mapping import load_mapping
from pipeline.ingest.time_formats import check_format, forms, moment_sql, plain_format
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, stage

FORMATS = [
    "%Y-%m-%d %H:%M:%S",
    "%F %T",
    "%F %R:%S",
    "%d.%m.%Y %-H:%M:%S",
    "%-d.%-m.%Y %-H:%-M:%-S",
    "%D %T",
    "%e.%m.%y %I:%M:%S %p",
    "%Y%m%d%H%M%S",
    "%Y%j %H%M%S",
    "%Y%j%H%M%S",
    "%y-%j %T",
    "%a %b %d %H:%M:%S %Y",
    "%a %b %e %H:%M:%S %Y",
    "%A, %d %B %Y %T",
    "%G-W%V-%u %T",
    "%Hh%Mm%Ss 100%% %F",
]


def read(texts: list[str], form: str, decimal: str = ".") -> list[datetime | None]:
    """The moments that the database gives for texts."""
    with duckdb.connect(config={"threads": 1}) as con:
        con.execute("create table t (n integer, x varchar)")
        con.executemany("insert into t values ($1, $2)", list(enumerate(texts)))
        return [m for (m,) in con.execute(f"select {moment_sql('x', form, decimal)} from t order by n").fetchall()]


@pytest.mark.parametrize("form", FORMATS)
def test_what_c_writes_is_read_back(form: str) -> None:
    """strftime of the C library writes; also what Python's strptime, where it knows the format, reads from it."""
    check_format(form)
    rng = random.Random(3)
    begin = datetime(2000, 1, 1)
    moments = [begin + timedelta(seconds=rng.randrange(60 * 365 * 86_400)) for _ in range(40)]
    moments += [datetime(2028, 2, 29, 0, 5, 9), datetime(2028, 12, 31, 23, 59, 59), datetime(2027, 1, 1, 12, 0, 0)]
    moments += [datetime(y, m, d, 7) for y in range(2020, 2034) for m, d in ((1, 1), (1, 3), (12, 28), (12, 31))]
    texts = [m.strftime(form) for m in moments]
    assert read(texts, form) == moments
    assert [datetime.strptime(t, plain_format(form)) for t in texts] == moments


@pytest.mark.parametrize("sign", [".", ",", ":"])
def test_a_fraction_may_be_left_off_and_have_nine_digits(sign: str) -> None:
    """As java.time and Python's isoformat write it: no fraction where it is zero."""
    whole = datetime(2026, 11, 16, 6)
    texts = ["06:00:00", "06:00:00*5", "06:00:00*123", "06:00:00*123456", "06:00:00*1234561", "06:00:00*123456789"]
    micros = [0, 500_000, 123_000, 123_456, 123_456, 123_457]
    expected = [whole + timedelta(microseconds=m) for m in micros]
    local = [f"2026-11-16 {t.replace('*', sign)}" for t in texts]
    assert read(local, f"%Y-%m-%d %H:%M:%S{sign}%f") == expected
    assert read([f"{t}+01:00" for t in local], f"%F %T{sign}%f%z") == [e - timedelta(hours=1) for e in expected]
    assert read([f"{t}Z" for t in local], f"%F %T{sign}%f%z") == expected
    wrong = ["2026-11-16 06:00", "2026-11-16 06:00:00" + sign, f"2026-11-16 06:00:00{sign}1234567890"]
    assert read(wrong, f"%F %T{sign}%f") == [None] * 3
    assert forms("%H:%M:%S") == (["%H:%M:%S"], "")


@pytest.mark.parametrize(
    ("form", "text", "micros"),
    [
        ("epoch_s", "1794808800", 0),
        ("epoch_s", "1794808800.25", 250_000),
        ("epoch_ms", "1794808800123", 123_000),
        ("epoch_ms", "1794808800123.5", 123_500),
        ("epoch_us", "1794808800123456", 123_456),
        ("epoch_ns", "1794808800123456000", 123_456),
        ("epoch_ns", "1794808800123456789", 123_457),
        ("serial_days", "46342.25", 0),
        ("serial_days", "46342.2500028935", 250_000),  # 250 ms are 0.0000028935 of a day
    ],
)
def test_counts_since_a_day(form: str, text: str, micros: int) -> None:
    at = datetime(2026, 11, 16, 6) + timedelta(microseconds=micros)
    assert read([text], form) == [at]
    assert read([text.replace(".", ",")], form, ",") == [at]
    if form == "epoch_s":
        assert at.replace(tzinfo=UTC).timestamp() == float(text)
    if form == "serial_days":
        assert abs(datetime(1899, 12, 30) + timedelta(days=float(text)) - at) < timedelta(milliseconds=1)


@pytest.mark.parametrize("form", ["epoch_s", "epoch_ms", "epoch_us", "epoch_ns", "serial_days"])
def test_what_is_no_count_is_none_and_a_huge_one_breaks_nothing(form: str) -> None:
    assert read(["", "x", "-1", "1e9", "1_0", "1.2.3"], form) == [None] * 6
    (huge,) = read(["9" * (6 if form == "serial_days" else 20)], form)
    assert int(str(huge).partition("-")[0]) > 2099  # so its line is refused: outside the years


def test_a_huge_epoch_refuses_its_line_only(tmp_path: Path) -> None:
    mapping = MAPPING.replace("%Y-%m-%d %H:%M:%S", "epoch_s")
    good = GOOD.replace("2026-11-16 06:00:00", "1794808800")
    got = stage(tmp_path, HEAD + good + good.replace("1794808800", "99999999999999"), mapping)
    assert got.one("time") == [datetime(2026, 11, 16, 6)]
    assert [(n, "outside the years" in why) for n, _, why in got.refused] == [(3, True)]


def test_a_zone_by_its_offset(tmp_path: Path) -> None:
    at = datetime(2026, 11, 16, 6, tzinfo=timezone(timedelta(hours=9)))
    mapping = MAPPING.replace("%Y-%m-%d %H:%M:%S", "%a %d %b %Y %T %z")
    got = stage(tmp_path, HEAD + GOOD.replace("2026-11-16 06:00:00", at.strftime("%a %d %b %Y %T %z")), mapping)
    assert (got.one("time"), got.refused) == ([datetime(2026, 11, 15, 21)], [])


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("%s", 'write format = "epoch_s"'),
        ("%F %T %Z", "a zone's name is not read"),
        ("%c", "write it out, such as %a %b %d %H:%M:%S %Y"),
        ("%F %k", "holds %k; known: %Y %y"),
        ("%F %-Y", "must give a whole date and the hour"),
        ("%F %-p", "holds %-p"),
        ("%Y%-m%-d %H", "nothing tells where it ends"),
        ("%F", "whole date and the hour"),
        ("%T", "whole date and the hour"),
        ("%F %I:%M", "whole date and the hour"),
        ("%F %", "holds %;"),
        ("%Y-W%V-%u %T", "as %G, %V and %u, no other"),
        ("%G-%V %T", "as %G, %V and %u, no other"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_line(tmp_path: Path, form: str, words: str) -> None:
    path = tmp_path / "m.toml"
    path.write_text(MAPPING.replace("%Y-%m-%d %H:%M:%S", form), encoding="utf-8")
    with pytest.raises(SettingsError) as error:
        load_mapping(path)
    assert words in str(error.value)
    assert error.value.line == 9
