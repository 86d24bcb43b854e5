"""Can the times be believed? Steps of a clock within a file, and clocks of one line that move against each other.

In:    store/quality_clocks.line_order, jumps, passages; the hours at which the plant's zone changes.
Out:   Finding, one a file and machine (steps) or one a machine (drift).
After: times are used as logged. The hour of a zone change is excepted.

A clock that steps ahead and stays there looks like a pause within its file; only the boards tell it, as drift.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from itertools import combinations
from typing import Final

import polars as pl

from pipeline.analysis.quality_known import Finding, local, span
from pipeline.findings.model import QualityLine

UNORDERED: Final = (20, 0.005)
"""A file whose time goes back more often than this, in number and as a share of its lines, is not in order of time:
then its lines tell nothing about the clock. Common practice, no source."""

HOUR_SLACK: Final = 300.0
"""Seconds by which a jump may differ from one hour and still be that of a zone change."""

PAUSES: Final = 900.0
"""Seconds that pauses before two jumps may take from one and add to the other."""

LEAST_MOVE: Final = 120.0
"""Seconds between the medians of two days below which clocks are not said to move: less does not shift an hour's
counts. Common practice, no source."""

SPREADS: Final = 3.0
"""The medians must move by this many interquartile ranges of a day: queues before a machine make differences vary."""

LEAST_BOARDS: Final = 20
"""Boards of a day that both machines must know."""

LONG_WAY: Final = 1800.0
"""Seconds from one machine of a line to another beyond which a clock or a long buffer must be the reason: common
practice, no source."""

TURNED_SHARE: Final = 0.05
"""Share of boards in the wrong order beyond which it is said: boards are taken out and put in again by hand."""

USUAL_SHARE: Final = 0.75
"""Share of boards that must go one way before the other way is wrong."""


def steps(order: pl.DataFrame, jumps: pl.DataFrame, changes: list[datetime], zone: str) -> list[Finding]:
    """Files in which the time of a machine jumps back by minutes; a warning with each size, place and moment."""
    found = []
    for r in order.iter_rows(named=True):
        if r["back"] > UNORDERED[0] and r["back"] > UNORDERED[1] * r["lines"]:
            text = (
                f"{r['file']} is not in order of time ({r['back']} of {r['lines']} lines go back): steps of the clock "
                "cannot be seen in it."
            )
            found.append(Finding("", QualityLine("note", "order of lines", text, r["machine"], float(r["back"]), 0.0)))
            continue
        own = jumps.filter((pl.col("load_id") == r["load_id"]) & (pl.col("machine") == r["machine"]))
        back = [j for j in own.iter_rows(named=True) if j["jump"] < 0 and not _zone_change(j, changes)]
        if not back:
            continue
        ahead = [j for j in own.iter_rows(named=True) if j["jump"] > 0 and _undoes(j["jump"], back)]
        named = "; ".join(
            f"line {j['line']}: {span(j['jump'])} back, from {local(j['before'], zone)} to {local(j['time'], zone)}"
            for j in back[:3]
        )
        forward = f" It jumps ahead by about as much {len(ahead)} time(s)." if ahead else ""
        text = f"The clock jumps back {len(back)} time(s) in {r['file']}; {named}.{forward}"
        worst = max(abs(j["jump"]) for j in back)
        found.append(Finding("clock step", QualityLine("warning", "clock step", text, r["machine"], worst, 0.0)))
    return found


def _zone_change(jump: dict[str, object], changes: list[datetime]) -> bool:
    size, moment = jump["jump"], jump["time"]
    if not isinstance(size, float) or not isinstance(moment, datetime) or abs(abs(size) - 3600) > HOUR_SLACK:
        return False
    return any(abs(moment - c) <= timedelta(hours=3) for c in changes)


def _undoes(size: float, back: list[dict[str, float]]) -> bool:
    return any(abs(size + j["jump"]) <= max(PAUSES, 0.1 * size) for j in back)


def drift(passages: pl.DataFrame) -> list[Finding]:
    """Machines of a line whose times of the same boards move against each other, or do not follow each other.

    The difference of the first picks of a board on two machines is centred by recipe and compared between days by
    its median. Breaks down when the product changes on the very day on which a clock steps.
    """
    moved: list[tuple[str, str, float, float, str]] = []
    found = []
    for _, rows in passages.group_by(["line"], maintain_order=True):
        for a, b in combinations(sorted(rows["machine"].unique()), 2):
            pair = _pair(rows, a, b)
            if pair.height < LEAST_BOARDS:
                continue
            move = _move(pair)
            if move is not None:
                moved.append((a, b, *move))
            found += _order(pair, a, b)
    times = Counter(m for a, b, *_ in moved for m in (a, b))
    told: set[str] = set()
    for a, b, size, limit, text in sorted(moved, key=lambda m: (-m[2], m[0], m[1])):
        if told & {a, b}:
            continue
        machine = a if times[a] > times[b] else b
        told.add(machine)
        sentence = f"Its clock moves against that of {a if machine == b else b}: {text}"
        others = (a if machine == b else b,) if times[a] == times[b] else ()
        found.append(
            Finding("clock drift", QualityLine("warning", "clock drift", sentence, machine, size, limit), others)
        )
    return found


def _pair(rows: pl.DataFrame, a: str, b: str) -> pl.DataFrame:
    """Boards that both machines know: recipe, day, seconds from a to b."""
    left, right = (rows.filter(pl.col("machine") == m) for m in (a, b))
    return left.join(right.select("board", "first"), on="board", suffix="_b").select(
        "recipe", "day", seconds=(pl.col("first_b") - pl.col("first")).dt.total_milliseconds() / 1000
    )


def _move(pair: pl.DataFrame) -> tuple[float, float, str] | None:
    """Size of the move in s, what is allowed, and in words; None when it is allowed or cannot be said."""
    centred = pair.with_columns(rest=pl.col("seconds") - pl.col("seconds").median().over("recipe"))
    days = (
        centred.group_by("day")
        .agg(
            n=pl.len(),
            middle=pl.col("seconds").median(),
            rest=pl.col("rest").median(),
            spread=pl.col("rest").quantile(0.75) - pl.col("rest").quantile(0.25),
        )
        .filter(pl.col("n") >= LEAST_BOARDS)
        .sort("day")
    )
    if days.height < 2:
        return None
    low, high = days.sort("rest", "day").row(0, named=True), days.sort("rest", "day").row(-1, named=True)
    size, limit = high["rest"] - low["rest"], max(LEAST_MOVE, SPREADS * float(days["spread"].to_numpy().mean()))
    if size <= limit:
        return None
    first, last = sorted((low, high), key=lambda r: r["day"])
    text = (
        f"the same boards are {first['middle']:.0f} s apart on {first['day']} ({first['n']} boards) and "
        f"{last['middle']:.0f} s on {last['day']} ({last['n']}); {span(size)} more than the product explains."
    )
    return size, limit, text


def _order(pair: pl.DataFrame, a: str, b: str) -> list[Finding]:
    """Boards that reach the machines in the wrong order, and ways that take too long to be true."""
    forward, height = pair.filter(pl.col("seconds") > 0).height, pair.height
    turned, usual = min(forward, height - forward), max(forward, height - forward) / height
    first, second = (a, b) if 2 * forward >= height else (b, a)
    middle = abs(float(pair["seconds"].to_numpy().mean())) if height else 0.0
    if turned >= LEAST_BOARDS and turned > TURNED_SHARE * height and usual >= USUAL_SHARE:
        text = (
            f"{turned} of {height} boards stand at {second} before {first}, the others the other way round: one of the "
            "clocks is off for a time, or the boards were turned."
        )
        return [
            Finding("clock drift", QualityLine("warning", "clock drift", text, second, turned / height, 0.0), (first,))
        ]
    median = abs(float(pair.select(pl.col("seconds").median()).item()))
    if min(middle, median) > LONG_WAY:
        text = (
            f"The same boards stand {span(median)} later at {second} than at {first}: a clock that is off, "
            "or a long buffer."
        )
        return [Finding("clock drift", QualityLine("note", "clock drift", text, second, median, LONG_WAY), (first,))]
    return []
