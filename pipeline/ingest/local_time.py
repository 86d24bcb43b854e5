"""Local wall time -> UTC in SQL, with the two hours a year that a clock change makes doubtful treated openly.

In:    the name of a zone; a table of lines with their local time.
Out:   SQL expressions; for the repeated hour, which pass each line belongs to.
After: a time that the clocks skipped has no UTC; a time that they showed twice has one only by a stated rule.

Offsets come from zoneinfo (the IANA database), never from DuckDB, which shifts a skipped time and picks one of two
repeated ones in silence.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import duckdb

FIRST_YEAR = 1990
LAST_YEAR = 2099
"""Times outside these years are taken for errors: a log of a placement line is not older, and 2-digit years,
milliseconds taken for seconds and clocks after a flat battery show up here."""
JITTER = timedelta(seconds=60)
"""A step back of at most this long is disorder of a log, not a clock change."""
AROUND = timedelta(hours=3)
"""How far before and after a repeated hour the lines are looked at."""

Pass = Literal["first", "second"]
Span = tuple[datetime, datetime]
EVERY_YEAR: Span = (datetime.fromisoformat(f"{FIRST_YEAR}-01-01"), datetime.fromisoformat(f"{LAST_YEAR + 1}-01-01"))


@dataclass(frozen=True, slots=True)
class Change:
    """One change of a zone's offset: the wall times from `begin` to before `end` are skipped or shown twice."""

    begin: datetime
    end: datetime
    before: timedelta
    after: timedelta

    @property
    def repeats(self) -> bool:
        """True if the wall times are shown twice, False if they are skipped."""
        return self.after < self.before


def zone_of(name: str) -> tzinfo:
    """The zone of an IANA name or of an offset such as "+01:00"; ValueError if it is neither.

    >>> zone_of("+05:30").utcoffset(None)
    datetime.timedelta(seconds=19800)
    """
    offset = re.fullmatch(r"([+-])([01]\d|2[0-3]):([0-5]\d)", name)
    if offset:
        shift = timedelta(hours=int(offset[2]), minutes=int(offset[3]))
        return timezone(-shift if offset[1] == "-" else shift)
    try:
        return ZoneInfo(name)
    except (LookupError, OSError, ValueError) as error:
        raise ValueError(f'time zone "{name}" is not known') from error


@lru_cache(maxsize=32)
def changes(zone: tzinfo) -> tuple[Change, ...]:
    """All changes of offset in the years FIRST_YEAR to LAST_YEAR, in order.

    Assumes that no zone changes twice within a day.

    >>> [str(c.begin) for c in changes(ZoneInfo("Europe/Berlin")) if c.begin.year == 2026]
    ['2026-03-29 02:00:00', '2026-10-25 02:00:00']
    """

    def offset(at: datetime) -> timedelta:
        return at.astimezone(zone).utcoffset() or timedelta(0)

    found = []
    now, stop = datetime(FIRST_YEAR, 1, 1, tzinfo=UTC) - timedelta(days=2), datetime(LAST_YEAR + 1, 1, 3, tzinfo=UTC)
    current = offset(now)
    while now < stop:
        later = now + timedelta(days=1)
        new = offset(later)
        if new != current:
            low, high = now, later
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=int((high - low).total_seconds()) // 2)
                low, high = (middle, high) if offset(middle) == current else (low, middle)
            moment = high.replace(tzinfo=None)
            edges = sorted((moment + current, moment + new))
            found.append(Change(edges[0], edges[1], current, new))
            current = new
        now = later
    return tuple(found)


def changes_in(zone: tzinfo, span: Span) -> tuple[Change, ...]:
    """The changes whose doubtful wall times, or the moment itself, lie in `span`."""
    low, high = span
    return tuple(c for c in changes(zone) if c.end > low and c.begin <= high)


def _offset_before(zone: tzinfo, span: Span) -> timedelta:
    """Offset at the begin of `span`, before the first of its changes."""
    known, inside = changes(zone), changes_in(zone, span)
    if inside:
        return inside[0].before
    earlier = [c for c in known if c.end <= span[0]]
    if earlier:
        return earlier[-1].after
    if known:
        return known[0].before
    return datetime(FIRST_YEAR, 1, 1, tzinfo=UTC).astimezone(zone).utcoffset() or timedelta(0)


def offset_in(zone: tzinfo, span: Span) -> timedelta | None:
    """The one offset from UTC of all wall times in `span`; None when it changes there."""
    return None if changes_in(zone, span) else _offset_before(zone, span)


def utc_sql(
    local: str, zone: tzinfo, repeated: Pass | None, span: Span = EVERY_YEAR, *, midnights: bool = False
) -> str:
    """SQL for UTC of the SQL expression `local` (TIMESTAMP, wall clock of `zone`).

    repeated   which pass a repeated time is taken for; None: it becomes null
    span       lowest and highest wall time there is; the shorter, the shorter the SQL
    midnights  the times are begins of days: one that the clocks skip is the moment at which they do
    Null for any other skipped time. Wrong for a wall time outside `span`.
    """

    def once(offset: timedelta) -> str:
        return f"{local} - {_interval(offset)}"

    def doubtful(change: Change) -> str:
        if not change.repeats and midnights:
            return once(change.before)
        if not change.repeats or repeated is None:
            return "cast(null as timestamp)"
        return once(change.before if repeated == "first" else change.after)

    return _tree(local, zone, span, once, doubtful)


