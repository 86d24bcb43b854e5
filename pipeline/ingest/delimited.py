"""Delimited text, or another table of cells -> one of our tables, as a log mapping describes it.

In:    a `SourceFile` whose name fits the patterns of exactly one `LogMapping`, or of one for each part of the file.
Out:   rows of the mapping's table in the `Staging`, with the physical line that each began on.
After: records read = rows staged + lines refused; text is kept byte for byte; nothing was guessed by a CSV sniffer.

A file in which every line is one regular record is read by DuckDB alone and goes on as a Parquet file. Any other (a
torn line, a line end inside quotes, a comment, a blank line, sections) is first copied record by record with its line
numbers (delimited_lines.py). Workbooks, Parquet and JSON lines are cut into the same records by containers*.py and go
the same way from there.
Memory stays within what the database may take, whatever the size of the file.
"""

from __future__ import annotations

import os
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import duckdb

from pipeline.errors import FileRefused
from pipeline.ingest.containers import CUTTERS, Cut, RawText, check_content
from pipeline.ingest.delimited_count import countable_lines
from pipeline.ingest.delimited_lines import Layout, Passing, RawLines, read_layout, write_regular
from pipeline.ingest.delimited_sql import LEFT_OUT, MOST_FIELDS, PENDING, Conversion, irregular_sql, scan_sql
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.local_time import settle_by_order, zone_of
from pipeline.ingest.mapping import LogMapping, Place, bare_name
from pipeline.ingest.quoting import literal, name
from pipeline.ingest.staged_file import COMBINATION, LINE, StagedFile, combination_sql, unlike_sql
from pipeline.ingest.staging import Staging
from pipeline.schema.pick_view import KEY_COLUMNS
from pipeline.schema.tables import PICK
from pipeline.settings import Plant

TABLE = "delimited_rows"
PAGE = 50_000
"""Refused rows fetched at once."""


class Delimited:
    """The reader of delimited text."""

    name = "delimited"

    def __init__(self, mappings: tuple[LogMapping, ...]) -> None:
        self._mappings = mappings
        self._in_parts = any(m.file_part for m in mappings)

    def recognises(self, source: SourceFile) -> bool:
        """True if the file's name fits a mapping."""
        return any(m.fits(source.path) for m in self._mappings)

    def encoding(self, path: Path) -> str | None:
        """Codec that the mapping of this file declares, for `open_source`; None where none does."""
        declared = {m.text.encoding for m in self._mappings if m.fits(path)} - {"auto"}
        return declared.pop() if len(declared) == 1 else None

    def parts(self, path: Path) -> tuple[str, ...]:
        """Parts that the mappings read which fit; none unless each names one of its own."""
        if not self._in_parts:
            return ()
        parts = [m.file_part for m in self._mappings if m.fits(path)]
        return tuple(sorted(parts)) if all(parts) and len(set(parts)) == len(parts) else ()

    def describe(self, source: SourceFile) -> str | None:
        """Name of the mapping and the first 12 hex digits of the SHA-256 of its text."""
        mapping = self._mapping(source)
        return f"{mapping.name} sha256:{mapping.digest[:12]}"

    def stage(self, source: SourceFile, staging: Staging, plant: Plant) -> None:
        """Read the whole file; FileRefused when no or several mappings fit, or when the header is not as mapped.

        The connection must keep `preserve_insertion_order` on (DuckDB's default): line numbers rest on it.
        """
        mapping = self._mapping(source)
        check_content(source, mapping)
        with tempfile.TemporaryDirectory(prefix="pickfall-") as name:
            work = Path(name)
            text = _plain_name(source.text, work)
            if mapping.content == "delimited":
                _convert(text, staging, _conversion(mapping, read_layout(text, mapping), source.path, plant), work)
            else:
                cut = CUTTERS[mapping.content](text, mapping, work, staging.refuse, plant.limits)
                _convert_cut(cut, staging, _conversion(mapping, cut.layout, source.path, plant))
        if source.text == source.path and source.text.stat().st_size != source.size and mapping.content != "workbook":
            raise FileRefused("changed while it was read. Load it again when it is complete.")

    def _mapping(self, source: SourceFile) -> LogMapping:
        fitting = [m for m in self._mappings if m.fits(source.path) and source.part in ("", m.file_part)]
        if not fitting:
            raise FileRefused(f'no log mapping has a pattern in files that fits "{source.path.name}".')
        if len(fitting) > 1:
            names = " and ".join(f'"{m.name}" ({m.path.name})' for m in fitting)
            raise FileRefused(
                f"several log mappings fit its name: {names}. Narrow the patterns in files; where each reads another "
                "part of the file, name that in file_part of each."
            )
        return fitting[0]


