"""Physical lines -> records, exactly: the slow and careful half of the delimited reader.

In:    UTF-8 text on disk and the [text] rules of a mapping.
Out:   the layout of the file (its header, number of fields, where the data begin); for an irregular file a regular copy
       in which every record carries its line number; the lines that are no records.
After: a record is numbered by the physical line that it begins on. Every line is part of a record, refused, or a
       header, comment, skipped or blank line.

Fields follow RFC 4180: a field that begins with the quote may hold delimiters, line ends and doubled quotes. A quote
inside a field that does not begin with one is an ordinary character (7" reel).
"""

from __future__ import annotations

import csv
import re
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, islice
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import FileRefused
from pipeline.ingest.mapping import Filter, LogMapping, TextRules
from pipeline.ingest.staging import RAW_LIMIT

LONGEST = 500_000
"""Characters of the longest line that is read; no log line of a placement machine comes near. DuckDB takes 2 MB."""
MOST_LINES = 20
"""Most lines that one record may span."""
SAMPLED = 200
"""Records that the number of fields is taken from when there is no header."""


class Line(NamedTuple):
    """One physical line without its end; `whole` is False if it was longer than LONGEST and is cut."""

    number: int
    text: str
    whole: bool = True


class Record(NamedTuple):
    """One record: the line it begins on, how many lines it spans, its text and fields, or what is wrong with it.

    fields is None for a record that was found regular as it stands and not cut.
    """

    line: int
    span: int
    raw: str
    fields: tuple[str, ...] | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Layout:
    """header: its fields, or None; fields: how many a record has; first: the line after which data begin.

    regular is False if what stands before the data (blank lines, comments, quotes in skipped lines) could be counted
    differently by a fast reader, or if not all lines after the header are data. titles: the header's lines as they are.
    """

    header: tuple[str, ...] | None
    fields: int
    first: int
    regular: bool
    titles: tuple[str, ...] = ()


def physical_lines(path: Path) -> Iterator[Line]:
    """All lines of a UTF-8 file; line ends are LF, CR LF or CR. Memory is bounded by LONGEST."""
    with path.open(encoding="utf-8", newline=None) as file:
        number = 0
        while text := file.readline(LONGEST + 1):
            number += 1
            if len(text) <= LONGEST or text.endswith("\n"):
                yield Line(number, text.removesuffix("\n"))
                continue
            while (rest := file.readline(LONGEST)) and not rest.endswith("\n"):
                pass
            yield Line(number, text[:LONGEST], whole=False)


def is_blank(text: str, rules: TextRules) -> bool:
    """True for a line of blanks only; a line of delimiters is a record of empty fields."""
    return not text.strip() and rules.delimiter not in text


def regular_pattern(rules: TextRules, fields: int) -> str:
    """Regular expression (Python's and RE2's) of a line that is one record of so many fields, quoted as a whole or not.

    >>> import re
    >>> [bool(re.fullmatch(regular_pattern(TextRules(), 2), t)) for t in ('a,"b,c"', 'a,b"c', 'a,b,')]
    [True, False, False]
    """
    sign = re.escape(rules.delimiter)
    if rules.quote:
        mark = re.escape(rules.quote)
        cell = f"(?:{mark}(?:[^{mark}\\r\\n]|{mark}{mark})*{mark}|[^{mark}{sign}\\r\\n]*)"
    else:
        cell = f"[^{sign}\\r\\n]*"
    return f"{cell}(?:{sign}{cell}){{{fields - 1}}}"


def records(lines: Iterable[Line], rules: TextRules, fields: int | None) -> Iterator[Record]:
    """Records of the lines; blank and comment lines are left out.

    fields   number of fields of a good record; None: any (to find out how many there are)
    A record with `problem` is one physical line that begins no good record; reading goes on with the next line.
    """
    regular = re.compile(regular_pattern(rules, fields)).fullmatch if fields is not None and fields > 1 else None
    comment = rules.comment
    source = iter(lines)
    waiting: deque[Line] = deque()
    while True:
        line = waiting.popleft() if waiting else next(source, None)
        if line is None:
            return
        if comment and line.text.startswith(comment):
            continue
        if regular is not None and regular(line.text) and line.whole:
            yield Record(line.number, 1, line.text, None)
            continue
        if is_blank(line.text, rules):
            continue
        record = _single(line, rules, fields)
        if record.problem and rules.quote and line.whole and line.text.count(rules.quote) % 2:
            longer = _spanning(line, source, waiting, rules, fields)
            record = longer or record
        yield record


def _single(line: Line, rules: TextRules, fields: int | None) -> Record:
    if not line.whole:
        return Record(line.number, 1, line.text, (), f"the line is longer than {LONGEST} characters. Line refused.")
    return _cut(line.number, 1, line.text, rules, fields)


