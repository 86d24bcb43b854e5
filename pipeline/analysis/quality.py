"""Can the week's figures be trusted? What was not read, what is missing, what does not agree.

In:    facts of the store (store/quality.py hands them over as frames and counts).
Out:   findings.model.Quality.
After: every line carries its figures; nothing is repaired in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.analysis.rates import rate
from pipeline.findings.model import MachineWeek, Quality, QualityLine, RefusalGroup
from pipeline.settings import Plant

MOST_REFUSALS: Final = 200
"""Groups of refused lines that the bundle carries."""

DISAGREEMENT: Final = 0.005
"""Share by which two totals of the same parts may differ before it is said."""

ZERO_LOSS_PICKS: Final = 20_000
"""Picks of a machine after which a week without any loss means that losses are not logged: common practice, no
source."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What analysis needs to know about the store; frames as store/quality.py documents them."""

    files: int
    read: int
    loaded: int
    duplicate: int
    refused: int
    refused_files: int
    machines: pl.DataFrame
    refusals: pl.DataFrame
    busiest: pl.DataFrame
    shifts: pl.DataFrame
    check_totals: pl.DataFrame
    consumption: pl.DataFrame
    faults: pl.DataFrame


def quality(
    facts: Facts, plant: Plant, dispersion: float, fits: tuple[str, ...] = (), builds: tuple[str, ...] = ()
) -> Quality:
    """The data-quality page.

    fits    what the ranking left out or what did not converge, in words
    builds  build lines that were left out, in words
    """
    lines = [
        *(QualityLine("warning", "model", f"{text}.") for text in fits),
        *(QualityLine("warning", "build list", text) for text in builds),
        *_refused(facts, plant),
        *_silent(facts.shifts),
        *_speed(facts.busiest),
        *_totals(facts.check_totals),
        *_consumption(facts.consumption),
        *_faults(facts.faults),
        *_unknown(facts.machines),
        *_no_losses(facts.machines),
    ]
    order = {"problem": 0, "warning": 1, "note": 2}
    return Quality(
        files=facts.files,
        rows_read=facts.read,
        rows_loaded=facts.loaded,
        rows_duplicate=facts.duplicate,
        rows_refused=facts.refused,
        machines=_machines(facts.machines, plant, dispersion),
        lines=tuple(sorted(lines, key=lambda q: (order[q.level], q.what, q.machine or "", q.text))),
        refusals=tuple(
            RefusalGroup(r["file"], r["reason"], r["lines"], r["first_line"], r["example"])
            for r in facts.refusals.head(MOST_REFUSALS).iter_rows(named=True)
        ),
    )


def _machines(frame: pl.DataFrame, plant: Plant, dispersion: float) -> tuple[MachineWeek, ...]:
    found = []
    for r in frame.iter_rows(named=True):
        picks = int(r["attempts"])
        losses = int(r["missed"] + r["rejected"] + r["dropped"] + r["unknown"])
        found.append(
            MachineWeek(
                machine=r["machine"],
                line=r["line"],
                grain=r["grain"],
                picks=picks,
                placed=r["placed"],
                missed=r["missed"],
                rejected=r["rejected"],
                dropped=r["dropped"],
                returned=r["returned"],
                unknown=r["unknown"],
                loss=rate(losses, picks, plant.statistics, dispersion),
                hours_with_picks=r["hours"],
                unknown_nozzle=r["without_nozzle"] / picks if picks else None,
                unknown_feeder=r["without_feeder"] / picks if picks else None,
                unknown_part=r["without_part"] / picks if picks else None,
            )
        )
    return tuple(found)


def _refused(facts: Facts, plant: Plant) -> list[QualityLine]:
    lines = []
    if facts.refused_files:
        text = f"{facts.refused_files} file(s) could not be read at all; the list of refusals names them."
        lines.append(QualityLine("problem", "files refused", text, value=float(facts.refused_files), expected=0.0))
    if facts.refused:
        share = facts.refused / facts.read if facts.read else 0.0
        level = "warning" if share > plant.limits.refused_share else "note"
        text = f"{facts.refused} of {facts.read} lines and messages were refused ({share:.3%})."
        lines.append(
            QualityLine(
                "warning" if level == "warning" else "note",
                "lines refused",
                text,
                value=share,
                expected=plant.limits.refused_share,
            )
        )
    if facts.duplicate:
        text = f"{facts.duplicate} lines and messages stood in more than one file and count once."
        lines.append(QualityLine("note", "duplicates", text, value=float(facts.duplicate)))
    return lines


