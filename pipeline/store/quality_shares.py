"""What a machine logged this week beside its peers and its own weeks before: kinds of loss, reasons, unknown keys.

In:    an open store, the week and the begin of the history.
Out:   polars frames, sorted; `this_week` tells the week from the weeks before it.
After: nothing is changed. No judgement: analysis/quality_content.py judges.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import duckdb
import polars as pl

from pipeline.rollup.sources import prepare
from pipeline.schema.tables import COUNTER
from pipeline.schema.words import LOSS_OUTCOMES
from pipeline.store.frames import Week

KEYS: Final = ("nozzle", "feeder", "part", "reel", "lot")
"""Keys whose share of unknowns is followed from week to week."""


COUNTS: Final = ("attempts", "placed", "missed", "rejected", "dropped", "returned", "unknown")

ITEMS: Final = {
    "nozzle": ("nozzle", "spindle", "head"),
    "feeder": ("feeder", "slot", "part", "reel", "lot"),
}
"""Grain of counters -> keys of which one at least names what was counted."""


def _since(week: Week, history: datetime) -> str:
    return f"t.hour >= timestamp '{history}' and t.hour < timestamp '{week.end}'"


def loss_kinds(con: duckdb.DuckDBPyConnection, week: Week, history: datetime) -> pl.DataFrame:
    """By machine, grain and whether it is this week: picks, losses that begin a run by kind, losses of unknown kind
    and of any."""
    return pl.DataFrame(
        con.sql(
            f"""
            select t.machine, mm.machine_type, t.grain, t.hour >= timestamp '{week.start}' as this_week,
                   cast(sum(t.attempts) as BIGINT) as attempts, cast(sum(t.missed_runs) as BIGINT) as missed,
                   cast(sum(t.rejected_runs) as BIGINT) as rejected, cast(sum(t.dropped_runs) as BIGINT) as dropped,
                   cast(sum(t.lost_runs) as BIGINT) as lost, cast(sum(t.unknown) as BIGINT) as unknown,
                   cast(sum(t.missed + t.rejected + t.dropped + t.unknown) as BIGINT) as losses,
                   cast(sum(t.attempts - t.placed) as BIGINT) as not_placed
            from tally t left join master_machine mm on mm.machine = t.machine where {_since(week, history)}
            group by all order by t.machine, t.grain, this_week
            """
        )
    )


def counted_kinds(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """By machine and grain of the counters that stand for its picks: hours, hours in which each kind is counted
    (temp table `untold_kind`), and losses of unknown kind."""
    told = ", ".join(
        f"count(distinct t.hour) filter (not contains(coalesce(u.kinds, ''), '{kind}')) as {kind}"
        for kind in LOSS_OUTCOMES
    )
    return pl.DataFrame(
        con.sql(
            f"""
            select t.machine, t.grain, count(distinct t.hour) as hours, {told},
                cast(sum(t.unknown) as BIGINT) as unknown
            from tally t left join untold_kind u using (machine, grain, hour)
            where t.hour >= timestamp '{week.start}' and t.hour < timestamp '{week.end}'
            and not exists (select 1 from {prepare(con)["pick"]} p where p.machine = t.machine
                            and p.time >= timestamp '{week.start}' and p.time < timestamp '{week.end}')
            group by t.machine, t.grain order by t.machine, t.grain
            """
        )
    )


def unnamed_counts(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """By machine and grain of the counters that stand for its picks: picks, picks that name no item of that grain, and
    how many times running totals without an item stand at one time with different values (`merged`)."""
    nobody = " or ".join(
        f"(grain = '{grain}' and coalesce({', '.join(keys)}) is null)" for grain, keys in ITEMS.items()
    )
    keys = ", ".join(c.name for c in COUNTER.content() if c.type == "VARCHAR")
    differ = " or ".join(f"min({c}) < max({c})" for c in COUNTS)
    return pl.DataFrame(
        con.sql(
            f"""
            with counted as (
                select machine, grain, cast(sum(attempts) as BIGINT) as attempts,
                    cast(coalesce(sum(attempts) filter ({nobody}), 0) as BIGINT) as unnamed
                from tally where grain in ({", ".join(f"'{grain}'" for grain in ITEMS)})
                and hour >= timestamp '{week.start}' and hour < timestamp '{week.end}' group by machine, grain),
            one_time as (
                select {keys}, time from {prepare(con)["counter"]}
                where running and ({nobody}) and time >= timestamp '{week.start}' and time < timestamp '{week.end}'
                group by {keys}, time having {differ}),
            merged as (select machine, grain, count(*) as merged from one_time group by machine, grain)
            select machine, grain, coalesce(attempts, 0) as attempts, coalesce(unnamed, 0) as unnamed,
                coalesce(merged, 0) as merged
            from counted full join merged using (machine, grain) order by machine, grain
            """
        )
    )


def reason_codes(con: duckdb.DuckDBPyConnection, week: Week, history: datetime) -> pl.DataFrame:
    """Losses, and days with any, by machine, the log's own reason code ('' for none) and whether it is this week."""
    return pl.DataFrame(
        con.sql(
            f"""
            select t.machine, coalesce(t.reason, '') as reason, t.hour >= timestamp '{week.start}' as this_week,
                   cast(sum(t.losses) as BIGINT) as losses,
                   count(distinct date_trunc('day', t.hour)) as days
            from reason_tally t where {_since(week, history)} and t.grain = 'joint' and t.outcome <> 'returned'
            group by all order by t.machine, reason, this_week
            """
        )
    )


def unknown_keys(con: duckdb.DuckDBPyConnection, week: Week, history: datetime) -> pl.DataFrame:
    """By machine and whether it is this week: picks, and picks without each of KEYS; single picks only."""
    without = ", ".join(
        f"cast(coalesce(sum(t.attempts) filter (t.{k} is null), 0) as BIGINT) as without_{k}" for k in KEYS
    )
    return pl.DataFrame(
        con.sql(
            f"select t.machine, t.hour >= timestamp '{week.start}' as this_week, "
            f"cast(sum(t.attempts) as BIGINT) as attempts, {without} from tally t "
            f"where {_since(week, history)} and t.grain = 'joint' group by all order by t.machine, this_week"
        )
    )
