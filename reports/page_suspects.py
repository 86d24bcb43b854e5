"""Suspects as tables and cards: the planner's section, and the engineer's list of parts and lots.

In:    suspects of the bundle, in their order; where a list has one line an item, chosen by items.py.
Out:   page tables, cards, an interval plot.
After: each rate stands with interval, counts and what was expected.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup

from pipeline.findings.model import Suspect, Swap
from pipeline.findings.names import NOT_JUDGED
from reports import charts, words
from reports.cells import Cell, Fact, PageTable, build, day, figure, left, lines, right, text
from reports.items import named

EXPLAINED_SHOWN: Final = 8
"""Explained items in the PDF."""

EVERYTHING_SHOWN: Final = 5_000
"""Rows of everything that was looked at on the HTML page: a browser takes half a minute for ten times as many."""

TOO_SMALL_SHOWN: Final = 5
"""Items named that stand out and are too small to flag."""


@dataclass(frozen=True, slots=True)
class Card:
    """Everything known about one item, for a template."""

    title: str
    facts: tuple[Fact, ...]
    evidence: tuple[tuple[str, str], ...]
    advice: str
    drawing: Markup


def expected_rate(suspect: Suspect) -> float | None:
    """Expected losses as a rate of the same chances: a change of unit, nothing more."""
    return suspect.expected / suspect.attempts if suspect.expected is not None and suspect.attempts else None


def _what(suspect: Suspect) -> Cell:
    return text(named(suspect), words.loss_name(suspect.loss))


def _rate(suspect: Suspect) -> Cell:
    small = lines(
        words.ppm_interval(suspect.low, suspect.high),
        words.of(suspect.losses, suspect.attempts, words.denominator(suspect.loss)),
    )
    return figure(words.ppm(suspect.rate), suspect.rate, small)


def _expected(suspect: Suspect) -> Cell:
    if suspect.expected is None:
        return text(None)
    rate = expected_rate(suspect)
    return figure(words.ppm(rate), rate, f"{words.number(suspect.expected)} losses")


def _effect(suspect: Suspect) -> Cell:
    if suspect.effect is None:
        return text(words.NOT_KNOWN if suspect.enough else words.NOT_ENOUGH)
    return figure(
        f"{words.odds(suspect.effect)} ×", suspect.effect, words.odds_interval(suspect.effect_low, suspect.effect_high)
    )


def _saving(suspect: Suspect, currency: str) -> Cell:
    if suspect.mended:
        return text("had already")
    small = words.money_interval(suspect.cost_low, suspect.cost_high)
    return figure(words.money(suspect.cost_per_week, currency), suspect.cost_per_week, small)


def _cause(suspect: Suspect) -> Cell:
    apart = f"Not separable from: {words.listed(suspect.not_separable_from)}" if suspect.not_separable_from else ""
    explained = f"Explained by: {suspect.explained_by}" if suspect.explained_by else ""
    mended = "Serviced, and it worked: leave it" if suspect.mended else ""
    return text(suspect.cause, lines(mended, apart, explained))


def worklist(
    name: str, caption: str, suspects: Sequence[Suspect], currency: str, *, limit: int | None, empty: str
) -> PageTable:
    """Flagged suspects, as sorted by whoever built the bundle."""
    ranks = {id(suspect): rank for rank, suspect in enumerate(suspects, 1)}
    return build(
        name,
        caption,
        suspects,
        (
            (right("No.", 5), lambda s: figure(str(ranks[id(s)]), ranks[id(s)])),
            (left("Item", 17), _what),
            (right("Rate", 16), _rate),
            (right("Expected", 12), _expected),
            (right("Effect", 11), _effect),
            (left("Since", 11), lambda s: day(s.since, about=s.since_about)),
            (right("Saving a week", 12), lambda s: _saving(s, currency)),
            (left("Likely cause", 16), _cause),
        ),
        limit=limit,
        empty=empty,
    )


def explained(name: str, suspects: Sequence[Suspect], *, limit: int | None) -> PageTable:
    """Items whose losses something else explains; with a `limit` at most `EXPLAINED_SHOWN`, one line each."""
    columns = (
        (left("Item", 26), _what),
        (right("Rate", 22), _rate),
        (right("Expected", 14), _expected),
        (right("Effect", 14), _effect),
        (left("Explained by", 24), lambda s: text(s.explained_by)),
    )
    short = (
        (left("Item", 22), lambda s: text(named(s))),
        (left("Loss", 16), lambda s: text(words.loss_name(s.loss))),
        (right("Rate (ppm)", 20), _rate_short),
        (right("Lost", 15), lambda s: figure(words.of(s.losses, s.attempts), s.losses)),
        (right("Expected", 10), lambda s: figure(words.number(s.expected), s.expected)),
        (left("Explained by", 17), lambda s: text(s.explained_by)),
    )
    return build(
        name,
        "No need to pull: looked at, but explained by something else (most losses first)",
        suspects,
        columns if limit is None else short,
        limit=min(EXPLAINED_SHOWN, limit) if limit is not None else None,
        empty="No item with a high raw rate was explained by something else this week.",
    )


def _rate_short(suspect: Suspect) -> Cell:
    return figure(words.ppm_short(suspect.rate, suspect.low, suspect.high), suspect.rate)


def everything(suspects: Sequence[Suspect], currency: str) -> PageTable:
    """What was looked at, flagged or not, as far as a browser bears it: only on the HTML page."""
    return build(
        "all-suspects",
        "Everything looked at this week",
        suspects,
        (
            (left("Item", 17), _what),
            (right("Rate", 16), _rate),
            (right("Expected", 13), _expected),
            (right("Effect", 13), _effect),
            (right("q", 9), lambda s: figure(words.q_value(s.q), s.q)),
            (left("Verdict", 14), lambda s: text(verdict(s))),
            (right("Saving a week", 18), lambda s: _saving(s, currency)),
        ),
        limit=EVERYTHING_SHOWN,
        empty="Nothing was looked at: there are no picks in this week.",
    )


def too_small(suspects: Sequence[Suspect], limits: Mapping[str, float | None], currency: str) -> str:
    """What stands out and is not flagged, with its effect, and by which settings; empty where there is nothing."""
    if not suspects:
        return ""
    shown = [_outstanding(s) for s in suspects[:TOO_SMALL_SHOWN]]
    more = len(suspects) - len(shown)
    losses = limits["least_losses"]
    return (
        f"Worse than their healthy peers, but too small to flag: {'; '.join(shown)}"
        f"{f'; {more} more in the workbook' if more else ''}. The settings ask for a saving of at least "
        f"{words.money(limits['smallest_saving'], currency)} a week, an effect of "
        f"{words.odds(limits['smallest_effect'])} × and {words.count(None if losses is None else int(losses))} losses."
    )


def unsure(suspects: Sequence[Suspect]) -> str:
    """What the model set apart and is not sure enough to flag, with its effect; empty where there is nothing."""
    if not suspects:
        return ""
    shown = [_outstanding(s) for s in suspects[:TOO_SMALL_SHOWN]]
    more = len(suspects) - len(shown)
    return (
        f"Likely worse than their healthy peers, but not sure enough to flag among all that was looked at: "
        f"{'; '.join(shown)}{f'; {more} more in the workbook' if more else ''}. Watch them; look there first if losses "
        "go on."
    )


def _outstanding(suspect: Suspect) -> str:
    apart = f", not separable from {words.listed(suspect.not_separable_from)}" if suspect.not_separable_from else ""
    return f"{named(suspect)}, {words.loss_name(suspect.loss)}: {_bracket(_effect(suspect))}{apart}"


def verdict(suspect: Suspect) -> str:
    """A few words on where a suspect stands."""
    if suspect.flagged:
        return "▲ flagged"
    if not suspect.enough:
        return words.NOT_ENOUGH
    if suspect.q is None:
        return NOT_JUDGED.get(suspect.kind, "not judged")
    if suspect.stands_out:
        return "worse than its peers, too small to flag"
    if suspect.suspected:
        return "likely worse than its peers, not sure enough to flag"
    if suspect.not_separable_from:
        return f"not separable from {words.listed(suspect.not_separable_from)}"
    return "explained by something else" if suspect.explained_by else "no clear difference"


def card(rank: int, suspect: Suspect, currency: str, also: str = "") -> Card:
    """What is known about one suspect, with its trend; `also` names other losses that the item is flagged for."""
    effect, saving, expected = _effect(suspect), _saving(suspect, currency), _expected(suspect)
    like_peers = f"{expected.text}, {expected.small} if like its healthy peers"
    facts = (
        Fact("Rate", _rate_words(suspect)),
        Fact("Expected", like_peers if expected.small else expected.text),
        Fact("Adjusted effect", _bracket(effect)),
        Fact("Losses too many", _too_many(suspect)),
        Fact("Since", words.day(suspect.since, about=suspect.since_about)),
        Fact("Saving a week", _bracket(saving)),
        Fact("Likely cause", suspect.cause or words.NOT_KNOWN),
        Fact("q", words.NOT_KNOWN if suspect.q is None and suspect.enough else words.q_value(suspect.q)),
        Fact("Not separable from", words.listed(suspect.not_separable_from)),
        *((Fact("What would settle it", _swap(suspect.swap)),) if suspect.swap else ()),
        Fact("Also flagged for", also or "no other loss"),
        *((Fact("Explained by", suspect.explained_by),) if suspect.explained_by else ()),
    )
    evidence = tuple(("for" if e.supports else "against", _evidence(e.text, e.compared_with)) for e in suspect.evidence)
    title = f"{rank}. {named(suspect)}: {words.loss_name(suspect.loss)}"
    drawing = charts.trend(suspect.history, title=f"Rate by period of {named(suspect)}, with interval", width=210)
    return Card(title, facts, evidence, suspect.advice, drawing)


def _swap(swap: Swap) -> str:
    days = "" if swap.days is None else f", {_days(swap.days)} at this week's pace"
    return f"{swap.what} {swap.reads} It takes about {words.number(swap.picks, 2)} picks of each{days}."


def _days(days: float) -> str:
    return "less than a working day" if days < 1 else f"about {words.plural(round(days), 'working day')}"


def _rate_words(suspect: Suspect) -> str:
    counts = words.of(suspect.losses, suspect.attempts, words.denominator(suspect.loss))
    if suspect.rate is None:
        return f"{words.NOT_ENOUGH}; {counts}"
    span = words.ppm_interval(suspect.low, suspect.high)
    return f"{words.ppm(suspect.rate)} per {words.per(suspect.loss)}{f' ({span})' if span else ''}; {counts}"


def _bracket(cell: Cell) -> str:
    return f"{cell.text} ({cell.small})" if cell.small else cell.text


def _too_many(suspect: Suspect) -> str:
    if suspect.excess is None:
        return words.NOT_KNOWN
    shown = words.number(suspect.excess)
    if suspect.excess_low is None or suspect.excess_high is None:
        return shown
    return f"{shown} ({words.number(suspect.excess_low)} to {words.number(suspect.excess_high)})"


def _evidence(sentence: str, compared_with: str) -> str:
    return f"{sentence} (compared with: {compared_with})" if compared_with else sentence


def plot(suspects: Sequence[Suspect], limit: int) -> Markup:
    """Rates with interval and expected mark of the first `limit` suspects."""
    rows = [charts.Interval(f"{named(s)}, {s.loss}", s.rate, s.low, s.high, expected_rate(s)) for s in suspects[:limit]]
    return charts.interval_plot(rows, title="Rates of the flagged items with intervals and expected rates, in ppm")
