"""What to do this week, by whom, and what it is worth: the first page.

In:    the flagged suspects, services, recognition findings, drifts, overage and quality of the week.
Out:   findings.model.Action, in the order in which they should be read.
After: one line a thing to do; an item flagged for several kinds of loss is one line; money has its interval.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from pipeline.analysis import items
from pipeline.analysis.overage_words import sure
from pipeline.findings.model import (
    Action,
    OffsetDrift,
    Overage,
    Quality,
    RecognitionFinding,
    ServiceOutcome,
    Suspect,
)
from pipeline.findings.names import item_key, of_machine

NAMED = 6
"""Parts named in one line."""
PLANNER_KINDS = ("nozzle", "spindle", "head", "machine", "feeder", "slot")

ADVICE = {
    ("nozzle", "missed"): "Pull it, clean and inspect tip and seal; replace if worn or chipped.",
    ("nozzle", "rejected"): "Pull it, clean and inspect the tip; check how it looks in the camera image.",
    ("nozzle", "dropped"): "Pull it, inspect tip and seal; replace if worn.",
    ("spindle", "missed"): "Check the vacuum and the filter of this spindle.",
    ("spindle", "rejected"): "Check the play and the angle of this spindle.",
    ("spindle", "dropped"): "Check the vacuum hold of this spindle on the way to the board.",
    ("head", "missed"): "Check the vacuum pump, filter and hoses of this head with a test part on every spindle.",
    ("head", "rejected"): "Clean the recognition unit of this head and run its calibration check.",
    ("head", "dropped"): "Check vacuum and motion of this head.",
    ("machine", "missed"): "Check what its heads share: air supply, vacuum pump, feeder tables and the last change.",
    ("machine", "rejected"): "Check what its heads share: recognition settings, calibration and the last change to it.",
    ("machine", "dropped"): "Check what its heads share: air supply, motion and the last change to it.",
    ("feeder", "missed"): "Take it off; check pick position, tape advance and cover-tape peel on the bench.",
    ("feeder", "rejected"): "Take it off; check pick position and how parts lie in the pocket.",
    ("feeder", "dropped"): "Take it off; check pick position.",
    ("slot", "missed"): "Check the seat, the connector and the reference of this feeder position.",
    ("slot", "rejected"): "Check the seat and the reference of this feeder position.",
    ("part", "missed"): "Check nozzle choice, pick height and the tape or tray of this part.",
    ("part", "rejected"): "Check the part data and recognition settings against ten good parts.",
    ("part", "dropped"): "Check nozzle choice, part weight and travel speed of this part.",
    ("package", "missed"): "Check nozzle choice and pick height of this package.",
    ("package", "rejected"): "Check the recognition settings of this package.",
    ("lot", "missed"): "Check tape and pockets, or trays, of this lot; keep it apart until then.",
    ("lot", "rejected"): "Compare parts of this lot with another lot; keep it apart until then.",
    ("reel", "missed"): "Check the tape, the splice and the cover tape of this reel.",
    ("reel", "rejected"): "Check the parts and the tape of this reel.",
    ("optics", "rejected"): "Clean lens, mirrors and light, check the brightness and run the unit's own check.",
    ("light", "rejected"): "Check the brightness of this light, all its segments and its cover, on a good part.",
}
DEFAULT_ADVICE = "Look at it and compare it with its neighbours."


def advice(kind: str, loss: str) -> str:
    """What to do about a flagged item, in one or two short sentences (common practice, no source)."""
    if loss == "all":
        return next((ADVICE[k, v] for k, v in ADVICE if k == kind), DEFAULT_ADVICE)
    return ADVICE.get((kind, loss), DEFAULT_ADVICE)


def one_line_each(suspects: Iterable[Suspect]) -> tuple[Suspect, ...]:
    """Flagged suspects, one a thing: of several losses the one that costs most; order of the ranking kept.

    "all" stands for an item only when it is flagged for nothing more precise. Of all losses of one and some of another
    that cannot be told from it the dearer line stays: the same losses would be saved twice.
    """
    best: dict[tuple[str, str | None, str], Suspect] = {}
    for s in suspects:
        if not s.flagged:
            continue
        known = best.get((s.kind, s.machine, s.id))
        precise = known is None or (known.loss == "all" and s.loss != "all")
        dearer = known is not None and s.loss != "all" and (s.cost_per_week or 0) > (known.cost_per_week or 0)
        if precise or dearer:
            best[s.kind, s.machine, s.id] = s
    lines: list[Suspect] = []
    for s in sorted(best.values(), key=lambda s: (-(s.cost_low or 0.0), -(s.cost_per_week or 0.0), s.kind, s.id)):
        if not any(_same_losses(s, dearer) for dearer in lines):
            lines.append(s)
    return tuple(lines)


def _same_losses(one: Suspect, other: Suspect) -> bool:
    """All losses of one, and some of the other, which cannot be told apart."""
    doubted = _label(one) in other.not_separable_from or _label(other) in one.not_separable_from
    return doubted and (one.loss == "all") != (other.loss == "all")


def _label(s: Suspect) -> str:
    return items.label(s.kind, items.key_of(s.kind, s.machine, s.id))


def actions(
    suspects: tuple[Suspect, ...],
    services: tuple[ServiceOutcome, ...],
    drifts: tuple[OffsetDrift, ...],
    overage: tuple[Overage, ...],
    quality: Quality,
    worklist: int,
    refused: tuple[RecognitionFinding, ...] = (),
    week: str | None = None,
) -> tuple[Action, ...]:
    """The week's list, for the planner first.

    refused  what the recognition rejects of parts follow
    week     the ISO week; failed services of what had no picks in it are left out
    """
    flagged = one_line_each(s for s in suspects if not s.mended)
    there = {(s.kind, s.machine, s.id) for s in flagged}
    mended = one_line_each(s for s in suspects if s.mended and (s.kind, s.machine, s.id) not in there)
    return (
        *_planner(flagged, services, worklist, week),
        *(_from_suspect(s, "maintenance planner", hands=False) for s in mended),
        *_engineer(flagged, drifts, worklist),
        *_followed(refused),
        *_buyer(overage),
        *_data(quality),
    )


def _planner(
    flagged: tuple[Suspect, ...], services: tuple[ServiceOutcome, ...], worklist: int, week: str | None
) -> tuple[Action, ...]:
    last: dict[tuple[str, str, str | None], ServiceOutcome] = {}
    for service in services:  # newest first: what was tried again is judged by the last time
        last.setdefault(item_key(service.kind, service.machine, service.id), service)
    failed = {key: s for key, s in last.items() if s.verdict in ("did not work", "got worse") and _in_use(s, week)}
    found = []
    for s in [s for s in flagged if s.kind in PLANNER_KINDS][:worklist]:
        again = failed.pop(item_key(s.kind, s.machine, s.id), None)
        note = f" Serviced on {again.time[:10]} ({again.action}): {again.verdict}." if again else ""
        found.append(_from_suspect(s, "maintenance planner", note, hands=True))
    for (kind, item, _), service in failed.items():
        why = f"{service.action} on {service.time[:10]}: {service.verdict}. {service.text}"
        where = of_machine(kind, service.machine, item)
        found.append(
            Action(
                "maintenance planner",
                f"Look at {kind} {item}{where} again.",
                why,
                None,
                kind=kind,
                id=item,
                hands_in_machine=True,
            )
        )
    return tuple(found)


def _in_use(service: ServiceOutcome, week: str | None) -> bool:
    """False for what has no picks in the week: it is on no machine any more."""
    return week is None or any(point.label == week and point.attempts for point in service.history)


def _from_suspect(s: Suspect, owner: str, note: str = "", *, hands: bool) -> Action:
    where = of_machine(s.kind, s.machine, s.id)
    effect = f"{s.effect:.1f} times the odds of its peers" if s.effect is not None else "more than its peers"
    since = _since(s.since, about=s.since_about)
    what = {"missed": "missed picks", "rejected": "recognition rejects", "dropped": "drops", "all": "losses"}[s.loss]
    expected = f", {s.expected:.0f} expected" if s.expected is not None else ""
    doubt = f" Cannot be told from {', '.join(s.not_separable_from)}." if s.not_separable_from else ""
    return Action(
        owner="maintenance planner" if owner == "maintenance planner" else "engineer",
        what=f"{s.kind.capitalize()} {s.id}{where}: {s.advice}",
        why=f"{_count(s.losses)} {what}{expected}: {effect}{since}.{doubt}{note}",
        worth=None if s.mended else s.cost_per_week,
        worth_low=None if s.mended else s.cost_low,
        worth_high=None if s.mended else s.cost_high,
        kind=s.kind,
        id=s.id,
        hands_in_machine=hands,
    )


def _since(day: str | None, *, about: bool) -> str:
    return f", since {'about ' if about else ''}{day}" if day else ""


def _engineer(flagged: tuple[Suspect, ...], drifts: tuple[OffsetDrift, ...], worklist: int) -> tuple[Action, ...]:
    mine = [s for s in flagged if s.kind not in PLANNER_KINDS][:worklist]
    found = [_from_suspect(s, "engineer", hands=s.kind in ("optics", "light")) for s in mine]
    for d in [d for d in drifts if d.flagged][:worklist]:
        move = (d.end - d.start) * 1000
        found.append(
            Action(
                "engineer",
                f"Feeder {d.feeder} on {d.machine}: set its pick position anew.",
                f"Its mean pick offset in {d.axis} moved by {move:+.0f} µm over {_days_between(d)} days "
                f"({d.slope * 1000:+.1f} µm a day, {d.low * 1000:+.1f} to {d.high * 1000:+.1f}).",
                None,
                kind="feeder",
                id=d.feeder,
                hands_in_machine=True,
            )
        )
    return tuple(found)


def _days_between(drift: OffsetDrift) -> int:
    first, last = (date.fromisoformat(day) for day in (drift.days[0][0], drift.days[-1][0]))
    return (last - first).days


def _followed(refused: tuple[RecognitionFinding, ...]) -> tuple[Action, ...]:
    """For the engineer who chases rejects: what they follow where it is on the planner's list and no part."""
    parts: dict[str, list[RecognitionFinding]] = {}
    for finding in refused:
        open_ = finding.follows.endswith("(cannot tell)") and " the part" in finding.follows  # of counters
        if finding.flagged and not (finding.by_itself or open_) and finding.follows.split(" ")[0] in PLANNER_KINDS:
            parts.setdefault(finding.follows, []).append(finding)
    found = []
    for follows, mine in parts.items():
        one = len(mine) == 1
        more = len(mine) - NAMED
        named = ", ".join(f.part for f in mine[:NAMED]) + (f" and {more} more" if more > 0 else "")
        whose = named if one else f"{len(mine)} parts"
        since = _since(mine[0].since, about=mine[0].since_about)
        found.append(
            Action(
                "engineer",
                f"Leave the part data of {whose} as they are until {follows.removesuffix(' (cannot tell)')} is mended.",
                f"{'Its' if one else 'Their'} recognition rejects follow it{since}{'' if one else f': {named}'}. It is "
                "for the maintenance planner.",
                None,
            )
        )
    return tuple(found)


