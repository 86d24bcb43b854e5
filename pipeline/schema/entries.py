"""Numbers and dates as people write them into lists and master tables.

In:    the text of one cell.
Out:   a whole number, a date, or None; and whether a number can be read in two ways.
After: nothing is guessed: what can be read in two ways is read in none.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from datetime import date, datetime


def whole(text: str) -> int | None:
    """A whole number, None for anything else. Blanks between digits are taken; a comma is not guessed at.

    Workbooks write 12.0 and 12.00 for 12; 12.000 may be twelve thousand (`thousands` says so).

    >>> whole("1200"), whole("1 200"), whole("12.0"), whole("-3"), whole("1,200"), whole("12.5"), whole("ten")
    (1200, 1200, 12, -3, None, None, None)
    >>> whole("12.000") is None
    True
    """
    plain = re.sub(r"(?<=\d)[ \u00a0\u202f](?=\d)", "", text.strip())
    found = re.fullmatch(r"([+-]?\d{1,15})(\.0{0,2})?", plain)
    return int(found[1]) if found else None


def thousands(text: str) -> str | None:
    """The question that a number with three zeros after a point raises; None for any other text.

    >>> thousands("12.000")
    '12 or 12 thousand? Write 12 or 12000'
    >>> thousands("12.00") is None
    True
    """
    found = re.fullmatch(r"[+-]?(\d{1,3})\.000", text.strip())
    return f"{found[1]} or {found[1]} thousand? Write {found[1]} or {found[1]}000" if found else None


def iso_day(text: str) -> str | None:
    """The day of a date or time of ISO 8601, None for anything else.

    >>> iso_day("2026-12-01"), iso_day("20261201"), iso_day("2026-12-01 06:00"), iso_day("01.12.2026")
    ('2026-12-01', '2026-12-01', '2026-12-01', None)
    """
    for read in (date.fromisoformat, datetime.fromisoformat):
        try:
            found = read(text.strip())
        except ValueError:
            continue
        return (found.date() if isinstance(found, datetime) else found).isoformat()
    return None


class CsvFault(Exception):
    """Text that is no CSV; `line` (from 1) is that on which the row begins."""

    def __init__(self, line: int, message: str) -> None:
        super().__init__(message)
        self.line = line


def csv_rows(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Number of the last line and fields of every row; CsvFault for an open quote: it would swallow all that follows.

    >>> list(csv_rows('a,"b, c"', ","))
    [(1, ['a', 'b, c'])]
    """
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    last = 0
    try:
        for fields in reader:
            last = reader.line_num
            yield last, fields
    except csv.Error as error:
        message = f"not readable as CSV: {error}."
        for sign, what in (("end of data", "is opened and never closed"), ("expected after", "ends inside a field")):
            if sign in str(error):
                message = f'a quote " {what}. Close it, or double it where it belongs to the text.'
        raise CsvFault(last + 1, message) from error
