"""The master tables (machines, nozzles, feeders, parts, builds): CSV files -> store.

In:    `masters/<name>s.csv` of the plant folder; a file that is not there leaves its table empty.
Out:   the tables `master_<name>`, replaced as a whole.
After: every row has its key, every key stands once, every number is a number; or SettingsError named file and line.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.errors import SettingsError
from pipeline.rollup.tallies import recompute_all, recompute_counters
from pipeline.schema.arrow import POLARS_TYPES, ArrowStream
from pipeline.schema.entries import CsvFault, csv_rows, iso_day, thousands, whole
from pipeline.schema.master_tables import ALIAS_KINDS, MASTER_ALIAS, MASTER_SETUP, MASTER_TABLES
from pipeline.schema.table import Column, Table
from pipeline.schema.words import FEEDER_TYPES, METHODS
from pipeline.settings import Plant, unknown_key

KEYS = {
    "master_build": ("build", "part"),
    "master_alias": ("kind", "alias", "valid_from"),
    "master_setup": ("machine", "slot", "lane", "feeder", "part", "valid_from"),
}
"""Key columns of a master table where it is not the first column alone."""
_DAYS = ("due",)
"""Columns of text that hold a date; it is stored as YYYY-MM-DD."""
_WORDS: Final[Mapping[tuple[str, str], tuple[str, ...]]] = {
    ("master_part", "feeder_type"): FEEDER_TYPES,
    ("master_part", "method"): METHODS,
    ("master_feeder", "feeder_type"): FEEDER_TYPES,
    ("master_alias", "kind"): ALIAS_KINDS,
}
"""Columns that take a closed list of words: another word would mean nothing, and nobody would be told."""
_FIRST: Final = datetime(1, 1, 1)  # noqa: DTZ001 - times of the store carry no zone
MOST: Final = 10**12
"""No number of a plant is larger: what is came from a slip, and sums of it would overflow."""


def file_of(plant: Plant, spec: Table) -> Path:
    """Where the CSV of a master table lies: master_part -> masters/parts.csv."""
    return plant.masters / file_name(spec)


def file_name(spec: Table) -> str:
    """Name of the CSV of a master table: parts.csv, aliases.csv."""
    one = spec.name.removeprefix("master_")
    return f"{one}es.csv" if one.endswith("s") else f"{one}s.csv"


def words_of(spec: Table, column: str) -> tuple[str, ...] | None:
    """The closed list of words that a column takes; None for a free one."""
    return _WORDS.get((spec.name, column))


def load_masters(con: duckdb.DuckDBPyConnection, plant: Plant) -> None:
    """Replace all master tables by what the files say; nothing is changed when one file is wrong.

    Where aliases or set-up lists are others than before, all tallies that still have their picks are counted anew;
    where rated speeds are, those of counters, if there are running totals.
    """
    zone = ZoneInfo(plant.zone)
    frames = {spec.name: read_master(file_of(plant, spec), spec, zone) for spec in MASTER_TABLES}
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


def not_read(plant: Plant) -> tuple[str, ...]:
    """A sentence on each file of masters/ that is meant for a master table and has another name than that."""
    wanted = {file_name(spec).removesuffix(".csv"): file_name(spec) for spec in MASTER_TABLES}
    one = {spec.name.removeprefix("master_"): file_name(spec) for spec in MASTER_TABLES}
    said = []
    for path in sorted(plant.masters.iterdir()) if plant.masters.is_dir() else ():
        meant = (wanted | one).get(path.name.split(".")[0].lower())
        if meant is not None and path.name != meant and not (plant.masters / meant).exists():
            said.append(f"{path} is not read: this table must be a CSV called {meant}. Save or rename it so.")
    return tuple(said)


def _check_times(path: Path, spec: Table, rows: list[tuple[int, dict[str, object]]]) -> None:
    """SettingsError for times in the wrong order, a kind of alias that is not known, an alias of itself, and one alias
    for two ids at the same time. `rows`: line and values.
    """
    for line, row in rows:
        begin, end = row.get("valid_from"), row.get("valid_to")
        if isinstance(begin, datetime) and isinstance(end, datetime) and begin >= end:
            raise SettingsError(path, line, '"valid_to" is not after "valid_from". Correct one of them.')
        if spec is MASTER_ALIAS and row["alias"] == row["id"]:
            raise SettingsError(path, line, f'{row["kind"]} "{row["alias"]}" is an alias of itself. Remove the line.')
    if spec is not MASTER_ALIAS:
        return
    ordered = sorted(rows, key=lambda r: (str(r[1]["kind"]), str(r[1]["alias"]), r[1]["valid_from"] or _FIRST))
    for (line, one), (other_line, other) in itertools.pairwise(ordered):
        if (one["kind"], one["alias"]) != (other["kind"], other["alias"]):
            continue
        end, begin = one["valid_to"], other["valid_from"]
        if not isinstance(end, datetime) or not isinstance(begin, datetime) or begin < end:
            raise SettingsError(
                path,
                max(line, other_line),
                f'{one["kind"]} "{one["alias"]}" stands for "{one["id"]}" and "{other["id"]}" at the same time '
                f"(line {min(line, other_line)}). Part their times.",
            )


def read_master(path: Path, spec: Table, zone: ZoneInfo = ZoneInfo("UTC")) -> pl.DataFrame:  # noqa: B008
    """The rows of one CSV with a header, columns in any order, `,` or `;` between them.

    zone  of the times that carry no offset

    Raises SettingsError (file, line, remedy) for an unknown column, a missing key, a key that
    stands twice, a bad number, or a word that its list does not have.
    """
    schema = {c.name: POLARS_TYPES[c.type] for c in spec.columns}
    if not path.exists():
        return pl.DataFrame(schema=schema)
    if not path.is_file():
        raise SettingsError(path, 0, "is not a file. Put the table there as CSV, or take it away.")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SettingsError(path, 0, "not UTF-8 text. Save it as CSV UTF-8.") from error
    first = text.split("\n", 1)[0]
    try:
        rows = _rows(path, spec, csv_rows(text, ";" if first.count(";") > first.count(",") else ","), zone)
    except CsvFault as fault:
        raise SettingsError(path, fault.line, str(fault)) from fault
    return pl.DataFrame(rows, schema=schema, orient="row")


def _rows(path: Path, spec: Table, reader: Iterator[tuple[int, list[str]]], zone: ZoneInfo) -> list[list[object]]:
    _, header = next(reader, (1, []))
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
    rows: list[tuple[int, dict[str, object]]] = []
    seen: dict[tuple[str, ...], int] = {}
    for line, fields in reader:
        if not any(fields):
            continue
        if len(fields) != len(header):
            raise SettingsError(path, line, f"{len(fields)} fields, the header has {len(header)}.")
        found = dict(zip(header, fields, strict=True))
        row = {c.name: _value(path, line, spec, c, found.get(c.name, ""), zone) for c in spec.columns}
        rows.append((line, row))
        this = tuple(str(row[k]) if words_of(spec, k) else found.get(k, "") for k in key)
        if this in seen:
            raise SettingsError(
                path, line, f"{' '.join(key)} {' '.join(this)!r} stands in line {seen[this]} already. Keep one."
            )
        seen[this] = line
    _check_times(path, spec, rows)
    return [list(row.values()) for _, row in rows]


def _value(path: Path, line: int, spec: Table, column: Column, text: str, zone: ZoneInfo) -> object:
    if text == "":
        if column.required:
            raise SettingsError(path, line, f'"{column.name}" is empty: {column.meaning}.')
        return None
    if column.name in _DAYS:
        if (day := iso_day(text)) is None:
            raise SettingsError(path, line, f'"{column.name}" is {text!r}; expected a date such as 2026-11-30.')
        return day
    if column.type == "VARCHAR":
        allowed = words_of(spec, column.name)
        if allowed is None:
            return text
        if (word := re.sub(r"[\s-]+", "_", text.strip().casefold())) not in allowed:
            raise SettingsError(path, line, f'"{column.name}" is {text!r}; use one of {", ".join(allowed)}.')
        return word
    if column.type == "TIMESTAMP":
        return _time(path, line, column, text, zone)
    if column.type == "BIGINT" and (asked := thousands(text)):
        raise SettingsError(path, line, f'"{column.name}" is {text!r}: {asked}.')
    number = whole(text) if column.type == "BIGINT" else _decimal(text)
    if number is None or not 0 <= number <= MOST:
        what, such = ("a whole number", "1200") if column.type == "BIGINT" else ("a number", "1200 or 0.5")
        much = "0 or more" if number is None or number < 0 else f"at most {MOST:.0f}"
        raise SettingsError(path, line, f'"{column.name}" is {text!r}; expected {what} of {much}, such as {such}.')
    return number


def _decimal(text: str) -> float | None:
    return float(text) if re.fullmatch(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", text, re.ASCII) else None


def _time(path: Path, line: int, column: Column, text: str, zone: ZoneInfo) -> datetime:
    """A date or time of ISO 8601 as UTC; without an offset it is the plant's wall clock, and must be clear."""
    try:
        found = datetime.fromisoformat(text)
        one, other = (
            (found if found.tzinfo else found.replace(tzinfo=zone, fold=f)).astimezone(UTC).replace(tzinfo=None)
            for f in (0, 1)
        )
    except ValueError as error:
        raise SettingsError(
            path, line, f'"{column.name}" is {text!r}; expected a date or time such as 2026-11-16 or 2026-11-16T06:00.'
        ) from error
    except OverflowError as error:
        raise SettingsError(
            path, line, f'"{column.name}" is {text!r}, the end of the calendar. Leave it empty where it is open.'
        ) from error
    if one != other:
        raise SettingsError(
            path,
            line,
            f'"{column.name}" is {text!r}, which the clocks show twice or never. Write it with its offset.',
        )
    return one
