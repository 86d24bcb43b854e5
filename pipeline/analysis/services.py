"""Did the last services work? Loss rate after against before, with the interval of the difference.

In:    SERVICES and DAYS over the history.
Out:   findings.model.ServiceOutcome, newest first.
After: every verdict has both counts and the interval behind it; "cannot say yet" is the answer until the data tell.

The kind of loss shown is the one in which the item stood out most, before or after; all losses together where the log
tells no kinds.
Before is at most `BEFORE_DAYS` whole days, back to the previous service of the same item, or to the day on which the
losses clearly rose: good days before the fault would make a service that changed nothing look like harm. After runs
from the day after the service to the end of the week, or to the next service. The day of the service itself belongs
to neither.
Difference of two rates: Newcombe (1998) Stat Med 17:873, method 10, on counts divided by the dispersion.
Breaks when the item got other work after the service: the expected losses of its peers on the same work stand beside
it, and both rates are brought to the same mix by them before they are compared.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final, Literal

import numpy as np
import polars as pl

from pipeline.analysis import items
from pipeline.analysis.rates import rate, trend
from pipeline.analysis.standardise import item_days
from pipeline.estimators.changepoint import single_change
from pipeline.estimators.intervals import newcombe_difference
from pipeline.findings.model import QualityLine, ServiceOutcome, Suspect
from pipeline.findings.names import NUMBERED_ALIKE, item_key
from pipeline.schema.words import LOSS_OUTCOMES, LOSSES
from pipeline.settings import Statistics

BEFORE_DAYS: Final = 14
CLEAR_RISE: Final = 0.01
"""Chance of so clear a rise without one, below which the days before it do not belong to what a service was for."""
LEAST_EXPECTED: Final = 3.0
"""Losses expected from healthy peers after the service below which nothing is said yet."""
RATIO_OF_CONCERN: Final = 1.5
"""An item is called bad while its losses are at least this many times what its peers would lose."""

UNKNOWN_BURSTS: Final = 2.0
"""Dispersion taken where it has not been measured yet: more than most plants have."""

HEALTHY_SPREAD: Final = 0.2
HEALTHY_REACH: Final = 2.5
"""Healthy items differ by about so much in log odds, and one in hundreds by so many times that: many are serviced, and
none of them is to be looked at again for being what it is. Common practice, no source."""

LEAST_ID: Final = 3
"""Letters and digits that an id must have to be looked for in the text of a service."""

MOST_WORDS: Final = 50

Verdict = Literal["worked", "did not work", "got worse", "cannot say yet"]


@dataclass(frozen=True, slots=True)
class _Span:
    losses: int
    chances: int
    expected: float
    since: str | None = None

    def clear_excess(self, dispersion: float) -> float:
        """Losses above the peers', 0 unless they are two standard errors beyond the expected ones."""
        excess = self.losses - self.expected
        return excess if excess > 2.0 * float(np.sqrt(dispersion * max(self.expected, 1.0))) else 0.0

    def elevated(self, dispersion: float) -> bool:
        """Clearly above the peers: ratio of concern reached, and beyond chance and what healthy items differ by."""
        chance = 4.0 * dispersion * max(self.expected, 1.0)
        beyond = float(np.sqrt(chance + (HEALTHY_REACH * HEALTHY_SPREAD * self.expected) ** 2))
        return self.losses - self.expected > beyond and self.losses >= RATIO_OF_CONCERN * self.expected


