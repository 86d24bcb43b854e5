"""Do two counts of the same parts agree? Outcomes, machine totals, counters, reels.

In:    store/quality.check_totals, consumption, uneven_counters; store/quality_sources.reel_counts.
Out:   Finding, one a machine, with both figures.
After: the single picks are counted, whatever the other count says.
"""

from __future__ import annotations

from typing import Final, Literal

import polars as pl

from pipeline.analysis.quality_known import Finding
from pipeline.findings.model import QualityLine
from pipeline.settings import Buying

DISAGREEMENT: Final = 0.005
"""Share by which two totals of the same parts may differ before it is said: windows cut a board in two, and a few
messages are lost. Common practice, no source."""

REEL_PIECES: Final = 20
"""Parts by which a reel's count may be off besides REEL_SHARE: parts cut off by hand, empty pockets at the splice.
Common practice, no source."""

REEL_SHARE: Final = 0.02
"""The same as a share of the parts gone: counting error of a reel count. Common practice, no source."""

REELS_OFF: Final = (3, 0.1)
"""At least this many reels, and at least this share of a machine's reels, must be off for a warning; below it is a
note: single reels are handled by hand every week. Common practice, no source."""

Level = Literal["note", "warning", "problem"]


def totals(frame: pl.DataFrame) -> list[Finding]:
    """The machine's own totals beside the events in the same windows; a note where they agree."""
    found = []
    for r in frame.iter_rows(named=True):
        theirs, ours = r["placed"] + r["not_placed"], r["events_placed"] + r["events_not_placed"]
        apart = abs(theirs - ours) > DISAGREEMENT * max(theirs, ours, 1)
        text = (
            f"The machine's own totals of {r['windows']} windows say {r['placed']} placed and "
            f"{r['not_placed']} not placed; "
            f"the {'counters' if r['counted'] else 'events'} in them say {r['events_placed']} and "
            f"{r['events_not_placed']}."
        )
        line = QualityLine("warning" if apart else "note", "totals", text, r["machine"], float(ours), float(theirs))
        found.append(Finding("totals" if apart else "", line))
    return found


def consumption(frame: pl.DataFrame) -> list[Finding]:
    """Counters of feeders, nozzles or a machine beside the picks in the same times; nothing where they agree."""
    found = []
    for r in frame.iter_rows(named=True):
        theirs, ours = r["placed"] + r["lost"], r["events_placed"] + r["events_lost"]
        if abs(theirs - ours) <= DISAGREEMENT * max(theirs, ours, 1):
            continue
        text = (
            f"The {r['grain']} counters say {r['placed']} placed and {r['lost']} lost; the events say "
            f"{r['events_placed']} and {r['events_lost']}. The events are counted; the counters are not."
        )
        kind = f"{r['grain']} counters"
        found.append(Finding(kind, QualityLine("warning", kind, text, r["machine"], float(ours), float(theirs))))
    return found


def balance(frame: pl.DataFrame) -> list[Finding]:
    """Counters whose picks are not the sum of their outcomes; a warning beyond DISAGREEMENT, a note below."""
    found = []
    for r in frame.filter(pl.col("uneven") > 0).iter_rows(named=True):
        far = r["apart"] > DISAGREEMENT * max(r["attempts"], r["outcomes"], 1)
        text = (
            f"In {r['uneven']} of {r['rows']} {r['grain']} counters the picks are not the sum of the outcomes: "
            f"{r['attempts']} picks stated, {r['outcomes']} by outcome, {r['apart']} apart row by row. The sum of the "
            "outcomes is counted."
        )
        line = QualityLine(
            "warning" if far else "note", "balance", text, r["machine"], float(r["outcomes"]), float(r["attempts"])
        )
        found.append(Finding("balance", line))
    return found


def reel_counts(frame: pl.DataFrame, buying: Buying) -> list[Finding]:
    """Reels from which more or fewer parts went than were picked, beyond the counting error.

    A lost part is taken off the count by some machines and not by others, a missed pick takes a part only sometimes:
    so the count may lie anywhere between the parts placed and all picks, plus what loading the reel costs.
    """
    if frame.is_empty():
        return []
    gone, picks = pl.col("first") - pl.col("last"), pl.col("placed") + pl.col("missed") + pl.col("lost")
    counted = frame.with_columns(
        gone=gone,
        picks=picks,
        slack=REEL_PIECES + REEL_SHARE * pl.max_horizontal(gone, picks, pl.lit(0)),
        loading=pl.when("opened").then(buying.load_loss_tape).otherwise(0.0),
    ).with_columns(
        short=pl.col("placed") - pl.col("slack") - pl.col("gone"),
        over=pl.col("gone") - pl.col("picks") - pl.col("slack") - pl.col("loading"),
    )
    found = []
    for _, rows in counted.group_by(["machine"], maintain_order=True):
        off = rows.filter(pl.max_horizontal("short", "over") > 0).with_columns(
            worst=pl.max_horizontal("short", "over")
        ).sort(["worst", "reel"], descending=[True, False])  # fmt: skip
        if off.is_empty():
            continue
        worst = off.row(0, named=True)
        many = off.height >= REELS_OFF[0] and off.height >= REELS_OFF[1] * rows.height
        text = (
            f"{off.height} of {rows.height} reels: the counts say {off['gone'].sum()} parts gone, the picks say "
            f"{off['placed'].sum()} placed and {(off['missed'] + off['lost']).sum()} lost. The worst is reel "
            f"{worst['reel']}: {worst['gone']} gone, {worst['placed']} placed and {worst['missed'] + worst['lost']} "
            "lost."
        )
        line = QualityLine(
            "warning" if many else "note",
            "reel count",
            text,
            rows["machine"][0],
            float(off["picks"].sum()),
            float(off["gone"].sum()),
        )
        found.append(Finding("reel count", line))
    return found
