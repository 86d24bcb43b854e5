"""Packed files, workbooks, Parquet and JSON lines: what is read, what is refused, and what cells become."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import gzip
import hashlib
import io
import re
import zipfile
from collections.abc import Callable
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any, Literal

import duckdb
import openpyxl
import polars as pl
import pytest
import zstandard

from pipeline.errors import FileRefused
from pipeline.ingest.containers_json import Unfit, read_object, text_at
from pipeline.ingest.containers_workbook import number_text
from pipeline.ingest.source import open_source
from pipeline.settings import Limits
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, Result, stage

TITLES = ["T", "M", "N", "R", "E", "X"]
ROW = ["2026-11-16 06:00:00", "M1", "0402", "OK", None, 0.5]


def mapping_for(content: str, form: str = "%Y-%m-%d %H:%M:%S", more: str = "") -> str:
    made = MAPPING.replace('table = "pick"', f'table = "pick"\ncontent = "{content}"').replace("*.csv", "*")
    return made.replace('[text]\ndelimiter = ";"\n', more).replace("%Y-%m-%d %H:%M:%S", form)


def refused(folder: Path, data: bytes, limits: Limits | None = None) -> str:
    (folder / "log").write_bytes(data)
    with pytest.raises(FileRefused) as error:
        open_source(folder / "log", folder, limits or Limits())
    assert [p.name for p in folder.iterdir()] == ["log"]
    return error.value.reason


# zstd -----------------------------------------------------------------------------------------------------------------


def test_zstd_is_told_by_its_content_and_hashed_unpacked(tmp_path: Path) -> None:
    text = (HEAD + GOOD * 3).encode()
    path = tmp_path / "log.csv"
    path.write_bytes(zstandard.compress(text))
    source = open_source(path, tmp_path, Limits())
    assert source.content_hash == hashlib.sha256(text).hexdigest()
    assert source.size == len(text)
    assert stage(tmp_path, zstandard.compress(text), name="log.csv.zst").one("line") == [2, 3, 4]


def test_several_zstd_frames_and_one_to_be_skipped(tmp_path: Path) -> None:
    text = (HEAD + GOOD * 3).encode()
    skipped = b"\x50\x2a\x4d\x18" + (5).to_bytes(4, "little") + b"notes"  # RFC 8878, section 3.1.2
    for data in (
        zstandard.compress(text[:50]) + zstandard.compress(text[50:]),
        skipped + zstandard.compress(text),
        zstandard.compress(text[:50]) + skipped + zstandard.compress(text[50:]),
        zstandard.ZstdCompressor(write_content_size=False).compress(text),
    ):
        assert stage(tmp_path, data).one("line") == [2, 3, 4]


@pytest.mark.parametrize("checksum", [True, False])
def test_zstd_that_is_cut_off_anywhere(tmp_path: Path, checksum: bool) -> None:
    packer = zstandard.ZstdCompressor(write_checksum=checksum)
    lines = "".join(f"2026-11-16 06:00:00;M{i * 7919 % 1000};N{i};OK;;\n" for i in range(30_000))
    data = packer.compress((HEAD + lines).encode())
    for length in (5, 6, 9, len(data) // 2, len(data) - 5, len(data) - 1):
        reason = refused(tmp_path, data[:length])
        assert "cut off" in reason
        # The trap: the library gives what it has, without a word.
    with zstandard.ZstdDecompressor().stream_reader(io.BytesIO(data[: len(data) // 2])) as bare:
        assert len(bare.read()) < len(HEAD + lines)


def test_zstd_that_is_damaged(tmp_path: Path) -> None:
    packer = zstandard.ZstdCompressor(write_checksum=True)
    data = packer.compress((HEAD + GOOD * 300).encode())
    assert "zstd" in refused(tmp_path, data[:-2] + bytes([data[-2] ^ 1]) + data[-1:])  # checksum
    assert "something else follows" in refused(tmp_path, data + b"text")
    assert "zstd" in refused(tmp_path, data[:30] + bytes([data[30] ^ 0x40]) + data[31:])


def test_zstd_with_a_window_beyond_memory(tmp_path: Path) -> None:
    wide = zstandard.ZstdCompressionParameters.from_level(3, window_log=30)
    packer = zstandard.ZstdCompressor(compression_params=wide).compressobj()  # of unknown size: the window stays
    assert "cannot be unpacked" in refused(tmp_path, packer.compress(b"a;b\n" * 1000) + packer.flush())


def test_zstd_that_another_program_wrote(tmp_path: Path) -> None:
    row = GOOD.strip()
    query = f"select '{row}' as \"{HEAD.strip()}\" from range(2000)"
    duckdb.sql(f"copy ({query}) to '{tmp_path}/packed' (format csv, delim '\t', quote '', compression zstd)")
    data = (tmp_path / "packed").read_bytes()
    assert data.startswith(b"\x28\xb5\x2f\xfd")
    assert len(stage(tmp_path, data).one("line")) == 2000


# Workbooks ------------------------------------------------------------------------------------------------------------


def book(
    rows: list[list[Any]], formats: dict[str, str] | None = None, more: dict[str, list[list[Any]]] | None = None
) -> bytes:
    made = openpyxl.Workbook()
    for title, content in {"Log": rows, **(more or {})}.items():
        sheet = made.create_sheet(title)
        for row in content:
            sheet.append(row)
    made.remove(made.worksheets[0])
    for place, form in (formats or {}).items():
        made["Log"][place].number_format = form
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def from_book(folder: Path, data: bytes, more: str = "", form: str = "%Y-%m-%d %H:%M:%S") -> Result:
    return stage(folder, data, mapping_for("workbook", form, more), name="log.xlsx")


def test_text_of_a_workbook_stays_as_typed(tmp_path: Path) -> None:
    cells = ["0402", "1E5", "01005", " N1 ", "=1+1", "TRUE", "2026-11-16", "a\nb", "é;\"'", "<b>x</b>"]
    rows = [TITLES, *([*ROW[:2], c, *ROW[3:]] for c in cells)]
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    for number in range(2, len(rows) + 1):
        made.active.cell(number, 3).data_type = "s"  # text, also where it begins with =
    out = io.BytesIO()
    made.save(out)
    got = from_book(tmp_path, out.getvalue())
    assert got.rows("line, nozzle") == list(enumerate(cells, 2))


def test_numbers_of_a_workbook_have_no_noise(tmp_path: Path) -> None:
    rows = [TITLES, *([*ROW[:2], n, "OK", 17.0, x] for n, x in ((402, 0.1 + 0.2), (402, 1e-7), (7.5, -1234.56789125)))]
    got = from_book(tmp_path, book(rows, {"C2": "0000"}))
    assert got.one("nozzle") == ["0402", "402", "7.5"]
    assert got.one("dx") == [0.3, 1e-7, -1234.56789125]
    assert got.one("reason") == ["17"] * 3


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1, "0.1"),
        (1 / 3, "0.333333333333333"),
        (2.675, "2.675"),
        (123456789012345, "123456789012345"),
        (1e15, "1000000000000000"),
        (-0.0, "0"),
        (99999999.99999999, "100000000"),
        (1.5e-10, "0.00000000015"),
    ],
)
def test_number_text(value: float, text: str) -> None:
    # 15 significant digits are what a double always keeps (IEEE 754, DBL_DIG).
    assert number_text(value) == text


def test_times_of_a_workbook(tmp_path: Path) -> None:
    at = datetime(2026, 11, 16, 6, 0, 0, 123_000)
    rows = [TITLES, *([at + timedelta(milliseconds=i * 37), *ROW[1:]] for i in range(200))]
    got = from_book(tmp_path, book(rows), form="%Y-%m-%d %H:%M:%S.%f")
    assert got.one("time") == [at + timedelta(milliseconds=i * 37) for i in range(200)]


def test_a_day_and_a_time_of_day_in_two_cells(tmp_path: Path) -> None:
    rows = [["D", *TITLES], [datetime(2026, 11, 16), time(6, 30), *ROW[1:]]]
    data = book(rows, {"A2": "dd.mm.yyyy", "B2": "hh:mm:ss"})
    mapping = mapping_for("workbook", "%Y-%m-%d %H:%M:%S.%f").replace('["T"]', '["D", "T"]')
    assert stage(tmp_path, data, mapping).one("time") == [datetime(2026, 11, 16, 6, 30)]


def test_sheets_by_name_and_place(tmp_path: Path) -> None:
    data = book([["x"], ["y"]], more={"Picks": [TITLES, ROW]})
    for sheet in ('"Picks"', "2"):
        assert from_book(tmp_path, data, f"[workbook]\nsheet = {sheet}\n").one("line") == [2]
    for sheet, words in (('"picks"', 'no sheet "picks". It has: "Log", "Picks"'), ("3", "has 2 sheets, but")):
        with pytest.raises(FileRefused, match=words):
            from_book(tmp_path, data, f"[workbook]\nsheet = {sheet}\n")
    with pytest.raises(FileRefused, match="Name one by sheet"):
        from_book(tmp_path, data)


def test_titles_header_rows_empty_rows_and_totals(tmp_path: Path) -> None:
    rows = [["Shift report"], [], ["", "", "", "", "", "Offset"], TITLES, ROW, [], [*ROW, "", "more"], ROW, ["Sum", 3]]
    mapping = mapping_for("workbook", more="[text]\nskip_lines = 2\nheader_rows = 2\nskip_end = 1\n")
    got = stage(tmp_path, book(rows), mapping.replace('"X"', '"Offset X"'))
    assert got.one("line") == [5, 8]
    assert [(n, r) for n, _, r in got.refused] == [(7, "8 fields found, 6 expected. Row refused.")]


def test_a_workbook_without_header(tmp_path: Path) -> None:
    mapping = mapping_for("workbook", more="[text]\nheader = false\n").replace('["T"]', "[1]")
    for number, name in enumerate("MNREX", 2):
        mapping = mapping.replace(f'= "{name}"', f"= {number}")
    assert stage(tmp_path, book([ROW, ROW]), mapping).one("line") == [1, 2]


def test_a_workbook_packed_in_another_way_has_the_same_hash(tmp_path: Path) -> None:
    data = book([TITLES, ROW])
    again = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(again, "w", zipfile.ZIP_STORED) as new:
        for name in reversed(old.namelist()):
            new.writestr(name, old.read(name))
    hashes = set()
    for content in (data, again.getvalue(), gzip.compress(data), zstandard.compress(again.getvalue())):
        (tmp_path / "w").write_bytes(content)
        hashes.add(open_source(tmp_path / "w", tmp_path, Limits()).content_hash)
    assert len(hashes) == 1
    assert from_book(tmp_path, gzip.compress(data)).one("line") == [2]


def test_a_workbook_that_is_none(tmp_path: Path) -> None:
    data = book([TITLES, ROW])
    assert "damaged workbook" in refused(tmp_path, data[:-30])
    assert "workbook of the old kind" in refused(tmp_path, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600)
    spoilt = bytearray(data)
    spoilt[data.index(b"xl/worksheets/sheet1.xml") + 60] ^= 0xFF
    assert "workbook" in refused(tmp_path, bytes(spoilt))
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", "")
        archive.writestr("xl/workbook.xml", b" " * 20_000_000)
    assert "times its size" in refused(tmp_path, bomb.getvalue())
    entity = io.BytesIO()
    with zipfile.ZipFile(entity, "w") as archive:
        archive.writestr("[Content_Types].xml", "")
        archive.writestr("xl/workbook.xml", '<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>')
    assert "no spreadsheet program" in refused(tmp_path, entity.getvalue())


def with_sheet(data: bytes, change: Callable[[str], str]) -> bytes:
    """The workbook with the XML of its sheet changed."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            text = old.read(name)
            new.writestr(name, change(text.decode()).encode() if name == "xl/worksheets/sheet1.xml" else text)
    return made.getvalue()


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ('<row r="3"', '<row r="2"', "has row 2 below row 2 of its sheet"),
        ('<row r="3"', '<row r="1"', "has row 1 below row 2 of its sheet"),
        ('<row r="4"', '<row r="999999999"', "has row 999999999 below row 3 of its sheet"),
        ('r="C3"', 'r="B3"', "has cells out of order in this row"),
        ('r="F3"', 'r="A3"', "has cells out of order in this row"),
        ('r="C3"', 'r="C2"', "has cells out of order in this row"),
        ('r="F3"', 'r="ZZZ3"', "has a cell in column 18278, expected 16384 at most"),
    ],
)
def test_rows_and_cells_out_of_order_are_not_left_out_in_silence(
    tmp_path: Path, old: str, new: str, reason: str
) -> None:
    row = [*ROW[:4], "17", 0.5]
    data = book([TITLES, row, row, row])

    def change(text: str) -> str:
        assert old in text
        return text.replace(old, new)

    assert from_book(tmp_path, data).one("line") == [2, 3, 4]
    with pytest.raises(FileRefused, match=reason):
        from_book(tmp_path, with_sheet(data, change))


