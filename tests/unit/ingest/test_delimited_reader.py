"""Delimited logs: every line is staged or refused, with its own number, text and reason."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import gzip
import random
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import FileRefused
from pipeline.ingest.delimited import Delimited
from pipeline.ingest.mapping import load_mapping
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Limits, Plant
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, stage


def test_a_good_file(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + "2026-11-16 06:00:01;M1;N2;NG;17;-1.25\n2026-11-16 06:00:02;M1;;NG;99;\n")
    assert got.refused == []
    assert got.rows("line, time, machine, nozzle, outcome, reason, reason_group, dx, part") == [
        (2, datetime(2026, 11, 16, 6), "M1", "N1", "placed", None, None, 0.5, None),
        (3, datetime(2026, 11, 16, 6, 0, 1), "M1", "N2", "rejected", "17", "vacuum", -1.25, None),
        (4, datetime(2026, 11, 16, 6, 0, 2), "M1", None, "rejected", "99", "other", None, None),
    ]


IDENTIFIERS = [
    "0402",
    "01005",
    "1E5",
    "007",
    "1.0",
    "NaN",
    "true",
    "2026-11-16",
    " N1 ",
    "<b>x</b>",
    "=1+1",
    "'; drop table pick; --",
    "{{7*7}}",
    "NULL",
    "é",
    '7" reel',
    "\\N",
    "%s",
    "$1",
    "🙂",
    "-",
    "a\tb",
]


@pytest.mark.parametrize("identifier", IDENTIFIERS)
def test_identifiers_stay_byte_for_byte(tmp_path: Path, identifier: str) -> None:
    quoted = f'"{identifier.replace(chr(34), chr(34) * 2)}"' if '"' in identifier or ";" in identifier else identifier
    for more in ("", "torn\n"):  # by DuckDB alone, and by way of the regular copy
        got = stage(tmp_path, HEAD + GOOD.replace("N1", quoted) + more)
        assert got.one("nozzle") == [identifier]
        assert len(got.refused) == bool(more)


@pytest.mark.parametrize(
    "name",
    [
        "a[1].csv",
        "a*.csv",
        "a?.csv",
        "{a,b}.csv",
        "'; drop table pick; --.csv",
        "=1+1.csv",
        "{{7*7}}.csv",
        "<b>x<b>.csv",
        "a\\[1].csv",
        "~a.csv",
        "**.csv",
        "x y.csv",
        "é.csv",
    ],
)
def test_a_file_name_is_no_pattern(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "p[1]*"
    folder.mkdir()
    for trap in ("a1.csv", "ab.csv", "a.csv", "b.csv"):
        (folder / trap).write_text(HEAD + GOOD.replace("N1", "wrong file"))
    assert stage(folder, HEAD + GOOD, name=name).one("nozzle") == ["N1"]


@pytest.mark.parametrize(
    "column",
    ["'; drop table pick; --", "<b>x</b>", "=1+1", "{{7*7}}", 'a"b', "select", "c1", "line", "problem", "local"],
)
def test_a_column_name_never_reaches_the_database(tmp_path: Path, column: str) -> None:
    key = column.replace("\\", "\\\\").replace('"', '\\"')
    head = HEAD.replace("N;", '"' + column.replace('"', '""') + '";')
    assert stage(tmp_path, head + GOOD, MAPPING.replace('nozzle = "N"', f'nozzle = "{key}"')).one("nozzle") == ["N1"]


def test_texts_of_a_mapping_never_reach_the_database_as_sql(tmp_path: Path) -> None:
    evil = "'; drop table staged_pick; --"
    mapping = MAPPING.replace('OK = "placed"', f'"{evil}" = "placed"').replace("17 =", f'"{evil}" =')
    mapping = (
        mapping.replace('delimiter = ";"', f'delimiter = "|"\nnull = ["{evil}2"]') + f'[constants]\npart = "{evil}"\n'
    )
    text = f"T|M|N|R|E|X\n2026-11-16 06:00:00|{evil}|{evil}2|{evil}||\n"
    assert stage(tmp_path, text, mapping).rows("machine, nozzle, part, outcome") == [(evil, None, evil, "placed")]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (
            "2026-11-16 06:00:00;M1;N1;XX;;",
            'outcome "XX" is not in the mapping. Add it to [outcome] to accept the line.',
        ),
        ("2026-11-16 06:00:00;M1;N1;;;", 'outcome is missing: column "R" is empty. Line refused.'),
        ("2026-11-16 06:00:00;;N1;OK;;", 'machine is missing: column "M" is empty. Line refused.'),
        (";M1;N1;OK;;", 'time is missing: column "T" is empty. Line refused.'),
        (
            "16.11.2026;M1;N1;OK;;",
            'time "16.11.2026" does not match the format "%Y-%m-%d %H:%M:%S" of [time]. Line refused.',
        ),
        ("2026-02-30 06:00:00;M1;N1;OK;;", 'time "2026-02-30 06:00:00" does not match'),
        ("26-11-16 06:00:00;M1;N1;OK;;", 'time "26-11-16 06:00:00" lies outside the years 1990 to 2099.'),
        ("2026-11-16 24:00:00;M1;N1;OK;;", "does not match"),
        ("2026-11-16 06:00:00;M1;N1;OK;;1,5", 'dx "1,5" in column "X" is not a number with decimal ".". Line refused.'),
        ("2026-11-16 06:00:00;M1;N1;OK;;1_0", 'dx "1_0"'),
        ("2026-11-16 06:00:00;M1;N1;OK;;nan", 'dx "nan"'),
        ("2026-11-16 06:00:00;M1;N1;OK;;1E999", 'dx "1E999"'),
        ("2026-11-16 06:00:00;M1;N1;OK;", "5 fields found, 6 expected. Line refused."),
        ("2026-11-16 06:00:00;M1;N1;OK;;;", "7 fields found, 6 expected. Line refused."),
        ("2026-11-16 06:00:00;M1;N1;OK;;1;", "7 fields found, 6 expected. Line refused."),
        ('2026-11-16 06:00:00;M1;"N1;OK;;', "is not closed"),
        ('2026-11-16 06:00:00;M1;"N"1;OK;;', "is not closed"),
    ],
)
def test_a_line_that_cannot_be_loaded(tmp_path: Path, line: str, reason: str) -> None:
    got = stage(tmp_path, HEAD + GOOD + line + "\n" + GOOD)
    assert got.one("line") == [2, 4]
    ((number, raw, text),) = got.refused
    assert (number, raw) == (3, line)
    assert reason in text


def test_line_numbers_with_blank_lines_comments_quoted_line_ends_and_torn_lines(tmp_path: Path) -> None:
    mapping = MAPPING.replace("[time]", 'comment = "#"\nskip_lines = 2\n[time]')
    text = (
        'made by "x\n\n# comment\n'  # 1 to 3
        + HEAD  # 4
        + GOOD  # 5
        + "\n   \n"  # 6, 7
        + "#;;;;;\n"  # 8
        + GOOD.replace("N1", '"N\n1"')  # 9, 10
        + "torn;line\n"  # 11
        + GOOD.replace("N1", '"N;""2"')  # 12
        + GOOD.replace("M1", "").replace("N1", '"N\n3"')  # 13, 14
        + GOOD.strip()  # 15, without a line end
    )
    got = stage(tmp_path, text, mapping)
    assert got.rows("line, nozzle") == [(5, "N1"), (9, "N\n1"), (12, 'N;"2'), (15, "N1")]
    assert [(n, raw) for n, raw, _ in got.refused] == [
        (11, "torn;line"),
        (13, '2026-11-16 06:00:00;;"N\n3";OK;;0.5'),
    ]


def test_an_open_quote_does_not_swallow_the_file(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + GOOD.replace("N1", '"N1') + GOOD * 100)
    assert got.one("line") == [2, *range(4, 104)]
    assert [n for n, _, _ in got.refused] == [3]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, end: str) -> None:
    got = stage(tmp_path, (HEAD + GOOD + GOOD.replace("0.5", "x") + GOOD).replace("\n", end))
    assert got.one("line") == [2, 4]
    assert [(n, raw) for n, raw, _ in got.refused] == [(3, "2026-11-16 06:00:00;M1;N1;OK;;x")]


def test_mixed_line_ends(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + GOOD.replace("\n", "\r\n") + GOOD.replace("\n", "\r") + GOOD)
    assert got.one("line") == [2, 3, 4, 5]
    assert got.one("dx") == [0.5] * 4


def test_a_preamble_and_no_header(tmp_path: Path) -> None:
    mapping = MAPPING.replace("[time]", "header = false\nskip_lines = 3\n[time]").replace('["T"]', "[1]")
    for number, name in enumerate("MNREX", 2):
        mapping = mapping.replace(f'= "{name}"', f"= {number}")
    got = stage(tmp_path, "a\nb;c\n;;;;;;;\n" + GOOD * 3 + "x\n", mapping)
    assert got.one("line") == [4, 5, 6]
    assert [n for n, _, _ in got.refused] == [7]
    with pytest.raises(FileRefused, match="from column 6, but a line has 5 fields"):
        stage(tmp_path, "a\nb\nc\n2026-11-16 06:00:00;M1;N1;OK;\n", mapping)


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("T;M;N;R;E;Y\n", 'no column "X", from which mapping "test" takes dx. It has: "T", "M", "N", "R", "E", "Y".'),
        ("T;m;N;R;E;X\n", 'Is "m" meant?'),
        ("T;M;N;R;E;X;X\n", 'has the column "X" 2 times'),
        ("\n\n", "ends before the header"),
    ],
)
def test_a_header_that_is_not_as_mapped(tmp_path: Path, head: str, words: str) -> None:
    mapping = MAPPING.replace("[time]", "skip_lines = 1\n[time]") if head == "\n\n" else MAPPING
    with pytest.raises(FileRefused) as error:
        stage(tmp_path, "x\n" + head if head == "\n\n" else head + GOOD, mapping)
    assert words in error.value.reason


def test_only_a_header(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD)
    assert (got.staging.records_read, got.refused) == (0, [])


def test_two_mappings_that_fit_are_refused(tmp_path: Path) -> None:
    (tmp_path / "m.toml").write_text(MAPPING)
    (tmp_path / "log.csv").write_text(HEAD + GOOD)
    first = load_mapping(tmp_path / "m.toml")
    reader = Delimited((first, replace(first, name="other")))
    source = open_source(tmp_path / "log.csv", tmp_path, Limits())
    assert reader.recognises(source)
    with pytest.raises(FileRefused, match=r'"test".*and "other"'):
        reader.stage(source, Staging(duckdb.connect()), Plant(folder=tmp_path))
    assert Delimited((first,)).describe(source) == f"test sha256:{first.digest[:12]}"
    assert not Delimited(()).recognises(source)


def test_decimal_comma_and_thousands(tmp_path: Path) -> None:
    mapping = MAPPING.replace("[time]", 'decimal = ","\nthousands = "."\n[time]')
    cells = ["1.234,5", "-0,5", "1234,5", "+1", "1E-3", ",5", "1.23,4", "1.2", "1,2,3", "1.2345", "0x10", ""]
    got = stage(tmp_path, HEAD + "".join(GOOD.replace("0.5", c) for c in cells), mapping)
    assert got.one("dx") == [1234.5, -0.5, 1234.5, 1.0, 0.001, 0.5, None]
    assert [n for n, _, _ in got.refused] == [8, 9, 10, 11, 12]


def test_without_thousands_a_point_is_no_decimal_comma(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + GOOD.replace("0.5", "0,5"), MAPPING.replace("[time]", 'decimal = ","\n[time]'))
    assert got.one("dx") == [0.5]
    assert [n for n, _, _ in got.refused] == [2]


@pytest.mark.parametrize(("unit", "expected"), [("mm", 25.4), ("um", 0.0254), ("mil", 0.64516)])
def test_units(tmp_path: Path, unit: str, expected: float) -> None:
    # 1 mil = 0.0254 mm exactly (international yard and pound agreement, 1959)
    got = stage(tmp_path, HEAD + GOOD.replace("0.5", "25.4"), MAPPING + f'[units]\ndx = "{unit}"\n')
    assert got.one("dx") == [pytest.approx(expected, rel=1e-15)]


@pytest.mark.parametrize(("unit", "text", "expected"), [("rad", "3.141592653589793", 180.0), ("mdeg", "1500", 1.5)])
def test_angles(tmp_path: Path, unit: str, text: str, expected: float) -> None:
    mapping = MAPPING.replace('dx = "X"', 'dangle = "X"') + f'[units]\ndangle = "{unit}"\n'
    assert stage(tmp_path, HEAD + GOOD.replace("0.5", text), mapping).one("dangle") == [expected]


def test_texts_that_mean_nothing(tmp_path: Path) -> None:
    mapping = MAPPING.replace("[time]", 'null = ["-", "n/a"]\n[time]')
    got = stage(tmp_path, HEAD + "2026-11-16 06:00:00;M1;-;OK;n/a;-\n2026-11-16 06:00:00;-;N;OK;;\n", mapping)
    assert got.rows("nozzle, reason, dx") == [(None, None, None)]
    assert "machine is missing" in got.refused[0][2]


def test_blanks_are_kept_unless_the_mapping_trims(tmp_path: Path) -> None:
    text = HEAD + "2026-11-16 06:00:00;M1 ; N1;OK;;\n2026-11-16 06:00:00;  ;N;OK ;;\n"
    assert stage(tmp_path, text).rows("machine, nozzle") == [("M1 ", " N1")]
    got = stage(tmp_path, text, MAPPING.replace("[time]", "trim = true\n[time]"))
    assert got.rows("machine, nozzle") == [("M1", "N1")]
    assert "machine is missing" in got.refused[0][2]


def test_nothing_can_be_an_outcome(tmp_path: Path) -> None:
    mapping = MAPPING.replace('OK = "placed"', '"" = "placed"')
    assert stage(tmp_path, HEAD + GOOD.replace("OK", ""), mapping).one("outcome") == ["placed"]


def test_the_reason_of_a_placed_pick_has_no_group(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD.replace("OK;", "OK;17"))
    assert got.rows("reason, reason_group") == [("17", None)]


def test_encodings(tmp_path: Path) -> None:
    text = HEAD + GOOD.replace("N1", "Düse")
    assert stage(tmp_path, text.encode("utf-16")).one("nozzle") == ["Düse"]
    assert stage(tmp_path, gzip.compress(text.encode("utf-8-sig"))).one("nozzle") == ["Düse"]
    declared = MAPPING.replace("[time]", 'encoding = "cp1252"\n[time]')
    assert stage(tmp_path, text.encode("cp1252"), declared).one("nozzle") == ["Düse"]
    with pytest.raises(FileRefused, match="line 2"):
        stage(tmp_path, text.encode("cp1252"))


def test_pieces_of_the_file_name(tmp_path: Path) -> None:
    mapping = (
        MAPPING.replace('machine = "M"\n', "")
        + "[file_name]\npattern = '^(?P<machine>.+?)_(?P<try_number>\\d+)(?P<part>x)?'\n"
    )
    got = stage(tmp_path, HEAD + GOOD, mapping, name="'; drop_2.csv")
    assert got.rows("machine, try_number, part") == [("'; drop", 2, None)]
    with pytest.raises(FileRefused, match="does not fit the pattern"):
        stage(tmp_path, HEAD + GOOD, mapping, name="other.csv")


@pytest.mark.parametrize("transaction", [True, False])
def test_lines_keep_their_numbers_when_many_threads_read(tmp_path: Path, transaction: bool) -> None:
    """The line number rests on DuckDB keeping the order of the file over several threads and row groups."""
    count = 400_000
    text = HEAD + "".join(
        f"2026-11-16 06:00:00;M1;N{n};{'OK' if n % 1000 else 'XX'};;{n / 100}\n" for n in range(2, count)
    )
    got = stage(tmp_path, text, transaction=transaction)
    assert got.con.execute(
        "select count(*), count(*) filter (nozzle <> 'N' || line or dx <> line / 100) from staged_pick"
    ).fetchall() == [(count - 2 - 399, 0)]
    assert [n for n, _, _ in got.refused] == list(range(1000, count, 1000))
    assert all(f";N{n};XX" in raw for n, raw, _ in got.refused)


def test_a_very_long_line_is_refused_alone(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + "x" * 3_000_000 + "\n" + GOOD)
    assert got.one("line") == [2, 4]
    ((number, raw, reason),) = got.refused
    assert (number, raw) == (3, "x" * 2000)
    assert "longer than" in reason


@pytest.mark.parametrize(
    ("unit", "value", "good"),
    [
        ("mm", "10000", True), ("mm", "-10000", True), ("mm", "10000.001", False), ("mm", "-1e17", False),
        ("um", "9999999", True), ("um", "10000001", False),
    ],
)  # fmt: skip
def test_an_offset_that_no_part_can_have_is_refused(tmp_path: Path, unit: str, value: str, good: bool) -> None:
    mapping = MAPPING + f'[units]\ndx = "{unit}"\n'
    found = stage(tmp_path, HEAD + f"2026-11-16 06:00:00;M1;N1;OK;;{value}\n", mapping)
    if good:
        assert found.one("abs(dx) <= 10000") == [True]
    else:
        ((line, _, reason),) = found.refused
        assert (line, reason.startswith(f'dx "{value}" is more than 10000 mm')) == (2, True)


def test_blanks_come_off_the_names_of_columns_too(tmp_path: Path) -> None:
    """With trim a name counts without blanks, in the header and in the mapping."""
    mapping = MAPPING.replace("[text]\n", "[text]\ntrim = true\n").replace('"M"', '" M "')
    got = stage(tmp_path, " T ;M ; N;R\t;E;X \n" + GOOD.replace(";M1;", "; M1 ;"), mapping)
    assert (got.rows("machine, nozzle, outcome"), got.refused) == ([("M1", "N1", "placed")], [])


@pytest.mark.parametrize("trim", ["true", "false"])
def test_a_text_for_nothing_may_hold_the_quote_and_the_delimiter(tmp_path: Path, trim: str) -> None:
    rules = f"trim = {trim}\nnull = ['-', '\"', 'a\"b', 'n;a']\n[time]"
    cells = ["-", '""""', 'a"b', '"n;a"', "7", '"a""b"', "--"]
    text = HEAD + "".join(f"2026-11-16 06:00:00;M1;N1;OK;{c};0.5\n" for c in cells)
    got = stage(tmp_path, text, MAPPING.replace("[time]", rules))
    assert (got.one("reason"), got.refused) == ([None, None, None, None, "7", None, "--"], [])


