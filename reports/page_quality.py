"""What was read, what was refused and what does not agree.

In:    the quality part of a bundle.
Out:   page tables and sentences.
After: rows read are compared with loaded + duplicate + refused, and a difference is said in words.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.findings.model import MachineWeek, Quality, QualityLine, RefusalGroup
from reports import words
from reports.cells import Cell, PageTable, build, count, figure, left, right, text

_LEVELS = {"problem": 0, "warning": 1, "note": 2}
GROUPS_SHOWN: Final = 12
"""Groups of refused lines in the PDF."""
EXAMPLE_SHOWN: Final = 80
"""Characters of a refused line in the PDF."""
_SHARES: Final = ("lines refused", "unknown nozzle", "unknown feeder", "unknown part")
"""Quality lines whose figures are shares; any other figure is one unless it is a whole number or above 1."""


def balance(quality: Quality) -> str:
    """Whether every row read has come to rest somewhere."""
    parts = quality.rows_loaded + quality.rows_duplicate + quality.rows_refused
    shown = (
        f"{words.plural(quality.files, 'file')}: {words.count(quality.rows_read)} rows read = "
        f"{words.count(quality.rows_loaded)} loaded + {words.count(quality.rows_duplicate)} duplicate + "
        f"{words.count(quality.rows_refused)} refused"
    )
    if parts == quality.rows_read:
        return f"{shown}. It adds up."
    lacking = words.count(abs(quality.rows_read - parts))
    return f"▲ {shown}. This does NOT add up: {lacking} rows differ. Do not rely on this week's figures."


def machines(rows: Sequence[MachineWeek], *, limit: int | None) -> PageTable:
    """One row a machine."""
    return build(
        "machines",
        "Machines and what their logs know",
        rows,
        (
            (left("Machine", 11), lambda m: text(m.machine, m.line or "")),
            (left("Logs know", 7), lambda m: text(m.grain)),
            (right("Picks", 9), lambda m: count(m.picks)),
            (right("Missed", 8), lambda m: count(m.missed)),
            (right("Rejected", 9), lambda m: count(m.rejected)),
            (right("Dropped", 9), lambda m: count(m.dropped)),
            (right("Returned", 9), lambda m: count(m.returned)),
            (right("Unknown", 9), lambda m: count(m.unknown)),
            (right("All losses", 12), _loss),
            (right("Hours", 6), lambda m: count(m.hours_with_picks)),
            (right("Without nozzle, feeder, part", 11), _without),
        ),
        limit=limit,
        empty="No machine sent picks this week. Check that logs reach the inbox.",
    )


def _loss(machine: MachineWeek) -> Cell:
    rate = machine.loss
    shown = words.ppm(rate.rate) if rate.attempts else "no picks"
    return figure(shown, rate.rate, words.ppm_interval(rate.low, rate.high))


def _without(machine: MachineWeek) -> Cell:
    shares = (machine.unknown_nozzle, machine.unknown_feeder, machine.unknown_part)
    shown = ["not logged" if share is None else words.share(share) for share in shares]
    known = [share for share in shares if share is not None]
    return figure(", ".join(shown), max(known, default=None))


def quality_lines(rows: Sequence[QualityLine], *, limit: int | None) -> PageTable:
    """Problems first, then warnings, then notes; otherwise in the bundle's order."""
    return build(
        "quality",
        "What to know about the data",
        sorted(rows, key=lambda line: _LEVELS.get(line.level, 3)),
        (
            (left("Level", 12), lambda q: text(f"{words.LEVEL_MARKS.get(q.level, '')} {q.level}")),
            (left("Where", 14), lambda q: text(q.machine if q.machine is not None else "plant")),
            (left("What", 14), lambda q: text(q.what)),
            (left("In words", 42), lambda q: text(q.text)),
            (right("Found", 9), lambda q: _figure(q, q.value)),
            (right("Expected", 9), lambda q: _figure(q, q.expected)),
        ),
        limit=limit,
        empty="Nothing to say against the data of this week.",
    )


def _figure(line: QualityLine, value: float | None) -> Cell:
    """A share as per cent, anything else as a count or a measure."""
    if value is None:
        return Cell("")
    known = [v for v in (line.value, line.expected) if v is not None]
    share = line.what.startswith(_SHARES) or (all(0 <= v <= 1 for v in known) and any(v % 1 for v in known))
    shown = words.small_share(value) if share else words.count(round(value)) if not value % 1 else words.measured(value)
    return figure(shown, value)


def refusals(rows: Sequence[RefusalGroup], *, limit: int | None) -> PageTable:
    """Refused lines by file and reason; with a `limit` at most `GROUPS_SHOWN`, and their examples cut."""
    return build(
        "refused",
        "Lines that were refused",
        rows,
        (
            (left("File", 20), lambda r: text(r.file)),
            (left("Reason", 36), lambda r: text(r.reason)),
            (right("Lines", 6), lambda r: count(r.lines)),
            (right("First", 7), lambda r: count(r.first_line)),
            (
                left("Example", 31),
                lambda r: text(r.example if limit is None else words.shortened(r.example, EXAMPLE_SHOWN)),
            ),
        ),
        limit=min(GROUPS_SHOWN, limit) if limit is not None else None,
        empty="No line was refused.",
    )
