"""Are the files all there, and each only once? Two logs of one machine, and files missing in a regular series.

In:    store/quality_sources.twins, named_files, days_with_picks.
Out:   Finding.
After: nothing is taken out: a machine that is logged twice is counted twice until one of the logs is no longer loaded.
"""

from __future__ import annotations

import re
from collections import defaultdict
from datetime import date, timedelta
from pathlib import PurePosixPath
from typing import Final

import polars as pl

from pipeline.analysis.quality_known import Finding, span, week_days
from pipeline.findings.model import QualityLine

ALIKE: Final = 0.5
"""Share of the smaller log's picks that the larger one also holds, where both name boards and places: parts of one
machine's log that are not the same share next to none. Common practice, no source."""

ALIKE_WITHOUT_BOARDS: Final = 0.9
"""The same where no board is named and picks are alike by chance."""

FEWEST_ALIKE: Final = 100
FEWEST_COLUMNS: Final = 4
"""Columns that must be filled in both logs before picks can be called alike."""

REGULAR: Final = 0.8
"""Share of the weeks in which a weekday must have its file before a missing one is said. Common practice, no source."""

STOPPED_DAYS: Final = 14
"""A series without a file for longer has ended: the machine is gone. Common practice, no source."""

LEAST_WEEKS: Final = 3
"""Other weeks of the series that this share must come from; with fewer, the days before and after must be there."""

_DAY: Final = re.compile(r"(?<!\d)(20\d\d)([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?!\d)")
_WEEK: Final = re.compile(r"(?<!\d)(20\d\d)([-_]?)[Ww](0[1-9]|[1-4]\d|5[0-3])(?!\d)")


def duplicate_logs(twins: pl.DataFrame) -> list[Finding]:
    """Pairs of files that hold the same picks of a machine at other times; a problem, since they count twice."""
    board = pl.col("columns") >= FEWEST_COLUMNS
    smaller = pl.min_horizontal("picks", "other_picks")
    needed = pl.when(pl.col("boards")).then(ALIKE).otherwise(ALIKE_WITHOUT_BOARDS)
    same = twins.filter(board & (pl.col("alike") >= FEWEST_ALIKE) & (pl.col("alike") >= needed * smaller))
    found = []
    for _, rows in same.group_by(["machine"], maintain_order=True):
        worst = rows.sort(["alike", "file", "other"], descending=[True, False, False]).row(0, named=True)
        text = (
            f"{worst['file']} and {worst['other']} hold the same picks: {worst['alike']} of {worst['picks']} and "
            f"{worst['other_picks']} in the time that they share, {span(worst['apart'])} apart."
        )
        more = f" The same of {rows.height - 1} more pair(s) of files that were compared." if rows.height > 1 else ""
        text += f"{more} They count twice: load one of the two logs only."
        machine, alike = rows["machine"][0], float(rows["alike"].sum())
        found.append(Finding("duplicate log", QualityLine("problem", "duplicate log", text, machine, alike, 0.0)))
    return found


def missing_files(files: pl.DataFrame, days: pl.DataFrame, week: str, *, over: bool = True) -> list[Finding]:
    """Days or weeks without a file of its series, although the plant worked then; one line a series.

    over   False while the week still runs: then only files between others are missed

    A series is the files whose names differ in a date (2026-11-16, 20261116) or an ISO week (2026-W47) only. A day is
    missing when its weekday has a file in nearly all other weeks of the series. A day on which a machine of the series
    has picks all the same, or on which nothing ran in the plant, is no finding.
    """
    monday = date.fromisoformat(week_days(week)[0])
    ran: dict[str, set[str]] = defaultdict(set)
    for r in days.iter_rows(named=True):
        ran[r["day"]].add(r["machine"])
    found = []
    for name, (weekly, dates, machines) in sorted(_series(files).items()):
        wanted = [monday] if weekly else [monday + timedelta(days=n) for n in range(7)]
        lacking = [
            d for d in wanted if _lacks(d, dates, weekly=weekly, over=over) and _worked(d, ran, machines, weekly=weekly)
        ]
        if not lacking:
            continue
        labels = ", ".join(week if weekly else d.isoformat() for d in lacking)
        text = f"No file {name} for {labels}, although it has {len(dates)} others and the plant worked then."
        machine = next(iter(machines)) if len(machines) == 1 else None
        line = QualityLine("warning", "missing file", text, machine, float(len(lacking)), 0.0)
        found.append(Finding("missing file", line, tuple(sorted(machines)) if machine is None else ()))
    return found


def _series(files: pl.DataFrame) -> dict[str, tuple[bool, set[date], set[str]]]:
    """By name with the date taken out: weekly or daily, the dates, the machines whose picks it holds."""
    found: dict[str, tuple[bool, set[date], set[str]]] = {}
    for r in files.iter_rows(named=True):
        name = re.sub(r"\.gz$", "", PurePosixPath(r["file"]).name)
        day, week = _DAY.search(name), _WEEK.search(name)
        hit = week or day
        if hit is None:
            continue
        try:
            when = (
                date.fromisocalendar(int(hit[1]), int(hit[3]), 1)
                if week
                else date(int(hit[1]), int(hit[3]), int(hit[4]))
            )
        except ValueError:
            continue
        key = name[: hit.start()] + ("<week>" if week else "<date>") + name[hit.end() :]
        entry = found.setdefault(key, (bool(week), set(), set()))
        entry[1].add(when)
        entry[2].update(r["machines"])
    return found


def _lacks(day: date, dates: set[date], *, weekly: bool, over: bool) -> bool:
    if day in dates or day < min(dates):
        return False
    newest = day > max(dates)
    if newest and not (over and (day - max(dates)).days <= STOPPED_DAYS):
        return False
    step = timedelta(days=7)
    first = min(dates) + (day - min(dates)) % step
    others = [first + n * step for n in range((max(dates) - first).days // 7 + 1)]
    others = [d for d in others if d != day]
    if weekly or newest or len(others) >= LEAST_WEEKS:
        enough = len(others) >= (LEAST_WEEKS if newest else 2)
        return enough and sum(d in dates for d in others) >= REGULAR * len(others)
    return day - timedelta(days=1) in dates and day + timedelta(days=1) in dates


def _worked(day: date, ran: dict[str, set[str]], machines: set[str], *, weekly: bool) -> bool:
    """True when the plant worked and none of the series' machines has picks then."""
    span_ = [day + timedelta(days=n) for n in range(7 if weekly else 1)]
    at_work = set().union(*(ran.get(d.isoformat(), set()) for d in span_))
    return bool(at_work) and not at_work & machines
