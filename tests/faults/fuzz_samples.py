"""Small good logs of every dialect and container, and their seeded mutations: what test_fuzz.py feeds to the readers.

A case is (sample, number): `mutate(sample, number)` gives the same bytes again.
"""

from __future__ import annotations

import gzip
import io
import random
import re
import tempfile
import zipfile
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path

import xlsxwriter
import zstandard

from pipeline.connections import connect
from tests.faults.runs import ROOT

ODD_MAPPING = """format = 1
name = "odd"
table = "pick"
files = ["odd*"]
[text]
delimiter = ","
encoding = "cp1252"
skip_lines = 1
header = false
comment = "#"
decimal = ","
thousands = "."
trim = true
null = ["-", "n/a"]
[time]
columns = [1]
format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Berlin"
[columns]
machine = 2
nozzle = 3
part = 4
outcome = 5
dx = 6
[outcome]
"OK" = "placed"
"NG" = "missed"
"""
ODD = (
    'made by hand\n25.10.2026 01:59:58,M1,N1,"P,1",OK,"1.234,5"\n# a remark\n'
    '25.10.2026 02:30:00,M1,N2,"two\nlines",NG,-\n'
    '25.10.2026 02:10:00,M1,N1,"Gr\u00f6\u00dfe ""7""",OK,"0,5"\n25.10.2026 03:00:01,M1, N1 ,P1,OK,n/a\n'
)


PICKS = """[time]
columns = ["T"]
format = "{format}"
zone = "UTC"
[columns]
machine = "M"
nozzle = "N"
outcome = "R"
dx = "{dx}"
[outcome]
"OK" = "placed"
"NG" = "missed"
"""
MAPPINGS = {
    "odd": ODD_MAPPING,
    "sections": 'format = 1\nname = "sections"\ntable = "pick"\nfiles = ["sections*"]\n[text]\ndelimiter = ";"\n'
    "header_rows = 2\nsection_begin = '^\\[Picks\\]'\nsection_end = '^\\['\n"
    + PICKS.format(format="%Y-%m-%d %H:%M:%S", dx="Offset X"),
    "lines": 'format = 1\nname = "lines"\ntable = "pick"\nfiles = ["lines*"]\ncontent = "json_lines"\n'
    + PICKS.format(format="%Y-%m-%d %H:%M:%S", dx="at.0"),
    "sheet": 'format = 1\nname = "sheet"\ntable = "pick"\nfiles = ["sheet*"]\ncontent = "workbook"\n'
    + PICKS.format(format="%Y-%m-%d %H:%M:%S.%f", dx="X"),
    "columns": 'format = 1\nname = "columns"\ntable = "pick"\nfiles = ["columns*"]\ncontent = "parquet"\n'
    + PICKS.format(format="%Y-%m-%d %H:%M:%S.%f", dx="X"),
}
SECTIONS = (
    "made by hand\n[Machine]\nname;x\n[Picks]\nT;M;N;R;Offset\n;;;;X\n2026-11-16 06:00:00;M1;N1;OK;0.5\n"
    '2026-11-16 06:00:01;M1;"N;2";NG;\n[Sum]\n2\n[Picks]\nT;M;N;R;Offset\n;;;;X\n2026-11-16 06:00:02;M1;N3;OK;-1\n'
)
LINES = (
    '{"T": "2026-11-16 06:00:00", "M": "M1", "N": "0402", "R": "OK", "at": [0.5, 1e-3]}\n'
    '{"T": "2026-11-16 06:00:01", "M": "M1", "N": 17, "R": "NG", "at": [], "other": {"a.b": [null, true]}}\n'
    '\n{"T": "2026-11-16 06:00:02", "M": "M\\u00e4", "N": "N\\"3", "R": "OK", "at": [-1]}\n'
)


@dataclass(frozen=True)
class Sample:
    """A good log: the name decides its mapping; `container` how it is packed."""

    name: str
    text: bytes
    container: str

    def packed(self, content: bytes) -> bytes:
        """`content` in the container; content that is no text any more stays as it is."""
        if self.container in ("utf-16", "utf-8-sig"):
            return content.decode("utf-8", "replace").encode(self.container)
        if self.container.startswith("xl/"):
            return _with_part(self.container, content)
        if self.container == "zstd":
            return zstandard.ZstdCompressor().compress(content)
        return gzip.compress(content, mtime=0) if self.container == "gzip" else content


@cache
def _workbook() -> bytes:
    """A sheet of texts, numbers, days and a cell that is empty."""
    made = io.BytesIO()
    with xlsxwriter.Workbook(made, {"in_memory": True}) as book:
        book.set_properties({"created": datetime(2026, 11, 16)})  # noqa: DTZ001
        sheet, day = book.add_worksheet("Picks"), book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        zeros = book.add_format({"num_format": "0000"})
        for column, title in enumerate("TMNRX"):
            sheet.write_string(0, column, title)
        for row in range(1, 9):
            sheet.write_datetime(row, 0, datetime(2026, 11, 16, 6, 0, row), day)  # noqa: DTZ001
            sheet.write_string(row, 1, f"M{row % 2}")
            if row % 3:
                sheet.write_number(row, 2, 400 + row, zeros)
                sheet.write_number(row, 4, row / 3)
            else:
                sheet.write_string(row, 2, f"N<&>{row}")
                sheet.write_formula(row, 4, "=1/8", None, 0.125)
            sheet.write_string(row, 3, "OK" if row % 4 else "NG")
    return made.getvalue()


