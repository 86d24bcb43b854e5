"""The first page: how the plant did, and what to do this week.

In:    loss summaries and actions of a bundle.
Out:   page tables, one of them for each owner.
After: owners stand in a fixed order; an owner with nothing to do is told so.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.findings.model import Action, Bundle, LossSummary, Rate
from reports import charts, words
from reports.cells import Cell, PageTable, build, figure, left, lines, picture, rate_cell, right, text
from reports.columns import MACHINE_KINDS, list_length

OWNERS = ("maintenance planner", "buyer", "engineer")
NOTHING = {
    "maintenance planner": "nothing is flagged that could be cleaned, adjusted or replaced",
    "buyer": "no line of an open build is to be bought",
    "engineer": "no recognition reject, part, lot or drift is flagged",
}
ACTIONS_SHOWN = {"maintenance planner": 4, "buyer": 2, "engineer": 3}
"""Actions of each owner on the first page of the PDF, so that it stays one page."""
ORDER_VALUE = "order value"
WORTH = "Worth"
LOCK_OUT = "⚠ hands in the machine: stop and lock out first"


def losses(rows: Sequence[LossSummary], *, limit: int | None) -> PageTable:
    """Loss rates of the plant this week and last."""
    picked = any(x.loss == "all" and x.this_week.attempts for x in rows)
    return build(
        "losses",
        "Loss rates of the plant (drawings: rate by week in ppm, grey: its interval)",
        rows,
        (
            (left("Loss", 17), lambda x: text(words.loss_name(x.loss), f"per {words.per(x.loss)}")),
            (right("This week", 23), lambda x: _rate(x.this_week, x.loss, picked)),
            (right("Last week", 23), lambda x: _rate(x.last_week, x.loss, picked)),
            (right("Bursts", 10), _dispersion),
            (picture("By week", 27), _trend),
        ),
        limit=limit,
        empty="There are no picks in this week, so there is no rate.",
    )


def _rate(found: Rate | None, loss: str, picked: bool) -> Cell:
    """A rate; without a chance, although there were picks, no log tells this kind of loss."""
    if picked and found is not None and not found.attempts and loss != "all":
        return text("not known", "no log tells this kind of loss")
    return rate_cell(found, words.denominator(loss))


def _dispersion(summary: LossSummary) -> Cell:
    if summary.dispersion is None:
        return text(None)
    return figure(f"{words.number(summary.dispersion)} ×", summary.dispersion)


def _trend(summary: LossSummary) -> Cell:
    title = f"{words.loss_name(summary.loss)} by period, with interval, in ppm"
    return Cell("", drawing=charts.trend(summary.trend, title=title, width=168, height=48))


def actions(bundle: Bundle, *, limit: int | None) -> tuple[tuple[str, PageTable], ...]:
    """What to do this week, by owner; with a `limit`, no more than fit on one page."""
    made = []
    for owner in OWNERS:
        mine = [a for a in bundle.actions if a.owner == owner]
        beyond = _beyond(bundle) if owner == OWNERS[0] else 0
        shown = min(limit, ACTIONS_SHOWN[owner]) if limit else None
        made.append((owner, _actions(owner, mine, bundle.currency, shown, beyond)))
    return tuple(made)


def _beyond(bundle: Bundle) -> int:
    """Flagged items that the planner's list has no line for, because it ends before them (`lists.worklist`)."""
    lines = sum(s.headline and s.flagged and not s.mended and s.kind in MACHINE_KINDS for s in bundle.suspects)
    return max(0, lines - list_length(bundle, "worklist", lines))


def _actions(owner: str, rows: Sequence[Action], currency: str, limit: int | None, beyond: int) -> PageTable:
    heading = _heading(rows)
    return build(
        f"actions-{owner.replace(' ', '-')}",
        f"For the {owner}{_together(rows, currency, beyond) if owner == OWNERS[0] else ''}",
        rows,
        (
            (left("What", 41), lambda a: text(a.what, LOCK_OUT if a.hands_in_machine else "")),
            (left("Why", 42), lambda a: text(a.why)),
            (right(heading, 17), lambda a: _worth(a, currency, heading)),
        ),
        limit=limit,
        empty=f"Nothing this week: {NOTHING[owner]}.",
    )


def two_kinds(rows: Sequence[Action]) -> bool:
    """True when some figures are saved every week and others are spent once."""
    return len({a.unit == ORDER_VALUE for a in rows if a.worth is not None}) == 2


def _heading(rows: Sequence[Action]) -> str:
    """What the figures of a list are: money saved every week and money spent once must not be added."""
    units = {a.unit for a in rows if a.worth is not None}
    return (
        {"per week": "Saves per week", ORDER_VALUE: "Order value"}.get(units.pop(), WORTH) if len(units) == 1 else WORTH
    )


def _together(rows: Sequence[Action], currency: str, beyond: int) -> str:
    """What the list saves altogether, where every line has a figure per week."""
    worth = [a.worth for a in rows if a.worth is not None and a.unit == "per week"]
    if len(worth) < 2:
        return ""
    without = len(rows) - len(worth)
    lacking = f", {words.plural(without, 'line')} without a figure not included" if without else ""
    more = f"; {words.plural(beyond, 'flagged item')} more in the worklist of the workbook" if beyond else ""
    saved = words.money(sum(worth), currency)
    return f" ({words.plural(len(rows), 'line')}, together {saved} saved per week{lacking}{more})"


def _worth(action: Action, currency: str, heading: str) -> Cell:
    if action.worth is None:
        return text("no figure")
    small = lines("" if heading != WORTH else action.unit, words.money_interval(action.worth_low, action.worth_high))
    return figure(words.money(action.worth, currency), action.worth, small)