def test_a_text_with_a_negative_number_is_no_other_text(tmp_path: Path) -> None:
    def change(text: str) -> str:
        as_number, as_text = r't="s"><v>\d+</v>', r't="inlineStr"><is><t>x</t></is>'  # versions of openpyxl differ
        return re.sub(f"(?:{as_number}|{as_text})</c></row></sheetData>", 't="s"><v>-1</v></c></row></sheetData>', text)

    data = book([TITLES, [*ROW[:5], "x"]])
    if with_sheet(data, change) == with_sheet(data, str):
        pytest.fail("the sheet does not end with a text of the table: nothing was changed")
    with pytest.raises(FileRefused, match="no text has the number -1"):
        from_book(tmp_path, with_sheet(data, change))


def test_content_that_is_not_as_mapped(tmp_path: Path) -> None:
    with pytest.raises(FileRefused, match='is a workbook, but mapping "test" is for text: write content = "workbook"'):
        stage(tmp_path, book([TITLES, ROW]))
    with pytest.raises(FileRefused, match='is text, but mapping "test" is for a workbook: write content = "delimited"'):
        stage(tmp_path, HEAD + GOOD, mapping_for("workbook"))


# Parquet --------------------------------------------------------------------------------------------------------------


def parquet(folder: Path, query: str) -> bytes:
    duckdb.sql(f"copy ({query}) to '{folder}/made.parquet'")
    return (folder / "made.parquet").read_bytes()