def _conversion(mapping: LogMapping, layout: Layout, path: Path, plant: Plant) -> Conversion:
    zone_name = mapping.time.zone or plant.zone
    return Conversion(
        mapping=mapping,
        layout=layout,
        places=_places(mapping, layout),
        pieces=_pieces(mapping, path, plant.inbox),
        zone=zone_of(zone_name),
        zone_name=zone_name,
    )


def _places(mapping: LogMapping, layout: Layout) -> dict[str, int]:
    """Log column -> place, for every column that the mapping names; FileRefused when one is not there."""
    wanted: list[tuple[str, Place]] = [("time", p) for p in mapping.time.places]
    wanted += [(ours, p) for ours, places in mapping.columns.items() for p in places]
    wanted += [("what a filter tests", f.column) for f in mapping.filters]
    header = layout.header or ()
    found = {}
    for ours, place in wanted:
        if isinstance(place, int):
            if place > layout.fields:
                raise FileRefused(
                    f'mapping "{mapping.name}" takes {ours} from column {place}, but a line has {layout.fields} fields.'
                )
            continue
        times = header.count(place)
        if times == 1:
            found[place] = header.index(place) + 1
            continue
        if times:
            raise FileRefused(f'its header has the column "{place}" {times} times: give its place in the mapping.')
        near = [h for h in header if h.strip().casefold() == place.strip().casefold()]
        hint = f' Is "{near[0]}" meant?' if near else ""
        there = ", ".join(f'"{h}"' for h in header[:60])
        raise FileRefused(
            f'its header has no column "{place}", from which mapping "{mapping.name}" takes {ours}.{hint} '
            f"It has: {there}.",
            layout.first,
        )
    return found


def _pieces(mapping: LogMapping, path: Path, inbox: Path) -> dict[str, str | None]:
    """Our column -> text, from the file's name and its folder; FileRefused when a pattern does not fit."""
    found: dict[str, str | None] = {}
    for pattern, text, what in (
        (mapping.file_name, bare_name(path), "name"),
        (mapping.folder, _folder(path, inbox), "folder"),
    ):
        if pattern is None:
            continue
        match = re.search(pattern, text)
        if match is None:
            shown = f' "{text}"' if what == "folder" else ""
            raise FileRefused(f'its {what}{shown} does not fit the pattern {pattern} of mapping "{mapping.name}".')
        found |= match.groupdict()
    return found


def _folder(path: Path, inbox: Path) -> str:
    """The folders that lead to the file, below the inbox where it lies there, with / between them."""
    folder, top = path.parent.resolve(), inbox.resolve()
    return (folder.relative_to(top) if folder.is_relative_to(top) else folder).as_posix()


def _plain_name(text: Path, work: Path) -> Path:
    """The file, or a link to it: DuckDB finds no path that holds a backslash and a sign of a pattern, or is no text."""
    name = text.absolute().as_posix()
    if "\\" not in name and name.encode("utf-8", "replace") == os.fsencode(name):
        return text
    link = work / "log.txt"
    link.symlink_to(text.absolute())
    return link


