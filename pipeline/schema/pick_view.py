"""How single picks are stored, and the view that shows them whole.

In:    nothing.
Out:   SQL of the view `pick`, with or without a number of each row; the columns of a combination.
After: the view has the columns of `tables.PICK` in their order.

A machine makes millions of picks with some thousand combinations of nozzle, feeder, part, outcome and so on. Each
combination is stored once (`pick_key`); a pick holds its number (`pick_row`). Text is written, compared and grouped per
combination that way: a large log is stored in a quarter of the time.
"""

from __future__ import annotations

from typing import Final

from pipeline.schema.tables import PICK, PICK_KEY, PICK_ROW

KEY_COLUMNS: Final = tuple(c for c in PICK_KEY.names() if c != "key_id")
"""Columns that make a combination."""
ROW_COLUMNS: Final = tuple(c for c in PICK_ROW.names() if c not in ("load_id", "key_id"))
"""Columns of one pick, but for its load."""


def pick_sql(*, numbered: bool = False) -> str:
    """Query of all picks, whole; `numbered`: with the row of each in `pick_row` as `pick_number`."""
    return _joined("pick_key", numbered=numbered)


def pick_sql_between(begin: str, end: str, *, numbered: bool = False) -> str:
    """Query of the picks of a span of time, whole.

    begin, end   SQL of times (UTC); the end is not in it
    Of many combinations DuckDB would gather all before it looks at the picks: here only those that came then.
    """
    then = f"time >= {begin} and time < {end}"
    keys = f"(select * from pick_key where key_id in (select key_id from pick_row where {then}))"
    return f"{_joined(keys, numbered=numbered)} where r.{then.replace('and time', 'and r.time')}"


def _joined(keys: str, *, numbered: bool) -> str:
    columns = ", ".join(f'{"k" if c in KEY_COLUMNS else "r"}."{c}"' for c in PICK.names())
    number = ", r.rowid as pick_number" if numbered else ""
    return f"select {columns}{number} from pick_row r join {keys} k on k.key_id = r.key_id"


def same_key(one: str, other: str) -> str:
    """SQL that two rows, as they are called there, have the same combination."""
    return " and ".join(f'{one}."{c}" is not distinct from {other}."{c}"' for c in KEY_COLUMNS)