def outcomes(
    services: pl.DataFrame,
    days: pl.DataFrame,
    dispersions: dict[str, float],
    settings: Statistics,
    last_day: str,
    counted: Mapping[str, pl.DataFrame] | None = None,
    since: str = "",
) -> tuple[ServiceOutcome, ...]:
    """One outcome a service of an item that has picks in the history.

    services, days   SERVICES and DAYS frames
    dispersions      dispersion by kind of loss, each >= 1
    last_day         last day of the week reported on, ISO date
    counted          kind of item -> DAYS of the grain that is finest for it, where some machines only count
    since            day (ISO date) from which on services are judged
    """
    found = []
    rows = services.filter(pl.col("kind").is_in(list(items.COLUMNS))).sort("time", "kind", "id").to_dicts()
    frames = {kind: (counted or {}).get(kind, days) for kind in {row["kind"] for row in rows}}
    keyed = [(row, _key_of(row, frames[row["kind"]])) for row in rows]  # one line may name the machine, another not
    for at, (row, key) in enumerate(keyed):
        if key is None or row["day"] < since:
            continue
        serviced = sorted(r["day"] for r, other in keyed if (r["kind"], other) == (row["kind"], key))
        outcome = _outcome(row, key, serviced, frames[row["kind"]], dispersions, settings, last_day)
        again = [r for r, other in keyed[at + 1 :] if (r["kind"], other, r["day"]) == (row["kind"], key, row["day"])]
        if outcome is not None and again:
            said = f"It was {again[-1]['action']} later on the same day: see there."
            outcome = dataclasses.replace(outcome, verdict="cannot say yet", text=said)
        found.append(outcome)
    return tuple(sorted((f for f in found if f is not None), key=lambda f: (f.time, f.kind, f.id), reverse=True))


def mended_in_week(
    services: pl.DataFrame,
    days: pl.DataFrame,
    settings: Statistics,
    last_day: str,
    since: str,
    counted: Mapping[str, pl.DataFrame] | None = None,
) -> dict[tuple[str, str], datetime]:
    """(kind, key) of what a service from the day `since` on has mended for sure, and its time.

    Arguments as for `outcomes`; how far losses come in bursts is not known yet.
    """
    bursts = dict.fromkeys(LOSSES, UNKNOWN_BURSTS)
    found = outcomes(services, days, bursts, settings, last_day, counted, since)
    return {
        (o.kind, items.key_of(o.kind, o.machine, o.id)): datetime.fromisoformat(o.time)
        for o in reversed(found)
        if o.verdict == "worked"
    }


def after_services(suspects: Sequence[Suspect], services: Sequence[ServiceOutcome], since: str) -> tuple[Suspect, ...]:
    """Flagged suspects with advice that knows what was done to them in the week; those that were mended come last.

    suspects  flagged ones first
    services  newest first; those before the day `since` (ISO date) do not count
    """
    last: dict[tuple[str, str, str | None], ServiceOutcome] = {}
    for service in services:
        if service.time[:10] >= since:
            last.setdefault(item_key(service.kind, service.machine, service.id), service)
    told = [_told(s, last.get(item_key(s.kind, s.machine, s.id))) if s.flagged else s for s in suspects]
    return tuple(sorted(told, key=lambda s: (not s.flagged, s.mended)))


def _told(suspect: Suspect, service: ServiceOutcome | None) -> Suspect:
    if service is None or suspect.loss not in (service.loss, "all"):
        return suspect
    done = f"was {service.action} on {service.time[:10]}"
    if service.verdict == "worked":
        advice = f"Leave it; it {done}, and that worked. Look again next week."
        return dataclasses.replace(suspect, mended=True, advice=advice)
    if service.verdict == "cannot say yet":
        said = f"It {done}; whether that worked cannot be said yet."
        return dataclasses.replace(suspect, advice=f"{said} If its losses go on: {suspect.advice}")
    return suspect


def without_outcome(
    services: pl.DataFrame, days: pl.DataFrame, counted: Mapping[str, pl.DataFrame] | None = None
) -> tuple[QualityLine, ...]:
    """What to know of services that no outcome is given for; arguments as for `outcomes`."""
    unknown: list[str] = []
    several: list[str] = []
    for row in services.filter(pl.col("kind").is_in(list(items.COLUMNS))).sort("time", "kind", "id").to_dicts():
        keys = _keys_of(row, (counted or {}).get(row["kind"], days))
        if len(keys) != 1:
            (several if keys else unknown).append(f"{row['kind']} {row['id']}, {row['day']}")
    found = _unread(services, days)
    if unknown:
        text = f"{len(unknown)} service(s) are of items that no pick of these weeks names, the last of {unknown[-1]}. "
        found.append(
            QualityLine("note", "services", text + "If it is in use, check its id.", None, float(len(unknown)))
        )
    if several:
        text = f"{len(several)} service(s) name no machine where several have such an item, the last of {several[-1]}: "
        text += "whether they worked cannot be told. Log the machine."
        found.append(QualityLine("warning", "services", text, None, float(len(several)), 0.0))
    return tuple(found)


