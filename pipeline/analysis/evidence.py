"""What speaks for and against a suspect, since when it is so, and how it went over the weeks.

In:    a Suspect from the ranking, the week's cells, DAYS and REASONS over the history.
Out:   the same Suspect with `evidence`, `since` and `history`.
After: every piece of evidence is a number with what it is compared with; a claim that the data cannot carry is left
       out.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis import items
from pipeline.analysis.actions import DEFAULT_ADVICE, advice
from pipeline.analysis.losses import MEANING, with_chances
from pipeline.analysis.one_recipe import from_one_recipe
from pipeline.analysis.rates import trend
from pipeline.analysis.standardise import NO_WEEKS, all_item_weeks, item_days
from pipeline.estimators.changepoint import Change, single_change
from pipeline.estimators.intervals import wilson
from pipeline.findings.model import Evidence, Suspect
from pipeline.schema.words import LOSS_OUTCOMES, several
from pipeline.settings import Statistics

OTHERS: Final[dict[str, tuple[str, str]]] = {
    "nozzle": ("part", "parts"),
    "spindle": ("part", "parts"),
    "head": ("spindle", "spindles"),
    "machine": ("head", "heads"),
    "slot": ("part", "parts"),
    "feeder": ("nozzle", "nozzles"),
    "part": ("nozzle", "nozzles"),
    "package": ("part", "parts"),
    "lot": ("nozzle", "nozzles"),
    "reel": ("nozzle", "nozzles"),
    "optics": ("part", "parts"),
    "light": ("part", "parts"),
}
"""Over which other thing the losses of a kind should spread if it is to blame."""

LEAST_SHARE_EXPECTED: Final = 0.3
"""Expected losses of a pair (item, other) below which the pair says nothing."""

LEAST_DAYS: Final = 4
CLEAR_STEP: Final = 0.01
"""Days with work and the chance of so clear a step without one that are needed to say when it began or ended."""


MANY_DAYS: Final = 3
"""Days between the first and the last on which losses may have risen, beyond which what came then says nothing."""
STILL_HIGH: Final = 1.5
"""Losses over those of peers from which on an item that got better is not called mended, as for services."""


@dataclass(frozen=True, slots=True)
class Context:
    """What evidence is taken from; cells are the week's joint cells, dispersions by kind of loss."""

    cells: pl.DataFrame
    days: pl.DataFrame
    reasons: pl.DataFrame
    week: str
    settings: Statistics
    dispersions: dict[str, float]
    weeks: dict[tuple[str, str], dict[str, pl.DataFrame]] = field(default_factory=dict, init=False)
    """By kind and loss the weeks of all items, once they were asked for."""

    def weeks_of(self, kind: str, item_key: str, loss: str) -> pl.DataFrame:
        """Losses of an item by week, beside what its peers would have lost: as `item_days` gives them."""
        if (kind, loss) not in self.weeks:
            self.weeks[kind, loss] = all_item_weeks(self.days, kind, loss)
        return self.weeks[kind, loss].get(item_key, NO_WEEKS)


