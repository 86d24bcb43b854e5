"""Faults of a log that the plant declared: shown as known while they last, and missed when they are gone.

In:    the findings of all checks of one week; the [[known_fault]] entries of plant.toml.
Out:   QualityLine, each at its level.
After: a declared fault that is found is a note with its reason; a declared fault that is not found any more in a week
       that it covers is a warning to remove it. Nothing is left out.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.findings.model import QualityLine
from pipeline.settings import KnownFault

WITHOUT_PICKS = ("silent", "missing file")
"""Kinds that can be found although the machine logged nothing in the week."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line, and what kind of fault it is; `kind` is one of settings.FAULT_KINDS, or empty when it is no fault.

    also  other machines that the same fault may be declared for
    """

    kind: str
    line: QualityLine
    also: tuple[str, ...] = ()


def settle(
    findings: Iterable[Finding], known: tuple[KnownFault, ...], week: str, with_picks: set[str], *, over: bool
) -> list[QualityLine]:
    """The lines of a week, declared faults marked, and one line for each declared fault that is gone.

    week        ISO week, 2026-W47
    with_picks  machines that have picks in it: what a machine without picks would show cannot be said
    over        False while the week still runs: then nothing is called gone
    """
    monday, sunday = week_days(week)
    active = [k for k in known if k.begin <= sunday and (k.end is None or k.end >= monday)]
    met: set[KnownFault] = set()
    lines = []
    for finding in findings:
        fits = [k for k in active if k.kind == finding.kind and k.machine in (finding.line.machine, *finding.also)]
        met.update(fits)
        lines.append(_known(finding.line, fits[0]) if fits else finding.line)
    for entry in active:
        covers = entry.begin <= monday and (entry.end is None or entry.end >= sunday)
        looked_at = entry.kind in WITHOUT_PICKS or entry.machine in with_picks
        if entry not in met and covers and over and looked_at:
            lines.append(_gone(entry))
    return lines


def _known(line: QualityLine, entry: KnownFault) -> QualityLine:
    until = f" to {entry.end}" if entry.end else ""
    text = f"{line.text} Known from {entry.begin}{until}: {entry.reason}"
    return dataclasses.replace(line, level="note", what=f"known: {line.what}", text=text)


def _gone(entry: KnownFault) -> QualityLine:
    text = (
        f'The fault "{entry.kind}" was declared ({entry.reason}) but is not found in this week: it is declared '
        f"but gone. Remove it from plant.toml, line {entry.line}, or end it with a date."
    )
    return QualityLine("warning", "declared but gone", text, entry.machine, 0.0)


def week_days(week: str) -> tuple[str, str]:
    """Monday and Sunday of an ISO week, as ISO dates.

    >>> week_days("2026-W47")
    ('2026-11-16', '2026-11-22')
    """
    monday = date.fromisocalendar(int(week[:4]), int(week[6:]), 1)
    return monday.isoformat(), (monday + timedelta(days=6)).isoformat()


def local(moment: datetime, zone: str) -> str:
    """A UTC time on the plant's wall clock, to the minute.

    >>> local(datetime(2026, 11, 16, 5, 30), "Europe/Berlin")
    '2026-11-16 06:30'
    """
    return f"{moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}"


def span(seconds: float) -> str:
    """A length of time in words of the shop floor.

    >>> span(150), span(5400), span(42)
    ('2.5 min', '1.5 h', '42 s')
    """
    seconds = abs(seconds)
    if seconds < 60:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.3g} min" if seconds < 3600 else f"{seconds / 3600:.3g} h"
