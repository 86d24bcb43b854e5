"""What was worked out beyond the log's own lines: keys filled in, counters that fell, grains, files that disagree.

In:    frames of store/quality_keys.py and frames.grains.
Out:   lines of the data-quality page.
After: nothing is judged; every line carries how many picks, hours or lines it is about.
"""

from __future__ import annotations

from datetime import datetime

import polars as pl

from pipeline.findings.model import QualityLine


def filled_in(fills: pl.DataFrame) -> list[QualityLine]:
    """Shares of picks whose feeder, reel, part or lot was filled in from reel events and set-up lists."""
    found = []
    for r in fills.filter(pl.col("filled") > 0).iter_rows(named=True):
        picks = r["told"] + r["filled"] + r["unknown"]
        text = (
            f"The {r['key']} of {r['filled'] / picks:.1%} of the picks was filled in from reel events and set-up "
            f"lists; {r['told'] / picks:.1%} say it themselves, {r['unknown'] / picks:.1%} stay unknown."
        )
        found.append(QualityLine("note", f"{r['key']} filled in", text, r["machine"], r["filled"] / picks))
    return found


def fallen(events: pl.DataFrame, start: datetime, end: datetime) -> list[QualityLine]:
    """Running counters that were reset or ran over their last digit in [start, end) (UTC), by machine."""
    found = []
    week = events.filter((pl.col("time") >= start) & (pl.col("time") < end))
    kinds = week.group_by("machine", "kind")
    counted = kinds.agg(pl.len().alias("times"), pl.col("key").sort().first()).sort(pl.all())
    for r in counted.iter_rows(named=True):
        what = "were reset" if r["kind"] == "reset" else "ran over their last digit"
        text = (
            f"Running counters {what} {r['times']} time(s), one of them {r['key']}; "
            "what was counted between the last reading before and a reset is not known."
            if r["kind"] == "reset"
            else f"Running counters {what} {r['times']} time(s), one of them {r['key']}; they count on."
        )
        found.append(QualityLine("note", "running counters", text, r["machine"], float(r["times"])))
    return found


def grains(frame: pl.DataFrame) -> list[QualityLine]:
    """From which counters the answers come, for machines that do not log every pick."""
    found = []
    for r in frame.filter(pl.col("grain").fill_null("") != "joint").iter_rows(named=True):
        about = {"nozzle": "nozzles and heads", "feeder": "feeders, parts and reels"}.get(r["question"], "the machine")
        what = f"{r['grain']} counters" if r["grain"] else "nothing"
        text = f"In {r['hours']} hour(s) the figures of {about} come from {what}: there are no single picks."
        found.append(QualityLine("note", "counters", text, r["machine"], float(r["hours"])))
    return found


def disagreeing(lines: pl.DataFrame, start: datetime, end: datetime) -> list[QualityLine]:
    """Lines of overlapping exports that tell another end of a pick in [start, end) (UTC) than the line loaded first."""
    found = []
    week = lines.filter((pl.col("time") >= start) & (pl.col("time") < end))
    for machine, part in week.sort("machine", "time").group_by(["machine"], maintain_order=True):
        r = part.row(0, named=True)
        text = (
            f"{len(part)} line(s) of overlapping files tell another end of the same pick; the one loaded first counts. "
            f"First: {r['file']} line {r['line']} says {r['outcome']}, {r['kept_file']} line {r['kept_line']} "
            f"says {r['kept_outcome']}."
        )
        found.append(QualityLine("warning", "files disagree", text, str(machine[0]), float(len(part)), 0.0))
    return found