def complete(suspect: Suspect, context: Context) -> Suspect:
    """The suspect with its evidence, its beginning and its weeks."""
    item_key = items.key_of(suspect.kind, suspect.machine, suspect.id)
    dispersion = context.dispersions.get(suspect.loss, 1.0)
    weekly = context.weeks_of(suspect.kind, item_key, suspect.loss) if _in_days(suspect, context) else None
    history = trend(weekly, "week", context.settings, dispersion, expected=True) if weekly is not None else ()
    if not suspect.flagged:
        return dataclasses.replace(suspect, history=history, evidence=tuple(_explained(suspect)))
    since, about, rose, fell = None, False, None, None
    if suspect.kind == "lot":
        since = _first_use(item_key, context)
    elif weekly is not None:
        daily = item_days(context.days, suspect.kind, item_key, suspect.loss).filter(pl.col("expected") > 0)
        monday = date.fromisocalendar(int(context.week[:4]), int(context.week[-2:]), 1).isoformat()
        rose, fell = _steps(daily, dispersion, monday)
        since, about = ((rose.day, _rose(rose)), rose.about) if rose is not None else (None, False)
        if rose is None and fell is None:
            since = _new(daily, dispersion, context)
    found = [*_adjusted(suspect), *_spread(suspect, item_key, context), *_reasons(suspect, item_key, context)]
    if since is not None:
        found.append(since[1])
        together = _began_together(suspect, item_key, rose, context) if rose is not None else []
        found.extend(evidence for _, evidence in together)
        if suspect.loss != "all":  # whose kind of loss is told by a line of its own
            suspect = _first_look_at(suspect, [other for other, _ in together])
    if fell is not None:
        found.append(_fell(fell))
    if suspect.kind == "part":
        suspect, said = _of_recipe(suspect, item_key, context)
        found.extend(said)
    found.extend(_doubt(suspect))
    begin = since[0] if since else None
    return dataclasses.replace(suspect, history=history, since=begin, since_about=about, evidence=tuple(found))


def _in_days(suspect: Suspect, context: Context) -> bool:
    return all(c in context.days.columns for c in items.COLUMNS[suspect.kind])


def _explained(s: Suspect) -> list[Evidence]:
    if s.explained_by is None or s.expected is None:
        return []
    return [
        Evidence(
            "explained",
            f"{s.losses} losses, where a healthy {s.kind} on the same work would have had {s.expected:.0f}: that is "
            f"many because of what stands out this week, {s.explained_by} before all.",
            supports=False,
            value=float(s.losses),
            compared_with=f"{s.expected:.1f} expected with {s.explained_by} in the mix",
        )
    ]


def _adjusted(s: Suspect) -> list[Evidence]:
    return [
        Evidence(
            "adjusted effect",
            f"After allowing for everything it worked with, its odds of a loss are {s.effect:.1f} times those of a "
            f"healthy {s.kind} ({s.effect_low:.1f} to {s.effect_high:.1f}).",
            value=s.effect,
            low=s.effect_low,
            high=s.effect_high,
            compared_with=f"healthy {several(s.kind)} on the same work; {MEANING[s.loss]}",
        )
    ]


def _spread(s: Suspect, item_key: str, context: Context) -> list[Evidence]:
    """Over how many of the other things it worked with it lost more than they do elsewhere."""
    other, plural = OTHERS[s.kind]
    frame = with_chances(context.cells, s.loss).with_columns(
        items.key(s.kind).eq(item_key).fill_null(False).alias("_mine"), items.key(other).alias("_other")
    )
    mine = frame.filter("_mine").drop_nulls("_other")
    if mine.is_empty():
        return []  # the log does not name them
    rest = frame.filter(~pl.col("_mine"))
    plant = float(rest["losses"].sum()) / max(int(rest["chances"].sum()), 1)
    if other == "part":
        rates = rest.group_by("_other").agg((pl.col("losses").sum() / pl.col("chances").sum()).alias("_rate"))
        pairs = mine.group_by("_other").agg(pl.col("losses").sum(), pl.col("chances").sum())
        pairs = pairs.join(rates, on="_other", how="left").with_columns(
            pl.col("_rate").fill_null(plant).fill_nan(plant)
        )
        pairs = pairs.with_columns((pl.col("_rate") * pl.col("chances")).alias("_expected"))
    else:
        base = (s.expected or 0.0) / max(s.attempts, 1)  # of all its chances, also with what the log does not name
        pairs = mine.group_by("_other").agg(pl.col("losses").sum(), pl.col("chances").sum())
        pairs = pairs.with_columns((pl.col("chances") * base).alias("_expected"))
    telling = pairs.filter(pl.col("_expected") >= LEAST_SHARE_EXPECTED)
    if len(telling) < 2:
        return [
            Evidence(
                "spread",
                f"It worked with too few {plural} this week to see whether the losses follow it from one to the next.",
                supports=False,
                value=float(len(telling)),
                compared_with=f"at least 2 {plural} with {LEAST_SHARE_EXPECTED} expected losses",
            )
        ]
    above = int((telling["losses"] > telling["_expected"]).sum())
    return [
        Evidence(
            "spread",
            f"It lost more than expected with {above} of {len(telling)} {plural} it worked with.",
            supports=above * 2 > len(telling),
            value=above / len(telling),
            compared_with=f"half of the {plural} if it were healthy",
        )
    ]


