"""A sheet of an .xlsx workbook -> numbered records of text cells.

In:    a workbook that `weigh_workbook` has checked, and a mapping with content = "workbook".
Out:   `Cut`.
After: text is as it was typed; a whole number has no point, another at most 15 significant digits, as the program shows
       it; a number shown with leading zeros keeps them; a day is 2026-11-16, a time of day 06:00:00.000, both together
       2026-11-16 06:00:00.000. Rows have the sheet's own numbers. Empty rows are passed over.

A formula counts as its last value. A workbook holds no formula's value before it was opened in a spreadsheet program.
"""

from __future__ import annotations

import re
import warnings
from collections import deque
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from itertools import chain, islice
from pathlib import Path
from typing import Any

from pipeline.errors import FileRefused
from pipeline.ingest.containers_cut import Cut, RawRecords, Refuse, joined, scan_records, write_records
from pipeline.ingest.delimited_lines import SAMPLED, Layout, joined_header
from pipeline.ingest.mapping import LogMapping, Place
from pipeline.settings import Limits

DIGITS = 15
"""Significant digits of a number: beyond them a double holds noise of its conversion to binary."""
LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""The largest sheet that spreadsheet programs make (2^20 rows, 2^14 columns)."""

Row = tuple[int, list[str]]


def cut_workbook(path: Path, mapping: LogMapping, work: Path, refuse: Refuse, limits: Limits) -> Cut:  # noqa: ARG001
    """Cut the mapping's sheet; FileRefused when it is not there or has no header where one should be."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl tells of parts that are not for us: pictures, rules of colours
        return _cut(path, mapping, work, refuse)


def _cut(path: Path, mapping: LogMapping, work: Path, refuse: Refuse) -> Cut:
    rules = mapping.text
    copy = work / "records.txt"
    rows = iter(row for row in sheet_rows(path, mapping.sheet) if row[0] > rules.skip_lines and any(row[1]))
    titles = [next(rows, None) for _ in range(rules.header_rows if rules.header else 1)]
    last = titles[-1]
    if last is None:
        raise FileRefused(f'its sheet ends before the data that mapping "{mapping.name}" expects.')
    header: tuple[str, ...] | None = None
    if rules.header:
        named = [_without_tail(row[1]) for row in titles if row]
        width = max(map(len, named))  # a cell that is merged downwards has its text in an upper row only
        header = joined_header([cells + [""] * (width - len(cells)) for cells in named])
        header = tuple(name.strip() for name in header) if rules.trim else header
    first = [] if rules.header else [last, *islice(rows, SAMPLED)]  # the widest row tells how many fields there are
    fields = len(header) if header is not None else max(len(_without_tail(cells)) for _, cells in first)
    refused = 0

    def shaped() -> Iterator[Row]:
        nonlocal refused
        for number, cells in _without_last(chain(first, rows), rules.skip_end):
            if any(cells[fields:]):
                found = len(_without_tail(cells))
                refuse(number, joined(cells), f"{found} fields found, {fields} expected. Row refused.")
                refused += 1
            else:
                yield number, cells[:fields] + [""] * (fields - len(cells))

    too_long = write_records(copy, shaped(), refuse)
    layout = Layout(header, fields, last[0] if header is not None else rules.skip_lines, regular=False)
    return Cut(layout, scan_records(copy, rules, fields), refused + too_long, RawRecords(copy))


def sheet_rows(path: Path, sheet: Place | None) -> Iterator[Row]:
    """Number and cells, as text, of every row of a sheet; None: the only one.

    Raises FileRefused when there is no such sheet or the workbook cannot be read.
    """
    import openpyxl  # half a second, which only a workbook should take

    try:
        with path.open("rb") as file:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
            yield from _rows(book, _choose(book.worksheets, sheet))
    except (FileRefused, MemoryError):
        raise
    except Exception as error:  # openpyxl raises whatever it stumbles on
        raise FileRefused(f"is a workbook that cannot be read ({type(error).__name__}: {error}).") from error


class _Texts(list[Any]):
    """The workbook's table of texts; a negative place would count from its end in silence."""

    def __getitem__(self, place: Any) -> Any:
        if place < 0:
            raise IndexError(f"no text has the number {place}")
        return super().__getitem__(place)


