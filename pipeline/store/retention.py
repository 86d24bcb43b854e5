"""Remove single picks and measurements after the set number of weeks; what was counted stays.

In:    an open store, the plant's [retention].
Out:   rows of `pick` and `measurement` before the limit are gone, their machine hours stand in `closed_hour`.
After: no tally and no total has moved. Removal and note are one transaction; with an export folder the picks are in its
       files first (export.py).

The limit is the begin of the day that many weeks before the newest pick, so that loading an old archive keeps it; a
pick from the future does not count as newest. Lines of a late file for a closed hour are refused (loading.py); an hour
of which nothing was ever loaded is taken, counted, and closed by the next run.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import duckdb

from pipeline.rollup.sources import reading
from pipeline.settings import Plant
from pipeline.store.export import export_picks
from pipeline.store.picks import remove_picks


def limit(con: duckdb.DuckDBPyConnection, weeks: int, now: datetime) -> datetime | None:
    """Picks before this time (UTC) go; None when all stay. now: UTC, without a zone."""
    ((newest,),) = con.execute("select max(time) from pick_row").fetchall()
    if newest is None or weeks == 0:
        return None
    day = min(newest, now).replace(hour=0, minute=0, second=0, microsecond=0)
    try:
        before: datetime = day - timedelta(weeks=weeks)
    except OverflowError:
        return None
    return before


def retain(con: duckdb.DuckDBPyConnection, plant: Plant, now: datetime | None = None) -> int:
    """Remove what is older than the plant keeps; returns the number of picks removed.

    Raises OSError when the export cannot be written: nothing is removed then.
    """
    before = limit(con, plant.retention.pick_weeks, now or datetime.now(UTC).replace(tzinfo=None))
    if before is None:
        return 0
    ((picks, measured),) = con.execute(
        "select (select count(*) from pick_row where time < $1), (select count(*) from measurement where time < $1)",
        [before],
    ).fetchall()
    if not picks and not measured:
        return 0
    if plant.retention.export and picks:
        export_picks(con, plant.folder / Path(plant.retention.export), before)
    con.execute("begin")
    try:
        hours = " union ".join(
            f"select machine, date_trunc('hour', time) as hour from {source} where time < $1"
            for source in ("pick", f"{reading(con, 'pick')} p", "measurement")
        )
        con.execute(
            f"insert into closed_hour select machine, hour from ({hours}) anti join closed_hour using (machine, hour) "
            "order by all",
            [before],
        )
        remove_picks(con, before)
        con.execute("delete from measurement where time < $1", [before])
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):  # a failed commit leaves nothing to roll back
            con.execute("rollback")
        raise
    return int(picks)
