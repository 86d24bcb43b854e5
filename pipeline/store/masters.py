"""The master tables (machines, nozzles, feeders, parts, builds): CSV files -> store.

In:    `masters/<name>s.csv` of the plant folder; a file that is not there leaves its table empty.
Out:   the tables `master_<name>`, replaced as a whole.
After: every row has its key, every key stands once, every number is a number; or SettingsError named file and line.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.errors import SettingsError
from pipeline.rollup.tallies import recompute_all, recompute_counters
from pipeline.schema.arrow import POLARS_TYPES, ArrowStream
from pipeline.schema.entries import iso_day, thousands, whole
from pipeline.schema.master_tables import ALIAS_KINDS, MASTER_ALIAS, MASTER_SETUP, MASTER_TABLES
from pipeline.schema.table import Column, Table
from pipeline.settings import Plant, unknown_key

if TYPE_CHECKING:
    import _csv

KEYS = {
    "master_build": ("build", "part"),
    "master_alias": ("kind", "alias", "valid_from"),
    "master_setup": ("machine", "slot", "lane", "feeder", "part", "valid_from"),
}
"""Key columns of a master table where it is not the first column alone."""
_DAYS = ("due",)
"""Columns of text that hold a date; it is stored as YYYY-MM-DD."""


def file_of(plant: Plant, spec: Table) -> Path:
    """Where the CSV of a master table lies: master_part -> masters/parts.csv."""
    return plant.masters / file_name(spec)


def file_name(spec: Table) -> str:
    """Name of the CSV of a master table: parts.csv, aliases.csv."""
    one = spec.name.removeprefix("master_")
    return f"{one}es.csv" if one.endswith("s") else f"{one}s.csv"


def load_masters(con: duckdb.DuckDBPyConnection, plant: Plant) -> None:
    """Replace all master tables by what the files say; nothing is changed when one file is wrong.

    Where aliases or set-up lists are others than before, all tallies that still have their picks are counted anew;
    where rated speeds are, those of counters, if there are running totals.
    """
    zone = ZoneInfo(plant.zone)
    frames = {spec.name: read_master(file_of(plant, spec), spec, zone) for spec in MASTER_TABLES}
    _check_aliases(file_of(plant, MASTER_ALIAS), frames[MASTER_ALIAS.name])
    con.execute("begin")
    try:
        before, speeds = _names(con), _speeds(con)
        for name, frame in frames.items():
            con.execute(f'delete from "{name}"')
            if not frame.is_empty():
                con.register("incoming", ArrowStream(frame))
                con.execute(f'insert into "{name}" select * from incoming')
                con.unregister("incoming")
        if _names(con) != before:
            recompute_all(con)
        elif _speeds(con) != speeds:
            recompute_counters(con)
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):  # a failed commit leaves nothing to roll back
            con.execute("rollback")
        raise


def _names(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    """What decides how the keys of a pick are read."""
    found: list[tuple[object, ...]] = []
    for spec in (MASTER_ALIAS, MASTER_SETUP):
        found += con.execute(f"select '{spec.name}', * from {spec.name} order by all").fetchall()
    return found


def _speeds(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    """What decides whether a running total that fell can have counted what it shows; nothing where there is none."""
    return con.execute(
        "select machine, rated_picks_per_hour from master_machine where rated_picks_per_hour is not null "
        "and exists (select 1 from counter where running) order by all"
    ).fetchall()


def _check_aliases(path: Path, aliases: pl.DataFrame) -> None:
    """SettingsError for a kind that is not known, an alias of itself, and one alias for two ids at the same time."""
    rows = aliases.sort("kind", "alias", "valid_from", nulls_last=False).rows()
    for kind, alias, target, begin, end in rows:
        if kind not in ALIAS_KINDS:
            raise SettingsError(path, 0, f'kind is "{kind}"; use one of {", ".join(ALIAS_KINDS)}.')
        if alias == target:
            raise SettingsError(path, 0, f'{kind} "{alias}" is an alias of itself. Remove the line.')
        if begin is not None and end is not None and begin >= end:
            raise SettingsError(path, 0, f'{kind} "{alias}": valid_to is not after valid_from.')
    for one, other in itertools.pairwise(rows):
        if one[:2] == other[:2] and (one[4] is None or other[3] is None or other[3] < one[4]):
            raise SettingsError(
                path,
                0,
                f'{one[0]} "{one[1]}" stands for "{one[2]}" and "{other[2]}" at the same time. Part their times.',
            )


def read_master(path: Path, spec: Table, zone: ZoneInfo = ZoneInfo("UTC")) -> pl.DataFrame:  # noqa: B008
    """The rows of one CSV with a header, columns in any order, `,` or `;` between them.

    zone  of the times that carry no offset

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
        rows = _rows(path, spec, reader, zone)
    except csv.Error as error:
        raise SettingsError(path, reader.line_num, f"not readable as CSV: {error}.") from error
    return pl.DataFrame(rows, schema=schema, orient="row")


def _rows(path: Path, spec: Table, reader: _csv.Reader, zone: ZoneInfo) -> list[list[object]]:
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
        rows.append([_value(path, line, c, found.get(c.name, ""), zone) for c in spec.columns])
        this = tuple(found.get(k, "") for k in key)
        if this in seen:
            raise SettingsError(
                path, line, f"{' '.join(key)} {' '.join(this)!r} stands in line {seen[this]} already. Keep one."
            )
        seen[this] = line
    return rows


def _value(path: Path, line: int, column: Column, text: str, zone: ZoneInfo) -> object:
    if text == "":
        if column.required:
            raise SettingsError(path, line, f'"{column.name}" is empty: {column.meaning}.')
        return None
    if column.name in _DAYS:
        if (day := iso_day(text)) is None:
            raise SettingsError(path, line, f'"{column.name}" is {text!r}; expected a date such as 2026-11-30.')
        return day
    if column.type == "VARCHAR":
        return text
    if column.type == "TIMESTAMP":
        return _time(path, line, column, text, zone)
    if column.type == "BIGINT" and (asked := thousands(text)):
        raise SettingsError(path, line, f'"{column.name}" is {text!r}: {asked}.')
    try:
        number = math.nan if column.type == "BIGINT" and "." in text and whole(text) is None else float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number) or number < 0 or (column.type == "BIGINT" and number != int(number)):
        what, such = ("a whole number", "1200") if column.type == "BIGINT" else ("a number", "1200 or 0.5")
        raise SettingsError(path, line, f'"{column.name}" is {text!r}; expected {what} of 0 or more, such as {such}.')
    return int(number) if column.type == "BIGINT" else number


def _time(path: Path, line: int, column: Column, text: str, zone: ZoneInfo) -> datetime:
    """A date or time of ISO 8601 as UTC; without an offset it is the plant's wall clock, and must be clear."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise SettingsError(
            path, line, f'"{column.name}" is {text!r}; expected a date or time such as 2026-11-16 or 2026-11-16T06:00.'
        ) from error
    if found.tzinfo is None:
        one, other = (found.replace(tzinfo=zone, fold=f).astimezone(UTC).replace(tzinfo=None) for f in (0, 1))
        if one != other:
            raise SettingsError(
                path,
                line,
                f'"{column.name}" is {text!r}, which the clocks show twice or never. Write it with its offset.',
            )
        return one
    return found.astimezone(UTC).replace(tzinfo=None)
