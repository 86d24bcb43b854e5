"""Everything the week's findings know about one item.

In:    a `Bundle`, the kind and the id.
Out:   a document for scripts and the same as sections of rows for people.
After: an id that is not in the week is an error that names near ones.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pipeline.analysis.overage_words import THIN
from pipeline.commands.listing import Rows, _plain, _verdict
from pipeline.errors import UserError
from pipeline.findings.model import Bundle, Suspect
from pipeline.findings.names import item_key


def explain(bundle: Bundle, kind: str, item: str, machine: str | None) -> tuple[dict[str, Any], Mapping[str, Rows]]:
    """Document and sections; UserError when the item is unknown or stands on several machines."""
    of_kind = [s for s in bundle.suspects if s.kind == kind and machine in (None, s.machine)]
    mine = [s for s in of_kind if item in (s.id, s.id.removeprefix(f"{s.machine}/"))]
    if not mine:
        near = difflib.get_close_matches(item, sorted({s.id for s in bundle.suspects if s.kind == kind}), 3)
        hint = f" Did you mean {', '.join(near)}?" if near else f" `pickfall rank {kind}` lists them."
        where = f" of {machine}" if machine else ""
        raise UserError(f"no {kind} {item!r}{where} in week {bundle.week}.{hint}")
    machines = sorted({s.machine for s in mine if s.machine})
    if len(machines) > 1:
        raise UserError(f"{kind} {item!r} is on {', '.join(machines)}. Name one with --machine.")
    item = mine[0].id
    key = item_key(kind, mine[0].machine, item)
    services = [s for s in bundle.services if item_key(s.kind, s.machine, s.id) == key]
    drifts = [d for d in bundle.drifts if kind == "feeder" and d.feeder == item]
    recognition = [r for r in bundle.recognition if kind == "part" and r.part == item]
    overage = [o for o in bundle.overage if kind == "part" and o.part == item]
    document = {
        "week": bundle.week,
        "kind": kind,
        "id": item,
        "suspects": _plain(mine),
        "services": _plain(services),
        "drifts": _plain(drifts),
        "recognition": _plain(recognition),
        "overage": _plain(overage),
    }
    sections: dict[str, Rows] = {
        f"{kind} {item}, week {bundle.week}": [_line(s) for s in mine],
        "Evidence": [
            {"loss": s.loss, "speaks": "for" if e.supports else "against", "fact": e.text}
            for s in mine
            for e in s.evidence
        ],
        "By week": [
            {
                "loss": s.loss,
                "week": p.label,
                "chances": p.attempts,
                "losses": p.losses,
                "rate": p.rate,
                "low": p.low,
                "high": p.high,
                "healthy": p.expected,
            }
            for s in mine
            for p in s.history
        ],
        "What would settle it": [
            {
                "loss": s.loss,
                "exchange": s.swap.what,
                "reads": s.swap.reads,
                "picks of each": s.swap.picks,
                "days": s.swap.days,
            }
            for s in mine
            if s.swap is not None
        ],
        "Services": [
            {
                "time": s.time,
                "action": s.action,
                "loss": s.loss,
                "verdict": s.verdict,
                "difference": s.difference,
                "low": s.low,
                "high": s.high,
                "text": s.text,
            }
            for s in services
        ],
        "Pick position": [
            {"axis": d.axis, "mm a day": d.slope, "low": d.low, "high": d.high, "flagged": d.flagged} for d in drifts
        ],
        "Recognition": [{"follows": r.follows, "since": r.since, "advice": r.advice} for r in recognition],
        "Overage": [
            {"build": o.build, "need": o.need, "extra": o.extra, "buy": o.buy, "reason": o.reason.replace(THIN, " ")}
            for o in overage
        ],
    }
    return document, sections


def _line(s: Suspect) -> dict[str, Any]:
    return {
        "loss": s.loss,
        "machine": s.machine,
        "chances": s.attempts,
        "losses": s.losses,
        "rate": s.rate,
        "low": s.low,
        "high": s.high,
        "expected": s.expected,
        "effect": s.effect,
        "effect low": s.effect_low,
        "effect high": s.effect_high,
        "q": s.q,
        "since": s.since,
        "verdict": _verdict(s),
    }
