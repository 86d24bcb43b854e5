"""What was worked out beyond the log's own lines: keys filled in, counters that fell, grains, files that disagree.

In:    frames of store/quality_keys.py and frames.grains.
Out:   lines of the data-quality page.
After: nothing is judged; every line carries how many picks, hours or lines it is about.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import polars as pl

from pipeline.analysis.quality_known import local
from pipeline.findings.model import QualityLine

SHOWN_NAMES: Final = 5
"""Machines that a line about several names."""


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


def turned(totals: pl.DataFrame, start: datetime, end: datetime, zone: str) -> list[QualityLine]:
    """Running totals that went on while the clock went back, in [start, end) (UTC)."""
    found = []
    for r in totals.filter((pl.col("before") >= start) & (pl.col("time") < end)).iter_rows(named=True):
        text = (
            f"In {r['file']} the time goes back {r['times']} time(s) while running totals go on; line {r['line']}: "
            f"from {local(r['before'], zone)} to {local(r['time'], zone)}. The clock was set back: what was counted in "
            "the time that came again stands in the hour after it. Where that is so in many lines of a file, and not "
            "now and then, its counts are far too high."
        )
        found.append(QualityLine("warning", "clock of totals", text, r["machine"], float(r["times"]), 0.0))
    return found


def removed(hours: int, gone: int) -> list[QualityLine]:
    """What is not known any more where single picks were removed."""
    if not gone:
        return []
    text = (
        f"The single picks of {gone} of {hours} machine hours with picks were removed after [retention] pick_weeks. "
        "Their counts are all there; boards, measured sizes and what was counted on reels are not, so that advice on "
        "part data and extra parts may differ from the report that was published then."
    )
    return [QualityLine("note", "picks removed", text, value=float(gone))]


ABOUT: Final = {"nozzle": "nozzles and heads", "feeder": "feeders", "part": "parts and reels"}


def grains(frame: pl.DataFrame) -> list[QualityLine]:
    """From which counters the answers come, for machines that do not log every pick: a line for all that are alike."""
    found = []
    counted = frame.filter(pl.col("grain").fill_null("") != "joint")
    alike = counted.group_by("question", "grain").agg(pl.col("machine").sort(), pl.col("hours").sum())
    rows = list(alike.sort("machine", "question", "grain").iter_rows(named=True))
    of = {q: [(r["machine"], r["grain"], r["hours"]) for r in rows if r["question"] == q] for q in ("feeder", "part")}
    for r in rows:
        about = ABOUT.get(r["question"], "the machine")
        same = (r["machine"], r["grain"], r["hours"])
        if r["question"] == "part" and same in of["feeder"]:
            continue
        if r["question"] == "feeder" and same in of["part"]:
            about = "feeders, parts and reels"
        come = f"come from {r['grain']} counters: there are no single picks."
        come = come if r["grain"] else "are not known: there are no single picks, and no counter names them."
        machines = r["machine"]
        where = f"On {listed(machines)}, in" if len(machines) > 1 else "In"
        text = f"{where} {r['hours']} hour(s) with counts the figures of {about} {come}"
        only = machines[0] if len(machines) == 1 else None
        found.append(QualityLine("note", "counters", text, only, float(r["hours"])))
    return found


def listed(names: list[str], shown: int = SHOWN_NAMES) -> str:
    """Some names, and how many more.

    >>> listed(["A"]), listed(["A", "B", "C"]), listed(list("ABCDEFGH"))
    ('A', 'A, B and C', 'A, B, C, D, E and 3 more')
    """
    if len(names) > shown + 1:
        return f"{', '.join(names[:shown])} and {len(names) - shown} more"
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def disagreeing(lines: pl.DataFrame, start: datetime, end: datetime) -> list[QualityLine]:
    """Lines of overlapping exports that tell another end of a pick in [start, end) (UTC) than the line loaded first."""
    found = []
    week = lines.filter((pl.col("time") >= start) & (pl.col("time") < end))
    for machine, part in week.sort("machine", "time").group_by(["machine"], maintain_order=True):
        r = part.row(0, named=True)
        text = (
            f"{len(part)} line(s) of overlapping files tell another end of the same pick, or other counts of the same "
            "time, or are other messages under an id that stands already; the one loaded first counts. "
            f"First: {r['file']} line {r['line']} says {r['outcome']}, {r['kept_file']} line {r['kept_line']} "
            f"says {r['kept_outcome']}."
        )
        found.append(QualityLine("warning", "files disagree", text, str(machine[0]), float(len(part)), 0.0))
    return found


def shared(frame: pl.DataFrame) -> list[QualityLine]:
    """Ids that stand for several things: nozzles or feeders that machines number alike, lots that parts share."""
    found = []
    for r in frame.iter_rows(named=True):
        kind, places = r["kind"], r["places"]
        if kind in ("lot", "reel"):
            perhaps = ", date codes perhaps" if kind == "lot" else ""
            text = f"Parts share the names of {kind}s{perhaps}: {r['id']} is a {kind} of {places} parts. Each is"
            text += f" taken for a {kind} of its own of each part, and the part stands before its id."
        else:
            text = (
                f"Machines number their {kind}s alike: {r['id']} works on {places} machines at the same time. Each is"
            )
            text += f" taken for a {kind} of its own on each machine, and the machine stands before its id."
        if kind == "nozzle":
            text += " If these are names of types, the log's column is nozzle_type, not nozzle."
        found.append(QualityLine("note", f"{kind} ids", text, None, float(r["ids"])))
        if r["unplaced"]:
            text = (
                f"{r['unplaced']} reel event(s) name such a feeder without its slot: whose is not known, and the "
                "reel, part and lot of its picks may be those of another machine. Log the slot beside the feeder."
            )
            found.append(QualityLine("warning", "reels on feeders", text, None, float(r["unplaced"]), 0.0))
    return found
