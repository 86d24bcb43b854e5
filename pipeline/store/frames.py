"""Read the tallies as the frames that analysis asks for (schema/frames.py describes each column).

In:    an open store (read-only will do) and the plant's settings.
Out:   polars frames, sorted by their keys.
After: ids that machines use alike name their machine, as "L1M1/N07". No machine hour counts twice. Where a machine logs
       nozzle and feeder counters side by side they describe the same picks, and each frame takes of every machine hour
       the one grain that is finest for its question (GRAINS_FOR).

Tallies are by UTC hour; shift, day and ISO week are those of the plant's wall clock at the middle of that hour, so
that zones of half hours and shifts that begin at half past come out right.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.rollup.sources import reading
from pipeline.schema import frames
from pipeline.schema.arrow import ArrowStream
from pipeline.settings import Plant, shift_hours
from pipeline.store import long_counts, shared_ids, untold_kinds

_COUNT_SUMS = ", ".join(f"cast(sum(t.{c}) as BIGINT) as {c}" for c in frames.COUNTS)
GRAINS: Final[dict[str, pl.DataType]] = {
    "machine": pl.String(),
    "question": pl.String(),  # total, nozzle, feeder or part
    "grain": pl.String(),  # null where the logs cannot answer it
    "hours": pl.Int64(),
}
"""From which grain each machine's hours answer a question."""

TOLD_FEEDERS: Final = (
    "select feeder, min(feeder_type) as feeder_type from carrier "
    "group by feeder having min(feeder_type) = max(feeder_type)"
)
"""What messages tell of how feeders feed; of one that they disagree on nothing is taken."""

_MASTERS = (
    "left join master_machine mm on mm.machine = t.machine left join master_part mp on mp.part = t.part "
    "left join master_feeder mf on mf.feeder = t.feeder left join master_nozzle mn on mn.nozzle = t.nozzle "
    f"left join ({TOLD_FEEDERS}) tf on tf.feeder = t.feeder "
    "left join shared_id sn on sn.kind = 'nozzle' and sn.id = t.nozzle "
    "left join shared_id sf on sf.kind = 'feeder' and sf.id = t.feeder "
    "left join shared_id sl on sl.kind = 'lot' and sl.id = t.lot "
    "left join shared_id sr on sr.kind = 'reel' and sr.id = t.reel left join headless hl on hl.machine = t.machine"
)
_DERIVED = {
    "line": "mm.line",
    "machine_type": "mm.machine_type",
    "nozzle": "case when sn.id is null then t.nozzle else t.machine || '/' || t.nozzle end",
    "head": "case when hl.machine is not null and t.spindle is not null then '' else t.head end",
    "lot": "case when sl.id is null then t.lot else coalesce(t.part || '/' || t.lot, t.lot) end",
    "reel": "case when sr.id is null then t.reel else coalesce(t.part || '/' || t.reel, t.reel) end",
    "feeder": "case when sf.id is null then t.feeder else t.machine || '/' || t.feeder end",
    "nozzle_type": "coalesce(t.nozzle_type, mn.nozzle_type)",
    "feeder_type": "coalesce(mf.feeder_type, tf.feeder_type, mp.feeder_type)",
    "package": "coalesce(mp.package, t.package)",
    "untold": "uk.kinds",
    "method": "coalesce(t.method, mp.method)",
    "shift": "c.shift",
    "day": "c.day",
    "week": "c.week",
}


Question = Literal["total", "nozzle", "feeder", "part"]

GRAINS_FOR: Final[dict[Question, tuple[str, ...]]] = {
    "total": ("joint", "feeder", "part", "nozzle", "machine"),
    "nozzle": ("joint", "nozzle"),  # nozzles, spindles, heads
    "feeder": ("joint", "feeder"),  # feeders, slots
    "part": ("joint", "feeder", "part"),  # parts, reels, lots
}
"""Question -> the grains that can answer it, finest first: of each machine hour the first that is there counts. Feeder
counters that name no part do not answer for parts where others do."""


@dataclass(frozen=True, slots=True)
class Week:
    """One ISO week: its label, and its begin and end in UTC (end outside)."""

    label: str
    start: datetime
    end: datetime


def iso_label(day: date) -> str:
    """The ISO week of a date, as 2026-W47."""
    year, number, _ = day.isocalendar()
    return f"{year}-W{number:02d}"


def iso_week(label: str, zone: ZoneInfo) -> Week:
    """The week of that label; ValueError when there is no such week."""
    year, number = label.upper().split("-W")
    monday = datetime.fromisocalendar(int(year), int(number), 1)
    ends = (monday, monday + timedelta(days=7))
    start, end = (e.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None) for e in ends)
    return Week(f"{int(year)}-W{int(number):02d}", start, end)


def weeks_before(week: Week, count: int, zone: ZoneInfo) -> tuple[Week, ...]:
    """`count` weeks that end with `week`, oldest first."""
    monday = date.fromisocalendar(int(week.label[:4]), int(week.label[6:]), 1)
    return tuple(iso_week(iso_label(monday - timedelta(days=7 * k)), zone) for k in range(count - 1, -1, -1))


