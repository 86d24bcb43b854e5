"""When the made-up plant works: ISO weeks, shifts, products and boards.

In:    a number of weeks.
Out:   `Shift`, one run of one line; times in ms since 1970 UTC and as local wall clock.
After: the last week is 2026-W47 and busier than the others; one night shift runs through the clock change of
       25 October 2026.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from sample_logs.generator.faults import LAST_DAY, MODULE_RUNS
from sample_logs.generator.plant import ZONE

_LAST_MONDAY: Final = LAST_DAY - timedelta(days=6)
_BOARDS: Final = {1: 14, 2: 17}
"""Boards of a run in an ordinary week, by line."""
_BUSY: Final = {1: 33, 2: 40}
"""The same in the last week."""
_GAP_MS: Final = 300_000
_PATTERN: Final = {1: "AABBAABBBAABBAABBA", 2: "BBAABBAAABBAABBAAB"}


@dataclass(frozen=True, slots=True)
class Shift:
    """One run. `start` and `end` in ms UTC, `local` the start as local wall clock; `number` counts the line's runs.

    optional  this run's first boards carry the low-volume part
    """

    line: int
    week: str
    number: int
    product: str
    local: datetime
    start: int
    end: int
    gap: int
    boards: int
    optional: bool
    work_order: str


def weeks_before(count: int) -> list[date]:
    """Mondays of `count` ISO weeks, the last one of the last planted day."""
    return [_LAST_MONDAY - timedelta(weeks=n) for n in range(count - 1, -1, -1)]


def week_label(day: date) -> str:
    """ISO week of a date, e.g. 2026-W47."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def to_utc_ms(local: datetime) -> int:
    """Local wall clock to ms since 1970 UTC; the first of two where the hour repeats."""
    return int(local.replace(tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)


def utc_offset_ms(ms: int) -> int:
    """Offset of local time from UTC at a moment, ms."""
    moment = datetime.fromtimestamp(ms / 1000, ZoneInfo(ZONE))
    offset = moment.utcoffset()
    return int(offset.total_seconds() * 1000) if offset else 0


def shifts(weeks: int) -> Iterator[Shift]:
    """All runs in time order, line 1 before line 2 in each shift. Raises ValueError for fewer than one week."""
    if weeks < 1:
        raise ValueError(f"weeks is {weeks}; it must be at least 1")
    for monday in weeks_before(weeks):
        yield from _week(monday)


def _week(monday: date) -> Iterator[Shift]:
    label = week_label(monday)
    busy = monday == _LAST_MONDAY
    changes = monday == date(2026, 10, 19)
    slots = [(day, hour) for day in range(5) for hour in (6, 14, 22)]
    if busy:
        slots += [(5, 6), (5, 14)]
    if changes:
        slots += [(5, 22)]
    if monday == date(2026, 10, 5):
        slots += [(5, 6)]
    chosen = {1: 0, 2: 0}
    for place, (day, hour) in enumerate(slots):
        for line in (1, 2):
            number = monday.toordinal() * 32 + place
            rng = np.random.default_rng([number, line])
            clock_change = changes and day == 5
            product = _PATTERN[line][place]
            begin = datetime.combine(monday, datetime.min.time()) + timedelta(days=day, hours=hour)
            local = begin + timedelta(minutes=int(rng.integers(4, 40)))
            boards = (_BUSY if busy else _BOARDS)[line]
            if clock_change:
                local, boards = begin + timedelta(hours=3, minutes=20 + line), 24
            elif day == 5 and not busy:
                boards = 4
            optional = line == 2 and product == "A" and chosen[line] < MODULE_RUNS
            chosen[line] += product == "A"
            yield Shift(
                line=line,
                week=label,
                number=number,
                product=product,
                local=local,
                start=to_utc_ms(local),
                end=to_utc_ms(begin + timedelta(hours=8)),
                gap=_GAP_MS,
                boards=boards,
                optional=optional,
                work_order=f"WO{monday.isocalendar().week}{line}{place:02d}",
            )
