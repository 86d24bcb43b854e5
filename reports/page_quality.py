"""What was read, what was refused and what does not agree; the settings and versions used.

In:    the quality part of a bundle, its settings and versions.
Out:   page tables and sentences.
After: rows read are compared with loaded + duplicate + refused, and a difference is said in words.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.findings.model import Bundle, MachineWeek, Quality, QualityLine, RefusalGroup
from reports import words
from reports.cells import Cell, PageTable, build, count, figure, left, lines, rate_cell, right, text
from reports.columns import settings_rows

_LEVELS = {"problem": 0, "warning": 1, "note": 2}


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
            (left("Machine", 14), lambda m: text(m.machine, m.line or "")),
            (left("Logs know", 9), lambda m: text(m.grain)),
            (right("Picks", 11), lambda m: count(m.picks)),
            (right("Lost", 16), _lost),
            (right("All losses", 16), lambda m: rate_cell(m.loss, "picks")),
            (right("Hours with picks", 9), lambda m: count(m.hours_with_picks)),
            (right("Nozzle unknown", 9), lambda m: _share(m.unknown_nozzle)),
            (right("Feeder unknown", 8), lambda m: _share(m.unknown_feeder)),
            (right("Part unknown", 8), lambda m: _share(m.unknown_part)),
        ),
        limit=limit,
        empty="No machine sent picks this week. Check that logs reach the inbox.",
    )


def _share(fraction: float | None) -> Cell:
    return Cell("not logged") if fraction is None else figure(words.share(fraction), fraction)


def _lost(machine: MachineWeek) -> Cell:
    named = ("missed", "rejected", "dropped", "returned", "unknown")
    small = lines(*(f"{name} {words.count(getattr(machine, name))}" for name in named if getattr(machine, name)))
    return figure(words.count(machine.picks - machine.placed) + " not placed", machine.picks - machine.placed, small)


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
            (
                right("Found", 9),
                lambda q: figure(words.measured(q.value), q.value) if q.value is not None else Cell(""),
            ),
            (
                right("Expected", 9),
                lambda q: figure(words.measured(q.expected), q.expected) if q.expected is not None else Cell(""),
            ),
        ),
        limit=limit,
        empty="Nothing to say against the data of this week.",
    )


def refusals(rows: Sequence[RefusalGroup], *, limit: int | None) -> PageTable:
    """Refused lines by file and reason."""
    return build(
        "refused",
        "Lines that were refused",
        rows,
        (
            (left("File", 24), lambda r: text(r.file)),
            (left("Reason", 26), lambda r: text(r.reason)),
            (right("Lines", 8), lambda r: count(r.lines)),
            (right("First", 8), lambda r: count(r.first_line)),
            (left("Example", 34), lambda r: text(r.example)),
        ),
        limit=limit,
        empty="No line was refused.",
    )


def settings(bundle: Bundle, *, limit: int | None) -> PageTable:
    """Settings used."""
    return build(
        "settings",
        "Settings used",
        list(settings_rows(bundle.settings)),
        (
            (left("Setting", 50), lambda pair: text(pair[0])),
            (left("Value", 50), lambda pair: text(pair[1] or "none")),
        ),
        limit=limit,
        empty="The bundle carries no settings.",
    )


def versions(bundle: Bundle, *, limit: int | None) -> PageTable:
    """Versions used."""
    return build(
        "versions",
        "Versions used",
        list(bundle.versions.items()),
        ((left("Program", 50), lambda pair: text(pair[0])), (left("Version", 50), lambda pair: text(pair[1]))),
        limit=limit,
        empty="The bundle carries no versions.",
    )
