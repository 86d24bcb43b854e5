"""What is known of the begin of a file, and whether its first rows are a header.

In:    rows of text cells.
Out:   `Sample`; the same with the header taken off.
After: names of columns are those a mapping can use.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipeline.ingest.delimited_lines import joined_header
from pipeline.ingest.mapping import Place, TextRules
from pipeline.ingest.propose_times import shape_of

MOST_ROWS: Final = 20_000
"""Records looked at."""
MOST_FOOTER: Final = 20
"""Lines at the end that can be a footer."""
SAYS_LITTLE: Final = ("id", "no", "nr", "name", "number", "pn", "code", "serial", "text", "value")
"""Last pieces of a key that do not say of what: `nozzle.id`, `unit.name`."""
_NUMBER: Final = re.compile(r"\s*[+-]?\d+([.,'\u2019 \u00a0\u202f]\d+)*([eE][+-]?\d+)?\s*")


@dataclass(frozen=True, slots=True)
class Sample:
    """The begin of a file.

    content   as in mapping.CONTENTS; sheet: of a workbook with several
    rules     the [text] rules found
    names     names of the columns; None where there is no header
    rows      cells, as many in each as there are columns
    doubts    key of [text], or "sheet" -> what is unsure about it
    odd       lines of data with another number of fields
    closing   lines at the ends of sections that hold no date
    unsure    indexes of columns whose numbers can be read in two ways: "3,512"
    """

    content: str
    rules: TextRules
    names: tuple[str, ...] | None
    rows: tuple[tuple[str, ...], ...]
    doubts: dict[str, str] = field(default_factory=dict)
    sheet: Place | None = None
    unsure: frozenset[int] = frozenset()
    odd: tuple[tuple[str, ...], ...] = ()
    closing: tuple[tuple[str, ...], ...] = ()

    def places(self) -> tuple[Place, ...]:
        """How a mapping calls each column: by its name where that is there once, else by its place."""
        if self.names is None:
            return tuple(range(1, len(self.rows[0]) + 1 if self.rows else 1))
        return tuple(n if n and self.names.count(n) == 1 else i for i, n in enumerate(self.names, 1))

    def title(self, index: int) -> str:
        """What a column is called, "" without a header; of a key with points the last piece that says something."""
        title = self.names[index] if self.names is not None else ""
        if self.content != "json_lines":
            return title
        pieces = [p for p in title.split(".") if not p.isdigit()] or [title]
        return " ".join(pieces[-2:] if pieces[-1].casefold() in SAYS_LITTLE else pieces[-1:])

    def column(self, index: int) -> list[str]:
        """All cells of a column as they are read, without those that mean nothing."""
        cells = (row[index].strip() if self.rules.trim else row[index] for row in self.rows)
        return [c for c in cells if c and c not in self.rules.null]


def plain_number(cell: str) -> bool:
    """True for digits with or without signs between them."""
    return _NUMBER.fullmatch(cell) is not None


def with_header(sample: Sample) -> Sample:
    """Take the header off the rows, if there is one: names where the rows below have numbers or times."""
    rows = sample.rows
    below = rows[3:203] or rows[1:]
    typed = []
    for i in range(len(rows[0])):
        cells = [c for r in below if (c := r[i].strip())]
        numbers = sum(map(plain_number, cells))
        if cells and (numbers > 0.8 * len(cells) or shape_of(cells) is not None):
            typed.append(i)

    def is_title(row: tuple[str, ...]) -> bool:
        texts = [row[i].strip() for i in typed if row[i].strip()]
        return not any(plain_number(t) or shape_of([t]) is not None for t in texts)

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


def tells_a_day(cells: Sequence[str]) -> bool:
    """True if one of the cells is a date: a row of a log has one, a footer has none."""
    return any((shape := shape_of([c.strip()])) is not None and shape.date for c in cells if c.strip())


def footer_rows(rows: Sequence[Sequence[str]]) -> int:
    """How many rows at the end hold no date, where nearly all before hold one; 0 if there is no such end.

    >>> footer_rows([["2026-11-16", "a"]] * 5 + [["Total", "5"]]), footer_rows([["a", "b"]] * 5)
    (1, 0)
    """
    count = 0
    while count < min(MOST_FOOTER + 1, len(rows)) and not tells_a_day(rows[-1 - count]):
        count += 1
    before = rows[: len(rows) - count][-200:]
    if not 0 < count <= MOST_FOOTER or sum(map(tells_a_day, before)) < max(1, 0.8 * (len(before) - 3)):
        return 0
    return count