def _buyer(overage: tuple[Overage, ...]) -> tuple[Action, ...]:
    found = []
    for build in dict.fromkeys(o.build for o in overage):
        lines = [o for o in overage if o.build == build]
        buy = [o for o in lines if o.buy > 0]
        costs = [o.buy_cost for o in buy if o.buy_cost is not None]
        unpriced = len(buy) - len(costs)
        lacking = (
            f" {unpriced} of the parts to order {'has' if unpriced == 1 else 'have'} no price." if unpriced else ""
        )
        extra = sum(o.kit - o.need if o.kit else o.extra for o in lines)  # a kit may be of whole packs
        what = (
            f"Build {build}: order {f'{len(buy)} of its {len(lines)} parts' if len(lines) > 1 else 'its one part'}."
            if buy
            else f"Build {build}: nothing to order."
        )
        due = f" Due {lines[0].due}." if lines[0].due else ""
        found.append(
            Action(
                "buyer",
                f"{what}{due}",
                f"Kit {_count(extra)} pieces above the {_count(sum(o.need for o in lines))} placed: each part is then "
                f"{_levels(lines)}.{lacking}",
                sum(costs) if costs else None,
                unit="order value",
                kind="build",
                id=build,
            )
        )
    return tuple(found)


def _levels(lines: Sequence[Overage]) -> str:
    """How sure the parts of a build are: by policy, one level for all, or a range of levels."""
    low, high = min(o.service_level for o in lines), max(o.service_level for o in lines)
    return sure(low) if low == high else f"{sure(low).removesuffix(' sure')} to {sure(high)}"


def _count(number: int) -> str:
    """A whole number in groups of three, as the pages write it.

    >>> _count(234000).split("\u202f")
    ['234', '000']
    """
    return f"{number:,}".replace(",", "\u202f")


def _data(quality: Quality) -> tuple[Action, ...]:
    problems = [q for q in quality.lines if q.level == "problem"]
    return tuple(
        Action("engineer", f"Data of {q.machine}: {q.what}." if q.machine else f"Data: {q.what}.", q.text, None)
        for q in problems[:3]
    )