def test_parquet(tmp_path: Path) -> None:
    query = (
        "select timestamp '2026-11-16 06:00:00.5' + to_seconds(i) as T, 'M1' as M, "
        "case i when 2 then null else '0402' end as N, case i when 3 then 'XX' else 'OK' end as R, "
        "17.0::double as E, 0.1::float as X from range(5) t(i) order by i"
    )
    got = stage(tmp_path, parquet(tmp_path, query), mapping_for("parquet", "%Y-%m-%d %H:%M:%S.%f"))
    assert got.one("line") == [1, 2, 3, 5]
    assert got.one("time")[0] == datetime(2026, 11, 16, 6, 0, 0, 500_000)
    assert got.one("nozzle") == ["0402", "0402", None, "0402"]
    assert got.rows("reason, dx")[0] == ("17", 0.1)
    assert got.refused == [(4, "2026-11-16 06:00:03.500000;M1;0402;XX;17;0.1", got.refused[0][2])]


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize(
    ("zone", "form", "utc"),
    [
        ("Europe/Berlin", "%Y-%m-%d %H:%M:%S.%f%z", datetime(2026, 11, 16, 5, 0, 0, 250_000)),
        ("Asia/Kathmandu", "%Y-%m-%d %H:%M:%S.%f%z", datetime(2026, 11, 16, 0, 15, 0, 250_000)),
        (None, "%Y-%m-%d %H:%M:%S.%f", datetime(2026, 11, 16, 6, 0, 0, 250_000)),
    ],
)
def test_parquet_times_with_a_zone_are_instants(
    tmp_path: Path, unit: Literal["ms", "us", "ns"], zone: str | None, form: str, utc: datetime
) -> None:
    at = pl.Series("T", [datetime(2026, 11, 16, 6, 0, 0, 250_000)]).cast(pl.Datetime(unit)).dt.replace_time_zone(zone)
    frame = pl.DataFrame([at]).with_columns(M=pl.lit("M1"), N=pl.lit("N"), R=pl.lit("OK"), E=pl.lit(""), X=pl.lit(1))
    frame.write_parquet(tmp_path / "p")
    got = stage(tmp_path, (tmp_path / "p").read_bytes(), mapping_for("parquet", form))
    assert (got.refused, got.one("time")) == ([], [utc])


