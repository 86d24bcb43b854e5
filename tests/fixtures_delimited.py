"""Stages a small delimited log with a mapping, as the tests of the delimited reader need it."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.ingest.delimited import Delimited
from pipeline.ingest.mapping import load_mapping
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Limits, Plant

MAPPING = """format = 1
name = "test"
table = "pick"
files = ["*.csv"]
[text]
delimiter = ";"
[time]
columns = ["T"]
format = "%Y-%m-%d %H:%M:%S"
[columns]
machine = "M"
nozzle = "N"
outcome = "R"
reason = "E"
dx = "X"
[outcome]
OK = "placed"
NG = "rejected"
[reason]
17 = "vacuum"
"""
HEAD = "T;M;N;R;E;X\n"
GOOD = "2026-11-16 06:00:00;M1;N1;OK;;0.5\n"


class Result:
    def __init__(self, con: duckdb.DuckDBPyConnection, staging: Staging, table: str) -> None:
        self.con, self.staging, self.table = con, staging, table
        self.refused = con.execute("select line, raw, reason from staged_refused order by line").fetchall()

    def rows(self, columns: str) -> list[tuple[object, ...]]:
        return self.con.execute(f"select {columns} from staged_{self.table} order by line").fetchall()

    def one(self, columns: str) -> list[object]:
        return [r[0] for r in self.rows(columns)]


def stage(
    folder: Path,
    content: str | bytes,
    mapping: str = MAPPING,
    name: str = "log.csv",
    zone: str = "UTC",
    transaction: bool = True,
    plant: Path | None = None,
) -> Result:
    (folder / "m.toml").write_text(mapping, encoding="utf-8")
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    loaded = load_mapping(folder / "m.toml")
    reader = Delimited((loaded,))
    work = folder / "work"
    work.mkdir(exist_ok=True)
    con = duckdb.connect(config={"threads": 2})
    staging = Staging(con)
    source = open_source(path, work, Limits(), encoding=reader.encoding(path))
    assert reader.recognises(source)
    if transaction:
        con.execute("begin")  # the reader must not abort it; and row ids begin elsewhere in one
    reader.stage(source, staging, Plant(folder=plant or folder, zone=zone))
    staging.flush()
    if transaction:
        con.execute("commit")
    result = Result(con, staging, loaded.table)
    staged = len(result.rows("line"))
    assert staging.records_read == staged + len(result.refused) + staging.records_ignored
    assert con.execute("select table_name from duckdb_tables() where table_name not like 'staged%'").fetchall() == []
    return result
