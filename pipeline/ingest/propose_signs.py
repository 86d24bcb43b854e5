"""Finds the decimal sign, the sign between thousands, texts for nothing and blanks at the ends of cells.

In:    a `Sample`.
Out:   the same with these rules.
After: a sign that a number proves is taken without a mark. "3,512" alone proves nothing: it is a fraction or thousands.
       Then the likelier reading is taken and marked, where a column that needs numbers has such a cell.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pipeline.ingest.propose_sample import Sample

NOTHING: Final = ("-", "--", "---", "n/a", "N/A", "NULL", "null", "(null)", "None")
"""Texts that logs write for nothing."""
_GROUPED: Final = re.compile(
    r"[+-]?(?P<first>\d{1,3})(?P<sign>[.,'\u2019 \u00a0\u202f])\d{3}(?P<more>(?:(?P=sign)\d{3})*)"
    r"(?:(?P<point>[.,])\d+)?"
)
_BROKEN: Final = re.compile(r"[+-]?\d*(?P<point>[.,])\d+(?:[eE][+-]?\d+)?")
_WHOLE: Final = re.compile(r"[+-]?\d+")
_MOSTLY: Final = 0.8
"""Share of a column's cells that must be numbers."""


@dataclass
class _Evidence:
    """What the numbers of one column prove.

    decimal, thousands   sign -> cells that prove it
    open                 sign -> cells that can be read in two ways; `example` is one of them
    small, large         whole numbers without a sign, below 1000 and from there on
    """

    decimal: Counter[str] = field(default_factory=Counter)
    thousands: Counter[str] = field(default_factory=Counter)
    open: Counter[str] = field(default_factory=Counter)
    example: str = ""
    small: int = 0
    large: int = 0

    @property
    def is_open(self) -> bool:
        """True if nothing, or a torn cell or two, tells fractions from thousands."""
        return not self.decimal and self.open.total() > self.thousands.total()

    @property
    def counts(self) -> bool:
        """True if a sign begins where thousands do: 998, then 1,004."""
        return self.small > 0 and not self.large


def with_signs(sample: Sample, *, counts: bool = False) -> Sample:
    """The sample with the rules that its cells tell; counts: the log is to fill a table whose numbers are all whole."""
    rules, doubts, names = sample.rules, dict(sample.doubts), sample.names
    cells = [c for row in sample.rows for c in row if c]
    edges = sum(c != c.strip() for c in cells)
    if edges > 0.2 * len(cells):
        rules = replace(rules, trim=True)
        doubts["trim"] = "many fields have blanks at their ends"
        if names is not None and sample.content != "json_lines":
            names = tuple(n.strip() for n in names)
    seen = {c.strip() for c in cells}
    rules = replace(rules, null=tuple(t for t in NOTHING if t in seen))
    if rules.null:
        doubts["null"] = "taken for nothing"
    columns = [
        _evidence([t for row in sample.rows if (t := row[i].strip()) and t not in rules.null])
        for i in range(len(sample.rows[0]))
    ]
    decimal, thousands, marks = _decide([c for c in columns if c is not None], counts=counts)
    rules = replace(rules, decimal=decimal, thousands=thousands)
    unsure = frozenset(i for i, c in enumerate(columns) if c is not None and c.is_open)
    return replace(sample, rules=rules, doubts=doubts | marks, names=names, unsure=unsure)


def _evidence(cells: Sequence[str]) -> _Evidence | None:
    """What the numbers of a column prove; None when it is no column of numbers."""
    found, numbers = _Evidence(), 0
    for cell in cells:
        grouped = _GROUPED.fullmatch(cell)
        if grouped and not (grouped["point"] and grouped["point"] == grouped["sign"]):
            sign, point = grouped["sign"], grouped["point"]
            if point:
                found.decimal[point] += 1
            if point or grouped["more"] or sign not in ".,":
                found.thousands[sign] += 1
            elif grouped["first"].startswith("0"):
                found.decimal[sign] += 1
            else:
                found.open[sign] += 1
                found.example = found.example or cell
        elif broken := _BROKEN.fullmatch(cell):
            found.decimal[broken["point"]] += 1
        elif _WHOLE.fullmatch(cell):
            found.small += len(cell.lstrip("+-")) < 4
            found.large += len(cell.lstrip("+-")) >= 4
        else:
            continue
        numbers += 1
    return found if numbers and numbers >= _MOSTLY * len(cells) else None


def _decide(columns: Sequence[_Evidence], *, counts: bool) -> tuple[str, str, dict[str, str]]:
    """Decimal sign, thousands sign, and what is unsure about them."""
    decimals = sum((c.decimal for c in columns), Counter[str]())
    groups = sum((c.thousands for c in columns), Counter[str]())
    doubtful = [c for c in columns if c.is_open]
    marks: dict[str, str] = {}
    decimal = decimals.most_common(1)[0][0] if decimals else ""
    if decimals["."] and decimals[","]:
        marks["decimal"] = f"{decimals['.']} numbers have a point, {decimals[',']} a comma"
    groups += sum((c.open for c in doubtful if counts or c.counts), Counter[str]())
    thousands = next((sign for sign, _ in groups.most_common() if sign != decimal), "")
    decimal = decimal or {",": ".", ".": ","}.get(thousands, "")
    if thousands and thousands not in ".,":
        marks["thousands"] = "it stands before groups of three digits"
    for found in doubtful:
        ((sign, _),) = found.open.most_common(1)
        counted = counts or found.counts
        if decimal == sign or (not decimal and not counted):
            decimal = sign
            if not decimals:
                marks["decimal"] = f'"{found.example}" is taken for a fraction; it may be thousands'
        elif not thousands or thousands == sign:
            decimal, thousands = decimal or ("." if sign == "," else ","), sign
            marks["thousands"] = f'"{found.example}" is taken for thousands; it may be a fraction'
    return decimal or ".", thousands, marks