def _unread(services: pl.DataFrame, days: pl.DataFrame) -> list[QualityLine]:
    """Services of a whole machine whose text names an item that is in use: no pattern of plant.toml fitted it."""
    ids = {
        name: kind
        for kind in ("head", "feeder", "nozzle")
        for name in days[kind].drop_nulls().unique().to_list()
        if len(name) >= LEAST_ID
    }
    named = [
        (row, word)
        for row in services.filter(pl.col("kind") == "machine").sort("time", "id").to_dicts()
        for word in re.findall(r"[\w./-]+", row["note"] or "")[:MOST_WORDS]
        if word in ids
    ]
    if not named:
        return []
    row, word = named[-1]
    text = (
        f"{len(named)} service(s) of a whole machine name an item in their text, the last {ids[word]} {word}, "
        f'{row["day"]}: "{row["note"]}". Nothing is said of that item. Give plant.toml a [[maintenance]] pattern that '
        "fits; capitals count."
    )
    return [QualityLine("warning", "services", text, row["machine"], float(len(named)), 0.0)]


def _key_of(row: Mapping[str, str | None], days: pl.DataFrame) -> str | None:
    """The item's key in `days`; None when no pick names it, or when it may be that of several machines."""
    keys = _keys_of(row, days)
    return keys[0] if len(keys) == 1 else None


def _keys_of(row: Mapping[str, str | None], days: pl.DataFrame) -> list[str]:
    kind, item, machine = str(row["kind"]), str(row["id"]), row["machine"]
    keys = days.select(items.key(kind).alias("key")).unique().drop_nulls().sort("key")["key"].to_list()
    named = {key: items.name(kind, key) for key in keys}
    there = [key for key, (on, _) in named.items() if machine is None or on in (None, machine)]
    for called in (item, f"{machine}/{item}", item.rsplit("/", maxsplit=1)[-1]):
        found = [key for key in there if named[key][1] == called]
        if found:
            return found
    tail = f"/{item}"  # of a nozzle or feeder that machines number alike
    return [key for key in there if machine is None and kind in NUMBERED_ALIKE and named[key][1].endswith(tail)]


def _outcome(
    row: dict[str, str],
    key: str,
    serviced: list[str],
    days: pl.DataFrame,
    dispersions: dict[str, float],
    settings: Statistics,
    last_day: str,
) -> ServiceOutcome | None:
    kind, day = row["kind"], row["day"]
    earlier = [d for d in serviced if d < day]
    later = [d for d in serviced if d > day]
    begin = date.fromisoformat(day) - timedelta(days=BEFORE_DAYS)
    if earlier:  # the day of a service belongs neither to what was before it nor to what came after
        begin = max(begin, date.fromisoformat(earlier[-1]) + timedelta(days=1))
    first = begin.isoformat()
    end = min([(date.fromisoformat(last_day) + timedelta(days=1)).isoformat(), *later[:1]])
    best: tuple[tuple[float, int], str, pl.DataFrame, _Span, _Span] | None = None
    for loss in (*LOSS_OUTCOMES, "all"):
        if loss == "all" and best is not None and best[3].chances + best[4].chances:
            break  # all losses stand in only where the log does not tell their kinds
        daily = item_days(days, kind, key, loss)
        dispersion = dispersions.get(loss, 1.0)
        before = _before(daily.filter((pl.col("day") >= first) & (pl.col("day") < day)), dispersion)
        after = _span(daily.filter((pl.col("day") > day) & (pl.col("day") < end)))
        excess = max(before.clear_excess(dispersion), after.clear_excess(dispersion))
        weight = (excess, before.losses + after.losses)
        if loss == "all" or best is None or weight > best[0]:
            best = (weight, loss, daily, before, after)
    if best is None or (best[3].chances == 0 and best[4].chances == 0):
        return None
    _, loss, daily, before, after = best
    dispersion = dispersions.get(loss, 1.0)
    difference, low, high = _difference(before, after, dispersion, settings.confidence)
    _, plain, _ = _difference(dataclasses.replace(before, expected=0.0), after, dispersion, settings.confidence)
    verdict = _verdict(before, after, low, high, dispersion, rose=plain is not None and plain > 0)
    machine, item = items.name(kind, key)
    weekly = item_days(days, kind, key, loss, "week")
    return ServiceOutcome(
        time=str(row["time"])[:16].replace(" ", "T"),
        machine=row["machine"] or machine,
        kind=kind,
        id=item,
        action=row["action"],
        loss=loss,
        before=rate(before.losses, before.chances, settings, dispersion),
        after=rate(after.losses, after.chances, settings, dispersion),
        difference=difference,
        low=low,
        high=high,
        verdict=verdict,
        picks_since=after.chances,
        note=row["note"] or "",
        text=_text(verdict, before, after, dispersion),
        history=trend(weekly, "week", settings, dispersion, expected=True),
    )


