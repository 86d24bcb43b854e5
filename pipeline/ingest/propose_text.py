"""Reads the first records of a file without a mapping: what it is made of, how it is cut, where its header stands.

In:    a file.
Out:   `Sample`: rows of text cells, the names of the columns, and the [text] rules found.
After: every rule comes from the file's own bytes; what they cannot prove is noted in `doubts`.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import islice, takewhile
from pathlib import Path
from typing import Any, Final

from pipeline.connections import connect
from pipeline.errors import FileRefused, UserError
from pipeline.ingest.containers_json import ARRAY, Unfit, is_array, read_object
from pipeline.ingest.containers_parquet import cut_parquet
from pipeline.ingest.delimited_lines import Line, Record, physical_lines, records
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.mapping import LogMapping, TextRules, TimeRules
from pipeline.ingest.propose_sample import MOST_ROWS, Sample, footer_rows, tells_a_day, with_header
from pipeline.ingest.propose_signs import with_signs
from pipeline.ingest.propose_widths import evened, other_widths
from pipeline.ingest.propose_workbook import from_workbook
from pipeline.ingest.source import open_source
from pipeline.settings import Limits

DELIMITERS: Final = (";", "\t", "|", ",")
_SECTION: Final = re.compile(r"(?P<title>\[[^\]]+\])\W*")
"""The line that begins a section; delimiters may follow where a spreadsheet program wrote it."""


def read_sample(path: Path, work: Path, limits: Limits, *, counts: bool = False) -> Sample:
    """The sample of a file; UserError when it cannot be read or is no table.

    counts   it is to fill a table whose numbers are all whole
    """
    try:
        source, encoding, doubt = _open(path, work, limits)
        if '"MessageName"' in source.sample and '"MessageBody"' in source.sample:
            raise UserError(f"{path} holds IPC-2591 messages: they are read without a mapping.")
        if source.encoding == "workbook":
            sample = from_workbook(source.text)
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
    return with_signs(sample, counts=counts)


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
    if is_array(n.text for n in lines):
        raise FileRefused(ARRAY)
    quote = _quote([n.text for n in lines[:500]])
    rules = replace(_delimiter(lines, quote), quote=quote)
    comment = "#" if any(n.text.startswith("#") for n in lines) else ""
    rules = replace(rules, comment=comment)
    found = list(records(lines, rules, None))
    usual = Counter(len(r.fields or ()) for r in found if not r.problem).most_common(1)[0][0]
    found = _without_titles(found, usual)
    doubts: dict[str, str] = {}
    if (made := evened(found, usual)) is not None:
        found, usual, doubts["short_rows"] = made
        rules = replace(rules, short_rows="fill")
    closing: list[Record] = []
    begin = next(r for r in found if len(r.fields or ()) == usual)
    sections = [n for n in lines if _SECTION.fullmatch(n.text.strip())]
    opening = [n for n in sections if n.number < begin.line]
    if opening:
        like, unlike = _alike(found, sections, begin, usual)
        rules = replace(rules, section_begin=section_pattern(like, unlike), section_end=r"^\[")
        doubts["section_begin"] = "only what stands below such a line is data, up to the next line in brackets"
        if len(set(like)) > 1:
            doubts["section_begin"] += "; what its own text tells, such as a machine, is not read"
        skip = begin.line - opening[-1].number - 1
        again = "" if tells_a_day(begin.fields or ()) else begin.raw  # each section repeats the header
        alike = {s.number for s in sections if _section_title(s) in like}
        found = [r for r in found if r.line not in {s.number for s in sections}]
        found = [r for r in found if _section_at(r, sections) in alike and (r.raw != again or r.line == begin.line)]
        closing = _closing(found, sections)
        found = [r for r in found if r.line not in {c.line for c in closing}]
    else:
        skip = begin.line - 1
        end = footer_rows([r.fields or () for r in found]) if len(lines) < MOST_ROWS and not _torn(path, found) else 0
        if end:
            rules = replace(rules, skip_end=sum(bool(n.text.strip()) for n in lines if n.number >= found[-end].line))
            doubts["skip_end"] = f"the last lines hold no date: {found[-end].raw[:60]}"
            found = found[:-end]
    blank = {n.number for n in lines if not n.text.strip() or (comment and n.text.startswith(comment))}
    before = range(begin.line - skip, begin.line)
    rules = replace(rules, skip_lines=0 if all(n in blank for n in before) else skip)
    if rules.skip_lines:
        doubts["skip_lines"] = "what stands above has another number of fields, or fills few of them"
    rows = [r.fields for r in found if r.fields and len(r.fields) == usual and not r.problem]
    odd = [r for r in found if r.fields and len(r.fields) != usual and not r.problem and r.line > begin.line]
    sample = with_header(
        Sample(
            "delimited",
            rules,
            None,
            tuple(rows),
            doubts,
            odd=tuple(r.fields or () for r in odd),
            closing=tuple(r.fields or () for r in closing),
        )
    )
    said = other_widths(odd, len(sample.rows), rules, usual)
    return replace(sample, doubts={**sample.doubts, "delimiter": said}) if said else sample


def _without_titles(found: Sequence[Record], usual: int) -> list[Record]:
    """The records without titles above the table that were filled up with delimiters: `Report;;;;`."""
    filled = Counter(sum(map(bool, r.fields or ())) for r in found if len(r.fields or ()) == usual)
    most = filled.most_common(1)[0][0]

    def is_title(record: Record) -> bool:
        cells = record.fields or ()
        count = sum(map(bool, cells))
        return len(cells) == usual and all(cells[:count]) and 2 * count <= most

    begin = next((i for i, r in enumerate(found) if len(r.fields or ()) == usual and not is_title(r)), 0)
    return [r for i, r in enumerate(found) if i >= begin or not is_title(r)]


def _section_title(line: Line) -> str:
    """The line in brackets without what follows it."""
    found = _SECTION.fullmatch(line.text.strip())
    return found["title"] if found else ""


def _torn(path: Path, found: Sequence[Record]) -> bool:
    """True if the last record may be a row that was cut off: no line end, and it begins as the one before does."""
    with path.open("rb") as file:
        file.seek(-1, 2)
        whole = file.read(1) in b"\r\n"
    return not whole and len(found) > 1 and found[-1].raw[:2] == found[-2].raw[:2]


def _section_at(record: Record, sections: Sequence[Line]) -> int:
    """Number of the line in brackets above a record, or 0."""
    place = bisect_left(sections, record.line, key=lambda s: s.number)
    return sections[place - 1].number if place else 0


def _closing(found: Sequence[Record], sections: Sequence[Line]) -> list[Record]:
    """Records without a date below those with one, in sections whose other records nearly all have one: their sums."""
    last: dict[int, int] = {}
    undated = []
    for record in found:
        at = _section_at(record, sections)
        if tells_a_day(record.fields or ()):
            last[at] = record.line
        else:
            undated.append((record, at))
    closing = [(record, at) for record, at in undated if record.line > last.get(at, record.line)]
    usual = len({at for _, at in closing}) > 0.5 * len(last)  # else it may be a torn line
    return [record for record, _ in closing] if usual and len(closing) <= 0.2 * (len(found) - len(undated)) else []


def _alike(found: Sequence[Record], sections: Sequence[Line], begin: Record, usual: int) -> tuple[list[str], list[str]]:
    """The lines in brackets of sections that begin as the first one with data does, and those of all others."""
    first: dict[int, Record] = {}
    for record in found:
        at = _section_at(record, sections)
        if len(record.fields or ()) == usual:
            first.setdefault(at, record)
    headless = tells_a_day(begin.fields or ())
    like: list[str] = []
    unlike: list[str] = []
    for line in sections:
        opens = first.get(line.number)
        same = opens is not None and (opens.raw == begin.raw or (headless and tells_a_day(opens.fields or ())))
        (like if same else unlike).append(_section_title(line))
    return list(dict.fromkeys(like)), [t for t in dict.fromkeys(unlike) if t not in like]


def _common_begin(texts: Sequence[str]) -> str:
    same = takewhile(lambda signs: len(set(signs)) == 1, zip(*texts, strict=False))
    return "".join(signs[0] for signs in same)


def section_pattern(like: Sequence[str], unlike: Sequence[str]) -> str:
    """A regular expression for the begin of all like sections and of no other one.

    >>> section_pattern(["[Picks]"], ["[Sums]"]), section_pattern(["[Data M1]", "[Data M2]"], ["[Info]"])
    ('^\\\\[Picks\\\\]', '^\\\\[Data M\\\\d+\\\\]')
    """

    def escaped(text: str) -> str:
        return re.escape(text).replace("\\ ", " ")

    exact = "|".join(escaped(t) for t in like)
    made = [f"^{exact}"] if len(like) == 1 else []
    made += [f"^{p}" for p in dict.fromkeys(re.sub(r"\d+", r"\\d+", escaped(t)) for t in like)]
    before = _common_begin(like)
    after = _common_begin([t[::-1] for t in like])[::-1]
    made += [f"^{escaped(t)}" for t in (re.sub(r"\w+$", "", before), before) if len(t) > 2]
    made += [rf"^\[.*{escaped(t)}" for t in (re.sub(r"^\w+", "", after), after) if len(t) > 2]
    for pattern in made:
        search = re.compile(pattern).search
        if all(map(search, like)) and not any(map(search, unlike)):
            return pattern
    return f"^(?:{exact})"


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


def _from_json(lines: Sequence[Line]) -> Sample:
    found: list[dict[str, str]] = []
    for line in lines:
        try:
            found.append(dict(_flat(read_object(line.text), "")))
        except Unfit:
            continue
    keys = tuple(dict.fromkeys(key for record in found for key in record if key))
    inner = {key[: m.start()] for key in keys for m in re.finditer(r"[.]", key)}
    # An object that is null now and then is no column of its own.
    names = tuple(k for k in keys if k not in inner or any(record.get(k) for record in found))
    rows = tuple(tuple(record.get(n, "") for n in names) for record in found)
    return Sample("json_lines", TextRules(), names, rows)


def _flat(value: Any, path: str) -> list[tuple[str, str]]:
    if isinstance(value, dict):
        return [pair for k, v in value.items() for pair in _flat(v, f"{path}.{k}" if path else str(k))]
    if isinstance(value, list):
        return [pair for k, v in enumerate(value[:5]) for pair in _flat(v, f"{path}.{k}")]
    text = "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)
    return [(path, text)]


def _from_parquet(path: Path, work: Path, limits: Limits) -> Sample:
    nothing = LogMapping(path, "sample", "pick", (), "", TimeRules((), ""), content="parquet")
    cut = cut_parquet(path, nothing, work, lambda *_: None, limits)
    with connect(memory_mb=limits.file_memory_mb, threads=1) as con:
        rows = con.execute(f"select * exclude (line_text, span_text) from {cut.scan} limit {MOST_ROWS}").fetchall()
    return Sample("parquet", TextRules(), cut.layout.header, tuple(tuple(c or "" for c in row) for row in rows))
