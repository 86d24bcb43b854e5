"""The sample of a workbook: which sheet looks like a log, and where its table begins and ends.

In:    a workbook that `open_source` has checked.
Out:   `Sample`.
After: of several sheets the one with the most rows that hold a date was taken, and the choice is marked as unsure.
"""

from __future__ import annotations

import warnings
from collections import Counter
from itertools import islice
from pathlib import Path
from typing import Final

from pipeline.errors import FileRefused
from pipeline.ingest.containers_workbook import sheet_rows, sheet_titles
from pipeline.ingest.mapping import Place, TextRules
from pipeline.ingest.propose_sample import MOST_ROWS, Sample, footer_rows, tells_a_day, with_header

MOST_SHEETS: Final = 30
"""Sheets looked at."""
LOOKED_AT: Final = 300
"""Rows by which a sheet is judged."""


def from_workbook(path: Path) -> Sample:
    """The sample; FileRefused when no sheet holds rows."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl tells of parts that are not for us
        titles = sheet_titles(path)
        doubts: dict[str, str] = {}
        sheet: Place | None = None
        if len(titles) > 1:
            sheet = max(range(1, min(len(titles), MOST_SHEETS) + 1), key=lambda place: (_likeness(path, place), -place))
            shown = ", ".join(f'"{t}"' for t in titles[:MOST_SHEETS])
            doubts["sheet"] = f'there are {len(titles)}: {shown}; "{titles[sheet - 1]}" looks most like a log'
        rows = list(islice(sheet_rows(path, sheet), MOST_ROWS))
    full = [(n, tuple(cells)) for n, cells in rows if any(cells)]
    if not full:
        raise FileRefused("holds no rows in its sheet.")
    end = footer_rows([cells for _, cells in full]) if len(rows) < MOST_ROWS else 0
    if end:
        doubts["skip_end"] = "the last rows hold no date: " + " ".join(c for c in full[-end][1] if c)[:60]
        full = full[:-end]
    width = max(max(i for i, c in enumerate(cells, 1) if c) for _, cells in full)
    usual = Counter(sum(map(bool, cells)) for _, cells in full).most_common(1)[0][0]
    # Titles above the table fill fewer cells than the table does.
    begin = next(i for i, (_, cells) in enumerate(full) if sum(map(bool, cells)) >= 0.7 * usual)
    skip = full[begin][0] - 1 if begin else 0
    if skip:
        doubts["skip_lines"] = "the rows above fill fewer cells"
    shaped = tuple(cells[:width] + ("",) * (width - len(cells)) for _, cells in full[begin:])
    rules = TextRules(skip_lines=skip, skip_end=end)
    sample = with_header(Sample("workbook", rules, None, shaped, doubts, sheet))
    if sample.names is None:
        return sample
    used = max((i for i, n in enumerate(sample.names, 1) if n), default=width)  # cells beyond it would be refused
    return Sample(
        *("workbook", sample.rules, sample.names[:used], tuple(r[:used] for r in sample.rows), sample.doubts, sheet)
    )


def _likeness(path: Path, place: int) -> tuple[int, int]:
    """How much a sheet looks like a log: rows that hold a date, filled cells."""
    rows = [cells for _, cells in islice(sheet_rows(path, place), LOOKED_AT)]
    return sum(map(tells_a_day, rows)), sum(bool(c) for cells in rows for c in cells)