def test_parquet_that_is_cut_off_or_a_bomb(tmp_path: Path) -> None:
    good = parquet(tmp_path, "select '2026-11-16 06:00:00' as T, 'M1' as M, 'N' as N, 'OK' as R, '' as E, 1 as X")
    with pytest.raises(FileRefused, match="Parquet that cannot be read"):
        stage(tmp_path, good[:-20], mapping_for("parquet"))
    bomb = parquet(
        tmp_path,
        "select '2026-11-16 06:00:00' as T, 'M1' as M, 'N' as N, 'OK' as R, '' as E, 1 as X from range(3000000)",
    )
    assert len(bomb) < 200_000
    with pytest.raises(FileRefused, match="times its size"):
        stage(tmp_path, bomb, mapping_for("parquet"))


def test_parquet_with_bytes_that_are_no_text(tmp_path: Path) -> None:
    """DuckDB tells the lengths of such texts and stops only where it uses them."""
    good = parquet(tmp_path, "select '2026-11-16 06:00:00' as T, 'M17' as M, 'N' as N, 'OK' as R, '' as E, 1 as X")
    bad = good.replace(b"M17", b"M\x80\xff")
    assert bad != good
    with pytest.raises(FileRefused, match=r"is Parquet that cannot be read .*not valid UTF8.*Copy it again"):
        stage(tmp_path, bad, mapping_for("parquet"))