def set_clock(con: duckdb.DuckDBPyConnection, plant: Plant, start: datetime, end: datetime) -> None:
    """Make temp tables for the UTC hours of [start, end).

    clock         the hour's shift, local day and ISO week
    finest_grain  for each machine hour the grain that counts, one column a question; for totals and parts none where
                  counts of a longer interval count in another hour (long_counts.py)
    shared_id     ids that stand for several things, and `headless` machines (shared_ids.py)
    untold_kind   kinds of loss that counters do not count (untold_kinds.py)
    """
    shared_ids.find(con)
    untold_kinds.find(con)
    zone = ZoneInfo(plant.zone)
    begins = shift_hours(plant.shifts)
    rows: list[tuple[datetime, datetime, str, str]] = []
    hour = start.replace(minute=0, second=0, microsecond=0)
    while hour < end:
        half_past = hour + timedelta(minutes=30)
        middle = half_past.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)
        if not start <= half_past < end:  # where zones are off the full hour
            hour += timedelta(hours=1)
            continue
        rows.append((hour, _shift_of(middle, begins), middle.date().isoformat(), iso_label(middle.date())))
        hour += timedelta(hours=1)
    schema = {"hour": pl.Datetime("us"), "shift": pl.Datetime("us"), "day": pl.String(), "week": pl.String()}
    con.register("incoming", ArrowStream(pl.DataFrame(rows, schema=schema, orient="row")))
    con.execute("create or replace temp table clock as select * from incoming")
    con.unregister("incoming")
    long_counts.find(con, {question: GRAINS_FOR[question] for question in ("total", "part")})
    finest = ", ".join(_finest(question, grains) for question, grains in GRAINS_FOR.items())
    con.execute(
        f"create or replace temp table finest_grain as select machine, hour, {finest} from ("
        "select t.machine, hour, t.grain, coalesce(list_contains(o.questions, 'total'), false) as outdone_total, "
        "coalesce(list_contains(o.questions, 'part'), false) as outdone_part from tally t join clock using (hour) "
        "left join (select machine, hour, grain, list(question) as questions from outdone group by all) o "
        "using (machine, hour, grain)) group by machine, hour"
    )


def _finest(question: Question, grains: tuple[str, ...]) -> str:
    but = f" and not outdone_{question}" if question in ("total", "part") else ""
    first = " ".join(f"when bool_or(grain = '{grain}'{but}) then '{grain}'" for grain in grains)
    return f"case {first} end as {question}"


def _shift_of(local: datetime, begins: tuple[timedelta, ...]) -> datetime:
    midnight = datetime(local.year, local.month, local.day)  # noqa: DTZ001
    started = [midnight + b for b in begins if midnight + b <= local]
    return started[-1] if started else midnight - timedelta(days=1) + begins[-1]


