"""Rows -> stdout as a table, CSV or JSON; words -> stderr.

In:    a list of rows (dicts with the same keys) and the format asked for.
Out:   text.
After: data is on stdout only, words on stderr only; cells that a spreadsheet would run get a leading apostrophe in CSV.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Mapping, Sequence
from enum import Enum
from typing import Any


class Format(str, Enum):  # noqa: UP042  (typer shows the values of a str Enum)
    """How data is written."""

    table = "table"
    csv = "csv"
    json = "json"


def say(text: str, *, quiet: bool = False) -> None:
    """Words for the user, on stderr."""
    if not quiet:
        sys.stderr.write(text + "\n")


def show(rows: Sequence[Mapping[str, Any]], fmt: Format, *, empty: str = "Nothing to show.") -> None:
    """Write rows on stdout; `empty` goes to stderr when there are none and a table was asked for."""
    if fmt is Format.json:
        sys.stdout.write(json.dumps([dict(r) for r in rows], indent=1, ensure_ascii=False) + "\n")
    elif fmt is Format.csv:
        sys.stdout.write(_as_csv(rows))
    elif rows:
        sys.stdout.write(_as_table(rows))
    else:
        say(empty)


def show_document(
    document: Mapping[str, Any], sections: Mapping[str, Sequence[Mapping[str, Any]]], fmt: Format
) -> None:
    """Write a document: all of it as JSON, or its sections one after the other as tables or CSV."""
    if fmt is Format.json:
        sys.stdout.write(json.dumps(document, indent=1, ensure_ascii=False) + "\n")
        return
    for title, rows in sections.items():
        if rows:
            sys.stdout.write(f"{title}\n" if fmt is Format.table else f"# {title}\n")
            sys.stdout.write(_as_table(rows) if fmt is Format.table else _as_csv(rows))
            sys.stdout.write("\n")


def _as_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    text = io.StringIO(newline="")
    if rows:
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(rows[0].keys())
        for row in rows:
            writer.writerow([_cell(v) for v in row.values()])
    return text.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    if isinstance(value, (list, tuple)):
        return "; ".join(str(v) for v in value)
    return "" if value is None else value


def _as_table(rows: Sequence[Mapping[str, Any]]) -> str:
    columns = list(rows[0])
    cells = [[_short(row[c]) for c in columns] for row in rows]
    numeric = [all(isinstance(r[c], (int, float)) or r[c] is None for r in rows) for c in columns]
    widths = [max(len(c), *(len(line[i]) for line in cells)) for i, c in enumerate(columns)]
    lines = [columns, *cells]
    return "".join(
        "  ".join(v.rjust(w) if n else v.ljust(w) for v, w, n in zip(line, widths, numeric, strict=True)).rstrip()
        + "\n"
        for line in lines
    )


def _short(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    if isinstance(value, (list, tuple)):
        return ", ".join(str(v) for v in value)
    text = str(value).replace("\n", " ")
    return text if text.isprintable() else "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)