def _convert(text: Path, staging: Staging, conversion: Conversion, work: Path) -> None:
    expected = _regular_lines(staging.con, text, conversion)
    if expected is not None and _convert_regular(text, staging, conversion, expected):
        return
    con, rules, layout = staging.con, conversion.mapping.text, conversion.layout
    copy = work / "records.txt"
    refused, left_out = write_regular(text, copy, rules, layout, staging.refuse, _passing(conversion))
    scan = scan_sql(copy, rules, layout.fields, 0, numbered=True)
    con.execute(f"create or replace temp table {TABLE} as {conversion.table_sql(scan, numbered=True)}")
    staging.records_read += _count(con, "true") + refused + left_out
    staging.records_ignored += left_out
    _finish(staging, conversion, "line", "span", RawLines(text))
    con.execute(f"drop table {TABLE}")


def _convert_cut(cut: Cut, staging: Staging, conversion: Conversion) -> None:
    con = staging.con
    con.execute(f"create or replace temp table {TABLE} as {conversion.table_sql(cut.scan, numbered=True)}")
    staging.records_read += _count(con, "true") + cut.refused
    _finish(staging, conversion, "line", "span", cut.raw)
    con.execute(f"drop table {TABLE}")


def _convert_regular(text: Path, staging: Staging, conversion: Conversion, expected: int) -> bool:
    """Convert a file of regular lines in one pass; False, with nothing staged, when it turns out not to be regular."""
    con, layout, mapping = staging.con, conversion.layout, conversion.mapping
    target = staging.file(mapping.table)
    scan = scan_sql(text, mapping.text, layout.fields, layout.first, numbered=False)
    with con.cursor() as apart:  # a file that DuckDB cannot cut would abort an open transaction
        try:
            packed = _write_rows(apart, conversion, scan, target)
        except (duckdb.InvalidInputException, duckdb.NotImplementedException):
            return False
    found = StagedFile(target, conversion.filled(), layout.first + 1, 0, packed)
    con.execute(f"create temp view {TABLE} as select *, {LINE} + {found.first} as line from {found.scan_sql()}")
    rows = _count(con, "true")
    if rows != expected:
        con.execute(f"drop view {TABLE}")
        return False
    staging.records_read += rows
    (span,) = con.execute(conversion.span_sql(TABLE)).fetchall()
    offset = None if span[0] is None else conversion.offset_us(span)
    if span[0] is None or offset is not None:
        if offset is not None:
            staging.attach(mapping.table, replace(found, offset_us=offset))
        _account(staging, conversion, "line", "1", RawLines(text))
        con.execute(f"drop view {TABLE}")
        return True
    con.execute(f"drop view {TABLE}")
    machine = "" if "machine" in found.columns else ", cast(null as varchar) as machine"
    con.execute(
        f"create or replace temp table {TABLE} as select *, {LINE} + {found.first} as line, "
        f"cast(null as timestamp) as time{machine} from ({found.whole_sql(mapping.spec)})"
    )
    _finish(staging, conversion, "line", "1", RawLines(text))
    con.execute(f"drop table {TABLE}")
    return True


def _write_rows(con: duckdb.DuckDBPyConnection, conversion: Conversion, scan: str, target: Path) -> tuple[str, ...]:
    """Write the rows of a file of regular lines as Parquet, in their order; the columns that make a combination there.

    Without a join: no order of rows is sure behind one, and the line number is all that tells it.
    """
    rows, filled = conversion.rows_sql(scan), conversion.filled()
    packed = tuple(c for c in filled if c in KEY_COLUMNS) if conversion.mapping.spec is PICK else ()
    if packed:
        alone = ", ".join([*(name(c) for c in filled if c not in packed), "local", "problem"])
        rows_packed = f"select {combination_sql([name(c) for c in packed])} as {COMBINATION}, {alone} from ({rows})"
        _copy(con, rows_packed, target)
        ((unlike,),) = con.execute(unlike_sql(packed, target)).fetchall()
        if not unlike:
            return packed
    _copy(con, rows, target)
    return ()


