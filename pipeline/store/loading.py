"""Take one staged file into the store: whole or not at all, and each event once.

In:    a `Staging` that a dialect filled, and the file it came from.
Out:   rows in the event tables, `refused`, one row in `load`, and the tallies of every hour touched.
After: read = loaded + duplicate + refused for the file; tallies equal a fresh count of the picks; all of it in one
       transaction, so that a killed run leaves the last good state. Small files share a transaction and its roll-up.

Once: a message that carries an identity counts once by it. A line without one is compared by its whole content, as a
multiset: what an earlier file of the same hours already holds n times is only new from the (n+1)th time on. So two
exports that overlap give their union, and two equal lines within one file stay two events. A line that agrees with one
of an earlier export in place and time and not in how the pick ended is kept in table `disagreement` and not counted.
"""

from __future__ import annotations

from collections.abc import Container
from contextlib import suppress
from dataclasses import dataclass

import duckdb

from pipeline.errors import FileRefused
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.staging import Staging
from pipeline.rollup import tallies
from pipeline.rollup.sources import closed_hours
from pipeline.schema.table import Table
from pipeline.schema.tables import COUNTER, EVENT_TABLES, MEASUREMENT, MESSAGE, PICK, PICK_ROW
from pipeline.store.keys import (
    Names,
    find_disagreements,
    find_filled,
    find_filled_counts,
    find_overlapping_counts,
    find_reused_ids,
    stored_near,
)
from pipeline.store.part_counts import FEEDER, OF_PARTS
from pipeline.store.picks import insert_packed, insert_picks

GROUP_ROWS = 200_000
GROUP_FILES = 100
"""A group is stored when it has so many lines or files: a killed run loses at most this much work."""

LARGE = 1_000_000
"""Lines from which on a log is large."""


@dataclass(frozen=True, slots=True)
class LoadResult:
    """What became of one file, in lines or messages."""

    file: str
    dialect: str
    read: int
    loaded: int
    duplicate: int
    refused: int
    ignored: int


def refused_before(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[str, str | None]]:
    """Content hash -> file and mapping of every load that has refused lines."""
    rows = con.execute("select content_hash, file, mapping from load where rows_refused > 0 order by file").fetchall()
    return {content: (file, mapping) for content, file, mapping in rows}


def known_content(con: duckdb.DuckDBPyConnection, content_hash: str) -> bool:
    """True when a file with this content was loaded before, under whatever name."""
    return bool(con.execute("select 1 from load where content_hash = ? limit 1", [content_hash]).fetchall())


