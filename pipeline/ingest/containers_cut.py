"""What a container is cut into: records of text cells, numbered, ready for the same conversion as delimited text.

In:    rows of cells from a workbook or from JSON lines.
Out:   `Cut`; a file of records that DuckDB reads, and the raw text of a record for those that are refused.
After: every record carries the number of its row or line in the container; cells are text.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from pipeline.ingest.delimited_lines import LONGEST, Layout
from pipeline.ingest.delimited_sql import scan_sql
from pipeline.ingest.mapping import TextRules
from pipeline.ingest.staging import RAW_LIMIT

Refuse = Callable[[int, str, str], None]
"""Called with the number of a record, its raw text and the reason why it is not loaded."""


class RawText(Protocol):
    """Gives the raw text of records, asked for in rising order."""

    def text(self, line: int, span: int) -> str:
        """The text of the record that begins on `line`, cut at RAW_LIMIT characters."""
        ...


@dataclass(frozen=True, slots=True)
class Cut:
    """A container cut into records.

    layout    header and number of fields
    scan      SQL over line_text, span_text, c1, c2, ...
    refused   records that could not be cut and were refused already
    raw       gives the text of the others
    """

    layout: Layout
    scan: str
    refused: int
    raw: RawText


def write_records(copy: Path, rows: Iterable[tuple[int, Sequence[str]]], refuse: Refuse) -> int:
    """Write numbered rows as records for `scan_records`; the number of those refused because they are too long."""
    refused = 0
    with copy.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, quoting=csv.QUOTE_ALL, lineterminator="\n")
        for number, cells in rows:
            if sum(map(len, cells)) > LONGEST:
                refuse(number, joined(cells), f"the row is longer than {LONGEST} characters. Row refused.")
                refused += 1
            else:
                writer.writerow([number, 1, *cells])
    return refused


def scan_records(copy: Path, rules: TextRules, fields: int) -> str:
    """SQL over what `write_records` wrote; the texts that mean nothing come from the mapping's [text]."""
    return scan_sql(copy, replace(rules, delimiter=",", quote='"'), fields, 0, numbered=True)


def joined(cells: Sequence[str]) -> str:
    """Cells as a message shows them."""
    return ";".join(cells)[:RAW_LIMIT]


class RawRecords:
    """Raw text out of a file of records, asked for in rising order: one pass through it."""

    def __init__(self, copy: Path) -> None:
        self._copy = copy
        self._rows = self._read()

    def _read(self) -> Iterable[tuple[int, list[str]]]:
        with self._copy.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                yield int(row[0]), row[2:]

    def text(self, line: int, span: int) -> str:  # noqa: ARG002 - a record of a container is one row
        """The cells of that row."""
        for number, cells in self._rows:
            if number >= line:
                return joined(cells)
        return ""
