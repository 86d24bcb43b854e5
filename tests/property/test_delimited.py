"""Generated delimited files: every line is staged or refused, and text is kept byte for byte.

The independent program is Python's csv module, and the list of cells that the file was written from.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
import tempfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import openpyxl
import polars as pl
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import FileRefused
from pipeline.ingest.delimited import Delimited
from pipeline.ingest.mapping import load_mapping
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Limits, Plant

MAPPING = """format = 1
name = "generated"
table = "pick"
files = ["*"]
[text]
delimiter = ","
comment = "#"
[time]
columns = ["T"]
format = "%Y-%m-%d %H:%M:%S"
[columns]
machine = "M"
nozzle = "N"
part = "P"
outcome = "R"
[outcome]
OK = "placed"
NG = "rejected"
"""
HEAD = ["T", "M", "N", "P", "R"]
CON = duckdb.connect(config={"threads": 1})

# Any text but NUL, surrogates and, so that the expected line numbers are easy to count, line ends.
TEXT = st.text(st.characters(codec="utf-8", exclude_characters="\0\r\n"), max_size=8)
IDENTIFIER = st.one_of(
    TEXT,
    st.sampled_from(
        ["0402", "01005", "1E5", "007", "<b>x</b>", "=1+1", "'; drop table pick; --", "{{7*7}}", '7" reel', " a"]
    ),
)


def read(
    content: bytes, mapping: str = MAPPING
) -> tuple[Staging, list[tuple[int, str, str, str]], list[tuple[int, str]]]:
    """Stage the file; rows (line, machine, nozzle, part) and refused (line, raw)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "m.toml").write_text(mapping, encoding="utf-8")
        (folder / "log").write_bytes(content)
        source = open_source(folder / "log", folder, Limits())
        staging = Staging(CON)
        Delimited((load_mapping(folder / "m.toml"),)).stage(source, staging, Plant(folder=folder))
        staging.flush()
    rows = CON.execute("select line, machine, nozzle, part from staged_pick order by line").fetchall()
    return staging, rows, CON.execute("select line, raw from staged_refused order by line").fetchall()


@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.tuples(IDENTIFIER, IDENTIFIER, IDENTIFIER), max_size=12),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.booleans(),
)
def test_what_the_csv_module_writes_is_read_byte_for_byte(
    cells: list[tuple[str, str, str]], end: str, quoting: int, irregular: bool
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=end, quoting=quoting)  # type: ignore[arg-type]
    writer.writerow(HEAD)
    for machine, nozzle, part in cells:
        writer.writerow(["2026-11-16 06:00:00", machine, nozzle, part, "OK"])
    if irregular:
        out.write("torn" + end)
    staging, rows, refused = read(out.getvalue().encode())
    expected = [(n, m, nz or None, p or None) for n, (m, nz, p) in enumerate(cells, 2) if m]
    assert rows == expected
    assert [n for n, _ in refused] == [n for n, (m, _, _) in enumerate(cells, 2) if not m] + [
        len(cells) + 2
    ] * irregular
    assert staging.records_read == len(rows) + len(refused)


GOOD = "2026-11-16 06:00:00,M1,N1,P1,OK"
ODD = ["", "   ", "# note", "#,,,,", ",,,,", ",,,,,", '"', '"""', 'a"b', GOOD + ",", GOOD + '"']
ODD += [GOOD.replace("N1", cell) for cell in ('"N1', '"a""b"', ' "N1"')] + [GOOD.replace("OK", "XX")]
LINE = st.one_of(st.just(GOOD), st.sampled_from(ODD), st.text(st.sampled_from('a1," #\t;'), max_size=12))


@settings(deadline=None, max_examples=150)
@given(st.lists(LINE, max_size=15), st.sampled_from(["\n", "\r\n", "\r"]), st.booleans())
def test_every_line_is_staged_refused_or_nothing(lines: list[str], end: str, closed: bool) -> None:
    content = end.join([",".join(HEAD), *lines]) + (end if closed else "")
    staging, rows, refused = read(content.encode())
    assert staging.records_read == len(rows) + len(refused)
    physical = [",".join(HEAD), *lines]
    covered: dict[int, int] = {}
    for number, raw in refused:  # the raw text of a refused record is the lines themselves
        span = raw.count("\n") + 1
        assert raw == "\n".join(physical[number - 1 : number - 1 + span])
        covered |= dict.fromkeys(range(number, number + span), number)
    for number, *_ in rows:
        assert number not in covered
        covered[number] = number
        if physical[number - 1].count('"') % 2:  # a record that ends on a later line
            while physical[max(covered)].count('"') % 2 == 0:
                covered[max(covered) + 1] = number
            covered[max(covered) + 1] = number
    for number, text in enumerate(physical[1:], 2):  # whatever is not covered holds nothing
        if number not in covered:
            assert not text.strip() or text.startswith("#"), (number, text)


