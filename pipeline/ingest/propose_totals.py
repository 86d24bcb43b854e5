"""Finds rows of sums inside a table of counts: what the others counted at the same time, once more.

In:    a `Sample` of counts and what was guessed of its columns.
Out:   filters that leave such rows out, with what they rest on, and the rows that pass.
After: a text of an id's column is only filtered where its counts are those of all the others together, at nearly every
       time. One that is called a total and is none is marked.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from typing import Final

from pipeline.ingest.mapping import COUNTS
from pipeline.ingest.propose_columns import SURE, Guess, guess
from pipeline.ingest.propose_counters import CARRIERS, PICKERS, number_of
from pipeline.ingest.propose_filter import Filtered, cell_of
from pipeline.ingest.propose_sample import Sample
from pipeline.ingest.propose_words import roots_score

ROOTS: Final = "total totals sum sums subtotal summe gesamt gesamtsumme zwischensumme all alle overall 合計 総計 計"
"""Words for a row of sums."""
MOST_SUMS: Final = 3
"""Such rows that are looked for one after the other: of nozzles, then of machines."""
TIMES: Final = 5
"""Times at which the counts must add up where the text is no word for sums: one may be by chance."""
MOST_AMISS: Final = 0.02
"""Share of the times at which they need not (one always: the sample may end in the midst of a time)."""


def without_totals(sample: Sample, found: Guess, table: str) -> tuple[Sample, Guess]:
    """The rows that are no sums, and what is guessed from them, with a filter for each kind of sums."""
    filters: list[Filtered] = []
    while len(filters) < MOST_SUMS and (sums := _sums(sample, found)) is not None:
        index, label, doubt = sums
        filters.append((sample.places()[index], "not_equals", (label,), doubt))
        sample = replace(sample, rows=tuple(row for row in sample.rows if cell_of(sample, row[index]) != label))
        found = replace(guess(sample, table), filters=found.filters)
    found.filters = [*found.filters, *filters]
    for ours, index in _ids(found).items():
        called = [t for t in dict.fromkeys(sample.column(index)) if _is_word(t)]
        if called:
            found.doubts[ours] = f'"{called[0]}" is not the sum of the others: filter it out if it is one all the same'
    return sample, found


def _is_word(text: str) -> bool:
    return roots_score(text, ROOTS) >= SURE


def _ids(found: Guess) -> dict[str, int]:
    return {c: found.indexes[c] for c in ("machine", *PICKERS, *CARRIERS) if c in found.indexes}


def _sums(sample: Sample, found: Guess) -> tuple[int, str, str] | None:
    """Index of a column, the text in it that stands for sums, and what speaks for it."""
    counts = [i for c, i in found.indexes.items() if c in (*COUNTS, "not_placed") and c != "remaining"]
    times = [sample.places().index(p) for p in found.time]
    ids = _ids(found)
    if not counts:
        return None
    for ours, index in ids.items():
        within = [*times, *([ids["machine"]] if ours != "machine" and "machine" in ids else [])]
        for keys in dict.fromkeys((tuple(within), tuple(times))):
            if (label := _sum_in(sample, index, keys, counts)) is not None:
                said = f'counts of {ours} "{label[:30]}" are those of the others at the same time together: sums'
                return index, label, said
    return None


def _sum_in(sample: Sample, index: int, keys: tuple[int, ...], counts: list[int]) -> str | None:
    """Text of a column whose counts are the sum of the others' in rows with the same keys."""
    groups: dict[tuple[str, ...], dict[str, list[int]]] = defaultdict(dict)
    for row in sample.rows:
        values = [number_of(sample, row[i]) or 0 for i in counts]
        group = groups[tuple(row[k] for k in keys)]
        label = cell_of(sample, row[index])
        before = group.get(label)
        group[label] = values if before is None else [a + b for a, b in zip(before, values, strict=True)]
    good, bad = Counter[str](), Counter[str]()
    for group in groups.values():
        whole = [sum(column) for column in zip(*group.values(), strict=True)]
        if len(group) < 3 or not any(whole):
            continue
        for label, values in group.items():
            (good if [2 * v for v in values] == whole else bad)[label] += 1
    for label, times in good.most_common():
        enough = times >= (1 if _is_word(label) else TIMES)
        if enough and times > bad[label] and bad[label] <= max(1, MOST_AMISS * times):
            return label
    return None