def _reasons(s: Suspect, item_key: str, context: Context) -> list[Evidence]:
    """Its commonest reason beside everybody else's losses: for it if the share is higher beyond chance.

    Nothing where all losses have one reason: such a log does not tell reasons apart.
    """
    wanted = LOSS_OUTCOMES if s.loss == "all" else (s.loss,)
    frame = context.reasons.filter((pl.col("week") == context.week) & pl.col("outcome").is_in(wanted))
    if any(c not in frame.columns for c in items.COLUMNS[s.kind]):
        return []
    frame = frame.with_columns(items.key(s.kind).eq(item_key).fill_null(False).alias("_mine"))
    own = frame.filter("_mine")["machine"].unique()  # logs of other machines may have other reasons, or tell fewer
    frame = frame.filter(pl.col("machine").is_in(own.implode()))
    total, mine_total = int(frame["losses"].sum()), int(frame.filter("_mine")["losses"].sum())
    if mine_total == 0 or total == mine_total or frame["reason_group"].n_unique() < 2:
        return []
    counts = frame.filter("_mine").group_by("reason_group").agg(pl.col("losses").sum())
    counts = counts.sort(["losses", "reason_group"], descending=[True, False])
    group, count = str(counts["reason_group"][0]), int(counts["losses"][0])
    rest = frame.filter(~pl.col("_mine"))
    elsewhere = int(rest.filter(pl.col("reason_group") == group)["losses"].sum()) / max(int(rest["losses"].sum()), 1)
    low, high = wilson(count, mine_total, context.settings.confidence)
    machines = "machine" if len(own) == 1 else "machines"
    about = "about as elsewhere:" if float(low) <= elsewhere <= float(high) else "elsewhere"
    words = "have other reasons" if group == "other" else f"are {group.replace('_', ' ')}"
    return [
        Evidence(
            "reason",
            f"{count} of its {mine_total} losses {words} ({count / mine_total:.0%}); {about} {elsewhere:.0%}.",
            supports=bool(low > elsewhere),
            value=count / mine_total,
            low=float(low),
            high=float(high),
            compared_with=f"{elsewhere:.0%} of all other losses of this kind on the same {machines}",
        )
    ]


@dataclass(frozen=True, slots=True)
class _Step:
    """A change that is there beyond chance: its first day (of a drift: about), and between which days that may be."""

    day: str
    first: str
    last: str
    change: Change

    @property
    def about(self) -> bool:
        """True when it may have been another day, or came bit by bit."""
        return self.first != self.last or not self.change.better_as_step


def _steps(daily: pl.DataFrame, dispersion: float, monday: str) -> tuple[_Step | None, _Step | None]:
    """The clear rise of the losses against those of peers to what the week shows, and the clear fall again in the week.

    A fault that was over before `monday` is none of this one: then the days from its end on are looked at. Over is what
    fell to about the peers' losses; what only became less goes on.
    """
    step = _clear(daily, dispersion)
    if step is None:
        return None, None
    if step.change.effect < 1.0:
        if step.day >= monday:
            return _steps(daily.filter(pl.col("day") < step.day), dispersion, monday)[0], step
        if not _over(daily, step.day, dispersion):
            return _steps(daily.filter(pl.col("day") < step.day), dispersion, monday)[0], None
        return _steps(daily.filter(pl.col("day") >= step.day), dispersion, monday)
    fall = _clear(daily.filter(pl.col("day") >= step.day), dispersion)
    if fall is None or fall.change.effect >= 1.0:
        return step, None
    if fall.day >= monday:
        return step, fall
    if not _over(daily, fall.day, dispersion):
        return step, None
    return _steps(daily.filter(pl.col("day") >= fall.day), dispersion, monday)