# Rows that lack empty fields at their end -----------------------------------------------------------------------------

FILL = MAPPING.replace('delimiter = ";"', 'delimiter = ";"\nshort_rows = "fill"')


def test_short_rows_are_filled_where_the_mapping_says_so(tmp_path: Path) -> None:
    good = "2026-11-16 06:00:0{};M1;{};{}\n"
    text = HEAD + good.format(0, "N1", "OK") + good.format(1, '"N;2"', "NG;17") + good.format(2, "N3", "NG;17;0.5;;")
    text += good.format(3, "N4", "OK;;0.5") + good.format(4, "N5", "OK;;;x") + "2026-11-16 06:00:05;M1\n"
    got = stage(tmp_path, text, FILL)
    assert got.rows("line, nozzle, outcome, reason, dx") == [
        (2, "N1", "placed", None, None),
        (3, "N;2", "rejected", "17", None),
        (4, "N3", "rejected", "17", 0.5),
        (5, "N4", "placed", None, 0.5),
    ]
    assert [(line, reason) for line, _, reason in got.refused] == [
        (6, "7 fields found, 6 expected. Line refused."),
        (7, 'outcome is missing: column "R" is empty. Line refused.'),
    ]


def test_short_rows_read_as_the_same_rows_filled_up(tmp_path: Path) -> None:
    rng = random.Random(7)
    full = []
    for _ in range(120):
        row = ["2026-11-16 06:00:00", "M1", rng.choice(["N1", '"N;1"', '"N""1"']), rng.choice(["OK", "NG"])]
        full.append([*row, rng.choice(["", "17"]), rng.choice(["", "", "0.5"])])
    short = []
    for row in full:
        kept = max(i for i, cell in enumerate(row, 1) if cell)
        short.append([*row[: rng.randint(kept, 6)], *([""] * rng.randint(0, 2) if kept == 6 else [])])
    made = [HEAD + "".join(";".join(row) + "\n" for row in rows) for rows in (full, short)]
    first, second = (stage(tmp_path, text, mapping) for text, mapping in zip(made, (MAPPING, FILL), strict=True))
    wanted = "line, time, machine, nozzle, outcome, reason, dx"
    assert made[0] != made[1]
    assert (first.rows(wanted), first.refused) == (second.rows(wanted), second.refused)
    assert len(first.one("line")) == 120


def test_short_rows_without_a_header_are_as_wide_as_the_widest(tmp_path: Path) -> None:
    names = dict(zip("TMNREX", range(1, 7), strict=True))
    places = FILL.replace('["T"]', "[1]").replace("[text]", "[text]\nheader = false")
    for name, place in names.items():
        places = places.replace(f'= "{name}"', f"= {place}")
    text = "2026-11-16 06:00:00;M1;N1;OK\n" * 3 + "2026-11-16 06:00:00;M1;N1;NG;17;0.5\n"
    got = stage(tmp_path, text, places)
    assert (got.one("outcome"), got.one("dx"), got.refused) == (["placed"] * 3 + ["rejected"], [None] * 3 + [0.5], [])


def test_an_open_quote_in_a_short_row_goes_on_in_the_next_line(tmp_path: Path) -> None:
    text = HEAD + '2026-11-16 06:00:00;M1;"N\n1";OK\n' + GOOD
    got = stage(tmp_path, text, FILL)
    assert (got.rows("line, nozzle"), got.refused) == ([(2, "N\n1"), (4, "N1")], [])
