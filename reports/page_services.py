"""Did the services work? Those that can be judged first, the others in a list of their own.

In:    services of the bundle, in their order.
Out:   two page tables.
After: each rate stands with interval and counts; nothing that can be judged stands among what cannot.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.findings.model import Rate, ServiceOutcome
from reports import charts, words
from reports.cells import Cell, PageTable, build, count, figure, left, lines, picture, rate_cell, right, text
from reports.items import named

OPEN_SHOWN: Final = 8
"""Services in the PDF that cannot be judged yet; the workbook has all."""
_ORDER: Final = {"got worse": 0, "did not work": 1, "worked": 2}


def judged(outcomes: Sequence[ServiceOutcome], *, limit: int | None) -> PageTable:
    """Services with a verdict: those that failed first, then those that worked."""
    mine = sorted((s for s in outcomes if s.verdict in _ORDER), key=lambda s: _ORDER[s.verdict])
    empty = "No service was logged, or none has picks before and after it. Log services to see whether they worked."
    return build(
        "services",
        "Did the services work? Those that failed first",
        mine,
        (
            (left("Item", 17), lambda s: text(named(s), f"{s.action} {words.day(s.time)}")),
            (left("Verdict", 29), lambda s: text(_verdict(s), lines(s.text, s.note))),
            (right("Before", 13), lambda s: rate_cell(s.before, words.denominator(s.loss))),
            (right("After", 13), lambda s: rate_cell(s.after, words.denominator(s.loss))),
            (right("Difference, peers allowed for", 14), _difference),
            (picture("Trend", 14), _trend),
        ),
        limit=limit,
        empty="No service of the last weeks can be judged yet." if outcomes else empty,
    )


def unjudged(outcomes: Sequence[ServiceOutcome], *, limit: int | None) -> PageTable:
    """Services that cannot be judged yet: with a `limit` at most `OPEN_SHOWN` in short, else all and why."""
    mine = [s for s in outcomes if s.verdict not in _ORDER]
    caption, empty = "Services that cannot be judged yet", "Every service can be judged."
    if limit is None:
        return build(
            "services-open",
            caption,
            mine,
            (
                (left("Item", 17), lambda s: text(named(s), f"{s.action} {words.day(s.time)}")),
                (left("Why", 29), lambda s: text(s.text or words.NOT_KNOWN, lines(words.loss_name(s.loss), s.note))),
                (right("Before", 13), lambda s: rate_cell(s.before, words.denominator(s.loss))),
                (right("After", 13), lambda s: rate_cell(s.after, words.denominator(s.loss))),
                (right("Difference, peers allowed for", 14), _difference),
                (picture("Trend", 14), _trend),
            ),
            limit=None,
            empty=empty,
        )
    return build(
        "services-open",
        caption,
        mine,
        (
            (left("Item", 20), lambda s: text(named(s))),
            (left("Service", 26), lambda s: text(f"{s.action} {words.moment(s.time)}")),
            (left("Loss", 16), lambda s: text(words.loss_name(s.loss))),
            (right("Lost before", 13), lambda s: _counts(s.before)),
            (right("Lost after", 13), lambda s: _counts(s.after)),
            (right("Picks since", 12), lambda s: count(s.picks_since)),
        ),
        limit=min(OPEN_SHOWN, limit),
        empty=empty,
    )


def _verdict(outcome: ServiceOutcome) -> str:
    return f"{words.VERDICT_MARKS.get(outcome.verdict, '')} {outcome.verdict}: {words.loss_name(outcome.loss)}"


def _counts(rate: Rate) -> Cell:
    return figure(words.of(rate.losses, rate.attempts), rate.rate)


def _difference(outcome: ServiceOutcome) -> Cell:
    shown = words.signed_ppm(outcome.difference)
    small = lines(
        words.signed_interval(outcome.low, outcome.high), f"{words.plural(outcome.picks_since, 'pick')} since"
    )
    return figure(shown, outcome.difference, small)


def _trend(outcome: ServiceOutcome) -> Cell:
    title = f"Rate by period of {named(outcome)}, with interval"
    return Cell("", drawing=charts.trend(outcome.history, title=title, width=88, height=48))