def _over(daily: pl.DataFrame, fell: str, dispersion: float) -> bool:
    """Did the losses fall to about those of peers on that day, until they clearly rose again or to the end?"""
    rest = daily.filter(pl.col("day") >= fell)
    again = _clear(rest, dispersion)
    if again is not None and again.change.effect > 1.0:
        rest = rest.filter(pl.col("day") < again.day)
    return int(rest["losses"].sum()) < STILL_HIGH * float(rest["expected"].to_numpy().sum())


def _clear(daily: pl.DataFrame, dispersion: float) -> _Step | None:
    if len(daily) < LEAST_DAYS:
        return None
    change = single_change(daily["losses"].to_numpy(), daily["expected"].to_numpy(), dispersion)
    if change.at is None or change.p > CLEAR_STEP:
        return None
    days = daily["day"].to_list()
    if change.better_as_drift and change.effect > 1.0:
        return _Step(days[change.begins[0]], days[min(change.begins)], days[max(change.begins)], change)
    may = change.places if change.better_as_step else (*change.places, *change.begins)
    return _Step(days[change.at], days[min(may)], days[max(may)], change)


MOST_TIMES: Final = 100.0
"""Times beyond which nobody cares how many: of next to none before, the number says nothing."""


def _rose(step: _Step) -> Evidence:
    change = step.change
    between = f" (between {step.first} and {step.last})" if step.first != step.last else ""
    text = f"rose about {step.day}{between}, at once or bit by bit, {_times(change.effect)}."
    if change.better_as_step:
        text = f"rose on {step.day}{between} {_times(change.effect)}."
    if change.better_as_drift:
        text = f"crept up from about {step.day} on{between}, in the end {_times(change.rise)}."
    value = change.rise if change.better_as_drift else change.effect
    return Evidence(
        "since",
        f"Its losses {text}",
        value=value if value < np.inf else None,
        low=None if change.better_as_drift else change.low,
        high=None if change.better_as_drift or change.high == np.inf else change.high,
        compared_with="its own days before, against its peers' losses on the same work",
    )


def _times(ratio: float) -> str:
    if ratio == np.inf:
        return "from none at all"
    return f"to {f'{ratio:.1f}' if ratio <= MOST_TIMES else f'more than {MOST_TIMES:.0f}'} times what they were"


def _fell(step: _Step) -> Evidence:
    change = step.change
    still = change.after >= STILL_HIGH
    left = f", still {change.after:.1f} times its peers'" if still else ": it may have been seen to already"
    return Evidence(
        "fell again",
        f"Its losses fell on {step.day} to {change.effect:.1f} times what they were{left}.",
        supports=False,
        value=change.effect,
        low=change.low,
        high=change.high,
        compared_with="its own bad days before, against its peers' losses on the same work",
    )


def _first_use(item_key: str, context: Context) -> tuple[str, Evidence] | None:
    """A lot is bad from its first part on: the day on which it was first used, if that lies inside the history.

    It does where it was away for longer before than ever since, or its parts were used from other lots before.
    """
    own = context.days.filter(pl.col("lot") == item_key)
    if own.is_empty():
        return None
    first = str(own["day"].min())
    rest = context.days.filter((pl.col("day") < first) & pl.col("part").is_in(own["part"].unique().implode()))
    if _came(own["day"], context) is None and rest["lot"].drop_nulls().is_empty():
        return None
    said = f"In these weeks it was first used on {first}."
    return first, Evidence("since", said, compared_with="all days of the history")


def _new(daily: pl.DataFrame, dispersion: float, context: Context) -> tuple[str, Evidence] | None:
    """What came into use within the history and lost too much from its first day on: it shows no clear change, or only
    became less. Of one whose fault was over before, or became clear later, the first day says nothing.
    """
    first = _came(daily["day"], context)
    change = _clear(daily, dispersion)
    if first is None or (change is not None and (change.change.effect >= 1.0 or _over(daily, change.day, dispersion))):
        return None
    since = "no clear change shows since then" if change is None else f"its losses only became less on {change.day}"
    text = f"In these weeks it was first used on {first}, and {since}."
    return first, Evidence("since", text, compared_with="all days of the history")


