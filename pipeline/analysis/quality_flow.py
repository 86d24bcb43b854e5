"""Is the flow of picks plausible? Machines that are too fast, and machines that are silent while their line runs.

In:    store/quality.paces and presence, store/quality_clocks.passages.
Out:   Finding, one a machine.
After: every line says how much, how long and when. Nothing is left out of the figures because of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis.quality_keys import listed
from pipeline.analysis.quality_known import Finding, local
from pipeline.findings.model import QualityLine

SPEED_MARGIN: Final = 1.05
"""Rated speed may be passed by this factor: a missed pick takes less time than a placed part. Picks logged twice pass
it by far. Common practice, no source."""

ASSUMED_PER_SPINDLE: Final = 16_000 / 6
"""Picks per hour and spindle where machines.csv names no speed: a head of six nozzles is rated about 16 000 parts an
hour. Common practice, no source."""

ASSUMED_MARGIN: Final = 1.5
"""An assumed speed must be passed by this factor, since machines differ. Common practice, no source."""

LEAST_INTERVAL: Final = 0.5
"""Counter intervals shorter than this many hours are not compared with a speed per hour."""

BUSIEST: Final = 3
"""Hours that a line names."""

MACHINES: Final = 3
"""Machines that a line names."""

FEWER_DAYS: Final = 2
"""Days fewer than usual that are mentioned. Common practice, no source."""

LEAST_WEEKS: Final = 3
"""Weeks with work from which on one knows what is usual. Common practice, no source."""

LEAST_SILENCE: Final = 2
"""Full clock hours in a row below which silence is not mentioned: a machine starts later and ends later than its
neighbours by up to an hour. Common practice, no source."""

LEAST_BOARDS: Final = 5
"""Boards that must pass before they tell anything."""

MOST, FEW = 0.8, 0.2
"""Shares of boards read as "nearly all" and "hardly any"; what lies between says nothing."""


def too_fast(paces: pl.DataFrame, zone: str) -> list[Finding]:
    """Hours with more picks than the machine can make: a problem if it is rated, a warning if that is assumed."""
    found = []
    for _, rows in paces.filter(pl.col("hours") >= LEAST_INTERVAL).group_by(["machine"], maintain_order=True):
        machine, rated, spindles = rows["machine"][0], rows["rated"][0], rows["spindles"][0] or 0
        limit = rated * SPEED_MARGIN if rated else spindles * ASSUMED_PER_SPINDLE * ASSUMED_MARGIN
        if not limit:
            continue
        above = (
            rows.with_columns(pace=pl.col("picks") / pl.col("hours"))
            .filter(pl.col("pace") > limit)
            .sort(["pace", "begin"], descending=[True, False])
        )
        if above.is_empty():
            continue
        named = "; ".join(
            f"{r['pace']:.0f} an hour from {local(r['begin'], zone)}" for r in above.head(BUSIEST).iter_rows(named=True)
        )
        speed = rated or spindles * ASSUMED_PER_SPINDLE
        against = (
            f"the rated {speed:.0f} picks an hour"
            if rated
            else f"{speed:.0f} picks an hour, assumed for {spindles} spindles since machines.csv names no speed"
        )
        text = (
            f"{above.height} hour(s) with clearly more picks than {against}. The busiest: {named}. "
            "The same picks may be logged twice."
        )
        line = QualityLine(
            "problem" if rated else "warning", "too fast", text, machine, float(above["pace"][0]), float(speed)
        )
        found.append(Finding("too fast", line))
    return found


def little_work(days: pl.DataFrame) -> list[QualityLine]:
    """Machines with picks on half of their usual days or fewer: nothing ran, or logs are missing. One line for all.

    days   machine, back (weeks before this one; 0: this), days with picks
    A machine without picks in the last week before, too, is gone.
    """
    by_machine: dict[str, dict[int, int]] = defaultdict(dict)
    for machine, back, count in days.select("machine", "back", "days").iter_rows():
        by_machine[machine][back] = count
    few = []
    for machine, weeks in sorted(by_machine.items()):
        before = [n for back, n in weeks.items() if back > 0]
        if len(before) < LEAST_WEEKS or 1 not in weeks:
            continue
        usual, now = float(np.median(before)), weeks.get(0, 0)
        if 2 * now <= usual and usual - now >= FEWER_DAYS:
            few.append((machine, now, usual))
    if not few:
        return []
    named = listed([f"{m} on {now} of {usual:g}" for m, now, usual in few], MACHINES)
    text = f"Fewer days with picks than usual: {named}. Nothing ran then, or logs are missing: load them."
    expected = float(sum(usual for *_, usual in few))
    return [QualityLine("warning", "little work", text, None, float(sum(now for _, now, _ in few)), expected)]


@dataclass(frozen=True, slots=True)
class _Gap:
    start: datetime
    hours: int
    why: str

    @property
    def end(self) -> datetime:
        return self.start + timedelta(hours=self.hours)


_WORDS: Final = {
    "no log": "{boards} board(s) passed the line then that it works on otherwise, and they are not in its log: "
    "the log is missing",
    "other times": "the boards that passed the line then stand in its log at other times: its clock may be off",
    "not needed": "the line ran products that this machine does not work on",
    "stood still": "it logged other events then but no picks: it stood still",
    "cannot tell": "whether it stood still or its log is missing cannot be told",
}


def silent(presence: pl.DataFrame, passages: pl.DataFrame, zone: str) -> list[Finding]:
    """Machines without picks while at least half of the other machines of their line worked, for LEAST_SILENCE hours.

    A missing log is a warning, anything else a note. A machine without a line is compared with all others without one.
    A product that the machine is not needed for is no finding.
    """
    working: dict[str, set[datetime]] = defaultdict(set)
    covered: dict[str, set[datetime]] = defaultdict(set)
    logging: dict[str, set[datetime]] = defaultdict(set)
    line_of: dict[str, str | None] = {}
    for r in presence.iter_rows(named=True):
        line_of[r["machine"]] = r["line"]
        for name, hours in (("working", working), ("covered", covered), ("records", logging)):
            if r["hour"] is not None and r[name]:
                hours[r["machine"]].add(r["hour"])
    found = []
    for machine, line in sorted(line_of.items()):
        mates = [m for m, other in line_of.items() if other == line and m != machine]
        ran = sorted(h for h in set().union(*(working[m] for m in mates)) if _half(mates, working, h))
        gaps = list(_gaps([h for h in ran if h not in working[machine] | covered[machine]]))
        boards = _Boards(passages, line, machine, gaps)
        judged = [_Gap(g.start, g.hours, boards.why(g, logging[machine])) for g in gaps]
        for why in _WORDS:
            same = [g for g in judged if g.why == why]
            if same and why != "not needed":
                found.append(_silent_line(machine, line, why, same, boards, zone))
    return found


def _half(mates: list[str], working: dict[str, set[datetime]], hour: datetime) -> bool:
    return 2 * sum(hour in working[m] for m in mates) >= len(mates)


def _gaps(hours: list[datetime]) -> Iterator[_Gap]:
    begin = before = None
    for hour in [*hours, None]:
        if begin is not None and before is not None and (hour is None or hour - before > timedelta(hours=1)):
            length = int((before - begin) / timedelta(hours=1)) + 1
            if length >= LEAST_SILENCE:
                yield _Gap(begin, length, "")
            begin = hour
        begin = begin or hour
        before = hour


def _silent_line(machine: str, line: str | None, why: str, gaps: list[_Gap], boards: _Boards, zone: str) -> Finding:
    hours = sum(g.hours for g in gaps)
    longest = max(gaps, key=lambda g: (g.hours, -g.start.timestamp()))
    who = "its line ran" if line is not None else "other machines ran"
    where = f"from {local(longest.start, zone)} to {local(longest.end, zone)}"
    when = where if len(gaps) == 1 else f"in {len(gaps)} gaps, the longest {longest.hours} h {where}"
    told = _WORDS[why].format(boards=len(set().union(*(boards.missed(g) for g in gaps))))
    text = f"No picks for {hours} h while {who}, {when}; {told}."
    level = "warning" if why == "no log" else "note"
    return Finding(
        "silent", QualityLine("warning" if level == "warning" else "note", "silent", text, machine, float(hours), 0.0)
    )


class _Boards:
    """Which boards passed the line and which of them one machine worked on."""

    def __init__(self, passages: pl.DataFrame, line: str | None, machine: str, gaps: list[_Gap]) -> None:
        here = passages.filter(pl.col("line").eq(line)) if gaps and line is not None else passages.clear()
        self.mine = set(here.filter(pl.col("machine") == machine)["board"])
        others = (
            here.filter(pl.col("machine") != machine)
            .group_by("board")
            .agg(pl.col("first").min(), pl.col("recipe").min())
        )
        self.passed = {r["board"]: (r["first"], r["recipe"]) for r in others.sort("board").iter_rows(named=True)}
        outside: dict[str, list[bool]] = defaultdict(list)
        for board, (first, recipe) in self.passed.items():
            if not any(g.start <= first < g.end for g in gaps):
                outside[recipe].append(board in self.mine)
        self.usual = {r: sum(seen) / len(seen) for r, seen in outside.items() if len(seen) >= LEAST_BOARDS}

    def during(self, gap: _Gap) -> set[str]:
        return {b for b, (first, _) in self.passed.items() if gap.start <= first < gap.end}

    def missed(self, gap: _Gap) -> set[str]:
        """Boards of the gap that the machine should have worked on and has not."""
        return {b for b in self.during(gap) if self.usual.get(self.passed[b][1], 0.0) >= MOST} - self.mine

    def why(self, gap: _Gap, logging: set[datetime]) -> str:
        boards = self.during(gap)
        if len(boards) >= LEAST_BOARDS:
            if len(self.missed(gap)) >= MOST * len(boards):
                return "no log"
            if len(boards & self.mine) >= MOST * len(boards):
                return "other times"
            if all(self.usual.get(self.passed[b][1], 1.0) <= FEW for b in boards):
                return "not needed"
        inside = {gap.start + timedelta(hours=h) for h in range(gap.hours)}
        return "stood still" if inside & logging else "cannot tell"
