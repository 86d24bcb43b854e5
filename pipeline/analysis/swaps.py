"""Which exchange on the floor would settle a doubt, and after how many picks.

In:    a suspect's key, what it cannot be told from, the week's cells, the items of all kinds with their effects.
Out:   findings.model.Swap, or None where no exchange tells the two apart.
After: the partner named is a healthy one of the same sort that worked on the same machine this week.

An exchange moves one of the two and leaves the other: the losses either go along or stay. Nozzles change spindles,
feeders change slots with the reel that is on them, reels change feeders; a part or lot is tried from a reel of another
lot. Where more than two are in doubt, both sides of the answer name all that it leaves. The number of picks is that of
each side, for a difference of the size seen, with 90 % power (estimators/sample_size.py).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis import items
from pipeline.analysis.judged_items import Items
from pipeline.estimators.sample_size import picks_to_tell_apart
from pipeline.findings.model import Swap

POWER: Final = 0.9

HEALTHY: Final = 1.25
"""Odds ratio up to which an item is healthy enough to exchange with. Common practice, no source."""

MATERIAL: Final = ("reel", "lot", "part", "package")
ALONG: Final = {"nozzle": ("nozzle",), "feeder": ("feeder", *MATERIAL), "reel": MATERIAL}
"""What goes along with what is moved."""
MOVES: Final[tuple[tuple[str, str, str, tuple[str, ...]], ...]] = (
    ("nozzle", "spindle", "nozzle_type", ("spindle", "head", "slot", "feeder", *MATERIAL)),
    ("feeder", "slot", "feeder_type", ("slot",)),
    ("reel", "feeder", "feeder_type", ("feeder", "slot")),
)
"""What is moved, the place it is moved between, what both partners must have in common, and what then stays behind."""

Key = tuple[str, str]


def propose(
    suspect: Key,
    doubt: tuple[Key, ...],
    frame: pl.DataFrame,
    tables: Mapping[str, Items],
    effect: float,
    rate: float,
    dispersion: float,
    confidence: float,
) -> Swap | None:
    """The exchange that tells `suspect` from the first thing it cannot be told from.

    frame   the week's cells with `chances`, single picks
    effect  the suspect's odds ratio against healthy peers
    rate    loss rate of a healthy peer on the same work, a fraction
    """
    if not doubt or effect <= 1.0 or not 0.0 < rate < 1.0:
        return None
    other = doubt[0]
    odds = effect * rate / (1.0 - rate)
    picks = picks_to_tell_apart(
        odds / (1.0 + odds), rate, power=POWER, confidence=confidence, dispersion=max(dispersion, 1.0)
    )
    if suspect[0] in MATERIAL and other[0] in MATERIAL:
        return _another_lot(suspect, other, frame, picks)
    for moved, place, alike, behind in MOVES:
        for mine, stays in ((suspect, other), (other, suspect)):
            if (mine[0] == moved or (moved == "reel" and mine[0] in MATERIAL)) and stays[0] in behind:
                found = _exchange(mine, stays, (suspect, *doubt), moved, place, alike, frame, tables, picks)
                if found is not None:
                    return found
    return None


def _exchange(
    mine: Key,
    stays: Key,
    meant: tuple[Key, ...],
    moved: str,
    place: str,
    alike: str,
    frame: pl.DataFrame,
    tables: Mapping[str, Items],
    picks: int,
) -> Swap | None:
    keyed = frame.with_columns(
        items.key(moved).alias("_moved"), items.key(place).alias("_place"), items.key(mine[0]).alias("_mine"),
        items.key(stays[0]).alias("_stays"),
    ).drop_nulls(["_moved", "_place"])  # fmt: skip
    ours = keyed.filter(pl.col("_mine") == mine[1])
    if ours.is_empty():
        return None
    at_work = _most(ours, ["machine", "_moved", "_place", alike])
    bad = {key for kind in (moved, place) if kind in tables for key in _unhealthy(tables[kind])}
    partners = keyed.filter(
        (pl.col("machine") == at_work["machine"])
        & pl.col(alike).eq_missing(pl.lit(at_work[alike], dtype=pl.String))
        & (pl.col("_moved") != at_work["_moved"])
        & ~pl.col("_place").is_in(ours["_place"].unique().implode())
        & (pl.col("_stays") != stays[1]).fill_null(True)
        & ~pl.col("_moved").is_in(sorted(bad))
        & ~pl.col("_place").is_in(sorted(bad))
    )
    if partners.is_empty():
        return None
    partner = _most(partners, ["_moved", "_place"])
    name = items.label(moved, at_work["_moved"])
    back = items.label(moved, partner["_moved"])
    here, there = items.label(place, at_work["_place"]), items.label(place, partner["_place"])
    if moved == "reel":
        do = f"Put {name} on {there} (now with {back}) instead of {here}."
    else:
        do = f"Exchange {name} (on {here}) with {back} (on {there})."
    return Swap(
        what=do,
        reads=f"If the losses go with {name}, it is {_either(mine, [m for m in meant if m[0] in ALONG[moved]])}; if "
        f"they stay behind, it is {_either(stays, [m for m in meant if m[0] not in ALONG[moved]])}.",
        picks=picks,
        days=_days(ours, picks),
    )


def _either(first: Key, others: list[Key]) -> str:
    """`feeder F1`, or `feeder F1 or part P1`."""
    return " or ".join(dict.fromkeys(items.label(*key) for key in (first, *others)))


def _another_lot(suspect: Key, other: Key, frame: pl.DataFrame, picks: int) -> Swap:
    """Part data, lot and reel come apart when the same part runs from a reel of another lot."""
    inner, outer = sorted((suspect, other), key=lambda k: MATERIAL.index(k[0]))
    ours = frame.filter(items.key(suspect[0]).eq(suspect[1]).fill_null(False))
    if outer[0] == "package":
        what = f"Run another part of {items.label(*outer)} from the same feeders and nozzles."
    else:
        fresh = "another lot" if inner[0] == "lot" else "another reel"
        what = f"Load {fresh} in place of {items.label(*inner)}."
    return Swap(
        what=what,
        reads=f"If the losses stop, it is {items.label(*inner)}; if they go on, it is {items.label(*outer)}.",
        picks=picks,
        days=_days(ours, picks),
    )


def _most(frame: pl.DataFrame, columns: list[str]) -> dict[str, str]:
    """The combination of these columns with most chances; of equals the one that sorts first."""
    table = (
        frame.group_by(columns)
        .agg(pl.col("chances").sum())
        .sort(["chances", *columns], descending=[True, *[False] * len(columns)])
    )
    return dict(zip(columns, table.row(0), strict=False))


def _unhealthy(table: Items) -> list[str]:
    large = np.exp(np.clip(table.effect, -50, 50)) > HEALTHY
    return [key for key, bad in zip(table.keys, large, strict=True) if bad]


def _days(ours: pl.DataFrame, picks: int) -> float | None:
    """Working days after which the item has made so many picks at this week's pace."""
    days = ours["shift"].dt.date().n_unique()
    chances = int(ours["chances"].sum())
    return picks * days / chances if chances else None
