"""Single picks -> Parquet files by machine and day, before they are removed.

In:    an open store, the folder, and the time before which picks go.
Out:   <folder>/machine=<name>/day=<date>/load_<number>.parquet, every column of table `pick` in each.
After: a file is complete or not there, and none is replaced by one that does not hold its picks. Writing the same picks
       again writes the same files: a day of one load is exported with all its picks, because they are removed together.
       What comes to a load of such a day later (`ingest --again`) goes to load_<number>_again_<n>.parquet.

Signs that have a meaning in paths are written as %XX in the names of folders, so that no machine's name
leads elsewhere.
"""

from __future__ import annotations

import shutil
import tempfile
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline.schema.tables import PICK

_WORK = ".export-"


def export_picks(con: duckdb.DuckDBPyConnection, folder: Path, before: datetime) -> int:
    """Write all picks earlier than `before` (UTC, begin of a day); returns the number of files.

    Raises OSError when the folder cannot be made.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob(f"{_WORK}*"):  # by a run that was killed: one run at a time writes to the store
        shutil.rmtree(left, ignore_errors=True)
    work = Path(tempfile.mkdtemp(prefix=_WORK, dir=folder))
    try:
        columns = ", ".join(f'"{c}"' for c in PICK.names())
        parts = str(work / "parts").replace("'", "''")
        con.execute(
            f"copy (select {columns}, strftime(time, '%Y-%m-%d') as day, load_id as load from pick "
            f"where time < timestamp '{before}' order by machine, day, load_id, time, line) "
            f"to '{parts}' (format parquet, partition_by (machine, day, load), write_partition_columns true)"
        )
        made = sorted((work / "parts").glob("*/*/*/*.parquet"))
        for path in made:
            machine, day, load = path.relative_to(work / "parts").parts[:3]
            number = path.stem.removeprefix("data_")
            more = "" if number == "0" else f"_{number}"
            target = _free(folder / machine / day / f"load_{load.removeprefix('load=')}{more}.parquet", path)
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
        return len(made)
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _free(target: Path, made: Path) -> Path:
    """The name itself where there is no such file, or one with the same picks; else one with a number."""
    tried, number = target, 0
    while tried.exists() and _picks(tried) != _picks(made):
        number += 1
        tried = target.with_name(f"{target.stem}_again_{number}.parquet")
    return tried


def _picks(path: Path) -> list[tuple[object, ...]]:
    """Line numbers and times of the picks in a file."""
    return pl.read_parquet(path, columns=["line", "time"], glob=False, hive_partitioning=False).sort(pl.all()).rows()