def _with_part(name: str, content: bytes) -> bytes:
    """The workbook, as a whole zip, with other bytes in one of its parts."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(_workbook())) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.namelist():
            new.writestr(zipfile.ZipInfo(member), content if member == name else old.read(member))
    return made.getvalue()


@cache
def _parquet() -> bytes:
    """A time, texts with a null, a number and a fraction."""
    query = (
        "select timestamp '2026-11-16 06:00:00' + to_seconds(i) as T, 'M' || i % 2 as M, "
        "case when i % 5 = 2 then null else (400 + i)::smallint end as N, "
        "case when i % 4 = 3 then 'NG' else 'OK' end as R, i / 3 as X from range(300) t(i) order by i"
    )
    with tempfile.TemporaryDirectory() as work, connect(memory_mb=100, threads=1) as con:
        path = Path(work) / "made.parquet"
        con.execute(f"copy ({query}) to '{path}' (format parquet)")
        return path.read_bytes()


PARTS_OF_A_WORKBOOK = (
    "xl/worksheets/sheet1.xml", "xl/worksheets/sheet1.xml", "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml",
    "xl/styles.xml", "xl/workbook.xml", "xl/_rels/workbook.xml.rels",
)  # fmt: skip
"""Parts whose bytes are changed; the sheet itself more often."""


@cache
def apart_samples() -> tuple[Sample, ...]:
    """Logs whose readers are not all ours: a fault in them may end the process, so they are read in one of their own."""
    with zipfile.ZipFile(io.BytesIO(_workbook())) as book:
        parts = [Sample(f"sheet{i}.xlsx", book.read(part), part) for i, part in enumerate(PARTS_OF_A_WORKBOOK)]
    return (
        *parts,
        Sample("sheet.xlsx", _workbook(), "plain"),
        Sample("columns.parquet", _parquet(), "plain"),
        Sample("columns.parquet.zst", _parquet(), "zstd"),
        Sample("columns2.parquet", _parquet(), "plain"),
    )


@cache
def text_samples() -> tuple[Sample, ...]:
    """Every dialect of the sample plant and three more, each in every container."""
    inbox = ROOT / "sample_logs" / "plant" / "inbox"
    plain = {"odd.csv": ODD.encode("cp1252"), "sections.csv": SECTIONS.encode(), "lines.jsonl": LINES.encode()}
    for path in sorted(inbox.iterdir()):
        kind = path.name.split("2026")[0] if "2026" in path.name else path.name.split(".")[0]
        name = path.name.removesuffix(".gz")
        if kind in {n.split("2026")[0] if "2026" in n else n.split(".")[0] for n in plain}:
            continue
        data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
        plain[name] = _head(data)
    samples = []
    for name, text in plain.items():
        for container in ("plain", "gzip", "utf-16", "utf-8-sig", "zstd"):
            whole = text.decode("cp1252").encode() if name == "odd.csv" and container != "plain" else text
            ending = {"gzip": ".gz", "zstd": ".zst"}.get(container, "")
            samples.append(Sample(name + ending, whole, container))
    return tuple(samples)


def _head(data: bytes) -> bytes:
    """Some whole lines, about 3 kB; of messages the shortest of every name."""
    lines = data.rstrip(b"\n").split(b"\n")
    if all(line.startswith(b'{"MessageName"') for line in lines):
        shortest: dict[str, bytes] = {}
        for line in lines:
            name = line.split(b'"', 4)[3].decode()
            shortest[name] = min(shortest.get(name, line), line, key=len)
        return b"\n".join(shortest.values()) + b"\n"
    kept: list[bytes] = []
    for line in lines:
        if kept and sum(map(len, kept)) + len(line) > 3_000:
            break
        kept.append(line)
    whole = b"\n".join(kept)
    return whole.removesuffix(b",") + b"\n]\n" if data.startswith(b"[") else whole + b"\n"


PIECES = (
    b"\0", b"\n", b"\r", b"\r\n", b";", b",", b'"', b'""', b"'", b"\\", b"\\u0000", b"\\ud800", b"{", b"}", b"[", b"]",
    b"[[", b":", b"null", b"true", b"NaN", b"1e999", b"-1", b"99999999999999999999999", b"0x10", b"1E5", b"\xff",
    b"\xfe\xff", b"\xef\xbb\xbf", b"\xc3", b"\xed\xa0\x80", b"\xf0\x9f\x92\xa9", b"\x1f\x8b", b"\x1b[31m",
    b"2026-13-45", b"9999-12-31",
    b"0001-01-01", b"24:00:00", b"+99:99", b"1e308", b"9223372036854775807", b"9223372036854775808",
    b"\t", b" " * 50, b"%s", b"${x}", b"'; drop table pick; --", b"\xe2\x80\xae", b"\x7f", b"\xc2\x85",
    b"\xe2\x80\xa8", b"=1+1", b"#",
    b'"MessageName":', b'"MessageBody":{', b"-9223372036854775808", b"2026-10-25T02:30:00", b"1970-01-01T00:00:00Z",
    b".", b"-",
)  # fmt: skip


XML = (
    b'<row r="5">', b'<row r="99999999999">', b'<row r="3000000"/>', b"</row>", b'<c r="XFD9"><v>1</v></c>',
    b'<c r="A1" t="s"><v>-1</v></c>', b'<c t="s"><v>99999</v></c>', b'<c r="B2" t="d"><v>2026-11-16</v></c>',
    b'<c t="b"><v>2</v></c>', b'<c t="e"><v>#N/A</v></c>', b'<c s="999"><v>1e400</v></c>', b'<c s="1"><v>-1e9</v></c>',
    b"<v>", b"</v>", b"&#0;", b"&amp;", b"&x;", b"<!--", b"<!DOCTYPE a>", b"<![CDATA[", b"]]>", b'r="A1"', b' t="inlineStr"',
    b' numFmtId="22"', b"<si><t/></si>", b'<is><t>OK</t></is>', b' xmlns="x"', b"<a>" * 3_000, b'count="-1"',
)  # fmt: skip
"""Pieces of a workbook's XML that are put in as well."""


