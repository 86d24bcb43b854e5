"""Rows of a sample that have another number of fields than their header: empty ones at the end left off, or one more.

In:    the records of a text, cut without a look at how many fields each has.
Out:   the same with as many fields as the header has, and what is said of that; or how many rows have another number.
After: only empty fields were added or taken off, and only at the ends of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.ingest.delimited_lines import Record
from pipeline.ingest.mapping import TextRules
from pipeline.ingest.propose_sample import plain_number, tells_a_day

LOOKED_AT: Final = 1000
"""Records by which it is decided."""
FITTING: Final = 0.9
"""Share of the rows that must have nothing beyond the columns of the header: others are torn, or of another kind."""
MOST_TORN: Final = 2
"""Rows as wide as that which may be torn ones, where the header is as wide as most rows."""


def evened(found: Sequence[Record], usual: int) -> tuple[list[Record], int, str] | None:
    """Records as wide as the header, that width, and what is said of it; None where most rows are as wide as it is.

    usual   number of fields that most records have
    """
    first = next((i for i, r in enumerate(found[:LOOKED_AT]) if _width(r) == usual and _dated(r)), 0)
    while first and _dated(found[first - 1]):
        first -= 1
    if not first or not _is_title(found[first - 1]):
        return None
    fields = _width(found[first - 1])
    rows = [r for r in found[first:] if not r.problem]
    some = [r for r in rows[:LOOKED_AT] if _dated(r)]
    if sum(not _beyond(r, fields) for r in some) < FITTING * len(some):
        return None
    if fields == usual and sum(_width(r) > fields and not _beyond(r, fields) for r in some) <= MOST_TORN:
        return None
    other = sum(_width(r) != fields for r in rows)
    made = [r if i < first or r.problem or _beyond(r, fields) else _filled(r, fields) for i, r in enumerate(found)]
    said = f"the header has {fields} columns, {other} of {len(rows)} rows have another number of fields: empty ones at "
    return made, fields, said + "the end are left off or added; a torn line is not told from a short one"


def other_widths(odd: Sequence[Record], rows: int, rules: TextRules, usual: int) -> str:
    """What is said of rows with another number of fields; "" where there are none."""
    if not odd:
        return ""
    if rules.short_rows == "fill":
        return f"{len(odd)} of {len(odd) + rows} rows have more than {usual} fields, first line {odd[0].line}: refused"
    said = f"{len(odd)} of {len(odd) + rows} rows have another number of fields than {usual}, first line {odd[0].line}"
    return f'{said}: refused, if no filter leaves them out; if only empty ones at the end lack, short_rows = "fill"'


def _width(record: Record) -> int:
    return len(record.fields or ())


def _dated(record: Record) -> bool:
    return tells_a_day(record.fields or ())


def _is_title(record: Record) -> bool:
    """True if a record can be a header: names in nearly all of its fields, each another one."""
    names = [c.strip() for c in record.fields or () if c.strip()]
    return (
        len(names) > 1
        and len(names) == len(set(names))
        and len(names) >= _width(record) - 2
        and not any(map(plain_number, names))
    )


def _beyond(record: Record, fields: int) -> bool:
    """True if something stands beyond the columns of the header."""
    return any(c.strip() for c in (record.fields or ())[fields:])


def _filled(record: Record, fields: int) -> Record:
    cells = (record.fields or ())[:fields]
    return record._replace(fields=cells + ("",) * (fields - len(cells)))
