"""Which of our tables a log fills, where nobody says so.

In:    a `Sample`.
Out:   the name of a table and what speaks for it.
After: a log with a column of results is one of picks, whatever else it holds; so is one where nothing speaks for
       another table, with nothing said.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from pipeline.ingest.mapping import COUNTS, WORDS
from pipeline.ingest.propose_columns import SURE, Guess
from pipeline.ingest.propose_sample import Sample
from pipeline.ingest.propose_times import shape_of
from pipeline.ingest.propose_words import (
    COLUMN_ROOTS,
    OUTCOME_ROOTS,
    VALUE_ROOTS,
    best_word,
    count_score,
    count_word,
    roots_score,
)

MOST_TEXTS: Final = 12
"""Distinct texts up to which a column can be one of results or events."""
ITEMS: Final = ("head", "spindle", "nozzle", "feeder", "slot", "part", "reel", "lot", "designator")
_FAULT_ROOTS: Final = "fault faulttype alarm störung stoerung 異常"
_NEARLY_ALL: Final = 0.98
_WHOLE: Final = re.compile(r"(\d+(?:[.,'\u2019 \u00a0\u202f]\d{3})*)(?:[.,](?:0{1,2}|0{4,}))?")


def table_of(sample: Sample) -> tuple[str, str]:
    """Table that the rows look like, and what speaks for it; ("pick", "") where nothing speaks for another."""
    if _named_results(sample):
        return "pick", ""
    if _named(sample, "measured") and any(_named(sample, c) for c in ("expected", "low", "high")):
        return "measurement", _said("measured values", _named(sample, "measured"), sample)
    faults = _faults(sample)  # their words are much like those for results
    if any(_results(sample, i) for i in range(_width(sample)) if i not in faults):
        return "pick", ""
    return _of_counts(sample) or _of_events(sample) or ("pick", "")


def _of_counts(sample: Sample) -> tuple[str, str] | None:
    """Counts instead of single picks: at least two kinds of them, or what was placed between two times."""
    counts = {c: i for c in COUNTS if c != "remaining" for i in _named(sample, c) if _is_whole(sample, i)}
    by_outcome = {c: i for c, i in _called_as_outcomes(sample).items() if c not in counts}
    items = any(_named(sample, c) for c in ITEMS)
    missing = [i for i in _named(sample, "not_placed") if _is_whole(sample, i)]
    if not items and "placed" in counts and (missing or len(counts) == 1) and len(_times(sample)) > 1:
        return "check_total", _said("totals between two times", [counts["placed"], *missing], sample)
    if len(set(counts.values())) < 2:  # outcomes for names: flags of single picks may be called so, too
        counts |= by_outcome
        whole = "attempts" if "attempts" in counts else "placed" if "placed" in counts else ""
        if not _adds_up(sample, counts, whole):
            return None
    if len(set(counts.values())) > 1:
        return "counter", _said("counts", counts.values(), sample)
    return None


def counts_instead(sample: Sample, found: Guess) -> str:
    """What speaks for counts where picks were taken: columns of numbers, and nothing sure that tells results."""
    if "outcome" in found.columns and "outcome" not in found.doubts:
        return ""
    unused = {place for place, _ in found.unused}
    numbers = [i for i, p in enumerate(sample.places()) if p in unused and _is_whole(sample, i) and _several(sample, i)]
    if len(numbers) < 2:
        return ""
    shown = ", ".join(f'"{sample.places()[i]}"' for i in numbers[:4])
    return f"{shown} hold numbers above 1, and no column is sure to tell results: counts are read with --table counter"


def _several(sample: Sample, index: int) -> bool:
    """True if most numbers of a column are above 1."""
    numbers = [n for c in sample.column(index) if (n := _count(c)) is not None]
    return 2 * sum(n > 1 for n in numbers) > len(numbers)


def _called_as_outcomes(sample: Sample) -> dict[str, int]:
    """Whole numbers under the words for outcomes, such as "no part": our count -> column."""
    found: dict[str, int] = {}
    for i in range(_width(sample)):
        word = count_word(sample.title(i))
        if word is not None and word not in found and _is_whole(sample, i):
            found[word] = i
    return found


def _adds_up(sample: Sample, counts: dict[str, int], of: str) -> bool:
    """True if several counts are mostly more than one a line, and those of `of`, if there is such, never the fewest."""
    if len(counts) < 2:
        return False
    rows = [[_count(row[i]) for i in counts.values()] for row in sample.rows]
    whole = [[n for n in row if n is not None] for row in rows if None not in row]
    at = list(counts).index(of) if of else None
    fit = sum(at is None or row[at] >= max(row) for row in whole)
    several = sum((max(row) if at is None else row[at]) > 1 for row in whole)
    return bool(whole) and fit >= _NEARLY_ALL * len(whole) and 2 * several > len(whole)


def _count(cell: str) -> int | None:
    found = _WHOLE.fullmatch(cell)
    return int(re.sub(r"\D", "", found[1])) if found else None


def _of_events(sample: Sample) -> tuple[str, str] | None:
    """What happened to reels, boards and items, told by the words of one column or by the columns that are there."""
    for i in range(_width(sample)):
        texts = set(sample.column(i))
        if not 1 <= len(texts) <= MOST_TEXTS:
            continue
        told = len(texts) > 1
        if _all_words(texts, "reel_event", "event") and (told or _named(sample, "reel")):
            return "reel_event", _said("events of reels", [i], sample)
        if _all_words(texts, "activity", "event") and (_named(sample, "recipe") or _named(sample, "board")):
            return "activity", _said("events of boards or programs", [i], sample)
        if _all_words(texts, "service", "action") and (told or i in _named(sample, "action")):
            return "service", _said("work that was done", [i], sample)
    if _named(sample, "reel") and _named(sample, "quantity") and not _named(sample, "nozzle"):
        return "reel_event", _said("reels and how many parts are on them", _named(sample, "quantity"), sample)
    faults = _faults(sample)
    return ("fault", _said("faults", faults, sample)) if faults else None


def _said(what: str, indexes: Iterable[int], sample: Sample) -> str:
    shown = ", ".join(dict.fromkeys(f'"{sample.title(i) or i + 1}"' for i in indexes))
    return f"{what} in column {shown}; --table takes another"


def _width(sample: Sample) -> int:
    return len(sample.places())


def _named(sample: Sample, ours: str) -> list[int]:
    """Columns that are called so, surely."""
    if ours in COUNTS:
        return [i for i in range(_width(sample)) if count_score(sample.title(i), ours, COLUMN_ROOTS) >= SURE]
    roots = f"{COLUMN_ROOTS.get(ours, '')} {ours.replace('_', '')}"
    return [i for i in range(_width(sample)) if roots_score(sample.title(i), roots) >= SURE]


def _faults(sample: Sample) -> list[int]:
    return [i for i in range(_width(sample)) if roots_score(sample.title(i), _FAULT_ROOTS) >= SURE]


def _is_whole(sample: Sample, index: int) -> bool:
    cells = sample.column(index)
    return bool(cells) and all(_WHOLE.fullmatch(c) for c in cells)


def _times(sample: Sample) -> list[int]:
    """Columns that hold a date with the time of day."""
    cells = sample.content == "workbook"
    shapes = ((i, shape_of(sample.column(i)[:3000], cells=cells)) for i in range(_width(sample)))
    return [i for i, shape in shapes if shape is not None and shape.date and shape.clock]


def _results(sample: Sample, index: int) -> bool:
    """True for a column of at least two texts that all are words for how a pick ended."""
    texts = set(sample.column(index))
    return 2 <= len(texts) <= MOST_TEXTS and all(
        best_word(t, OUTCOME_ROOTS, OUTCOME_ROOTS) != (None, False) for t in texts
    )


def _named_results(sample: Sample) -> bool:
    """True if a column is called a result and holds such words, or codes of one or two digits."""
    for i in _named(sample, "outcome"):
        texts = set(sample.column(i))
        if _results(sample, i) or (2 <= len(texts) <= MOST_TEXTS and all(re.fullmatch(r"\d{1,2}", t) for t in texts)):
            return True
    return False


def _all_words(texts: Iterable[str], table: str, column: str) -> bool:
    """True if each text surely is a word for one of ours."""
    return all(best_word(t, VALUE_ROOTS[column], WORDS[table, column])[1] for t in texts)