def _cut(number: int, span: int, text: str, rules: TextRules, fields: int | None) -> Record:
    if not rules.quote or rules.quote not in text:
        found = tuple(text.split(rules.delimiter))
    else:
        try:
            cells = csv.reader([text], delimiter=rules.delimiter, quotechar=rules.quote, doublequote=True, strict=True)
            found = tuple(next(cells))
        except csv.Error:
            problem = f"a field opens with {rules.quote} and is not closed before its delimiter. Line refused."
            return Record(number, span, text, (), problem)
    if fields is not None and rules.short_rows == "fill" and not any(found[fields:]):
        found = found[:fields] + ("",) * (fields - len(found))
    if fields is not None and len(found) != fields:
        problem = f"{len(found)} fields found, {fields} expected. Line refused."
        return Record(number, span, text, found, problem)
    return Record(number, span, text, found)


def _spanning(
    first: Line, source: Iterator[Line], waiting: deque[Line], rules: TextRules, fields: int | None
) -> Record | None:
    """The good record that begins on `first` and ends on a later line, if there is one; else no line is used up."""
    text = first.text
    for count in range(1, MOST_LINES):
        if count > len(waiting):
            waiting.extend(islice(source, 1))
        if count > len(waiting) or not waiting[count - 1].whole:
            return None
        text += "\n" + waiting[count - 1].text
        if len(text) > LONGEST:
            return None
        if text.count(rules.quote) % 2 == 0:
            record = _cut(first.number, count + 1, text, rules, fields)
            if not record.problem:
                for _ in range(count):
                    waiting.popleft()
                return record
    return None