def _came(days: pl.Series, context: Context) -> str | None:
    """The first of an item's days, if it was away for longer before than ever since: a part that is built every
    Wednesday did not come into use on the first Wednesday of the history.
    """
    places = {day: at for at, day in enumerate(context.days["day"].unique().sort().to_list())}
    mine = sorted({places[day] for day in days.to_list()})
    away = max((later - day for day, later in pairwise(mine)), default=0)
    return min(days.to_list()) if mine and mine[0] > away else None


def _of_recipe(s: Suspect, item_key: str, context: Context) -> tuple[Suspect, list[Evidence]]:
    """A part whose losses come from one recipe: that is said, and looked at first."""
    frame = with_chances(context.cells, s.loss).filter(items.key(s.kind) == item_key)
    one = from_one_recipe(frame, context.dispersions.get(s.loss, 1.0))
    if one is None:
        return s, []
    said = Evidence(
        "recipe",
        f"{one.losses} of its {one.total} losses are in recipe {one.recipe}, where its picks of the same days would "
        f"have had {one.expected:.0f}: its place or its entry there may be the cause.",
        supports=False,
        value=one.losses / one.total,
        compared_with="its picks in all recipes of the same day",
    )
    first = f"First its entry in recipe {one.recipe}, where most of these are: place, height, board support and nozzle."
    return dataclasses.replace(s, advice=f"{first} If it is not that: {s.advice}"), [said]


def _first_look_at(s: Suspect, came: list[str]) -> Suspect:
    """The suspect with advice that begins with what came to it when its losses rose, if that has its own."""
    for other in came:
        meant = items.from_label(other)
        first = advice(meant[0], s.loss) if meant is not None else DEFAULT_ADVICE
        if first != DEFAULT_ADVICE:
            text = f"First {other}, which came when the losses rose: {first} If it was not that: {s.advice}"
            return dataclasses.replace(s, advice=text)
    return s


def _began_together(s: Suspect, item_key: str, rose: _Step, context: Context) -> list[tuple[str, Evidence]]:
    """What it cannot be told from and came to it when its losses rose, although it had worked without it before.

    It may have come a day before they show, never after they did. Of a slow rise, or where many days are possible,
    something always came on one of them.
    """
    first, last = date.fromisoformat(rose.first), date.fromisoformat(rose.last)
    if rose.change.better_as_drift or (last - first).days > MANY_DAYS:
        return []
    mine = context.days.filter(items.key(s.kind) == item_key)
    found = []
    for other in s.not_separable_from:
        meant = items.from_label(other)
        if meant is None or any(c not in context.days.columns for c in items.COLUMNS[meant[0]]):
            continue
        days = sorted(mine.filter(items.key(meant[0]) == meant[1])["day"].unique().to_list())
        begin, together = str(mine["day"].min()), days[0] if days else None
        if together is None or together == begin:
            continue
        came = date.fromisoformat(together)
        if first - timedelta(days=1) <= came <= last:
            said = Evidence(
                "began together",
                f"Its losses rose when it began to work with {other}, on {together}.",
                supports=False,
                value=float((date.fromisoformat(rose.day) - came).days),
                compared_with=f"its days without {other} before, from {begin} on",
            )
            found.append((other, said))
    return found


def _doubt(s: Suspect) -> list[Evidence]:
    return [
        Evidence(
            "not separable",
            f"{other[0].upper()}{other[1:]} would explain the losses about as well.",
            supports=False,
            compared_with="likelihood of the two explanations, less than 20 to 1 apart",
        )
        if not other.startswith("the ")
        else Evidence(
            "not separable",
            f"The machine only counts: its log does not say whether it was {other}.",
            supports=False,
            compared_with="a log of single picks, which would tell",
        )
        for other in s.not_separable_from
    ]