class LoadGroup:
    """Files that are taken in together: one transaction, one roll-up. Either all of them are stored or none.

    Close it with `commit`, or with `undo` when anything was raised.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self.rows = 0
        self.files = 0

    @property
    def is_full(self) -> bool:
        """True when it is time to commit."""
        return self.rows >= GROUP_ROWS or self.files >= GROUP_FILES

    def add(self, staging: Staging, source: SourceFile, file: str, dialect: str, mapping: str | None) -> LoadResult:
        """Move the staged rows of one file into the store.

        file     how the file is called in messages and tables
        mapping  what decided how it was read, or None
        Raises RuntimeError when the counts do not balance (a bug).
        """
        self.start()
        staging.flush()
        result = _load(self._con, staging, source, file, dialect, mapping)
        staging.release()
        self.rows += result.read
        return result

    def start(self) -> None:
        """Begin the transaction, unless it is open."""
        if not self.files:
            self._con.execute("begin")
            tallies.begin(self._con)
        self.files += 1

    def commit(self) -> None:
        """Roll up and store. Raises RuntimeError when tallies and picks differ (a bug)."""
        if self.files:
            tallies.recompute(self._con)
            self._con.execute("commit")
            self.rows = self.files = 0

    def undo(self) -> None:
        """Leave the store as it was before the group."""
        if self.files:
            with suppress(duckdb.Error):  # a failed commit leaves nothing to roll back
                self._con.execute("rollback")
            self.rows = self.files = 0


def load_staged(
    con: duckdb.DuckDBPyConnection, staging: Staging, source: SourceFile, file: str, dialect: str, mapping: str | None
) -> LoadResult:
    """Take in one file by itself: see `LoadGroup.add`."""
    group = LoadGroup(con)
    try:
        result = group.add(staging, source, file, dialect, mapping)
        group.commit()
    except BaseException:
        group.undo()
        raise
    return result


def _load(
    con: duckdb.DuckDBPyConnection, staging: Staging, source: SourceFile, file: str, dialect: str, mapping: str | None
) -> LoadResult:
    load_id = _one(con, "select coalesce(max(load_id), 0) + 1 from load")
    filled, duplicate = _move(con, staging, load_id, file)
    # An ignored message has a row in `message`; a line that a filter of the mapping left out has none anywhere.
    without_row = 0 if MESSAGE in filled else staging.records_ignored
    result = LoadResult(
        file=file,
        dialect=dialect,
        read=staging.records_read,
        loaded=_count_lines(con, filled, load_id, apart=bool(staging.attached)) + without_row,
        duplicate=duplicate,
        refused=_one(con, "select count(*) from staged_refused"),
        ignored=staging.records_ignored,
    )
    if result.read != result.loaded + result.duplicate + result.refused:
        raise RuntimeError(f"{file}: read, loaded, duplicate and refused do not balance: {result}")
    first, last = _time_span(con, filled)
    con.execute(
        "insert into load values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            *(load_id, file, source.content_hash, source.size, dialect, mapping),
            *(result.read, result.loaded, result.duplicate, result.refused, result.ignored, first, last),
        ],
    )
    tallies.note(con, load_id, large=result.read >= LARGE)
    _settle_mended(con, load_id, result)
    return result


def _settle_mended(con: duckdb.DuckDBPyConnection, load_id: int, now: LoadResult) -> None:
    """Settle what was refused of a file of the same name, if this one holds all of it: it was mended where it lay."""
    con.execute(
        "update refused set settled = true where file = $file and load_id in (select load_id from load "
        "where file = $file and load_id <> $load_id and rows_read <= $read and rows_loaded + rows_duplicate <= $twice "
        "and rows_loaded + rows_duplicate > 0)",
        {"file": now.file, "load_id": load_id, "read": now.read, "twice": now.duplicate},
    )


def settle_refused(con: duckdb.DuckDBPyConnection, file: str) -> int:
    """Settle all that was refused of a file, as it is called in the lists; returns how many lines (a file is one)."""
    ((open_lines,),) = con.execute(
        "select count(*) from refused where file = ? and settled is not true", [file]
    ).fetchall()
    con.execute("update refused set settled = true where file = ? and settled is not true", [file])
    return int(open_lines)


def _move(
    con: duckdb.DuckDBPyConnection, staging: Staging, load_id: int, file: str, earlier: Container[str] = ()
) -> tuple[list[Table], int]:
    """Staged rows into the store, each event once; returns the tables staged and the number of duplicate lines.

    earlier  tables of which other lines of the file were loaded before: see `_loaded_before`
    """
    filled = [t for t in EVENT_TABLES if _one(con, f"select exists (select 1 from staged_{t.name})")]
    if COUNTER in filled:
        _name_part_counts(con, staging)
    con.execute("create or replace temp table dropped_line (line BIGINT)")
    _find_repeated_messages(con)
    if _one(con, "select exists (select 1 from dropped_line)"):
        find_reused_ids(con, load_id)
    _drop_lines(con, staging, filled)
    _refuse_closed_hours(con, staging, filled)
    known = PICK in filled and _time_known(con)
    if known:
        staging.settle()  # what is read several times
    for spec in filled:
        if spec.name != "message" and (spec is not PICK or known):
            _find_repeated_rows(con, spec, again=spec.name in earlier)
    if known and _one(
        con, "select exists (select 1 from staged_pick where line not in (select line from dropped_line))"
    ):
        find_filled(con, load_id)
        find_disagreements(con, load_id)
    if COUNTER in filled:
        find_filled_counts(con, load_id)
        find_overlapping_counts(con, load_id)
    duplicate = _one(con, "select count(distinct line) from dropped_line")
    _drop_lines(con, staging, filled)
    for spec in filled:
        if spec is PICK:
            picks = staging.attached.get(PICK.name)
            if picks is not None and picks.packed:
                insert_packed(con, picks, str(int(load_id)))
            else:
                insert_picks(con, "staged_pick", str(int(load_id)))
            continue
        names = ", ".join(f'"{n}"' for n in spec.names() if n != "load_id")
        con.execute(f"insert into {spec.name} (load_id, {names}) select ?, {names} from staged_{spec.name}", [load_id])
    con.execute("insert into refused select ?, ?, line, raw, reason, null from staged_refused", [load_id, file])
    return filled, duplicate


def _name_part_counts(con: duckdb.DuckDBPyConnection, staging: Staging) -> None:
    """Counts of parts, reels or lots are a grain of their own: feeder counters beside them count the same picks."""
    if _one(con, f"select exists (select 1 from staged_counter where {FEEDER} having {OF_PARTS})"):
        staging.settle()
        con.execute(f"update staged_counter set grain = 'part' where {FEEDER}")


def _drop_lines(con: duckdb.DuckDBPyConnection, staging: Staging, filled: list[Table]) -> None:
    """Take the duplicate lines found so far out of the staging."""
    if _one(con, "select exists (select 1 from dropped_line)"):
        staging.settle()
        for spec in filled:
            con.execute(f"delete from staged_{spec.name} where line in (select line from dropped_line)")


def _refuse_closed_hours(con: duckdb.DuckDBPyConnection, staging: Staging, filled: list[Table]) -> None:
    """Refuse lines with picks or measurements of hours whose picks were removed: what is new in them is not known.

    Under every name that the machine has or had."""
    if not _one(con, "select exists (select 1 from closed_hour)"):
        return
    staging.settle()
    for spec in filled:
        if spec in (PICK, MEASUREMENT):
            con.execute(
                "insert into staged_refused select s.line, null, 'the picks of ' || min(s.machine) || ' of the '"
                " || 'hour ' || strftime(min(c.hour), '%Y-%m-%d %H:%M') || ' UTC were removed after [retention] '"
                " || 'pick_weeks, so that nobody can tell whether this line is new. '"
                " || 'Line refused; the hour stays as it was counted.' "
                f"from {Names.of(con, spec).staged} s "
                f"join ({closed_hours(con)}) c on c.machine = s.machine and c.hour = date_trunc('hour', s.time) "
                "where s.line not in (select line from staged_refused where line is not null) group by s.line"
            )
    for spec in filled:
        con.execute(
            f"delete from staged_{spec.name} where line in (select line from staged_refused where line is not null)"
        )


def load_again(con: duckdb.DuckDBPyConnection, staging: Staging, content_hash: str, mapping: str | None) -> LoadResult:
    """Take the lines of a known file that were refused when it was loaded and that can be read now.

    The file keeps its one row in `load`, which goes on to balance. Lines that were loaded are duplicates by their
    number, so that a mapping that reads them otherwise now cannot count them twice.
    Raises FileRefused when the file is cut into other lines than before, KeyError when it was never loaded.
    """
    staging.flush()
    staging.settle()
    group = LoadGroup(con)
    group.start()
    try:
        result = _load_again(con, staging, content_hash, mapping)
        group.commit()
    except BaseException:
        group.undo()
        raise
    return result


def _load_again(con: duckdb.DuckDBPyConnection, staging: Staging, content_hash: str, mapping: str | None) -> LoadResult:
    known = con.execute(
        "select load_id, file, dialect, rows_read, rows_loaded, rows_duplicate, rows_ignored from load "
        "where content_hash = ?",
        [content_hash],
    ).fetchall()
    if not known:
        raise KeyError(content_hash)
    load_id, file, dialect, read, loaded, duplicate, ignored = known[0]
    if staging.records_read != read:
        raise FileRefused(
            f"it has {staging.records_read} lines by the mapping of now and had {read} when it was loaded. "
            "Mend the mapping without changing how the file is cut into lines."
        )
    con.execute("create or replace temp table once_refused as select line from refused where load_id = ?", [load_id])
    earlier = _loaded_before(con)
    for name in (*(t.name for t in EVENT_TABLES), "refused"):
        con.execute(f"delete from staged_{name} where line not in (select line from once_refused)")
    con.execute("delete from refused where load_id = ?", [load_id])
    filled, repeated = _move(con, staging, load_id, file, earlier)
    refused = _one(con, "select count(*) from staged_refused")
    new = _one(con, "select count(*) from once_refused") - repeated - refused
    passed = new - _count_staged(con, filled)
    first, last = _time_span(con, filled)
    con.execute(
        "update load set mapping = $1, rows_loaded = $2, rows_duplicate = $3, rows_refused = $4, rows_ignored = $5, "
        "first_time = least(first_time, $6), last_time = greatest(last_time, $7) where load_id = $8",
        [mapping, loaded + new, duplicate + repeated, refused, ignored + passed, first, last, load_id],
    )
    tallies.note(con, load_id, again=True)
    return LoadResult(file, dialect, read, new, read - new - refused, refused, passed)


def _count_staged(con: duckdb.DuckDBPyConnection, filled: list[Table]) -> int:
    """Lines that are staged with a row; a line that a filter of the mapping leaves out has none."""
    lines = " union ".join(f"select line from staged_{t.name}" for t in filled)
    return _one(con, f"select count(*) from ({lines})") if filled else 0


def refuse_file(con: duckdb.DuckDBPyConnection, file: str, line: int | None, reason: str) -> None:
    """Keep a file that could not be read at all in `refused`, once."""
    con.execute(
        "insert into refused select null, $file, $line, null, $reason, null where not exists "
        "(select 1 from refused where load_id is null and file = $file and reason = $reason)",
        {"file": file, "line": line, "reason": reason},
    )


def forget_refused_file(con: duckdb.DuckDBPyConnection, file: str) -> None:
    """A file of that name was loaded after all: drop the note that it could not be read."""
    con.execute("delete from refused where load_id is null and file = ?", [file])


def _one(con: duckdb.DuckDBPyConnection, sql: str) -> int:
    ((value,),) = con.execute(sql).fetchall()
    return int(value)


def _find_repeated_messages(con: duckdb.DuckDBPyConnection) -> None:
    con.execute(
        "insert into dropped_line select line from (select line, message_id, "
        "row_number() over (partition by message_id order by line) as n from staged_message) "
        "where n > 1 or message_id in (select message_id from message)"
    )


def _time_known(con: duckdb.DuckDBPyConnection) -> bool:
    """False if no machine has a stored pick of the time that its staged ones span: none can be told twice then."""
    (span,) = con.execute("select min(time), max(time) from staged_pick").fetchall()
    near = con.execute("select 1 from pick_row where time between $1 and $2 limit 1", span).fetchall()
    if not near:
        return False
    spans = f"select machine, min(time) as a, max(time) as b from {Names.of(con, PICK).staged} group by machine"
    of_same_machine = "s.machine = p.machine and p.time between s.a and s.b"
    found = con.execute(f"select 1 from {stored_near(con)} p join ({spans}) s on {of_same_machine} limit 1")
    return bool(found.fetchall())


def _loaded_before(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Tables with lines that were loaded before and are equal to some that were refused then; as temp tables earlier_*.

    Two equal lines within one file are two events, also where only one of them could be read at first.
    """
    tables = []
    for spec in EVENT_TABLES:
        if spec is MESSAGE or not _one(con, f"select exists (select 1 from staged_{spec.name})"):
            continue
        staged = Names.of(con, spec).staged
        same = " and ".join(f's."{c.name}" is not distinct from r."{c.name}"' for c in spec.content())
        con.execute(
            f"create or replace temp table earlier_{spec.name} as select s.* from {staged} s semi join "
            f"(from {staged} e where line in (select line from once_refused)) r on {same} "
            "where s.line not in (select line from once_refused)"
        )
        tables.append(spec.name)
    return tables