VALUES = (
    b"-1", b"0", b"2", b"7", b"99999999999", b"1e400", b"NaN", b"", b"s", b"b", b"d", b"e", b"str", b"inlineStr", b"A1", b"C3",
    b"XFD1", b"ZZZ9", b"2026-11-16T06:00:00", b"24:00:00", b"&amp;", b"&#10;", b"&#xD800;", b"OK", b"NG", b"44000.5", b"-0.5",
    b"true", b"3000000", b"x" * 70_000, b"0402", b"M1", b"22", b"yyyy", b"[h]:mm", b"../x", b"rId9",
)  # fmt: skip


def _mutate_xml(rng: random.Random, text: bytes) -> bytes:
    """Other values, and rows and cells gone, doubled or elsewhere: what is still XML gets further than torn XML."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        whole = list(re.finditer(rb"<(row|c|si|xf|sheet)\b(?:[^>]*/>|.*?</\1>)", text))
        values = list(re.finditer(rb'(?<==")[^"]*(?=")|(?<=>)[^<>]+(?=<)', text))
        if whole and rng.random() < 0.4:
            one, other = rng.choice(whole), rng.choice(whole)
            new = rng.choice((b"", one[0] * 2, other[0], other[0] + one[0]))
        else:
            one = rng.choice(values)
            new = rng.choice((*VALUES, rng.choice(values)[0]))
        text = text[: one.start()] + new + text[one.end() :]
    return text


def _mutate_pages(rng: random.Random, packed: bytes) -> bytes:
    """Bytes of the pages of a Parquet file, in front of its footer, whose length stands before the last four bytes."""
    data = bytearray(packed)
    end = len(data) - 8 - int.from_bytes(data[-8:-4], "little")
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        data[rng.randrange(4, end)] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)))
    return bytes(data)


def mutate(sample: Sample, number: int) -> bytes:
    """The sample after one to six changes of its bytes, inside or outside its container."""
    rng = random.Random(f"{sample.name} {sample.container} {number}")
    outside = sample.container == "plain" or rng.random() < 0.3
    if sample.text == _parquet() and rng.random() < 0.7:
        return sample.packed(_mutate_pages(rng, sample.text))
    if sample.container.startswith("xl/") and rng.random() < 0.7:
        return sample.packed(_mutate_xml(rng, sample.text))
    data = bytearray(sample.packed(sample.text) if outside else sample.text)
    pieces = PIECES + XML if sample.container.startswith("xl/") and not outside else PIECES
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1) if data else 0
        end = min(len(data), at + rng.choice((1, 1, 2, 5, 20, 200)))
        how = rng.choice(("flip", "insert", "insert", "replace", "delete", "repeat", "splice", "truncate", "swap"))
        if how == "flip" and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif how == "insert":
            data[at:at] = rng.choice(pieces)
        elif how == "replace":
            data[at:end] = rng.choice(pieces)
        elif how == "delete":
            del data[at:end]
        elif how == "repeat":
            data[at:at] = data[at:end] * rng.choice((1, 2, 30))
        elif how == "splice":
            other = rng.choice(text_samples())
            begin = rng.randrange(len(other.text))
            data[at:end] = other.text[begin : begin + rng.choice((3, 30, 300))]
        elif how == "truncate" and rng.random() < 0.3:
            del data[at:]
        elif how == "swap":
            data[at:end] = data[at:end][::-1]
    return bytes(data) if outside else sample.packed(bytes(data))
