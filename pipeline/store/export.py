"""Single picks -> Parquet files by machine and day, before they are removed.

In:    an open store, the folder, and the time before which picks go.
Out:   <folder>/machine=<name>/day=<date>/load_<number>.parquet, every column of table `pick` in each.
After: a file is complete or not there. Writing the same picks again writes the same files; picks of an earlier file of
       the same machine, day and load that are gone from the store stay in it.

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

from pipeline.schema.arrow import ArrowStream
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
        made: dict[tuple[str, str, str], list[Path]] = {}
        for path in sorted((work / "parts").glob("*/*/*/*.parquet")):
            machine, day, load = path.relative_to(work / "parts").parts[:3]
            made.setdefault((machine, day, load.removeprefix("load=")), []).append(path)
        for (machine, day, load), paths in made.items():
            target = folder / machine / day
            target.mkdir(parents=True, exist_ok=True)
            there = sorted({*target.glob(f"load_{load}.parquet"), *target.glob(f"load_{load}_*.parquet")})
            _move(con, paths, [target / f"load_{load}{_more(path)}.parquet" for path in paths], there)
        return sum(len(paths) for paths in made.values())
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _more(path: Path) -> str:
    number = path.stem.removeprefix("data_")
    return "" if number == "0" else f"_{number}"


def _move(con: duckdb.DuckDBPyConnection, made: list[Path], targets: list[Path], there: list[Path]) -> None:
    """Put the files of one machine, day and load in their places, with the lines of earlier files that they lack.

    These are of hours that were removed before: a line of that load that was refused then was read again later.
    """
    if there:
        lines = pl.concat([_read(path).select("line", "time") for path in made])
        kept = pl.concat([_read(path) for path in there]).join(lines, on=["line", "time"], how="anti")
        if not kept.is_empty():
            con.register("exported", ArrowStream(pl.concat([kept, *map(_read, made)]).sort("time", "line")))
            whole = made[0].with_name("whole.parquet")
            name = str(whole).replace("'", "''")
            con.execute(f"copy (select * from exported) to '{name}' (format parquet)")
            con.unregister("exported")
            made, targets = [whole], targets[:1]
    for path, target in zip(made, targets, strict=True):
        path.replace(target)
    for path in set(there) - set(targets):
        path.unlink()


def _read(path: Path) -> pl.DataFrame:
    return pl.read_parquet(path, hive_partitioning=False, glob=False)