def _find_repeated_rows(con: duckdb.DuckDBPyConnection, spec: Table, *, again: bool) -> None:
    """Lines without a message identity whose content an earlier file of the same hours already holds.

    again  lines of this file were loaded before, those in temp table earlier_*
    """
    content = ", ".join(f'"{c.name}"' for c in spec.content())
    same = " and ".join(f's."{c.name}" is not distinct from k."{c.name}"' for c in spec.content())
    names = Names.of(con, spec)
    lines = f"select line, {content}, {{}} as new from {{}} e where line not in (select line from staged_message)"
    ours = lines.format("true", names.staged)
    if again:
        ours += " union all " + lines.format("false", f"earlier_{spec.name}")
    stored = stored_near(con) if spec is PICK else names.stored
    con.execute(
        f"with span as (select min(time) as a, max(time) as b from staged_{spec.name}), "
        f"known as (select {content}, count(*) as copies from {stored} e, span "
        f"where time between a and b group by all), "
        f"staged as (select *, row_number() over (partition by {content} order by new, line) as copy from ({ours})) "
        "insert into dropped_line "
        f"select s.line from staged s join known k on {same} where s.new and s.copy <= k.copies"
    )


def _count_lines(con: duckdb.DuckDBPyConnection, filled: list[Table], load_id: int, *, apart: bool) -> int:
    """How many lines or messages stand in the store for this load, counted there and not taken from the staging.

    apart   every row has a line of its own
    """
    if not filled:
        return 0
    if apart and len(filled) == 1:
        return _one(con, f"select count(*) from {_rows_of(filled[0])} where load_id = {int(load_id)}")
    lines = " union all ".join(f"select line from {_rows_of(t)} where load_id = {int(load_id)}" for t in filled)
    return _one(con, f"select count(distinct line) from ({lines})")


def _rows_of(spec: Table) -> str:
    """The table that has a row for each of an event."""
    return PICK_ROW.name if spec is PICK else spec.name


def _time_span(con: duckdb.DuckDBPyConnection, filled: list[Table]) -> tuple[object, object]:
    timed = [t.name for t in filled if "time" in t.names()]
    if not timed:
        return None, None
    spans = " union all ".join(f"select min(time) as a, max(time) as b from staged_{name}" for name in timed)
    ((first, last),) = con.execute(f"select min(a), max(b) from ({spans})").fetchall()
    return first, last