def doubt_sql(local: str, zone: tzinfo, span: Span = EVERY_YEAR) -> str:
    """SQL that gives 'skipped', 'repeated' or null for the SQL expression `local`."""
    return _tree(
        local,
        zone,
        span,
        lambda _: "cast(null as varchar)",
        lambda change: "'repeated'" if change.repeats else "'skipped'",
    )


def _tree(
    local: str, zone: tzinfo, span: Span, once: Callable[[timedelta], str], doubtful: Callable[[Change], str]
) -> str:
    """Balanced CASE over the pieces of the wall clock."""
    edges: list[datetime] = []
    leaves = [once(_offset_before(zone, span))]
    for change in changes_in(zone, span):
        edges += [change.begin, change.end]
        leaves += [doubtful(change), once(change.after)]

    def build(low: int, high: int) -> str:
        if low == high:
            return leaves[low]
        middle = (low + high) // 2
        return (
            f"case when {local} < {stamp(edges[middle])} then {build(low, middle)} else {build(middle + 1, high)} end"
        )

    return build(0, len(leaves) - 1)


def stamp(moment: datetime) -> str:
    """SQL literal of a TIMESTAMP."""
    return f"timestamp '{moment.isoformat(sep=' ')}'"


def _interval(length: timedelta) -> str:
    return f"interval ({int(length.total_seconds())}) second"


def settle_by_order(con: duckdb.DuckDBPyConnection, table: str, line: str, zone: tzinfo, pending: str) -> None:
    """Decide from the order of the lines, per machine, which pass of a repeated hour they belong to.

    table     temporary table with columns machine, local, time, problem; changed in place
    line      SQL expression that numbers its rows in the order of the file
    pending   text in `problem` that marks the rows to decide; it stays on those that cannot be decided

    Per machine and repeated hour:
    - one step back of the wall clock by more than JITTER, from inside the hour to inside it, marks the second pass;
    - without a step back, lines that run on from before the hour, and not into the time after it, are the first pass;
      lines that run on into the time after it, and not from before, the second. A gap of at most half the repeated
      time (30 minutes of an hour) counts as running on;
    - everything else stays undecided: several steps back, lines out of order, not more rising than falling times (the
      log may be newest first), lines on both sides without a step back.

    Breaks where a machine stood still over exactly the change and started again within half an hour of wall clock.
    """
    (span,) = con.execute(f"select min(local), max(local) from {table} where problem = $1", [pending]).fetchall()
    if span[0] is None:
        return
    for change in changes_in(zone, (span[0], span[1])):
        if change.repeats:
            _settle(con, table, line, change, pending)


def _settle(con: duckdb.DuckDBPyConnection, table: str, line: str, change: Change, pending: str) -> None:
    begin, end = stamp(change.begin), stamp(change.end)
    con.execute(
        f"""
        create or replace temp table clock_pass as
        with near as (
            select machine, {line} as line, local, local >= {begin} and local < {end} as inside
            from {table}
            where local >= {begin} - {_interval(AROUND)} and local < {end} + {_interval(AROUND)}
                and (problem is null or problem = $1)
        ),
        neighbours as (
            select *, lag(local) over rows_of as previous, lag(inside) over rows_of as previous_inside
            from near window rows_of as (partition by machine order by line)
        ),
        steps as (
            select *,
                coalesce(local < previous - {_interval(JITTER)}, false) as back,
                coalesce(back and inside and previous_inside, false) as turn,
                coalesce(back or local > previous + {_interval((change.end - change.begin) / 2)}, true) as broken
            from neighbours
        ),
        runs as (
            select *, sum(turn::integer) over so_far as turns, sum(broken::integer) over so_far as run
            from steps window so_far as (partition by machine order by line rows unbounded preceding)
        ),
        machines as (
            select machine, count(*) filter (back) as backs, count(*) filter (turn) as turns,
                count(*) filter (local < previous) as falls, count(*) filter (local > previous) as rises
            from steps group by machine
        ),
        stretches as (
            select machine, run, bool_or(local < {begin}) as from_before, bool_or(local >= {end}) as into_after
            from runs group by machine, run
        )
        select r.line as at, case
            when (m.falls > 0 and m.falls >= m.rises) or m.backs > m.turns or m.turns > 1 then null
            when m.turns = 1 then case when r.turns = 0 then 'first' else 'second' end
            when s.from_before and not s.into_after then 'first'
            when s.into_after and not s.from_before then 'second'
            end as pass
        from runs r
        join machines m on m.machine is not distinct from r.machine
        join stretches s on s.machine is not distinct from r.machine and s.run = r.run
        where r.inside
        """,
        [pending],
    )
    con.execute(
        f"""
        update {table} set problem = null,
            time = local - case p.pass when 'first' then {_interval(change.before)} else {_interval(change.after)} end
        from clock_pass p where {line} = p.at and p.pass is not null and problem = $1
        """,
        [pending],
    )
    con.execute("drop table clock_pass")
