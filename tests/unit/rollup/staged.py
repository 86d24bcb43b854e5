"""Rows put into a store as a dialect would: for tests of loading and roll-up that need no log format."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from pipeline import settings
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.staging import Staging
from pipeline.rollup.tallies import check
from pipeline.store.database import open_store
from pipeline.store.loading import LoadResult, load_again, load_staged
from pipeline.store.masters import load_masters
from tests.plants import make_plant

Row = dict[str, object]
BEGIN = datetime(2026, 11, 16, 6)  # noqa: DTZ001


def at(hours: float) -> datetime:
    """That many hours after `BEGIN`."""
    return BEGIN + timedelta(hours=hours)


def stage(con: duckdb.DuckDBPyConnection, tables: dict[str, list[Row]], refused: tuple[int, ...] = ()) -> Staging:
    """Staging with these rows; a row that has no line gets the next one."""
    staging = Staging(con)
    line, lines = 0, set(refused)
    for name, rows in tables.items():
        numbered = []
        for row in rows:
            line += 1
            numbered.append({"line": line, **row})
            lines.add(numbered[-1]["line"])  # type: ignore[arg-type]
        staging.add(name, numbered)
    for number in refused:
        staging.refuse(number, f"raw {number}", "not readable. Line refused.")
    staging.records_read = len(lines)
    return staging


def load(
    con: duckdb.DuckDBPyConnection, name: str, tables: dict[str, list[Row]], refused: tuple[int, ...] = (),
    mapping: str | None = None, again: bool = False,
) -> LoadResult:  # fmt: skip
    """Load one file with these rows; `again` for one that was loaded under that name before."""
    staging = stage(con, tables, refused)
    if again:
        return load_again(con, staging, f"hash of {name}", mapping)
    source = SourceFile(Path(name), Path(name), f"hash of {name}", 1, "utf-8", "")
    return load_staged(con, staging, source, name, "test", mapping)


@contextmanager
def store(folder: Path, masters: dict[str, str] | None = None, more: str = "") -> Iterator[duckdb.DuckDBPyConnection]:
    """The store of a plant with these master tables (file name -> text); all tallies are checked at the end."""
    make_plant(folder, more)
    for name, text in (masters or {}).items():
        (folder / "masters" / name).write_text(text, encoding="utf-8")
    plant = settings.load(folder)
    with open_store(plant, write=True) as con:
        load_masters(con, plant)
        yield con
        check(con, touched_only=False)


COUNTED = ("tally", "reason_tally", "counter_event", "carrier_span", "fill_tally", "closed_hour")


def digest(con: duckdb.DuckDBPyConnection) -> str:
    """Of everything that is counted, whatever file and line it came from."""
    sha = hashlib.sha256()
    for name in COUNTED:
        for row in con.execute(f"select * from {name} order by all").fetchall():
            sha.update(repr((name, row)).encode())
    return sha.hexdigest()
