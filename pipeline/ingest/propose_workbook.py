"""The sample of a workbook: which sheet looks like a log, and where its table begins and ends.

In:    a workbook that `open_source` has checked.
Out:   `Sample`.
After: of several sheets the one with the most rows that hold a date was taken, hidden ones last; the choice is marked.
"""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
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
NEAR: Final = 0.1
"""Share of the rows of a log that a hidden sheet holds, with which a sheet that is not hidden goes before it."""


def from_workbook(path: Path) -> Sample:
    """The sample; FileRefused when no sheet holds rows."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl tells of parts that are not for us
        titles = sheet_titles(path)
        doubts: dict[str, str] = {}
        sheet: Place | None = None
        if len(titles) > 1:
            sheet = _chosen(path, [hidden for _, hidden in titles[:MOST_SHEETS]])
            shown = ", ".join(f'"{t}"' + " (hidden)" * hidden for t, hidden in titles[:MOST_SHEETS])
            title, hidden = titles[sheet - 1]
            but = ", but it is hidden: nobody may see what is read" if hidden else ""
            doubts["sheet"] = f'there are {len(titles)}: {shown}; "{title}" looks most like a log{but}'
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
    begin -= _merged_down([cells for _, cells in full], begin)
    skip = full[begin][0] - 1 if begin else 0
    if skip:
        doubts["skip_lines"] = "the rows above fill fewer cells"
    shaped = tuple(cells[:width] + ("",) * (width - len(cells)) for _, cells in full[begin:])
    rules = TextRules(skip_lines=skip, skip_end=end)
    sample = with_header(Sample("workbook", rules, None, shaped, doubts, sheet))
    if sample.names is None:
        return sample
    used = max((i for i, n in enumerate(sample.names, 1) if n), default=width)  # cells beyond it would be refused
    if any(any(row[used:]) for row in sample.rows):
        head = sample.rules.header_rows if sample.rules.header else 0
        rules = replace(rules, header=False, skip_lines=full[begin + head - 1][0])
        doubts["header"] = f"column {used + 1} holds values and has no name: columns are given by their places"
        return replace(sample, rules=rules, names=None, doubts=doubts)
    return replace(sample, names=sample.names[:used], rows=tuple(r[:used] for r in sample.rows))


def _merged_down(rows: Sequence[Sequence[str]], begin: int) -> int:
    """1 if the row above belongs to the header: it names a column that the row below leaves empty, and data do not."""
    if not begin:
        return 0
    above, head, below = rows[begin - 1], rows[begin], rows[begin + 1 :][:LOOKED_AT]
    unnamed = [i for i, c in enumerate(above) if c and not (i < len(head) and head[i])]
    filled = [sum(i < len(row) and bool(row[i]) for row in below) for i in unnamed]
    return int(not tells_a_day(head) and any(2 * n > len(below) for n in filled))


def _chosen(path: Path, hidden: Sequence[bool]) -> int:
    """Place of the sheet that looks most like a log; a hidden one only where no other comes near."""
    like = {place: _likeness(path, place) for place in range(1, len(hidden) + 1)}
    most = max(like.values())[0]
    near = [p for p, found in like.items() if not hidden[p - 1] and found[0] >= NEAR * most]
    return max(near or like, key=lambda place: (like[place], -place))


def _likeness(path: Path, place: int) -> tuple[int, int]:
    """How much a sheet looks like a log: rows that hold a date, filled cells."""
    rows = [cells for _, cells in islice(sheet_rows(path, place), LOOKED_AT)]
    return sum(map(tells_a_day, rows)), sum(bool(c) for cells in rows for c in cells)