def _silent(shifts: pl.DataFrame) -> list[QualityLine]:
    """Shifts in which a machine has no picks although another machine has."""
    if shifts.is_empty():
        return []
    busy = shifts.group_by("shift").agg(pl.col("picks").sum()).filter(pl.col("picks") > 0)["shift"]
    silent = shifts.filter((pl.col("picks") == 0) & pl.col("shift").is_in(busy.implode()))
    lines = []
    for machine, frame in silent.sort("machine", "shift").group_by(["machine"], maintain_order=True):
        first = frame["shift"][0]
        text = f"No picks in {len(frame)} shift(s) in which other machines ran, the first on {first:%Y-%m-%d at %H:%M}."
        lines.append(QualityLine("note", "silent shifts", text, str(machine[0]), float(len(frame)), 0.0))
    return lines


def _speed(busiest: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in busiest.drop_nulls("rated").filter(pl.col("hours_above") > 0).iter_rows(named=True):
        text = (
            f"{r['hours_above']} hour(s) with more picks than the rated {r['rated']:.0f}; "
            f"the busiest has {r['picks']}. "
            "The same picks may be logged twice."
        )
        lines.append(QualityLine("problem", "too fast", text, r["machine"], float(r["picks"]), float(r["rated"])))
    return lines


def _totals(totals: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in totals.iter_rows(named=True):
        theirs, ours = r["placed"] + r["not_placed"], r["events_placed"] + r["events_not_placed"]
        apart = abs(theirs - ours) / max(theirs, ours, 1)
        text = (
            f"The machine's own totals of {r['windows']} windows say {r['placed']} placed and "
            f"{r['not_placed']} not placed; "
            f"the events in them say {r['events_placed']} and {r['events_not_placed']}."
        )
        level = "warning" if apart > DISAGREEMENT else "note"
        lines.append(
            QualityLine(
                "warning" if level == "warning" else "note", "totals", text, r["machine"], float(ours), float(theirs)
            )
        )
    return lines


def _consumption(frame: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in frame.iter_rows(named=True):
        theirs, ours = r["placed"] + r["lost"], r["events_placed"] + r["events_lost"]
        apart = abs(theirs - ours) / max(theirs, ours, 1)
        if apart <= DISAGREEMENT:
            continue
        text = (
            f"The feeder counters say {r['placed']} used and {r['lost']} lost; the events say {r['events_placed']} and "
            f"{r['events_lost']}. The events are counted; the counters are not."
        )
        lines.append(QualityLine("warning", "feeder counters", text, r["machine"], float(ours), float(theirs)))
    return lines


def _faults(frame: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in frame.filter(pl.col("unmatched") > 0).iter_rows(named=True):
        text = f"{r['unmatched']} of {r['faults']} fault messages have no lost part beside them; they are not counted."
        lines.append(QualityLine("note", "faults without a loss", text, r["machine"], float(r["unmatched"]), 0.0))
    return lines


def _unknown(machines: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in machines.iter_rows(named=True):
        for what in ("nozzle", "feeder", "part"):
            share = r[f"without_{what}"] / r["attempts"] if r["attempts"] else 0.0
            if r["grain"] == "joint" and share > 0.01:
                text = f"{share:.1%} of the picks do not say which {what} made them."
                lines.append(QualityLine("warning", f"unknown {what}", text, r["machine"], share, 0.0))
    return lines


def _no_losses(machines: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in machines.iter_rows(named=True):
        if r["attempts"] >= ZERO_LOSS_PICKS and r["placed"] == r["attempts"]:
            text = f"No loss at all in {r['attempts']} picks: losses are probably not logged."
            lines.append(QualityLine("problem", "no losses", text, r["machine"], 0.0))
    return lines