def _rows(book: Any, sheet: Any) -> Iterator[Row]:
    """The rows that stand in the sheet, whatever it says of its size; FileRefused when rows or cells are out of order.

    openpyxl's own rows leave out what is out of order in silence, and make every row up to a number that is far too
    large; so this takes them from its parser.
    """
    from openpyxl.cell.read_only import ReadOnlyCell
    from openpyxl.worksheet._reader import WorkSheetParser

    before = 0
    with sheet._get_source() as content:
        parser = WorkSheetParser(
            content,
            _Texts(sheet._shared_strings),
            data_only=True,
            epoch=book.epoch,
            date_formats=book._date_formats,
            timedelta_formats=book._timedelta_formats,
        )
        for number, found in parser.parse():
            if not before < number <= LAST_ROW:
                raise FileRefused(f"has row {number} below row {before} of its sheet. Save it again as .xlsx.")
            before = number
            places = [int(cell["column"]) for cell in found]
            if places != sorted(set(places)) or any(cell["row"] != number for cell in found):
                raise FileRefused("has cells out of order in this row. Save it again as .xlsx.", number)
            if places and places[-1] > LAST_COLUMN:
                raise FileRefused(f"has a cell in column {places[-1]}, expected {LAST_COLUMN} at most.", number)
            cells = [""] * (places[-1] if places else 0)
            for cell in found:
                cells[cell["column"] - 1] = text_of(ReadOnlyCell(sheet, **cell))
            yield number, cells


def sheet_titles(path: Path) -> list[tuple[str, bool]]:
    """Names of the sheets, and whether each is hidden; FileRefused when the workbook cannot be read."""
    import openpyxl

    try:
        with path.open("rb") as file:
            book = openpyxl.load_workbook(file, read_only=True, data_only=True, keep_links=False)
            return [(str(s.title), s.sheet_state != "visible") for s in book.worksheets]
    except MemoryError:
        raise
    except Exception as error:  # openpyxl raises whatever it stumbles on
        raise FileRefused(f"is a workbook that cannot be read ({type(error).__name__}: {error}).") from error


def workbook_rows(path: Path, limits: Limits) -> tuple[str, list[Row]]:
    """All rows of the first sheet of a workbook that nobody has looked at yet; or why it is refused, and none."""
    from pipeline.ingest.containers import weigh_workbook

    try:
        weigh_workbook(path, limits)
        return "", list(sheet_rows(path, 1))
    except FileRefused as error:
        return error.reason, []


def _choose(sheets: list[Any], wanted: Place | None) -> Any:
    names = ", ".join(f'"{s.title}"' for s in sheets)
    if wanted is None:
        if len(sheets) != 1:
            raise FileRefused(f"has {len(sheets)} sheets: {names}. Name one by sheet in [workbook] of the mapping.")
        return sheets[0]
    if isinstance(wanted, int):
        if wanted > len(sheets):
            raise FileRefused(f"has {len(sheets)} sheets, but the mapping takes sheet {wanted}. It has: {names}.")
        return sheets[wanted - 1]
    for sheet in sheets:
        if sheet.title == wanted:
            return sheet
    raise FileRefused(f'has no sheet "{wanted}". It has: {names}. Correct sheet in [workbook] of the mapping.')


def text_of(cell: Any) -> str:
    """Text of a cell."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, (int, float)):
        return number_text(value, cell.number_format or "")
    if isinstance(value, datetime):
        if _day_only(cell.number_format or ""):
            return value.date().isoformat()
        return (value + timedelta(microseconds=500)).isoformat(" ", "milliseconds")
    if isinstance(value, time):
        return f"{value:%H:%M:%S}.{value.microsecond // 1000:03d}"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, timedelta):
        thousandths = round(value.total_seconds() * 1000)
        return f"{thousandths // 3_600_000:02d}:{thousandths // 60_000 % 60:02d}:{thousandths // 1000 % 60:02d}." + (
            f"{thousandths % 1000:03d}"
        )
    return str(value)


@lru_cache(maxsize=1000)
def _day_only(shown: str) -> bool:
    """True if a number format shows no time of day."""
    return not re.search(r"[hHsS]", re.sub(r'"[^"]*"|\\.|\[[^\]]*\]', "", shown))


def number_text(value: float, shown: str = "") -> str:
    """A number without the noise of its conversion to binary, without exponent; `shown`: the cell's number format.

    >>> number_text(0.1 + 0.2), number_text(5.0), number_text(402, "0000"), number_text(1e21), number_text(-2.5e-7)
    ('0.3', '5', '0402', '1000000000000000000000', '-0.00000025')
    """
    if isinstance(value, int) or value.is_integer():
        text = str(int(value))
        return text.zfill(len(shown)) if re.fullmatch("0+", shown) and value >= 0 else text
    places = DIGITS - 1 - int(f"{value:.14e}".partition("e")[2])
    return f"{value:.{max(places, 0)}f}".rstrip("0").rstrip(".") if places > 0 else f"{value:.0f}"


def _without_tail(cells: list[str]) -> list[str]:
    while cells and not cells[-1]:
        cells = cells[:-1]
    return cells


def _without_last(rows: Iterator[Row], count: int) -> Iterator[Row]:
    held: deque[Row] = deque()
    for row in rows:
        held.append(row)
        if len(held) > count:
            yield held.popleft()
