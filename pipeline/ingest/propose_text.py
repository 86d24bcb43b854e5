"""Reads the first records of a file without a mapping: what it is made of, how it is cut, where its header stands.

In:    a file.
Out:   `Sample`: rows of text cells, the names of the columns, and the [text] rules found.
After: every rule comes from the file's own bytes; what they cannot prove is noted in `doubts`.
"""

from __future__ import annotations

import re
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any, Final

import duckdb

from pipeline.errors import FileRefused, UserError
from pipeline.ingest.containers_json import Unfit, read_object
from pipeline.ingest.containers_parquet import cut_parquet
from pipeline.ingest.containers_workbook import sheet_rows
from pipeline.ingest.delimited_lines import Line, Record, joined_header, physical_lines, records
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.mapping import LogMapping, Place, TextRules, TimeRules
from pipeline.ingest.propose_times import shape_of
from pipeline.ingest.source import open_source
from pipeline.settings import Limits

MOST_ROWS: Final = 20_000
"""Records looked at."""
DELIMITERS: Final = (";", "\t", "|", ",")
NOTHING: Final = ("-", "--", "---", "n/a", "N/A", "NULL", "null", "(null)", "None")
"""Texts that logs write for nothing."""
_NUMBER: Final = re.compile(r"\s*[+-]?\d+([.,]\d+)*([eE][+-]?\d+)?\s*")


@dataclass(frozen=True, slots=True)
class Sample:
    """The begin of a file.

    content   as in mapping.CONTENTS; sheet: of a workbook with several
    rules     the [text] rules found
    names     names of the columns; None where there is no header
    rows      cells, as many in each as there are columns
    doubts    key of [text], or "sheet" -> what is unsure about it
    """

    content: str
    rules: TextRules
    names: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    doubts: dict[str, str] = field(default_factory=dict)
    sheet: Place | None = None

    def places(self) -> tuple[Place, ...]:
        """How a mapping calls each column: by its name where that is there once, else by its place."""
        if self.names is None:
            return tuple(range(1, len(self.rows[0]) + 1 if self.rows else 1))
        return tuple(n if n and self.names.count(n) == 1 else i for i, n in enumerate(self.names, 1))

    def column(self, index: int) -> list[str]:
        """All cells of a column as they are read, without those that mean nothing."""
        cells = (row[index].strip() if self.rules.trim else row[index] for row in self.rows)
        return [c for c in cells if c and c not in self.rules.null]


def read_sample(path: Path, work: Path, limits: Limits) -> Sample:
    """The sample of a file; UserError when it cannot be read or is no table."""
    try:
        source, encoding, doubt = _open(path, work, limits)
        if '"MessageName"' in source.sample and '"MessageBody"' in source.sample:
            raise UserError(f"{path} holds IPC-2591 messages: they are read without a mapping.")
        if source.encoding == "workbook":
            sample = _from_workbook(source.text)
        elif source.encoding == "parquet":
            sample = _from_parquet(source.text, work, limits)
        else:
            sample = _from_text(source.text)
    except FileRefused as error:
        raise UserError(f"{path} {error.reason}") from error
    if not sample.rows:
        raise UserError(f"{path} holds no rows to tell anything from. Give a log with data.")
    if encoding != "auto":
        sample = replace(
            sample, rules=replace(sample.rules, encoding=encoding), doubts={**sample.doubts, "encoding": doubt}
        )
    return _with_signs(sample)


def _open(path: Path, work: Path, limits: Limits) -> tuple[SourceFile, str, str]:
    """The file, the encoding for the mapping and what is unsure about it."""
    try:
        return open_source(path, work, limits), "auto", ""
    except FileRefused as error:
        if "is not UTF-8" not in error.reason:
            raise
    plain = open_source(path, work, limits, encoding="latin-1")
    with plain.text.open(encoding="utf-8", newline="") as file:
        encoding, doubt = guess_encoding(file.read(1 << 20).encode("latin-1"))
    return open_source(path, work, limits, encoding=encoding), encoding, doubt


def guess_encoding(data: bytes) -> tuple[str, str]:
    """The likeliest code page of text that is not Unicode, and what else it could be.

    >>> guess_encoding("フィーダ;吸着エラー".encode("cp932"))[0], guess_encoding("Düse".encode("cp1252"))[0]
    ('cp932', 'cp1252')
    """
    japanese = []
    for codec in ("cp932", "euc_jp"):
        text = data[: data.rfind(b"\n") + 1 or None].decode(codec, "replace")
        other = [c for c in text if not c.isascii()]
        wide = sum("\u3040" <= c <= "\u30fe" or "\u4e00" <= c <= "\u9fff" for c in other)
        if other and "\ufffd" not in other and wide >= 0.7 * len(other):
            japanese.append((sum("\u3040" <= c <= "\u30fe" for c in other) / len(other), codec))
    if japanese:
        return max(japanese)[1], "the bytes fit Japanese text; look at the names of the columns"
    high = len(re.findall(rb"[\x80-\xff]", data))
    runs = sum(len(m) for m in re.findall(rb"[\xa8\xb8\xc0-\xff]{3,}", data))
    if runs > 0.6 * high:
        return "cp1251", "the bytes fit Cyrillic text; look at the names"
    for codec in ("cp1252", "cp1250"):
        try:
            data.decode(codec)
        except UnicodeDecodeError:
            continue
        return (
            codec,
            "the bytes do not tell Western (cp1252) from other code pages (cp1250, cp1254, cp1257); look at them",
        )
    return "latin-1", "the bytes fit no Windows code page; look at the names"


