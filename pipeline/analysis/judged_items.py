"""The items of one kind as they were judged: counts, expected losses, effects, p-values.

In:    fitted effects with their variances (attribution.py).
Out:   `Items`; rows of items that another one with the same picks was judged for.
After: every array has one entry an item, in the order of the keys.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis import items
from pipeline.analysis.attribution_model import Name, expit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ENDLESS: Final = 50.0
"""Log odds beyond which a ratio is as good as infinite: its number still fits into a float."""

OWN_RUNS: Final = 5.0
"""Runs of the plant's length that lean on an item's own: what jams has longer ones than the rest."""

ARRAYS: Final = ("losses", "events", "chances", "expected", "excess", "effect", "variance", "p", "explained")
LISTS: Final = ("keys", "explained_by", "twin_of")
"""Fields of `Items` with one entry an item."""


@dataclass(frozen=True, slots=True)
class Items:
    """All items of one kind, arrays of one entry an item.

    events    losses with each run counted once: what the model is fitted to
    expected  events of a healthy item on the same work; `effect` and `variance`: its adjusted log odds ratio
    excess    events beyond these at `effect` and at both ends of its interval, shape (n, 3)
    p         one-sided p-value against the healthy spread; nan where there are too few chances to judge
    twin_of   the item that did the same picks and was judged for this one too, None for those judged themselves; where
              that one is released, the effect is its, and its twins are shown without
    """

    kind: str
    keys: list[str]
    losses: IntArray
    events: IntArray
    chances: IntArray
    expected: FloatArray
    excess: FloatArray
    effect: FloatArray
    variance: FloatArray
    p: FloatArray
    explained: FloatArray
    explained_by: list[str | None]
    twin_of: list[Name | None]
    dispersion: float
    spread: float

    def only(self, places: IntArray) -> Items:
        """The items at these places, in this order."""
        fields: dict[str, Any] = {name: getattr(self, name)[places] for name in ARRAYS}
        fields |= {name: [getattr(self, name)[i] for i in places] for name in LISTS}
        return replace(self, **fields)

    def with_rows_of(self, other: Items, keys: Set[str]) -> Items:
        """These items, and of those in `keys` the rows of `other`, which has the same keys."""
        own = [i for i, key in enumerate(self.keys) if key not in keys]
        theirs = [i for i, key in enumerate(other.keys) if key in keys]
        return joined([self.only(np.array(own, dtype=np.int64)), other.only(np.array(theirs, dtype=np.int64))])

    @property
    def tested(self) -> FloatArray:
        """p-values of the items that were judged themselves, nan for the others; shape (n,)."""
        return np.where([t is None for t in self.twin_of], self.p, np.nan)


def log_odds(effect: FloatArray, variance: FloatArray, confidence: float) -> FloatArray:
    """Log odds ratios of items against a healthy peer, their lower and their upper ends: shape (3, n)."""
    reach = float(stats.norm.ppf(0.5 + confidence / 2)) * np.sqrt(variance)
    return np.asarray(np.clip(np.stack([effect, effect - reach, effect + reach]), -ENDLESS, ENDLESS))


def twin_row(table: Items, at: int, twin: Name, counts: tuple[int, int, int], blamed: bool, confidence: float) -> Items:
    """The row of an item that another one with the same picks stood for: its own counts with the effect of that one,
    or with that of a healthy item where the other is blamed."""
    row = table.only(np.array([at]))
    first = (table.kind, table.keys[at])
    losses, events, chances = (np.array([n], dtype=np.int64) for n in counts)
    more = chances / row.chances
    row = replace(
        row,
        kind=twin[0],
        keys=[twin[1]],
        twin_of=[first],
        losses=losses,
        events=events,
        chances=chances,
        expected=row.expected * more,
        excess=row.excess * more,
        explained=row.explained * more,
    )
    if not blamed:
        return row
    excess = row.excess[:, 0]
    variance = np.array([table.spread**2])
    rate = np.clip((row.expected + excess) / chances, 1e-12, 1 - 1e-12)
    ends = log_odds(np.zeros(1), variance, confidence)[:, 0]
    return replace(
        row,
        expected=row.expected + excess,
        excess=(chances * (expit(np.log(rate / (1 - rate)) + ends) - rate))[None, :],
        effect=np.zeros(1),
        variance=variance,
        p=np.ones(1),
        explained=row.explained + excess,
        explained_by=[items.label(*first)],
    )


def joined(tables: list[Items]) -> Items:
    """The rows of several tables of one kind as one, in the order of their keys; spread: of the first."""
    fields: dict[str, Any] = {name: np.concatenate([getattr(t, name) for t in tables]) for name in ARRAYS}
    fields |= {name: [one for t in tables for one in getattr(t, name)] for name in LISTS}
    joined = replace(tables[0], dispersion=max(t.dispersion for t in tables), **fields)
    return joined.only(np.argsort(np.array(joined.keys), kind="stable"))


def lengths_of_runs(table: Items, run_length: float) -> FloatArray:
    """Losses of each item for one that begins a run there, leaning on the plant's `run_length`; at least 1.

    A feeder that jams loses more at a time than others; a nozzle with a bad tip begins no runs, and those that come by
    began with a feeder. With the plant's length for all an item could be told to have lost more too many than it lost.
    """
    return np.maximum((table.losses + OWN_RUNS * run_length) / (table.events + OWN_RUNS), 1.0)
