"""Each thing that a library does in silence while reading, and what this program does instead.

The traps were measured with DuckDB 2.0.1 and polars 2.1 on Python 3.11. Where a test shows the trap itself, the bare
library is called beside our reader: when it stops doing so, that test says so.
"""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import gzip
import io
import tarfile
import zipfile
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.errors import FileRefused
from pipeline.ingest.source import open_source
from pipeline.settings import Limits
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, stage

LINES = HEAD + GOOD * 2000


def refusal(folder: Path, data: bytes, name: str = "log.csv", limits: Limits | None = None) -> str:
    path = folder / name
    path.write_bytes(data)
    work = folder / "refused"
    work.mkdir(exist_ok=True)
    with pytest.raises(FileRefused) as error:
        open_source(path, work, limits or Limits())
    assert list(work.iterdir()) == []
    return error.value.reason


def test_gzip_with_a_wrong_checksum(tmp_path: Path) -> None:
    data = gzip.compress(LINES.encode())
    assert "damaged gzip" in refusal(tmp_path, data[:-8] + bytes([data[-8] ^ 1]) + data[-7:], "a.csv.gz")
    bare = duckdb.sql(f"select count(*) from read_csv('{tmp_path}/a.csv.gz', all_varchar=true, delim=';')").fetchall()
    assert bare == [(2000,)]  # the trap: the library loads every row


def test_gzip_with_a_flipped_bit(tmp_path: Path) -> None:
    data = gzip.compress(LINES.encode())
    for place in (len(data) // 2, len(data) - 20):
        assert "gzip" in refusal(tmp_path, data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :], "a.csv.gz")


def test_rows_that_a_count_would_not_have_rejected(tmp_path: Path) -> None:
    """The library's own reject table does not see what `count(*)` does not select: we count what we staged."""
    got = stage(tmp_path, HEAD + GOOD + "torn;line\n" + GOOD.replace("0.5", "x") + GOOD)
    assert got.staging.records_read == 4
    assert (len(got.one("line")), len(got.refused)) == (2, 2)


def test_identifiers_that_look_like_numbers(tmp_path: Path) -> None:
    cells = ["0402", "1E5", "01005", "1.0", "007"]
    got = stage(tmp_path, HEAD + "".join(GOOD.replace("N1", c) for c in cells))
    assert got.one("nozzle") == cells
    assert pl.read_csv(io.StringIO("a\n0402\n"))["a"].to_list() == [402]  # the trap
    assert duckdb.sql("select try_cast('1E5' as double)").fetchall() == [(100000.0,)]


def test_utf16_that_would_be_garbage(tmp_path: Path) -> None:
    assert stage(tmp_path, LINES[:500].rpartition("\n")[0].encode("utf-16")).one("nozzle")[0] == "N1"
    assert "NUL" in refusal(tmp_path, b"a;b\n1;\x00\n")


def test_json_keys_given_twice(tmp_path: Path) -> None:
    mapping = MAPPING.replace('table = "pick"', 'table = "pick"\ncontent = "json_lines"')
    mapping = mapping.replace('[text]\ndelimiter = ";"\n', "")
    good = '{"T": "2026-11-16 06:00:00", "M": "M1", "N": "0402", "R": "OK", "E": null, "X": 1.50}\n'
    got = stage(tmp_path, good + good.replace('"N": "0402"', '"N": "A", "N": "B"') + good, mapping)
    assert got.one("line") == [1, 3]
    assert got.refused[0][2] == 'the key "N" is given twice. Line refused.'
    assert pl.read_ndjson(io.StringIO('{"N": "A", "N": "B"}'))["N"].to_list() in (["A"], ["B"])  # the trap: one is kept


def test_decimal_comma_with_thousands(tmp_path: Path) -> None:
    mapping = MAPPING.replace("[time]", 'decimal = ","\nthousands = "."\n[time]')
    got = stage(tmp_path, HEAD + GOOD.replace("0.5", "1.234,5") + GOOD.replace("0.5", "1,234.5"), mapping)
    assert got.one("dx") == [1234.5]
    assert [n for n, _, _ in got.refused] == [3]


def test_the_hours_that_a_clock_change_repeats_and_skips(tmp_path: Path) -> None:
    """Europe/Berlin, 2026: 25 October 02:00 to 03:00 comes twice, 29 March 02:00 to 03:00 not at all (IANA tz data)."""
    times = ["2026-10-25 01:59:00", "2026-10-25 02:30:00", "2026-10-25 02:10:00", "2026-10-25 03:00:00"]
    got = stage(tmp_path, HEAD + "".join(f"{t};M1;N1;OK;;\n" for t in times), zone="Europe/Berlin")
    utc = [datetime(2026, 10, 24, 23, 59), datetime(2026, 10, 25, 0, 30), datetime(2026, 10, 25, 1, 10)]
    assert got.one("time") == [*utc, datetime(2026, 10, 25, 2)]
    lost = stage(tmp_path, HEAD + "2026-03-29 02:30:00;M1;N1;OK;;\n", zone="Europe/Berlin")
    assert "does not exist" in lost.refused[0][2]


def test_a_file_name_that_is_a_pattern(tmp_path: Path) -> None:
    (tmp_path / "a1.csv").write_text(HEAD + GOOD.replace("N1", "wrong file"))
    assert stage(tmp_path, HEAD + GOOD, name="a[1].csv").one("nozzle") == ["N1"]
    mapping = MAPPING.replace('table = "pick"', 'table = "pick"\ncontent = "parquet"')
    mapping = mapping.replace('[text]\ndelimiter = ";"\n', "").replace("*.csv", "*.parquet")
    for name, nozzle in (("a1.parquet", "wrong file"), ("x.parquet", "N1")):
        frame = pl.DataFrame(
            {"T": ["2026-11-16 06:00:00"], "M": ["M1"], "N": [nozzle], "R": ["OK"], "E": [None], "X": [0.5]},
            schema_overrides={"E": pl.String},
        )
        frame.write_parquet(tmp_path / name)
    data = (tmp_path / "x.parquet").read_bytes()
    assert stage(tmp_path, data, mapping, name="a[1].parquet").one("nozzle") == ["N1"]


def test_text_that_would_run_as_a_second_statement(tmp_path: Path) -> None:
    evil = "x'; drop table staged_pick; --"
    got = stage(tmp_path, HEAD + GOOD.replace("N1", f'"{evil}"'), name=f"{evil}.csv")
    assert got.one("nozzle") == [evil]


def test_a_small_file_that_unpacks_to_much(tmp_path: Path) -> None:
    import zstandard

    for pack in (gzip.compress, zstandard.compress):
        bomb = pack(b"0" * 20_000_000)
        assert "times its size" in refusal(tmp_path, bomb)
        tight = Limits(unpacked_ratio=100_000, unpacked_bytes=5_000_000)
        assert "more than 5000000 bytes" in refusal(tmp_path, bomb, limits=tight)


def test_archives_that_could_write_outside(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("../../evil.csv", HEAD + GOOD)
    assert "is a zip archive" in refusal(tmp_path, packed.getvalue())
    tar = io.BytesIO()
    with tarfile.open(fileobj=tar, mode="w:gz") as archive:  # a tar inside gzip is no text: it holds NULs
        member = tarfile.TarInfo("../../evil.csv")
        member.size = len(GOOD)
        archive.addfile(member, io.BytesIO(GOOD.encode()))
    assert "NUL" in refusal(tmp_path, tar.getvalue(), "log.csv.gz")
    assert not (tmp_path.parent.parent / "evil.csv").exists()
