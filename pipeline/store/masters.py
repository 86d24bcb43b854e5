"""The master tables (machines, nozzles, feeders, parts, builds): CSV files -> store.

In:    `masters/<name>s.csv` of the plant folder; a file that is not there leaves its table empty.
Out:   the tables `master_<name>`, replaced as a whole.
After: every row has its key, every key stands once, every number is a number; or SettingsError named file and line.
"""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from pipeline.errors import SettingsError
from pipeline.schema.arrow import POLARS_TYPES, ArrowStream
from pipeline.schema.tables import MASTER_TABLES, Column, Table
from pipeline.settings import Plant, unknown_key

if TYPE_CHECKING:
    import _csv

KEYS = {"master_build": ("build", "part")}
"""Key columns of a master table where it is not the first column alone."""


def file_of(plant: Plant, spec: Table) -> Path:
    """Where the CSV of a master table lies: master_part -> masters/parts.csv."""
    return plant.masters / f"{spec.name.removeprefix('master_')}s.csv"


def load_masters(con: duckdb.DuckDBPyConnection, plant: Plant) -> None:
    """Replace all master tables by what the files say; nothing is changed when one file is wrong."""
    frames = {spec.name: read_master(file_of(plant, spec), spec) for spec in MASTER_TABLES}
    con.execute("begin")
    try:
        for name, frame in frames.items():
            con.execute(f'delete from "{name}"')
            if not frame.is_empty():
                con.register("incoming", ArrowStream(frame))
                con.execute(f'insert into "{name}" select * from incoming')
                con.unregister("incoming")
        con.execute("commit")
    except BaseException:
        con.execute("rollback")
        raise


def read_master(path: Path, spec: Table) -> pl.DataFrame:
    """The rows of one CSV with a header, columns in any order, `,` or `;` between them.

    Raises SettingsError (file, line, remedy) for an unknown column, a missing key, a key that
    stands twice or a bad number.
    """
    schema = {c.name: POLARS_TYPES[c.type] for c in spec.columns}
    if not path.is_file():
        return pl.DataFrame(schema=schema)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(path, 0, "not UTF-8 text. Save it as CSV UTF-8.") from error
    first = text.split("\n", 1)[0]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if first.count(";") > first.count(",") else ",")
    try:
        rows = _rows(path, spec, reader)
    except csv.Error as error:
        raise SettingsError(path, reader.line_num, f"not readable as CSV: {error}.") from error
    return pl.DataFrame(rows, schema=schema, orient="row")


def _rows(path: Path, spec: Table, reader: _csv.Reader) -> list[list[object]]:
    header = next(reader, [])
    known = {c.name: c for c in spec.columns}
    for name in header:
        if name not in known:
            raise SettingsError(path, 1, unknown_key(name, set(known)))
    if len(set(header)) != len(header):
        raise SettingsError(path, 1, "a column stands twice in the header.")
    for column in spec.columns:
        if column.required and column.name not in header:
            raise SettingsError(path, 1, f'column "{column.name}" is missing: {column.meaning}.')
    key = KEYS.get(spec.name, (spec.columns[0].name,))
    rows: list[list[object]] = []
    seen: dict[tuple[str, ...], int] = {}
    for fields in reader:
        if not any(fields):
            continue
        line = reader.line_num
        if len(fields) != len(header):
            raise SettingsError(path, line, f"{len(fields)} fields, the header has {len(header)}.")
        found = dict(zip(header, fields, strict=True))
        rows.append([_value(path, line, c, found.get(c.name, "")) for c in spec.columns])
        this = tuple(found[k] for k in key)
        if this in seen:
            raise SettingsError(
                path, line, f"{' '.join(key)} {' '.join(this)!r} stands in line {seen[this]} already. Keep one."
            )
        seen[this] = line
    return rows


def _value(path: Path, line: int, column: Column, text: str) -> object:
    if text == "":
        if column.required:
            raise SettingsError(path, line, f'"{column.name}" is empty: {column.meaning}.')
        return None
    if column.type == "VARCHAR":
        return text
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or number < 0 or (column.type == "BIGINT" and number != int(number)):
        what = "a whole number" if column.type == "BIGINT" else "a number"
        raise SettingsError(
            path, line, f'"{column.name}" is {text!r}; expected {what} of 0 or more, such as 1200 or 0.5.'
        )
    return int(number) if column.type == "BIGINT" else number