def _from_text(path: Path) -> Sample:
    lines = list(islice(physical_lines(path), MOST_ROWS))
    first = next((n.text for n in lines if n.text.strip()), "")
    if first.lstrip().startswith("{"):
        return _from_json(lines)
    quote = _quote([n.text for n in lines[:500]])
    rules = replace(_delimiter(lines, quote), quote=quote)
    comment = "#" if any(n.text.startswith("#") for n in lines) else ""
    rules = replace(rules, comment=comment)
    found = list(records(lines, rules, None))
    usual = Counter(len(r.fields or ()) for r in found if not r.problem).most_common(1)[0][0]
    doubts: dict[str, str] = {}
    begin = next(r for r in found if len(r.fields or ()) == usual)
    sections = [n for n in lines if re.fullmatch(r"\[[^\]]+\]\W*", n.text.strip())]
    opening = [n for n in sections if n.number < begin.line]
    if opening:
        name = opening[-1].text.strip()
        rules = replace(rules, section_begin="^" + re.escape(name), section_end=r"^\[")
        doubts["section_begin"] = "only what stands below this line is data, up to the next line in brackets"
        skip = begin.line - opening[-1].number - 1
        found = [r for r in found if _of_section(r, sections, name)]
    else:
        skip = begin.line - 1
    blank = {n.number for n in lines if not n.text.strip() or (comment and n.text.startswith(comment))}
    before = range(begin.line - skip, begin.line)
    rules = replace(rules, skip_lines=0 if all(n in blank for n in before) else skip)
    if rules.skip_lines:
        doubts["skip_lines"] = "what stands above has another number of fields"
    rows = [r.fields for r in found if r.fields and len(r.fields) == usual and not r.problem]
    return _with_header(Sample("delimited", rules, None, tuple(rows), doubts))


def _of_section(record: Record, sections: Sequence[Line], name: str) -> bool:
    above = [s.text.strip() for s in sections if s.number < record.line]
    return bool(above) and above[-1] == name


def _quote(texts: Sequence[str]) -> str:
    single = sum(bool(re.search(r"(^|[;,|\t])'[^']*'($|[;,|\t])", t)) for t in texts)
    return "'" if single > 0.5 * len(texts) and not any('"' in t for t in texts) else '"'


def _delimiter(lines: Sequence[Line], quote: str) -> TextRules:
    """The delimiter that gives the most lines the same number of fields, and of several the one with more fields."""
    best: tuple[float, int, TextRules] | None = None
    for sign in DELIMITERS:
        rules = TextRules(delimiter=sign, quote=quote)
        counts = Counter(len(r.fields or ()) for r in records(lines[:1000], rules, None) if not r.problem)
        counts.pop(1, None)
        if not counts:
            continue
        fields, times = counts.most_common(1)[0]
        share = round(times / sum(bool(n.text.strip()) for n in lines[:1000]), 1)
        if best is None or (share, fields) > best[:2]:
            best = (share, fields, rules)
    if best is None:
        raise FileRefused("has no line with one of the delimiters ; , | or a tab. Fixed widths cannot be read.")
    return best[2]


def _plain_number(cell: str) -> bool:
    return _NUMBER.fullmatch(cell) is not None


def _with_header(sample: Sample) -> Sample:
    """Take the header off the rows, if there is one: names where the rows below have numbers or times."""
    rows = sample.rows
    below = rows[3:203] or rows[1:]
    typed = []
    for i in range(len(rows[0])):
        cells = [c for r in below if (c := r[i].strip())]
        numbers = sum(map(_plain_number, cells))
        if cells and (numbers > 0.8 * len(cells) or shape_of(cells) is not None):
            typed.append(i)

    def is_title(row: tuple[str, ...]) -> bool:
        texts = [row[i].strip() for i in typed if row[i].strip()]
        return not any(_plain_number(t) or shape_of([t]) is not None for t in texts)

    if not typed or len(rows) < 2 or not is_title(rows[0]):
        return replace(sample, rules=replace(sample.rules, header=False))
    if not any(rows[0][i].strip() for i in typed) and not is_title(rows[1]):
        return replace(sample, rules=replace(sample.rules, header=False))
    count = 1
    while count < min(3, len(rows) - 1) and is_title(rows[count]) and any(rows[count][i].strip() for i in typed):
        count += 1
    doubts = dict(sample.doubts)
    if count > 1:
        doubts["header_rows"] = "the rows of the header are joined with a blank"
    names = joined_header(rows[:count])
    data = tuple(r for r in rows[count:] if r not in rows[:count])  # sections repeat the header
    return replace(sample, rules=replace(sample.rules, header_rows=count), names=names, rows=data, doubts=doubts)