def _copy(con: duckdb.DuckDBPyConnection, rows: str, target: Path) -> None:
    con.execute(f"copy ({rows}) to {literal(str(target))} (format parquet, compression 'lz4_raw')")


def _finish(staging: Staging, conversion: Conversion, line: str, span: str, raw: RawText) -> None:
    """Stage the rows that are right, and account for the others."""
    _settle_times(staging.con, conversion, line)
    _account(staging, conversion, line, span, raw)


def _account(staging: Staging, conversion: Conversion, line: str, span: str, raw: RawText) -> None:
    """Refuse the rows with a problem, count those that a filter left out."""
    con = staging.con
    if conversion.mapping.filters:
        staging.records_ignored += _count(con, f"problem = {literal(LEFT_OUT)}")
    if _count(con, f"problem <> {literal(LEFT_OUT)}"):
        _refuse_rows(staging, raw, line, span)


def _passing(conversion: Conversion) -> Passing:
    filters = conversion.mapping.filters
    return Passing((f, f.column if isinstance(f.column, int) else conversion.places[f.column]) for f in filters)


def _settle_times(con: duckdb.DuckDBPyConnection, conversion: Conversion, line: str) -> None:
    """Wall time -> UTC for every row that can be; stage the rows without a problem."""
    (span,) = con.execute(conversion.span_sql(TABLE)).fetchall()
    if span[0] is None:
        return
    for update in conversion.doubts_sql(TABLE, span):
        con.execute(update)
    if _count(con, f"problem = {literal(PENDING)}"):
        settle_by_order(con, TABLE, line, conversion.zone, PENDING)
        con.execute(f"update {TABLE} set problem = {conversion.undecided()} where problem = {literal(PENDING)}")
    con.execute(conversion.insert_sql(TABLE, line, span))


def _count(con: duckdb.DuckDBPyConnection, condition: str) -> int:
    ((found,),) = con.execute(f"select count(*) from {TABLE} where {condition}").fetchall()
    return int(found)


def _regular_lines(con: duckdb.DuckDBPyConnection, text: Path, conversion: Conversion) -> int | None:
    """Number of data lines if every one is one regular record (or will be, once as many are read), else None."""
    layout, rules = conversion.layout, conversion.mapping.text
    if not layout.regular or not 2 <= layout.fields <= MOST_FIELDS:
        return None
    if (lines := countable_lines(text, rules, layout.fields, layout.first)) is not None:
        return lines
    with con.cursor() as apart:  # see `_convert_regular`
        try:
            ((lines, irregular, held),) = apart.execute(
                irregular_sql(text, rules, layout.fields, layout.first)
            ).fetchall()
        except (duckdb.InvalidInputException, duckdb.NotImplementedException):
            return None
    return None if irregular or not _all_there(text, layout.first, int(lines), int(held)) else int(lines)


def _all_there(text: Path, first: int, lines: int, held: int) -> bool:
    """True if the lines after `first` and their ends make up the file: DuckDB drops a line of 100 MB in silence."""
    with text.open(encoding="utf-8", newline="") as file:
        before = sum(len(file.readline().encode()) for _ in range(first))
    ends = text.stat().st_size - before - held
    return any(ends in (lines * width, (lines - 1) * width) for width in (1, 2))


def _refuse_rows(staging: Staging, raw: RawText, line: str, span: str) -> None:
    """Hand every row with a problem to the staging, in the order of the lines, with its raw text."""
    last = 0
    while True:
        page = staging.con.execute(
            f"select {line} as number, {span}, problem from {TABLE} "
            f"where problem <> {literal(LEFT_OUT)} and {line} > $1 order by number limit {PAGE}",
            [last],
        ).fetchall()
        for at, lines, problem in page:
            staging.refuse(at, raw.text(at, lines), problem)
            last = at
        if len(page) < PAGE:
            return
