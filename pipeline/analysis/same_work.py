"""Items of several kinds that did the same picks: one effect for all, since theirs would hide each other.

In:    the level of each cell for every kind, -1 where it is not known, and the picks of each cell.
Out:   which item stands for which others, in groups of items that are tied in the same way.
After: an item that stands for another did nearly all of its picks, and it nearly all of theirs; too few of a sort to
       learn from are left as they are, unless they are what is left of a large group.

On a line whose set-up nobody changes every feeder keeps its slot and its part. A feeder that fails then has three
effects to share its losses among, each with a healthy spread that the data cannot split either: none looks bad. So the
picks are given one effect, that of the first kind; all others are named as what it cannot be told from. Items that are
tied in the same way are a group with a healthy spread of its own, which is that of all their effects together; items
that came apart keep one effect for each kind. A few that are tied by chance, among many that are not, keep theirs too:
what the others show of each spread says how far they may differ together.
Source: aliased effects of a design, as in Box, Hunter and Hunter, Statistics for Experimenters (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Item = tuple[str, int]
"""Kind and level."""

TIED: Final = (("nozzle", "spindle", "head"), ("feeder", "slot", "part", "lot", "reel"))
"""Kinds that a set-up ties together; the first one known stands for the others."""

TIED_REJECTS: Final = (("nozzle", "spindle", "head"), ("part", "lot", "reel", "feeder", "slot"))
"""The same for recognition rejects, where part data are the likelier cause. Common practice, no source."""

PASSING: Final = ("lot", "reel")
"""Kinds that last for days only: they may go with another item, and stand for none."""

NEARLY: Final = 0.98
"""Share of the picks of both that two items must have in common to be tied: a wrong load, or a nozzle that was tried
elsewhere for an hour, tells next to nothing of which of the two it is. Common practice, no source."""

ENOUGH: Final = 10
MOSTLY: Final = 0.75
"""Items of a group, or their share of all items of each of its kinds, from which on it has an effect and a spread of
its own. Common practice, no source."""


def tied_groups(
    codes: Mapping[str, IntArray], picks: IntArray, rows: Sequence[Sequence[str]]
) -> dict[str, dict[int, tuple[Item, ...]]]:
    """Name of each group -> level of the item that stands for others -> these others.

    codes  kind -> level of each cell, -1: not known; the levels of a kind are 0, 1, ... without gaps
    picks  picks of each cell, at least 1

    A group is called by its kinds, the one that stands for the others first: "feeder+slot+part". A lot or reel that
    goes with them does so because the week was short, and makes no group of its own. A few that left a large group in
    part (feeders that took their part to another slot) are a group as well.
    """
    groups: dict[str, dict[int, tuple[Item, ...]]] = {}
    for row in rows:
        kinds = [kind for kind in row if kind in codes]
        others: dict[Item, tuple[Item, ...]] = {}
        taken: set[Item] = set()
        for i, first in enumerate(kinds):
            if first in PASSING:
                continue
            for kind in kinds[i + 1 :]:
                for level, same in enumerate(same_picks(codes[first], codes[kind], picks).tolist()):
                    if same >= 0 and (first, level) not in taken and (kind, same) not in taken:
                        others[first, level] = (*others.get((first, level), ()), (kind, same))
                        taken.add((kind, same))
        for (first, level), twins in others.items():
            groups.setdefault(_name(first, [kind for kind, _ in twins]), {})[level] = twins
    large = [set(name.split("+")) for name, group in groups.items() if _large(name, len(group), codes)]
    return {name: group for name, group in groups.items() if any(set(name.split("+")) <= kinds for kinds in large)}


def _name(first: str, others: list[str]) -> str:
    lasting = [kind for kind in others if kind not in PASSING]
    return "+".join([first, *(lasting or others)])


def _large(name: str, count: int, codes: Mapping[str, IntArray]) -> bool:
    return count >= min(ENOUGH, MOSTLY * max(int(codes[kind].max()) + 1 for kind in name.split("+")))


def same_picks(one: IntArray, other: IntArray, picks: IntArray) -> IntArray:
    """For each level of `one` the level of `other` that did `NEARLY` the same picks, -1 where there is none.

    one, other  level of each cell, shape (cells,), -1: not known
    picks       picks of each cell, shape (cells,)

    >>> same_picks(np.array([0, 0, 1, 1, 2]), np.array([5, 5, 3, 4, -1]), np.ones(5, dtype=np.int64)).tolist()
    [5, -1, -1]
    >>> same_picks(np.array([0, 0, 1]), np.array([0, 1, 1]), np.array([99, 1, 99])).tolist()
    [0, 1]
    """
    sizes = int(one.max(initial=-1)) + 1, int(other.max(initial=-1)) + 1
    both = (one >= 0) & (other >= 0)
    pairs, at = np.unique(one[both] * sizes[1] + other[both], return_inverse=True)
    shared = np.bincount(at, picks[both], minlength=pairs.size).astype(np.float64)
    order = np.argsort(shared, kind="stable")
    mine, theirs, shared = pairs[order] // max(sizes[1], 1), pairs[order] % max(sizes[1], 1), shared[order]
    there = _mostly(mine, theirs, shared, _sums(one, picks, sizes[0]))
    back = _mostly(theirs, mine, shared, _sums(other, picks, sizes[1]))
    found = np.full(there.size, -1)
    some = np.flatnonzero(there >= 0)
    mutual = some[back[there[some]] == some]
    found[mutual] = there[mutual]
    return found


def _sums(code: IntArray, picks: IntArray, size: int) -> FloatArray:
    known = code >= 0
    return np.bincount(code[known], picks[known], minlength=size).astype(np.float64)


def _mostly(one: IntArray, other: IntArray, shared: FloatArray, picks: FloatArray) -> IntArray:
    """For each level of `one` the level of `other` that has `NEARLY` all of its `picks`, else -1.

    one, other, shared  pairs of levels with the picks that they share, in rising order of these
    """
    most, best = np.full(picks.size, -1), np.zeros(picks.size)
    most[one], best[one] = other, shared  # the last one stays: that of most picks
    return np.where(best >= NEARLY * picks, most, -1)
