"""Rows that commands show: what was loaded, rankings, overage, the store's status.

In:    an `Intake`, a `Bundle` or an open store.
Out:   lists of dicts; the same keys in every row.
After: nothing is computed here that a page would have to agree with.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import duckdb

from pipeline.errors import UserError
from pipeline.findings.model import Bundle, Suspect
from pipeline.findings.names import NOT_JUDGED
from pipeline.intake import Intake
from pipeline.schema.words import LOSSES
from pipeline.settings import Plant
from pipeline.store import frames, quality, quality_keys

__all__ = ["LOSSES"]

Rows = list[dict[str, Any]]

SHOWN = 30
"""Rows of a long list that the status shows; JSON has all."""


def check_choice(what: str, value: str, allowed: Sequence[str]) -> None:
    """UserError when `value` is none of `allowed`."""
    if value not in allowed:
        raise UserError(f"{what} is {value!r}; use one of {', '.join(allowed)}.")


def check_week(label: str) -> str:
    """The label of an ISO week in its standard form; UserError when it is none."""
    if re.fullmatch(r"\d{4}-[Ww]\d{1,2}", label):
        try:
            return frames.iso_week(label, ZoneInfo("UTC")).label
        except (ValueError, OverflowError):  # no such week; the last days of the calendar
            pass
    raise UserError(f"{label!r} is not an ISO week. Write it as 2026-W47.")


def early(bundle: Bundle, now: datetime) -> str:
    """What to know of the report of a week that is not over, or not begun; empty for one that is over."""
    if now >= datetime.fromisoformat(bundle.end):
        return ""
    if now < datetime.fromisoformat(bundle.start):
        return (
            f"{bundle.week} has not begun by this computer's clock, and yet there are picks in it: check the clocks of "
            "the machines and the time formats of the log mappings."
        )
    return (
        f"{bundle.week} is not over: the report holds what has been loaded so far. Make it again when the week is over."
    )


def intake_rows(taken: Intake) -> Rows:
    """One row a file that was read."""
    rows: Rows = [dataclasses.asdict(r) for r in taken.loaded]
    for bad in taken.refused:
        row: dict[str, Any] = dict.fromkeys(("file", "dialect", "read", "loaded", "duplicate", "refused", "ignored"))
        rows.append({**row, "file": bad.file, "dialect": "refused as a whole"})
    return rows


def intake_sentence(taken: Intake) -> str:
    """The run in one line."""
    read, loaded = sum(r.read for r in taken.loaded), sum(r.loaded for r in taken.loaded)
    duplicate, refused = sum(r.duplicate for r in taken.loaded), sum(r.refused for r in taken.loaded)
    whole = f", {len(taken.refused)} file(s) refused as a whole" if taken.refused else ""
    known = f", {len(taken.known)} known already" if taken.known else ""
    ignored = sum(r.ignored for r in taken.loaded)
    passed = (
        f" Of the loaded {ignored} hold nothing to count: left out by a filter, or of another kind." if ignored else ""
    )
    return (
        f"{len(taken.loaded)} new file(s){known}{whole}: {read} lines and messages read = "
        f"{loaded} loaded + {duplicate} duplicate + {refused} refused.{passed}"
    )


def refusal_lines(taken: Intake, limit: float) -> list[str]:
    """One line a file that was refused as a whole or beyond the limit, or of which the filters left nothing."""
    lines = []
    for bad in taken.refused:
        place = f" line {bad.line}" if bad.line else ""
        lines.append(f"{bad.file}{place}: {bad.reason} Nothing of this file was loaded.")
    for r in taken.loaded:
        if r.read and r.refused / r.read > limit:
            lines.append(
                f"{r.file}: {r.refused} of {r.read} lines refused, more than the limit of {limit:.1%}. "
                "`pickfall status` lists them."
            )
        if r.dialect == "delimited" and 0 < r.read == r.ignored:
            lines.append(f"{r.file}: none of its {r.read} lines passes the filters of its mapping. Check [[filter]].")
    return lines


def rank_rows(bundle: Bundle, kind: str, loss: str, *, full: bool) -> Rows:
    """The ranking of one kind."""
    found = [s for s in bundle.suspects if s.kind == kind and s.loss == loss]
    if full:
        return [_plain(s) for s in found]
    return [
        {
            kind: s.id,
            "machine": s.machine,
            "picks": s.attempts,
            "losses": s.losses,
            "ppm": _ppm(s.rate),
            "ppm low": _ppm(s.low),
            "ppm high": _ppm(s.high),
            "expected": s.expected,
            "effect": s.effect,
            "q": s.q,
            "saves a week": s.cost_per_week,
            "verdict": _verdict(s),
        }
        for s in found
    ]


def _verdict(s: Suspect) -> str:
    if s.flagged:
        return f"FLAGGED: {s.cause}"
    if not s.enough:
        return "not enough picks"
    if s.q is None:
        return NOT_JUDGED.get(s.kind, "not judged")
    if s.stands_out:
        return "worse than its peers, too small to flag"
    if s.suspected:
        return "likely worse than its peers, not sure enough to flag"
    if s.not_separable_from:
        return f"cannot be told from {', '.join(s.not_separable_from)}"
    return f"explained by {s.explained_by}" if s.explained_by else "no clear difference"


def _ppm(rate: float | None) -> int | None:
    return None if rate is None else round(rate * 1e6)


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, (tuple, list)):
        return [_plain(v) for v in value]
    return value


def status(con: duckdb.DuckDBPyConnection, plant: Plant) -> tuple[dict[str, Any], Mapping[str, Rows]]:
    """What is in the store: totals, weeks, machines, what to know about the newest week's data, refusals."""
    files = quality.files(con)
    totals: Rows = [
        {**dataclasses.asdict(files), "balance": files.read == files.loaded + files.duplicate + files.refused}
    ]
    refusals: Rows = quality.refusals(con).to_dicts()
    (span,) = con.execute("select min(hour), max(hour) from tally").fetchall()
    weeks: Rows = []
    machines: Rows = []
    lines: Rows = []
    keys: Rows = []
    fell: Rows = _timed(quality_keys.counter_events(con).to_dicts())
    disagree: Rows = _timed(quality_keys.disagreements(con).to_dicts())
    newest = frames.last_week_with_data(con, plant, None)
    if span[0] is not None:
        frames.set_clock(con, plant, span[0], span[1].replace(minute=59))
        weeks = quality.weeks(con).to_dicts()
        machines = quality.machines(con).drop("line").to_dicts()
        keys = quality_keys.fills(con).to_dicts()
    if newest is not None:
        lines = quality_rows(con, plant, newest)
    sections = {
        "Files, lines and messages": totals,
        "Weeks": weeks,
        "Machines": machines,
        f"Data of week {newest}": lines,
        "Keys told, filled in and unknown (picks)": keys,
        f"Running counters that fell: {len(fell)}": fell[:SHOWN],
        f"Lines that disagree with the one loaded first: {len(disagree)}": disagree[:SHOWN],
        "Refused": [{**r, "example": r["example"][:60]} for r in refusals],
    }
    document: dict[str, Any] = {"totals": totals[0], "weeks": weeks, "machines": machines}
    document |= {"data_week": newest, "data": lines, "refused": refusals}
    document |= {"keys": keys, "counter_events": fell, "disagreements": disagree}
    return document, sections


def refused_rows(con: duckdb.DuckDBPyConnection, *, full: bool) -> Rows:
    """Every line that was not loaded; text and reason are cut for a table."""
    rows: Rows = quality_keys.refused(con).to_dicts()
    return rows if full else [{**r, "reason": r["reason"][:90], "raw": (r["raw"] or "")[:60]} for r in rows]


def _timed(rows: Rows) -> Rows:
    return [{**r, "time": r["time"].isoformat(sep=" ")} for r in rows]


def quality_rows(con: duckdb.DuckDBPyConnection, plant: Plant, label: str) -> Rows:
    """What to know about the data of one week, problems first: the lines of the report's data page but the models'."""
    from pipeline.analysis.quality import lines  # only now: the statistics take a second to import
    from pipeline.checking import collect

    week = frames.iso_week(label, ZoneInfo(plant.zone))
    over = week.end <= datetime.now(UTC).replace(tzinfo=None)
    return [
        {
            "level": q.level,
            "machine": q.machine,
            "what": q.what,
            "found": q.value,
            "expected": q.expected,
            "text": q.text,
        }
        for q in lines(collect(con, plant, week, over=over), plant)
    ]