def joined_header(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Names of the columns from several header rows: the parts of each, joined with a blank, empty ones left out.

    Raises ValueError when an upper row has more names than the lowest.

    >>> joined_header([["Offset", "Offset", ""], ["X", "Y", "Result"]])
    ('Offset X', 'Offset Y', 'Result')
    """
    if len(rows) == 1:
        return tuple(rows[0])
    fields = len(rows[-1])
    if any(any(c.strip() for c in row[fields:]) for row in rows):
        raise ValueError(f"a row of the header has more names than the last one, which has {fields}")
    columns = zip(*(tuple(row[:fields]) + ("",) * (fields - len(row)) for row in rows), strict=True)
    return tuple(" ".join(part.strip() for part in parts if part.strip()) for parts in columns)


def read_layout(path: Path, mapping: LogMapping) -> Layout:
    """Header, number of fields and begin of the data; FileRefused when there is no header where one should be."""
    rules = mapping.text
    if rules.section_begin:
        return _sectioned_layout(path, mapping)
    lines = physical_lines(path)
    skipped = list(islice(lines, rules.skip_lines))
    start = rules.skip_lines
    regular = rules.whole and not any(not s.text.strip() or (rules.quote and rules.quote in s.text) for s in skipped)
    if not rules.header:
        return _without_header(path, mapping, start, regular)
    rows = list(islice(records(lines, rules, None), rules.header_rows))
    layout = _with_header(rows, mapping, start + 1)
    regular = regular and layout.first == start + rules.header_rows  # no blank, comment or longer record in between
    return replace(layout, regular=regular)


def _with_header(rows: Sequence[Record], mapping: LogMapping, start: int) -> Layout:
    """The layout that these rows of a header give; start: line from which it was looked for."""
    if len(rows) < mapping.text.header_rows:
        raise FileRefused(f"ends before the header that mapping {mapping.name} expects.", start)
    for row in rows:
        if row.problem or row.fields is None:
            raise FileRefused(f"its header cannot be read: {row.problem}", row.line)
    try:
        header = joined_header([row.fields or () for row in rows])
    except ValueError as error:
        raise FileRefused(f"its header cannot be read: {error}. Check header_rows in [text].", rows[0].line) from error
    if mapping.text.trim:
        header = tuple(name.strip() for name in header)
    last = rows[-1].line + rows[-1].span - 1
    return Layout(header, len(header), last, regular=False, titles=tuple(row.raw for row in rows))


def _without_header(path: Path, mapping: LogMapping, start: int, regular: bool) -> Layout:
    """The layout of data without header: the usual number of fields of the first records."""
    found = records(data_lines(path, mapping.text, Layout(None, 0, start, regular)), mapping.text, None)
    sample = [r for r in islice(found, SAMPLED) if r.fields]
    if not sample:
        raise FileRefused(f"holds no data after the {start} lines that mapping {mapping.name} skips.")
    usual = Counter(len(r.fields) for r in sample if r.fields)
    most = 0 if mapping.text.short_rows == "fill" else max(usual.values())
    return Layout(None, max(n for n, times in usual.items() if times >= most), start, regular)


def _sectioned_layout(path: Path, mapping: LogMapping) -> Layout:
    """Header of the first section that is not empty."""
    rules = mapping.text
    sections = groupby(_section_lines(physical_lines(path), rules), key=lambda found: found[0])
    for begin, found in sections:
        if not rules.header:
            return _without_header(path, mapping, 0, regular=False)
        rows = list(islice(records((line for _, line in found), rules, None), rules.header_rows))
        if rows:
            return _with_header(rows, mapping, begin + 1)
    raise FileRefused(
        f'has no line that fits section_begin "{rules.section_begin}" of mapping "{mapping.name}" with data below it.'
    )


def data_lines(path: Path, rules: TextRules, layout: Layout) -> Iterator[Line]:
    """The lines after the first header that can be data: inside the sections, and without those at the end."""
    if rules.section_begin:
        return _inside(physical_lines(path), rules, layout)
    lines = (line for line in physical_lines(path) if line.number > layout.first)
    return _without_last(lines, rules.skip_end) if rules.skip_end else lines


def _without_last(lines: Iterator[Line], count: int) -> Iterator[Line]:
    """All lines but the last `count` that are not blank, and what follows them."""
    held: deque[Line] = deque()
    full = 0
    for line in lines:
        held.append(line)
        full += bool(line.text.strip())
        while full > count:
            first = held.popleft()
            full -= bool(first.text.strip())
            yield first


def _section_lines(lines: Iterable[Line], rules: TextRules) -> Iterator[tuple[int, Line]]:
    """Lines inside the sections, after those to skip in each; with the number of the line that began their section."""
    begin = re.compile(rules.section_begin).search
    end = re.compile(rules.section_end).search if rules.section_end else None
    section, skip = 0, 0
    for line in lines:
        if begin(line.text):
            section, skip = line.number, rules.skip_lines
        elif section and end is not None and end(line.text):
            section = 0
        elif section and skip:
            skip -= 1
        elif section:
            yield section, line


def _inside(lines: Iterable[Line], rules: TextRules, layout: Layout) -> Iterator[Line]:
    """Data of the sections; every section that is not empty repeats the header of the first."""
    current, titles = 0, list[str]()
    for section, line in _section_lines(lines, rules):
        if section != current:
            current, titles = section, list(layout.titles)
        if line.number <= layout.first:
            titles = []
        elif titles and not is_blank(line.text, rules) and not (rules.comment and line.text.startswith(rules.comment)):
            if line.text != titles.pop(0):
                raise FileRefused("its sections have different headers: this one is not as the first.", line.number)
        elif not titles:
            yield line


class Passing:
    """Tells which torn lines a filter leaves out; regular rows are filtered by the database.

    filters   each with the place of its column, from 1
    """

    def __init__(self, filters: Iterable[tuple[Filter, int]]) -> None:
        self._filters = tuple(filters)

    def leaves_out(self, record: Record) -> bool:
        """True if the record was cut, reaches to the column of a filter and does not pass it."""
        fields = record.fields or ()
        return any(place <= len(fields) and not f.passes(fields[place - 1]) for f, place in self._filters)


def write_regular(
    path: Path,
    copy: Path,
    rules: TextRules,
    layout: Layout,
    refuse: Callable[[int, str, str], None],
    passing: Passing | None = None,
) -> tuple[int, int]:
    """Write all good records to `copy`, each with its line number and span in front, one record after the other.

    refuse    called with line, raw text and reason for every line that is no record
    passing   tells which lines that are no record of the right shape hold nothing for us
    Returns how many lines were refused, and how many left out. Without quotes a record is copied as it is; else every
    field is quoted.
    """
    refused, left_out = 0, 0
    data = data_lines(path, rules, layout)
    sign, quote = rules.delimiter, rules.quote
    with copy.open("w", encoding="utf-8", newline="\n") as out:
        for record in records(data, rules, layout.fields):
            if record.problem and passing is not None and passing.leaves_out(record):
                left_out += 1
            elif record.problem:
                refuse(record.line, record.raw, record.problem)
                refused += 1
            elif record.fields is None:
                out.write(f"{record.line}{sign}{record.span}{sign}{record.raw}\n")
            elif not quote or quote not in record.raw:
                out.write(f"{record.line}{sign}{record.span}{sign}{sign.join(record.fields)}\n")
            else:
                cells = sign.join(quote + f.replace(quote, quote + quote) + quote for f in record.fields)
                out.write(f"{record.line}{sign}{record.span}{sign}{cells}\n")
    return refused, left_out


class RawLines:
    """Raw text of given lines, asked for in rising order: one pass through the file."""

    def __init__(self, path: Path) -> None:
        self._lines = physical_lines(path)

    def text(self, line: int, span: int) -> str:
        """The `span` lines from `line`, cut at RAW_LIMIT characters; rising calls only."""
        parts: list[str] = []
        for found in self._lines:
            if found.number >= line:
                parts.append(found.text[:RAW_LIMIT])
            if found.number >= line + span - 1:
                break
        return "\n".join(parts)[:RAW_LIMIT]
