"""Items of two kinds that did just the same picks: one effect for both, since two would hide each other.

In:    the level of each cell for every factor, -1 where it is not known.
Out:   which pairs of kinds are mostly the same, and for such pairs which item stands for which.
After: an item that stands for another did exactly its picks; of kinds that are told apart often enough nothing is said.

On a line whose set-up nobody changes every feeder keeps its slot and its part. A feeder that fails then has three
effects to share its losses among, each with a healthy spread that the data cannot split either: none looks bad. So the
picks are given one effect, that of the first kind; all others are named as what it cannot be told from.
Only where most items of both kinds are so tied: the spread of healthy items is then that of tied ones. A few that are
tied by chance, among many that are not, keep effects of their own; theirs together differ more than those of others.
Source: aliased effects of a design, as in Box, Hunter and Hunter, Statistics for Experimenters (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Pair = tuple[str, str]
"""A kind, and one before it in its row of `TIED` that stands for it."""

TIED: Final = (("nozzle", "spindle", "head"), ("feeder", "slot", "part", "lot", "reel"))
"""Kinds that a set-up ties together; the first one known stands for the others."""

TIED_REJECTS: Final = (("nozzle", "spindle", "head"), ("part", "lot", "reel", "feeder", "slot"))
"""The same for recognition rejects, where part data are the likelier cause. Common practice, no source."""

MOSTLY: Final = 0.75
"""Share of the items of both kinds that must be tied before any is left out. Common practice, no source."""


def tied_pairs(codes: Mapping[str, IntArray], rows: Sequence[Sequence[str]]) -> frozenset[Pair]:
    """Pairs (kind, kind that stands for it) of which at least `MOSTLY` of both sides' items did the same picks.

    codes  kind -> level of each cell, -1: not known; the levels of a kind are 0, 1, ... without gaps
    """
    found = set()
    for row in rows:
        known = [kind for kind in row if kind in codes]
        for i, kind in enumerate(known):
            for first in known[:i]:
                sizes = [int(codes[k].max(initial=-1)) + 1 for k in (kind, first)]
                if min(sizes) > 0 and min(sizes) >= MOSTLY * max(sizes):
                    tied = int((same_picks(codes[kind], codes[first]) >= 0).sum())
                    if tied >= MOSTLY * max(sizes):
                        found.add((kind, first))
    return frozenset(found)


def same_picks(one: IntArray, other: IntArray) -> IntArray:
    """For each level of `one` the level of `other` that did exactly the same picks, -1 where there is none.

    one, other  level of each cell, shape (cells,), -1: not known

    >>> same_picks(np.array([0, 0, 1, 1, 2]), np.array([5, 5, 3, 4, -1])).tolist()
    [5, -1, -1]
    """
    there, back = _only(one, other), _only(other, one)
    found = np.full(there.size, -1)
    some = np.flatnonzero(there >= 0)
    mutual = some[back[there[some]] == some]
    found[mutual] = there[mutual]
    return found


def _only(one: IntArray, other: IntArray) -> IntArray:
    """For each level of `one` the only level of `other` in its cells; -1 where there are several or unknown ones."""
    size = int(one.max(initial=-1)) + 1
    known = np.flatnonzero(one >= 0)
    first = np.full(size, -1)
    first[one[known]] = other[known]
    mixed = np.bincount(one[known], other[known] != first[one[known]], minlength=size) > 0
    return np.where(mixed, -1, first)


def stands_for(
    codes: Mapping[str, IntArray], pairs: frozenset[Pair], rows: Sequence[Sequence[str]]
) -> dict[tuple[str, int], tuple[str, int]]:
    """(kind, level) of each item to be left out -> (kind, level) of the one that stands for it, which is kept."""
    found: dict[tuple[str, int], tuple[str, int]] = {}
    for row in rows:
        for i, kind in enumerate(row):
            for first in row[:i]:
                if (kind, first) in pairs and kind in codes and first in codes:
                    for level, level_of_first in enumerate(same_picks(codes[kind], codes[first]).tolist()):
                        if level_of_first >= 0:
                            item = (first, level_of_first)
                            found.setdefault((kind, level), found.get(item, item))
    return found