def _read(con: duckdb.DuckDBPyConnection, sql: str, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    columns = ", ".join(f'"{c}"' for c in schema)
    frame = pl.DataFrame(con.sql(f"select {columns} from ({sql}) order by all"))
    return frames.check(frame.select([pl.col(c).cast(t) for c, t in schema.items()]), schema)


def _keys(schema: dict[str, pl.DataType], table: str = "t") -> tuple[list[str], str]:
    keys = [c for c in schema if c not in frames.COUNTS]
    return keys, ", ".join(f'{_DERIVED.get(c, f"{table}.{c}")} as "{c}"' for c in keys)


def _counts(
    con: duckdb.DuckDBPyConnection, schema: dict[str, pl.DataType], question: Question, where: str = "true"
) -> pl.DataFrame:
    _, selected = _keys(schema)
    sql = (
        f"select {selected}, {_COUNT_SUMS} from tally t join clock c using (hour) "
        f"join finest_grain g on g.machine = t.machine and g.hour = t.hour and g.{question} = t.grain "
        f"{_MASTERS} left join untold_kind uk on uk.machine = t.machine and uk.grain = t.grain and uk.hour = t.hour "
        f"where {where} group by all"
    )
    return _read(con, sql, schema)


def cells(
    con: duckdb.DuckDBPyConnection, week: Week, question: Question = "total", *, single: bool | None = None
) -> pl.DataFrame:
    """CELLS of one week; `grain` says where each row comes from. single: only single picks, or only counters."""
    only = {None: "", True: " and t.grain = 'joint'", False: " and t.grain <> 'joint'"}[single]
    return _counts(con, frames.CELLS, question, f"c.week = '{week.label}'{only}")


def days(con: duckdb.DuckDBPyConnection, question: Question = "total") -> pl.DataFrame:
    """DAYS of all hours on the clock.

    It is the largest frame, a row a day and joint key: read week by week, ids as categories.
    """
    ids = [c for c, t in frames.DAYS.items() if t == pl.String() and c not in ("day", "week")]
    weeks = [w for (w,) in con.execute("select distinct week from clock order by week").fetchall()]
    read = [
        _counts(con, frames.DAYS, question, f"c.week = '{w}'").with_columns(pl.col(ids).cast(pl.Categorical))
        for w in weeks
    ]
    return pl.concat(read)


def usage(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """USAGE of all hours on the clock, where the part is known."""
    return _counts(con, frames.USAGE, "part", "t.part is not null")


def grains(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """GRAINS of all hours on the clock: where the answer to each question comes from, in machine hours."""
    outdone = "select machine, hour from outdone where question = 'part'"
    told = {
        "total": "where total is not null ",
        "part": f"where part is not null or (machine, hour) not in ({outdone}) ",
    }
    sql = " union all ".join(
        f"select machine, '{q}' as question, {q} as grain, count(*) as hours from finest_grain "
        f"{told.get(q, '')}group by all"
        for q in GRAINS_FOR
    )
    return _read(con, sql, GRAINS)


def loads(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """LOADS of all hours on the clock; the part of a reel is taken from the event, else from the picks of that reel."""
    sql = (
        "with known as (select reel, min(part) as part from tally "
        "where reel is not null and part is not null group by reel) "
        "select coalesce(e.part, k.part) as part, c.week, count(*) filter (e.event = 'load') as loads, "
        f"count(*) filter (e.event = 'splice') as splices from {reading(con, 'reel_event')} e "
        "join clock c on c.hour = date_trunc('hour', e.time) left join known k on k.reel = e.reel "
        "where coalesce(e.part, k.part) is not null and e.event in ('load', 'splice') group by 1, 2"
    )
    return _read(con, sql, frames.LOADS)


def reasons(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """REASONS of all hours on the clock."""
    keys, selected = _keys({k: v for k, v in frames.REASONS.items() if k != "losses"})
    sql = (
        f"select {selected}, cast(sum(t.losses) as BIGINT) as losses from reason_tally t join clock c using (hour) "
        f"{_MASTERS} where t.grain = 'joint' group by {', '.join(str(n + 1) for n in range(len(keys)))}"
    )
    return _read(con, sql, frames.REASONS)


def offsets(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """OFFSETS of all hours on the clock; sums of decimals, so that their order does not matter."""
    sums = ", ".join(
        f"cast(sum(cast(t.{c} as DECIMAL(28, 8))) as DOUBLE) as {c}"
        for c in ("dx_sum", "dx_squares", "dy_sum", "dy_squares")
    )
    sql = (
        f"select c.day, t.machine, {_DERIVED['feeder']} as feeder, t.slot, t.part, "
        f"cast(sum(t.offsets) as BIGINT) as offsets, {sums} from tally t join clock c using (hour) "
        "left join shared_id sf on sf.kind = 'feeder' and sf.id = t.feeder "
        "where t.offsets > 0 and t.feeder is not null group by all"
    )
    return _read(con, sql, frames.OFFSETS)


def measurements(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """MEASUREMENTS of one week: mean and deviation by part, what was measured and the taught values."""
    sql = (
        "select part, what, unit, count(*) as count, expected as taught, low as limit_low, high as limit_high, "
        "round(avg(measured), 9) as mean, round(stddev_samp(measured), 9) as deviation "
        f"from {reading(con, 'measurement')} m where time >= timestamp '{week.start}' "
        f"and time < timestamp '{week.end}' "
        "and measured is not null and part is not null group by all"
    )
    return _read(con, sql, frames.MEASUREMENTS)


def services(con: duckdb.DuckDBPyConnection, plant: Plant, start: datetime, end: datetime) -> pl.DataFrame:
    """SERVICES between two UTC times, in local time."""
    zone = ZoneInfo(plant.zone)
    rows = con.execute(
        "select s.time, s.machine, s.kind, coalesce(a.id, s.id), s.action, s.note "
        f"from {reading(con, 'service')} s left join master_alias a on a.kind = s.kind and a.alias = s.id "
        "and (a.valid_from is null or s.time >= a.valid_from) and (a.valid_to is null or s.time < a.valid_to) "
        "where s.time >= ? and s.time < ? order by all",
        [start, end],
    ).fetchall()
    local = [r[0].replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None) for r in rows]
    data: list[tuple[object, ...]] = [(t, t.date().isoformat(), *r[1:]) for t, r in zip(local, rows, strict=True)]
    return frames.check(pl.DataFrame(data, schema=frames.SERVICES, orient="row").sort(pl.all()), frames.SERVICES)


def master(con: duckdb.DuckDBPyConnection, name: str) -> pl.DataFrame:
    """A master table as it stands in the store, sorted."""
    return pl.DataFrame(con.sql(f'select * from "master_{name}" order by all'))


def last_week_with_data(con: duckdb.DuckDBPyConnection, plant: Plant, before: datetime | None) -> str | None:
    """The newest ISO week that has picks and, if `before` (UTC) is given, was over by then; None when there is none."""
    zone = ZoneInfo(plant.zone)
    ((newest,),) = con.execute("select max(hour) from tally").fetchall()
    if newest is None:
        return None
    day = (newest + timedelta(minutes=30)).replace(tzinfo=UTC).astimezone(zone).date()
    for back in range(520):
        week = iso_week(iso_label(day - timedelta(days=7 * back)), zone)
        has = con.execute("select 1 from tally where hour >= ? and hour < ? limit 1", [week.start, week.end]).fetchall()
        if has and (before is None or week.end <= before):
            return week.label
    return None
