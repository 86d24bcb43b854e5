"""Suspects and services as tables and cards: the planner's section, and the engineer's list of parts and lots.

In:    suspects and services of the bundle, in their order.
Out:   page tables, cards, an interval plot.
After: each rate stands with interval, counts and what was expected.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.findings.model import ServiceOutcome, Suspect
from reports import charts, words
from reports.cells import Cell, Fact, PageTable, build, day, figure, left, lines, picture, rate_cell, right, text


@dataclass(frozen=True, slots=True)
class Card:
    """Everything known about one item, for a template."""

    title: str
    facts: tuple[Fact, ...]
    evidence: tuple[tuple[str, str], ...]
    advice: str
    drawing: Markup


def named(item: Suspect | ServiceOutcome) -> str:
    """`nozzle N1 of M1`; a machine is not of itself."""
    place = f" of {item.machine}" if item.machine is not None and item.kind != "machine" else ""
    return f"{item.kind} {item.id}{place}"


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
    small = words.money_interval(suspect.cost_low, suspect.cost_high)
    return figure(words.money(suspect.cost_per_week, currency), suspect.cost_per_week, small)


def _cause(suspect: Suspect) -> Cell:
    apart = f"Not separable from: {words.listed(suspect.not_separable_from)}" if suspect.not_separable_from else ""
    explained = f"Explained by: {suspect.explained_by}" if suspect.explained_by else ""
    return text(suspect.cause, lines(apart, explained))


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
            (left("Since", 11), lambda s: day(s.since)),
            (right("Saving a week", 12), lambda s: _saving(s, currency)),
            (left("Likely cause", 16), _cause),
        ),
        limit=limit,
        empty=empty,
    )


def explained(name: str, suspects: Sequence[Suspect], *, limit: int | None) -> PageTable:
    """Items whose losses something else explains: no need to pull them."""
    return build(
        name,
        "Looked at, but explained by something else: no need to pull these",
        suspects,
        (
            (left("Item", 26), _what),
            (right("Rate", 22), _rate),
            (right("Expected", 14), _expected),
            (right("Effect", 14), _effect),
            (left("Explained by", 24), lambda s: text(s.explained_by)),
        ),
        limit=limit,
        empty="No item with a high raw rate was explained by something else this week.",
    )


def everything(suspects: Sequence[Suspect], currency: str) -> PageTable:
    """All that was looked at, flagged or not: only on the HTML page."""
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
        limit=None,
        empty="Nothing was looked at: there are no picks in this week.",
    )


def verdict(suspect: Suspect) -> str:
    """One or two words on where a suspect stands."""
    if suspect.flagged:
        return "▲ flagged"
    if not suspect.enough:
        return words.NOT_ENOUGH
    return "explained by something else" if suspect.explained_by else "like its peers"


def card(rank: int, suspect: Suspect, currency: str) -> Card:
    """What is known about one suspect, with its trend."""
    effect, saving, expected = _effect(suspect), _saving(suspect, currency), _expected(suspect)
    facts = [
        Fact("Rate", _rate_words(suspect)),
        Fact(
            "Expected",
            f"{expected.text}, {expected.small} if like its healthy peers" if expected.small else expected.text,
        ),
        Fact("Adjusted effect", _bracket(effect)),
        Fact("Losses too many", _too_many(suspect)),
        Fact("Since", words.day(suspect.since)),
        Fact("Saving a week", _bracket(saving)),
        Fact("Likely cause", suspect.cause or words.NOT_KNOWN),
        Fact("Not separable from", words.listed(suspect.not_separable_from)),
        Fact("q", words.NOT_KNOWN if suspect.q is None and suspect.enough else words.q_value(suspect.q)),
    ]
    if suspect.explained_by:
        facts.append(Fact("Explained by", suspect.explained_by))
    evidence = tuple(("for" if e.supports else "against", _evidence(e.text, e.compared_with)) for e in suspect.evidence)
    title = f"{rank}. {named(suspect)}: {words.loss_name(suspect.loss)}"
    drawing = charts.trend(suspect.history, title=f"Rate by period of {named(suspect)}, with interval", width=210)
    return Card(title, tuple(facts), evidence, suspect.advice, drawing)


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


def services(outcomes: Sequence[ServiceOutcome], *, limit: int | None) -> PageTable:
    """Did last week's repairs work?"""
    return build(
        "services",
        "Services of the last weeks: did they work?",
        outcomes,
        (
            (left("Item", 16), lambda s: text(named(s), lines(f"{s.action} {words.moment(s.time)}", s.note))),
            (left("Loss", 9), lambda s: text(words.loss_name(s.loss))),
            (right("Before", 14), lambda s: rate_cell(s.before, words.denominator(s.loss))),
            (right("After", 14), lambda s: rate_cell(s.after, words.denominator(s.loss))),
            (right("Difference", 13), _difference),
            (left("Verdict", 15), lambda s: text(f"{words.VERDICT_MARKS.get(s.verdict, '')} {s.verdict}", s.text)),
            (picture("Trend", 19), _service_trend),
        ),
        limit=limit,
        empty="No service was logged, or none has picks before and after it. Log services to see whether they worked.",
    )


def _difference(outcome: ServiceOutcome) -> Cell:
    shown = words.signed_ppm(outcome.difference)
    small = lines(
        words.signed_interval(outcome.low, outcome.high), f"{words.plural(outcome.picks_since, 'pick')} since"
    )
    return figure(shown, outcome.difference, small)


def _service_trend(outcome: ServiceOutcome) -> Cell:
    title = f"Rate by period of {named(outcome)}, with interval"
    return Cell("", drawing=charts.trend(outcome.history, title=title, width=118, height=48))
