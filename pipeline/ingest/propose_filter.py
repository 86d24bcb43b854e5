"""Finds a column whose text decides whether a row of a log of picks is a pick at all, and lines that close sections.

In:    a `Sample` and what was guessed of its columns.
Out:   the filters for the mapping, what they rest on, and the rows that pass them.
After: every text of that column is seen with an outcome in nearly all of its rows, or in nearly none. A line with
       fewer fields holds no outcome.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from typing import Final

from pipeline.ingest.mapping import Place
from pipeline.ingest.propose_columns import Guess, guess
from pipeline.ingest.propose_sample import Sample
from pipeline.ingest.propose_words import roots_score

Filtered = tuple[Place, str, tuple[str, ...], str]
"""Column, test and texts of a filter, and what is unsure about it."""

ROOTS: Final = "type typ event eventtype rowtype recordtype kind record art satzart ereignis 種別 区分"
"""Names of such a column; another will do if no column has one."""
MOST_KINDS: Final = 12
"""Distinct texts up to which a column can tell kinds of rows."""
PURE: Final = 0.98
"""Share of the rows of a kind that must have an outcome, or must have none."""


def with_filters(sample: Sample, found: Guess, table: str) -> tuple[Sample, Guess]:
    """The rows that pass, and what is guessed from these; with the filters that were found."""
    filters = _without_sums(sample, found)
    decided = _kinds(sample, found) if table == "pick" else None
    if decided is not None:
        passing, index, picks, doubt = decided
        again = guess(passing, table)
        if "placed" in again.words.get("outcome", {}).values():  # else empty is how this log writes it
            place = sample.places()[index]
            filters.append((place, "equals", picks, doubt))
            again.unused = [u for u in again.unused if u[0] != place]
            sample, found = passing, again
    found.filters = filters
    return sample, found


def _without_sums(sample: Sample, found: Guess) -> list[Filtered]:
    """A filter that leaves out lines at the ends of sections: where the time should be they have no digit."""
    index = sample.places().index(found.time[0])
    sums = [row for row in sample.closing if len(row) > index and not re.search(r"\d", row[index])]
    if not sums:
        return []
    doubt = f"lines at the ends of sections hold no date: {' '.join(c for c in sums[0] if c)[:40]}"
    return [(found.time[0], "matches", ("[0-9]",), doubt)]


def _kinds(sample: Sample, found: Guess) -> tuple[Sample, int, tuple[str, ...], str] | None:
    """The rows that pass, the column's index with the texts of picks, and the reason; None where nothing decides."""
    outcome = found.indexes.get("outcome")
    if outcome is None or outcome == found.indexes.get("reason"):
        return None
    used = {i for ours, i in found.indexes.items() if ours != "kind"}
    times = {i for i, place in enumerate(sample.places()) if place in found.time}
    wide = [row for row in sample.odd if len(row) > len(sample.places())]  # a stray delimiter beyond the outcome
    best: tuple[int, int, int, tuple[str, ...], str] | None = None
    for i in range(len(sample.places())):
        if i in used or i in times:
            continue
        rows = Counter(cell_of(sample, row[i]) for row in (*sample.rows, *sample.odd) if i < len(row))
        if not 2 <= len(rows) <= MOST_KINDS:
            continue
        filled = Counter(cell_of(sample, row[i]) for row in (*sample.rows, *wide) if cell_of(sample, row[outcome]))
        picks = tuple(sorted(t for t in rows if filled[t] >= PURE * rows[t]))
        others = sorted(t for t in rows if filled[t] <= (1 - PURE) * rows[t])
        if not picks or not others or len(picks) + len(others) < len(rows):
            continue
        named = roots_score(sample.names[i], ROOTS) if sample.names is not None else 0
        shown = ", ".join(f'"{t[:30]}"' for t in others[:3])
        said = f"{sum(rows[t] for t in others)} rows with {shown} hold no outcome: they are taken for no picks"
        if best is None or (named, -len(rows)) > best[:2]:
            best = (named, -len(rows), i, picks, said)
    if best is None:
        return None
    _, _, index, picks, said = best
    passing = tuple(row for row in sample.rows if cell_of(sample, row[index]) in picks)
    return replace(sample, rows=passing), index, picks, said


def cell_of(sample: Sample, text: str) -> str:
    """A cell as a filter sees it."""
    text = text.strip() if sample.rules.trim else text
    return "" if text in sample.rules.null else text
