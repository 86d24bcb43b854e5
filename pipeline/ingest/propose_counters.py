"""What the lines of a counter log count: for which keys, and since when.

In:    a `Sample` and the columns found so far.
Out:   the constants `grain` and `running`, with what is unsure about them.
After: totals that run on are told by their not falling: counts of intervals fall in about every second step. What
       changes beside them is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from scipy import special

from pipeline.ingest.mapping import COUNTS
from pipeline.ingest.propose_sample import Sample

PICKERS: Final = ("nozzle", "spindle", "head")
CARRIERS: Final = ("feeder", "slot", "lane", "part", "reel", "lot")
BESIDE: Final = ("nozzle_type", "package", "recipe", "method", "lighting")
CHANCE: Final = 1 / 250
"""Chance that counts of intervals, which fall in at least every second step from one line to the next of the same keys,
look like totals that run on: at least eight steps are needed, more where some of them fall."""
NOT_FALLING: Final = 0.75
"""Share of the steps that do not fall where totals run on; the others are resets, by a change of jobs or shifts."""


def grain_of(columns: Iterable[str]) -> tuple[str, str]:
    """Which keys the counts are for, and the doubt: one kind of item, unless the log names both ends of a pick.

    >>> grain_of(["machine", "slot", "placed"])[0], grain_of(["spindle", "placed"])[0]
    ('feeder', 'nozzle')
    """
    there = set(columns)
    pickers = [c for c in PICKERS if c in there]
    carriers = [c for c in CARRIERS if c in there]
    if carriers and pickers and pickers != ["head"]:
        return (
            "joint",
            f"{pickers[0]} and {carriers[0]} stand side by side: each count must be for that combination of both",
        )
    grain = "feeder" if carriers else "nozzle" if pickers else "machine"
    item = {"nozzle": "nozzle or spindle", "feeder": "feeder or slot", "machine": "machine"}[grain]
    return grain, f"by its columns: each line counts the picks of one {item}"


def running_doubt(sample: Sample, indexes: Mapping[str, int]) -> str | None:
    """What speaks for totals that run on, or None where nothing does.

    indexes   our column -> place in a row of the sample; rows are taken in the order of the log
    The steps are those of an item, whatever stands beside it, or else of all keys (rollup/sql/running_chains.sql).
    """
    counts = [i for c, i in indexes.items() if c in COUNTS and c != "remaining"]
    keys = [c for c in indexes if c in ("machine", *PICKERS, *CARRIERS, *BESIDE)]
    item = _item(keys)
    places = [indexes[c] for c in item]
    last: dict[tuple[str, ...], Sequence[str]] = {}
    beside: set[str] = set()
    for row in sample.rows:
        before = last.setdefault(tuple(row[i] for i in places), row)
        beside.update(c for c in keys if row[indexes[c]] != before[indexes[c]])
    what = " and ".join(c for c in item if c != "machine") or "machine"
    changing = " and ".join(c for c in keys if c in beside)
    said = _not_falling(sample, counts, places)
    how = f" {changing} may change beside the totals of a {what}, which go on." if changing else ""
    if said is None and changing:
        said = _not_falling(sample, counts, [indexes[c] for c in keys])
        how = f" Each {what} has totals of its own for each {changing}."
    if said is None:
        return None
    return (
        f"{said} from one line to the next of the same keys: totals that run on.{how} "
        "Take the line out if each line counts for itself"
    )


def _item(keys: Iterable[str]) -> list[str]:
    """The columns that name whose totals they are, of those there are.

    >>> _item(["machine", "head", "spindle", "nozzle", "recipe"]), _item(["slot", "lane", "part"])
    (['machine', 'nozzle'], ['slot', 'lane'])
    """
    there: list[str] = [c for c in ("machine", *PICKERS, *CARRIERS) if c in set(keys)]
    if grain_of(there)[0] == "joint":
        return there
    firsts: tuple[tuple[str, ...], ...] = (
        ("feeder",),
        ("slot", "lane"),
        ("part",),
        ("reel",),
        ("lot",),
        ("nozzle",),
        ("head", "spindle"),
    )
    names = next((f for f in firsts if any(c in there for c in f)), ())
    return [c for c in there if c in ("machine", *names)]


def _not_falling(sample: Sample, counts: Iterable[int], keys: Iterable[int]) -> str | None:
    """How few steps fall, in words; None where they may be counts of intervals."""
    last: dict[tuple[str, ...], list[int]] = {}
    steps = rising = falling = 0
    for row in sample.rows:
        values = [_number(sample, row[i]) for i in counts]
        if None in values:
            continue
        now = [v for v in values if v is not None]
        key = tuple(row[i] for i in keys)
        if key in last:
            steps += 1
            rising += sum(now) > sum(last[key])
            falling += any(b < a for a, b in zip(last[key], now, strict=True))
        last[key] = now
    by_chance = float(special.bdtr(falling, steps, 0.5)) if steps else 1.0
    if by_chance > CHANCE or steps - falling < NOT_FALLING * steps or 2 * rising < steps:
        return None
    said = "no count falls" if not falling else f"counts fall in {falling} only, as after a reset,"
    return f"{said} in {steps} steps"


def _number(sample: Sample, cell: str) -> int | None:
    text = cell.replace(sample.rules.thousands, "") if sample.rules.thousands else cell
    return int(text) if text.isascii() and text.isdigit() else None
