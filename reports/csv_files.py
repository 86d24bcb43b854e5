"""One CSV file a table.

In:    a `Bundle` and a folder.
Out:   `<table>.csv` for every table of tables.py, headers only where a table has no rows.
After: UTF-8 without byte order mark, comma, CRLF, headers are field names, rates are fractions, money without currency
       (table `week` names it), an empty cell is a figure that the data cannot carry.

A text cell that begins with = + - @ tab or carriage return gets a leading apostrophe, so that a spreadsheet shows it as
text and does not run it as a formula. A program that reads these files takes that apostrophe off again, or reads
findings.json. Numbers are never touched: -0.5 stays -0.5.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

from pipeline.findings.model import Bundle
from reports.columns import Value
from reports.tables import TABLES
from reports.words import visible

DIGITS = 10
"""Significant digits of a fractional number: more than any figure here carries. findings.json has all."""


def cell(value: Value) -> str:
    """One value as CSV text before quoting.

    >>> cell("=1+1"), cell(-0.5), cell(None), cell(True), cell(0.1 + 0.2)
    ("'=1+1", '-0.5', '', 'yes', '0.3')
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.{DIGITS}g}" if math.isfinite(value) else ""
    guarded = f"'{value}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else value
    return visible(guarded)


def write_csv(bundle: Bundle, folder: Path) -> None:
    """Write all tables of `bundle` into `folder`, which must exist. OSError when the disk refuses."""
    for table in TABLES:
        with (folder / f"{table.name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([column.field for column in table.columns])
            writer.writerows([cell(value) for value in row] for row in table.rows(bundle))