def test_a_text_that_begins_like_parquet(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD.replace("T", "PAR1") + GOOD, MAPPING.replace('["T"]', '["PAR1"]'))
    assert got.one("line") == [2]


# JSON lines -----------------------------------------------------------------------------------------------------------

OBJECT = '{"T":"2026-11-16 06:00:00","a":{"M":"M1"},"N":["x","0402"],"R":"OK","X":1.50}\n'


def test_json_lines(tmp_path: Path) -> None:
    mapping = mapping_for("json_lines").replace('"M"', '"a.M"').replace('"N"', '"N.1"')
    bad = ["[1]", "{", '{"T":1,"T":2}', OBJECT.strip().replace("1.50", "NaN"), OBJECT.strip().replace('"OK"', "{}")]
    bad += [OBJECT.strip().replace("0402", "\\ud800"), OBJECT.strip().replace("0402", "\\u0000"), "[" * 100_000]
    got = stage(tmp_path, OBJECT + "\n" + "".join(b + "\n" for b in bad) + OBJECT.replace('"X":1.50', '"Y":1'), mapping)
    assert got.rows("line, machine, nozzle, dx") == [(1, "M1", "0402", 1.5), (11, "M1", "0402", None)]
    assert [(n, raw) for n, raw, _ in got.refused] == [(n, b[:2000]) for n, b in enumerate(bad, 3)]


def test_numbers_of_json_are_as_written() -> None:
    found = read_object('{"a": 1.50, "b": 12345678901234567890, "c": true, "d": null, "e.f": "x", "e": {"f": "y"}}')
    assert [text_at(found, k) for k in ("a", "b", "c", "d", "e.f", "g", "e.f.h")] == [
        *("1.50", "12345678901234567890", "true", "", "x", "", "")
    ]
    with pytest.raises(Unfit, match="no single value"):
        text_at(found, "e")


def test_json_without_one_good_line_is_refused_as_a_whole(tmp_path: Path) -> None:
    with pytest.raises(FileRefused, match="no line that is one JSON object"):
        stage(tmp_path, HEAD + GOOD, mapping_for("json_lines"))


@pytest.mark.parametrize("text", ["[{}]", "[\n{},\n{}\n]\n", "\n[ {} , {}]"])
def test_a_json_array_is_refused_with_what_to_do(tmp_path: Path, text: str) -> None:
    with pytest.raises(FileRefused, match=r"holds one JSON array\. Write each object of it on a line of its own"):
        stage(tmp_path, text.replace("{}", OBJECT.strip()), mapping_for("json_lines"))
