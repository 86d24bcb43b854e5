"""The week as a workbook: every row that the pages leave out.

In:    a `Bundle`.
Out:   an .xlsx file with thirteen sheets; or one with the sheets of the buyer alone.
After: headers frozen and filterable, numbers are numbers, text is text (`=1+1` is no formula), the same bundle gives
       the same bytes: its only date is the end of the week.

Rates are shown in ppm here, shares in per cent; an empty cell is a figure that the data cannot carry.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import xlsxwriter

from pipeline.findings.model import Bundle
from reports.columns import MACHINE_KINDS, Column, Row, Table, Value
from reports.items import also_flagged, headlines
from reports.tables import table
from reports.words import visible

CELL_LIMIT: Final = 32_767
"""Characters that one cell can hold (the file format's limit)."""
_CUT: Final = " [longer than a cell can hold: see csv/ or findings.json]"
_NUMBER_FORMATS: Final = {
    "count": "#,##0",
    "ppm": "[>=100]#,##0;[>=10]0.0;0.00",
    "ppm_change": "+#,##0;-#,##0;0",
    "odds": "0.00",
    "q": "0.0000",
    "percent": "0.0%",
    "money": "#,##0.00",
    "mm": "0.000",
    "mm_per_day": "+0.0000;-0.0000;0.0000",
    "number": "#,##0.0##",
}
_WIDE: Final = {"text", "what", "why", "advice", "basis", "reason", "cause", "note", "evidence", "example", "follows"}
_EMPTY_NOTE: Final = "Empty: the data cannot carry the figure (not enough picks, or not known)."

SHEETS: Final[dict[str, tuple[str, ...]]] = {
    "Summary": ("week", "losses", "actions", "loss_trend"),
    "Worklist": ("worklist",),
    "Suspects": ("suspects",),
    "Services": ("services",),
    "Recognition": ("recognition", "recognition_measured", "recognition_where"),
    "Overage": ("overage",),
    "Kits": ("kits",),
    "Standing overage": ("standing",),
    "Counts and past": ("unexplained", "loss_figures", "past_rules", "past_tenths"),
    "Drift": ("drift",),
    "Quality": ("machines", "quality"),
    "Refused": ("refused",),
}
"""Tables on each sheet, one below the other; the first one is frozen and filtered where it stands alone."""

BUYER_SHEETS: Final = {name: SHEETS[name] for name in ("Overage", "Kits", "Standing overage", "Counts and past")}


def _worklist_rows(bundle: Bundle) -> Iterable[Row]:
    listed = {id(s) for s in headlines(bundle.suspects) if s.kind in MACHINE_KINDS}
    also = also_flagged(bundle.suspects)
    for row, suspect in zip(table("suspects").rows(bundle), bundle.suspects, strict=True):
        if id(suspect) in listed:
            yield (*row, also[id(suspect)], " ".join(e.text for e in suspect.evidence))


def _table(name: str) -> Table:
    if name != "worklist":
        return table(name)
    columns = (
        *table("suspects").columns,
        Column("also_flagged_for", "also flagged for", "text", "other losses of the same item: one thing to do"),
        Column("evidence", "evidence"),
    )
    return Table("worklist", "What to pull and mend", "nothing is flagged this week", columns, _worklist_rows)


class _Book:
    """An open workbook and its formats."""

    def __init__(self, file: io.BytesIO, bundle: Bundle) -> None:
        self.bundle = bundle
        self.book = xlsxwriter.Workbook(
            file,
            {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False},
        )
        self.book.set_properties(
            {
                "title": visible(f"{bundle.plant} {bundle.week}"),
                "comments": "Weekly attrition report",
                "created": created(bundle.end),
            }
        )
        base = {"font_name": "DejaVu Sans", "font_size": 9, "valign": "top"}
        self.title = self.book.add_format({**base, "bold": True, "font_size": 12})
        self.head = self.book.add_format({**base, "bold": True, "text_wrap": True, "bottom": 1, "bg_color": "#E8E8E8"})
        self.text = self.book.add_format({**base, "text_wrap": True})
        self.numbers = {k: self.book.add_format({**base, "num_format": f}) for k, f in _NUMBER_FORMATS.items()}

    def write(self, sheet: Any, row: int, place: int, value: Value, kind: str) -> None:
        """One cell by its own type, never guessed from its text."""
        if value is None or (isinstance(value, float) and not math.isfinite(value)):
            sheet.write_blank(row, place, None, self.text)
        elif isinstance(value, bool):
            sheet.write_string(row, place, "yes" if value else "no", self.text)
        elif isinstance(value, str):
            shown = visible(value)
            if len(shown) > CELL_LIMIT:
                shown = shown[: CELL_LIMIT - len(_CUT)] + _CUT
            sheet.write_string(row, place, shown, self.text)
        else:
            scale = 1e6 if kind in ("ppm", "ppm_change") else 1
            fallback = "count" if isinstance(value, int) else "number"
            style = self.numbers.get(kind, self.numbers[fallback])
            sheet.write_number(row, place, round(value * scale, 12) if scale > 1 else value, style)

    def header(self, sheet: Any, row: int, columns: tuple[Column, ...]) -> None:
        """Headings with the meaning of each column as a note."""
        for place, column in enumerate(columns):
            sheet.write_string(row, place, visible(column.heading(self.bundle.currency)), self.head)
            note = f"{column.note}. {_EMPTY_NOTE}" if column.note else ""
            if note:
                sheet.write_comment(row, place, note, {"author": "", "x_scale": 2})

    def table(self, sheet: Any, row: int, content: Table, *, alone: bool) -> int:
        """Write a table at `row` and give the first free row below it."""
        columns = content.columns
        if not alone:
            sheet.write_string(row, 0, content.title, self.title)
            row += 1
        self.header(sheet, row, columns)
        top = row
        for values in content.rows(self.bundle):
            row += 1
            for place, (column, value) in enumerate(zip(columns, values, strict=True)):
                self.write(sheet, row, place, value, column.kind)
        if alone:
            sheet.freeze_panes(top + 1, _frozen_columns(columns))
            sheet.autofilter(top, 0, max(row, top + 1), len(columns) - 1)
            sheet.repeat_rows(top)
        if row == top:
            sheet.write_string(row + 1, 0, f"{content.empty[:1].upper()}{content.empty[1:]}.", self.text)
            row += 1
        return row + 2


def _frozen_columns(columns: tuple[Column, ...]) -> int:
    names = [column.field for column in columns]
    return 2 if names[:2] in (["kind", "id"], ["build", "part"], ["machine", "feeder"]) else 1


def created(end: str) -> datetime:
    """The end of the week as the date that the file carries: UTC, without a zone; 2000-01-01 if it is no date.

    >>> created("2026-11-23T00:00:00+01:00")
    datetime.datetime(2026, 11, 22, 23, 0)
    """
    try:
        found = datetime.fromisoformat(end)
    except ValueError:
        return datetime(2000, 1, 1)  # noqa: DTZ001  (the format wants no zone)
    return found.astimezone(UTC).replace(tzinfo=None) if found.tzinfo else found


def _widths(sheet: Any, tables: tuple[Table, ...]) -> None:
    widths: dict[int, float] = {}
    for content in tables:
        for place, column in enumerate(content.columns):
            narrow = 16.0 if column.kind in ("text", "date") else 12.0
            width = 46.0 if column.field in _WIDE and len(content.columns) > 3 else narrow
            if len(content.columns) <= 3:
                width = 40.0 if place else 26.0
            widths[place] = max(widths.get(place, 0.0), width)
    for place, width in widths.items():
        sheet.set_column(place, place, width)


def _read_me(book: _Book, sheets: dict[str, tuple[str, ...]]) -> None:
    sheet = book.book.add_worksheet("Read me")
    sheet.set_column(0, 1, 22)
    sheet.set_column(2, 3, 26)
    sheet.set_column(4, 4, 80)
    lines = (
        "Rates are in ppm of their denominator: missed per pick, rejected per part held, dropped per part accepted.",
        _EMPTY_NOTE,
        "Intervals are at the confidence set in statistics.confidence. Figures for buying are advice.",
        "Before reaching into a machine: stop it, follow the site's lockout procedure and the maker's manual; laser "
        "and vision units only with guards and interlocks in place; ESD care. Local rules and qualified people decide.",
    )
    for row, line in enumerate(lines):
        sheet.write_string(row, 0, line)
    row = len(lines) + 1
    for place, title in enumerate(("sheet", "table", "column", "field name in csv/", "meaning")):
        sheet.write_string(row, place, title, book.head)
    for name, tables in sheets.items():
        for content in map(_table, tables):
            for column in content.columns:
                row += 1
                cells = (name, content.title, column.heading(book.bundle.currency), column.field, column.note)
                for place, text in enumerate(cells):
                    sheet.write_string(row, place, visible(text), book.text)
    row += 2
    for name in ("settings", "versions"):
        row = book.table(sheet, row, table(name), alone=False)
    sheet.freeze_panes(len(lines) + 2, 0)


def write_workbook(bundle: Bundle, path: Path) -> None:
    """Write `bundle` as a workbook to `path`. OSError when the disk refuses."""
    path.write_bytes(_workbook(bundle, SHEETS))


def write_overage(bundle: Bundle, path: Path) -> None:
    """Write what `bundle` says to the buyer as a workbook to `path`, which is complete or as it was before."""
    unfinished = path.with_name(f".{path.name}.part")
    try:
        unfinished.write_bytes(_workbook(bundle, BUYER_SHEETS))
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)


def _workbook(bundle: Bundle, sheets: dict[str, tuple[str, ...]]) -> bytes:
    file = io.BytesIO()
    book = _Book(file, bundle)
    for name, names in sheets.items():
        sheet = book.book.add_worksheet(name)
        sheet.set_landscape()
        sheet.set_paper(9)
        sheet.fit_to_pages(1, 0)
        tables = tuple(map(_table, names))
        _widths(sheet, tables)
        row = 0
        for content in tables:
            row = book.table(sheet, row, content, alone=len(tables) == 1)
    _read_me(book, sheets)
    book.book.close()
    return file.getvalue()
