"""Collect from the store what the data-quality checks of one week need; `pickfall week` and `pickfall status` share it.

In:    an open store (read-only will do), the plant, the week.
Out:   analysis.quality.Facts.
After: the clock of the store is set to the week; nothing else is changed.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import duckdb

from pipeline.analysis import quality_keys as keys
from pipeline.analysis.quality import Facts
from pipeline.settings import Plant
from pipeline.store import frames, quality, quality_clocks, quality_keys, quality_shares, quality_sources, shared_ids

HISTORY_WEEKS = 8
"""Weeks up to this one that shares of reasons and keys are compared with. Common practice, no source."""


def collect(con: duckdb.DuckDBPyConnection, plant: Plant, week: frames.Week, *, over: bool = True) -> Facts:
    """Facts of one week; `over` is False while the week still runs."""
    frames.set_clock(con, plant, week.start, week.end)
    begin = frames.weeks_before(week, HISTORY_WEEKS, ZoneInfo(plant.zone))[0].start
    files = quality.files(con)
    return Facts(
        week=week.label,
        over=over,
        files=files.files,
        read=files.read,
        loaded=files.loaded,
        duplicate=files.duplicate,
        refused=files.refused,
        refused_files=files.refused_files,
        settled=files.settled,
        machines=quality.machines(con),
        refusals=quality.refusals(con),
        paces=quality.paces(con),
        presence=quality.presence(con),
        passages=quality_clocks.passages(con, week),
        line_order=quality_clocks.line_order(con, week),
        jumps=quality_clocks.jumps(con, week),
        zone_changes=quality_clocks.zone_changes(plant.zone, week),
        check_totals=quality.check_totals(con, week),
        consumption=quality.consumption(con, week),
        uneven_counters=quality.uneven_counters(con),
        reel_counts=quality_sources.reel_counts(con, week),
        faults=quality.faults(con, week),
        loss_kinds=quality_shares.loss_kinds(con, week, begin),
        counted_kinds=quality_shares.counted_kinds(con, week),
        unnamed_counts=quality_shares.unnamed_counts(con, week),
        reason_codes=quality_shares.reason_codes(con, week, begin),
        key_shares=quality_shares.unknown_keys(con, week, begin),
        twins=quality_sources.twins(con, week),
        named_files=quality_sources.named_files(con),
        days=quality_sources.days_with_picks(con),
        days_worked=quality_sources.days_worked(con, week, begin),
        worked_out=(
            *keys.filled_in(quality_keys.fills(con)),
            *keys.fallen(quality_keys.counter_events(con), week.start, week.end),
            *keys.turned(quality_keys.turned_totals(con), week.start, week.end, plant.zone),
            *keys.removed(*quality_keys.removed(con)),
            *keys.grains(frames.grains(con)),
            *keys.shared(shared_ids.shared(con)),
            *keys.disagreeing(quality_keys.disagreements(con), week.start, week.end),
        ),
    )
