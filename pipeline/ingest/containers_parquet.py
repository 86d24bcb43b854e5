"""Parquet -> numbered records of text cells.

In:    a Parquet file, and a mapping with content = "parquet".
Out:   `Cut` over the file itself: nothing is copied.
After: text is as it stands; a whole number has no point; a time is 2026-11-16 06:00:00.000000, one that carries a zone
       is in UTC and ends with +00:00; a day is 2026-11-16. Records are numbered from 1 in the order of the file.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import duckdb

from pipeline.connections import connect
from pipeline.errors import FileRefused
from pipeline.ingest.containers_cut import Cut, Refuse
from pipeline.ingest.delimited_lines import Layout
from pipeline.ingest.mapping import LogMapping
from pipeline.ingest.quoting import literal, name, path_literal
from pipeline.ingest.staging import RAW_LIMIT
from pipeline.settings import Limits

_WHOLE = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT", "HUGEINT")
_ZONED = ("TIMESTAMP WITH TIME ZONE", "TIMESTAMPTZ_NS")
"""Times that are instants, in microseconds and in nanoseconds."""

_MEMORY_MB: Final = 500
"""Memory of a connection that only looks at the file."""


def cut_parquet(path: Path, mapping: LogMapping, work: Path, refuse: Refuse, limits: Limits) -> Cut:  # noqa: ARG001
    """Cut the file; FileRefused when it is damaged, holds several columns of one name, or unpacks beyond the limits."""
    from pipeline.ingest.containers import check_size

    source = f"read_parquet({path_literal(path)}, file_row_number=true, binary_as_string=true, hive_partitioning=false)"
    # On a connection of its own: an error would abort an open transaction of the store.
    try:
        with connect(memory_mb=_MEMORY_MB, threads=1) as con:
            shape = con.execute(f"describe select * exclude (file_row_number) from {source}").fetchall()
            columns = [(str(n), str(t)) for n, t, *_ in shape]
            ((records,),) = con.execute(
                f"select sum(num_rows) from parquet_file_metadata({path_literal(path)})"
            ).fetchall()
            check_size(int(records or 0) * len(columns), path.stat().st_size, limits)
            sizes = " + ".join(f"coalesce(strlen({_text(n, t)}), 0)" for n, t in columns)
            ((size,),) = con.execute(f"select sum({sizes}) from {source}").fetchall()
            check_size(int(size or 0), path.stat().st_size, limits)
            # Lengths are told without a look at the text: bytes that are no UTF-8 are found where a value is used.
            con.execute(f"select bit_xor(hash({', '.join(_text(n, t) for n, t in columns)})) from {source}")
    except duckdb.Error as error:
        found = str(error).splitlines()[0]
        raise FileRefused(f"is Parquet that cannot be read ({found}). Copy it again.") from error
    nothing = ", ".join(literal(t) for t in dict.fromkeys(("", *mapping.text.null)))

    def cell(number: int, column: str, kind: str) -> str:
        text = _text(column, kind)
        return f"case when {text} in ({nothing}) then null else {text} end as c{number}"

    cells = ", ".join(cell(i, n, t) for i, (n, t) in enumerate(columns, 1))
    scan = f"(select file_row_number + 1 as line_text, 1 as span_text, {cells} from {source})"
    layout = Layout(tuple(n.strip() if mapping.text.trim else n for n, _ in columns), len(columns), 0, regular=False)
    return Cut(layout, scan, 0, _RawRows(source, columns))


def _text(column: str, kind: str) -> str:
    """SQL that gives a column as text."""
    cell = name(column)
    if kind == "VARCHAR":
        return cell
    if kind.startswith("TIMESTAMP"):
        if kind in _ZONED:
            return f"strftime(make_timestamp(epoch_us(cast({cell} as timestamptz))), '%Y-%m-%d %H:%M:%S.%f+00:00')"
        return f"strftime(cast({cell} as timestamp), '%Y-%m-%d %H:%M:%S.%f')"
    if kind in _WHOLE:
        return f"cast({cell} as varchar)"
    if kind in ("DOUBLE", "FLOAT") or kind.startswith("DECIMAL"):
        return f"regexp_replace(cast({cell} as varchar), '[.]0+$', '')"
    return f"cast({cell} as varchar)"


class _RawRows:
    """Raw text of records, asked for in rising order."""

    def __init__(self, source: str, columns: list[tuple[str, str]]) -> None:
        cells = " || ';' || ".join(f"coalesce({_text(n, t)}, '')" for n, t in columns)
        self._sql = f"select file_row_number + 1, left({cells}, {RAW_LIMIT}) from {source}"
        self._rows = self._read()

    def _read(self) -> Iterator[tuple[int, str]]:
        with connect(memory_mb=_MEMORY_MB, threads=1) as con:  # one thread: the rows come in their order
            found = con.execute(self._sql)
            while page := found.fetchmany(10_000):
                yield from page

    def text(self, line: int, span: int) -> str:  # noqa: ARG002 - a record is one row
        """The cells of that row."""
        return next((text for number, text in self._rows if number >= line), "")