def _with_signs(sample: Sample) -> Sample:
    """Decimal sign, sign between thousands, texts for nothing, blanks at the ends."""
    rules, doubts = sample.rules, dict(sample.doubts)
    cells = [c for row in sample.rows for c in row if c]
    edges = sum(c != c.strip() for c in cells)
    if edges > 0.2 * len(cells):
        rules = replace(rules, trim=True)
        doubts["trim"] = "many fields have blanks at their ends"
    stripped = [c.strip() for c in cells]
    points = sum(re.fullmatch(r"[+-]?\d*\.\d+", c) is not None for c in stripped)
    commas = sum(re.fullmatch(r"[+-]?\d*,\d+", c) is not None for c in stripped)
    german = sum(re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+,\d+", c) is not None for c in stripped)
    english = sum(re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+\.\d+", c) is not None for c in stripped)
    if german > english or (commas > points and not english):
        rules = replace(rules, decimal=",", thousands="." if german else "")
    elif english:
        rules = replace(rules, thousands=",")
    if points and commas and not german and not english:
        doubts["decimal"] = f"{points} numbers have a point, {commas} a comma"
    seen = set(stripped)
    rules = replace(rules, null=tuple(t for t in NOTHING if t in seen))
    if rules.null:
        doubts["null"] = "taken for nothing"
    return replace(sample, rules=rules, doubts=doubts)


def _from_json(lines: Sequence[Line]) -> Sample:
    found: list[dict[str, str]] = []
    for line in lines:
        try:
            found.append(dict(_flat(read_object(line.text), "")))
        except Unfit:
            continue
    names = tuple(dict.fromkeys(key for record in found for key in record if key))
    rows = tuple(tuple(record.get(n, "") for n in names) for record in found)
    return Sample("json_lines", TextRules(), names, rows)


def _flat(value: Any, path: str) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [pair for k, v in value.items() for pair in _flat(v, f"{path}.{k}" if path else str(k))]
    if isinstance(value, list):
        return [pair for k, v in enumerate(value[:5]) for pair in _flat(v, f"{path}.{k}")]
    text = "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    return [(path, text)]


def _from_workbook(path: Path) -> Sample:
    sheet: Place | None = None
    doubts: dict[str, str] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            rows = list(islice(sheet_rows(path, None), MOST_ROWS))
        except FileRefused as error:
            if "sheets" not in error.reason:
                raise
            sheet, doubts["sheet"] = 1, "it " + error.reason.split(". Name")[0] + "; the first is taken"
            rows = list(islice(sheet_rows(path, 1), MOST_ROWS))
    full = [(n, tuple(cells)) for n, cells in rows if any(cells)]
    if not full:
        raise FileRefused("holds no rows in its sheet.")
    width = max(max(i for i, c in enumerate(cells, 1) if c) for _, cells in full)
    usual = Counter(sum(map(bool, cells)) for _, cells in full).most_common(1)[0][0]
    # Titles above the table fill fewer cells than the table does.
    begin = next(i for i, (_, cells) in enumerate(full) if sum(map(bool, cells)) >= 0.7 * usual)
    skip = full[begin][0] - 1 if begin else 0
    if skip:
        doubts["skip_lines"] = "the rows above fill fewer cells"
    shaped = tuple(cells[:width] + ("",) * (width - len(cells)) for _, cells in full[begin:])
    sample = _with_header(Sample("workbook", TextRules(skip_lines=skip), None, shaped, doubts, sheet))
    if sample.names is not None:  # cells beyond the last name would be refused
        used = max((i for i, n in enumerate(sample.names, 1) if n), default=width)
        sample = replace(sample, names=sample.names[:used], rows=tuple(r[:used] for r in sample.rows))
    return sample


def _from_parquet(path: Path, work: Path, limits: Limits) -> Sample:
    nothing = LogMapping(path, "sample", "pick", (), "", TimeRules((), ""), content="parquet")
    cut = cut_parquet(path, nothing, work, lambda *_: None, limits)
    with duckdb.connect(config={"threads": 1}) as con:
        rows = con.execute(f"select * exclude (line_text, span_text) from {cut.scan} limit {MOST_ROWS}").fetchall()
    return Sample("parquet", TextRules(), cut.layout.header, tuple(tuple(c or "" for c in row) for row in rows))