@settings(deadline=None, max_examples=100)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    try:
        staging, rows, refused = read(",".join(HEAD).encode() + b"\n" + content)
    except FileRefused as error:
        reason, balanced = error.reason, True
    else:
        reason, balanced = "read", staging.records_read == len(rows) + len(refused)
    assert reason
    assert balanced


# The same cells in every container ------------------------------------------------------------------------------------

# A workbook holds no control characters (XML 1.0, section 2.2), and openpyxl reads _x0041_ as A (ECMA-376, 22.9.2.19).
CELL = st.one_of(
    st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=8).filter(
        lambda t: not re.search("_x[0-9A-Fa-f]{4}_", t)
    ),
    st.sampled_from(["0402", "1E5", "=1+1", "TRUE", "a\nb", "2026-11-16", '"', "'; drop table pick; --"]),
)


def _workbook(rows: list[list[str]]) -> bytes:
    book = openpyxl.Workbook()
    for y, row in enumerate(rows, 1):
        for x, cell in enumerate(row, 1):
            if cell:
                book.active.cell(y, x, cell).data_type = "s"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _parquet(rows: list[list[str]]) -> bytes:
    out = io.BytesIO()
    pl.DataFrame(rows[1:], schema=dict.fromkeys(rows[0], pl.String), orient="row").write_parquet(out)
    return out.getvalue()


def _json(rows: list[list[str]]) -> bytes:
    return "".join(json.dumps(dict(zip(rows[0], row, strict=True))) + "\n" for row in rows[1:]).encode()


def _text(rows: list[list[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()


CONTAINERS: dict[str, Callable[[list[list[str]]], bytes]] = {
    "workbook": _workbook,
    "parquet": _parquet,
    "json_lines": _json,
}


@settings(deadline=None, max_examples=15)
@given(
    st.lists(st.tuples(CELL, CELL, CELL, st.sampled_from(["OK", "NG", "XX"])), min_size=1, max_size=8), st.booleans()
)
def test_the_same_cells_give_the_same_rows_from_every_container(
    cells: list[tuple[str, str, str, str]], filtered: bool
) -> None:
    """Delimited text is the reference: what it gives is checked against the csv module above."""
    rows = [HEAD, *(["2026-11-16 06:00:00", *row] for row in cells)]
    more = '[[filter]]\ncolumn = "N"\nnot_equals = "0402"\n' if filtered else ""
    rules = re.search(r"\[text\]\n.*?(?=\[time\])", MAPPING, re.DOTALL)
    assert rules is not None
    staging, expected, refused = read(_text(rows), MAPPING.replace(rules[0], "") + more)
    wanted = ([r[1:] for r in expected], len(refused), staging.records_read, staging.records_ignored)
    assert staging.records_read == len(cells)
    for content, make in CONTAINERS.items():
        mapping = (
            MAPPING.replace(rules[0], "").replace('table = "pick"', f'table = "pick"\ncontent = "{content}"') + more
        )
        for pack in (bytes, gzip.compress, zstandard.compress):
            found, got, bad = read(pack(make(rows)), mapping)
            assert ([r[1:] for r in got], len(bad), found.records_read, found.records_ignored) == wanted, content


def header_seen(lines: list[str], ends: bool) -> bool:
    """True if a header stands in a section."""
    inside = False
    for line in lines:
        inside = line.startswith("[Picks") or (inside and not (ends and line == "[Sums]"))
        if inside and line == "T,M,N,P,R":
            return True
    return False


PART = st.sampled_from(["[Picks]", "[Sums]", "[Picks] again", "", "x", GOOD, GOOD + ",", "# note", "T,M,N,P,R"])


@settings(deadline=None, max_examples=150)
@given(st.lists(PART, max_size=20), st.booleans())
def test_sections_against_a_plain_reading(lines: list[str], ends: bool) -> None:
    """The independent program: a loop over the lines that knows nothing of layouts."""
    mapping = MAPPING.replace(
        "[time]", "section_begin = '^\\[Picks'\n" + "section_end = '^\\[Sums'\n" * ends + "[time]"
    )
    good, bad, inside, header = [], [], False, False
    different = False
    for number, line in enumerate(lines, 1):
        if line.startswith("[Picks"):
            inside, header = True, False
        elif ends and line == "[Sums]":
            inside = False
        elif not inside or not line or line.startswith("#"):
            continue
        elif not header:
            different = different or line != "T,M,N,P,R"
            header = True
        elif line == GOOD:
            good.append(number)
        else:
            bad.append(number)
    if not any(lines):
        return
    if different or not header_seen(lines, ends):
        with pytest.raises(FileRefused):
            read("\n".join(lines).encode(), mapping)
        return
    staging, rows, refused = read("\n".join(lines).encode(), mapping)
    assert [r[0] for r in rows] == good
    assert [n for n, _ in refused] == bad
    assert staging.records_read == len(good) + len(bad)