def _before(daily: pl.DataFrame, dispersion: float) -> _Span:
    """The days before a service, from the one on which its losses clearly rose if they did: the fault it was for."""
    worked = daily.filter(pl.col("expected") > 0).sort("day")
    rose = single_change(worked["losses"].to_numpy(), worked["expected"].to_numpy(), dispersion)
    if rose.at is None or rose.p > CLEAR_RISE or rose.effect <= 1.0:
        return _span(daily)
    since = str(worked["day"][rose.at])
    return dataclasses.replace(_span(daily.filter(pl.col("day") >= since)), since=since)


def _span(frame: pl.DataFrame) -> _Span:
    return _Span(int(frame["losses"].sum()), int(frame["chances"].sum()), float(frame["expected"].sum()))


def _difference(
    before: _Span, after: _Span, dispersion: float, confidence: float
) -> tuple[float | None, float | None, float | None]:
    """Rate after minus before, the former brought to the mix of before by the peers' expected losses."""
    if not before.chances or not after.chances:
        return None, None, None
    scale = 1.0
    if before.expected > 0 and after.expected > 0:
        scale = (before.expected / before.chances) / (after.expected / after.chances)
    chances = after.chances / scale
    low, high = newcombe_difference(
        np.array([min(after.losses, chances)]),
        np.array([chances]),
        np.array([before.losses]),
        np.array([before.chances]),
        confidence=confidence,
        dispersion1=dispersion,
        dispersion2=dispersion,
    )
    return after.losses / chances - before.losses / before.chances, float(low[0]), float(high[0])


def _verdict(
    before: _Span, after: _Span, low: float | None, high: float | None, dispersion: float, *, rose: bool
) -> Verdict:
    """rose: whether its rate clearly rose as it stands. Where peers that were as bad were mended, that of an item that
    stayed what it was rises beside theirs.
    """
    if low is None or high is None or after.expected < LEAST_EXPECTED:
        return "cannot say yet"
    if low > 0 and after.elevated(dispersion) and (rose or not before.elevated(dispersion)):
        return "got worse"
    if after.elevated(dispersion) and before.elevated(dispersion):
        return "did not work"
    if high < 0 and before.elevated(dispersion):
        return "worked"
    return "cannot say yet"


def _text(verdict: Verdict, before: _Span, after: _Span, dispersion: float) -> str:
    if not before.chances:
        return "No picks in the days before the service: nothing to compare with."
    if not after.chances:
        return "No picks since the service."
    span = f"Before, since its losses rose on {before.since}" if before.since else "Before"
    was = f"{span}: {before.losses} losses, peers would have had {before.expected:.0f}."
    now = f"After: {after.losses}, peers {after.expected:.0f}."
    if verdict == "cannot say yet" and not before.elevated(dispersion):
        return f"{was} {now} It was not clearly worse than its peers before the service."
    if verdict == "cannot say yet":
        return f"{was} {now} More picks are needed."
    if verdict == "did not work":
        return f"{was} {now} It is still clearly worse than its peers."
    return f"{was} {now}"
