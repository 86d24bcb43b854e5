"""Overage as the buyer reads it: by build, dearest first, and what may run short.

In:    the overage lines of a bundle.
Out:   page tables and totals.
After: totals say how many lines have no price; nothing unknown counts as zero in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.findings.model import Bundle, Overage
from reports import words
from reports.cells import Cell, PageTable, build, count, day, figure, left, lines, right, text

TOP = 8
"""Lines of the two short lists."""
BUILDS_SHOWN = 6
"""Builds with a table of their own in the PDF."""


@dataclass(frozen=True, slots=True)
class Total:
    """Sums over the lines of one build, or of all; `unpriced` lines are in neither sum."""

    name: str
    lines: int
    to_buy: int
    extra_cost: float | None
    buy_cost: float | None
    unpriced: int
    due: str | None


@dataclass(frozen=True, slots=True)
class BuyerSection:
    """All that the template needs; `unknown` are sentences on what is not known."""

    total: str
    builds: PageTable
    dearest: PageTable
    shortest: PageTable
    tables: tuple[PageTable, ...]
    builds_left_out: int
    unknown: tuple[str, ...]


def total(name: str, items: Sequence[Overage]) -> Total:
    """Sums of what is known."""
    extra = [x.extra_cost for x in items if x.extra_cost is not None]
    buying = [x.buy_cost for x in items if x.buy_cost is not None]
    dues = sorted(x.due for x in items if x.due is not None)
    unpriced = sum(1 for x in items if x.extra_cost is None or x.buy_cost is None)
    return Total(
        name,
        len(items),
        sum(1 for x in items if x.buy > 0),
        sum(extra) if extra else None,
        sum(buying) if buying else None,
        unpriced,
        dues[0] if dues else None,
    )


def shortage(item: Overage) -> float | None:
    """Share of the kit that stock and orders do not cover, a fraction; None when the stock is not known."""
    wanted = item.need + item.extra
    if item.stock is None or wanted <= 0:
        return None
    return max(0.0, 1 - (item.stock + (item.on_order or 0)) / wanted)


def _unpriced(number: int) -> str:
    return f"{words.plural(number, 'line')} without a price not included" if number else ""


def _part(item: Overage) -> Cell:
    return text(item.part, item.package or "")


def _need(item: Overage) -> Cell:
    small = f"{words.count(item.boards)} × {words.count(item.quantity_per_board)}" if item.boards else ""
    return figure(words.count(item.need), item.need, small)


def _buy(item: Overage) -> Cell:
    packed = item.pack_size is not None and item.pack_size > 1 and item.buy > 0
    packs = f"packs of {words.count(item.pack_size)}" if packed else ""
    stock = f"stock {words.count(item.stock)}"
    ordered = f"on order {words.count(item.on_order)}" if item.on_order else ""
    return figure(words.count(item.buy), item.buy, lines(packs, stock, ordered))


def _loss(item: Overage) -> Cell:
    counted = words.of(item.lost, item.used, "parts") if item.used else "no history of its own"
    return figure(
        words.ppm(item.loss_rate), item.loss_rate, lines(words.ppm_interval(item.loss_low, item.loss_high), counted)
    )


def _basis(item: Overage) -> Cell:
    loads = f"{words.plural(item.loads, 'load')} at {words.measured(item.per_load)} lost; " if item.loads else ""
    return text(item.basis, lines(item.reason, f"{loads}service {words.share(item.service_level)}"))


def _extra_cost(item: Overage, currency: str) -> Cell:
    return figure(words.money(item.extra_cost, currency), item.extra_cost)


def _table(
    name: str, caption: str, items: Sequence[Overage], currency: str, limit: int | None, empty: str
) -> PageTable:
    return build(
        name,
        caption,
        items,
        (
            (left("Part", 15), _part),
            (right("Need", 9), _need),
            (right("Extra", 7), lambda x: count(x.extra)),
            (right("Kit", 8), lambda x: count(x.kit)),
            (right("Buy", 11), _buy),
            (right("Cost of extra", 10), lambda x: _extra_cost(x, currency)),
            (right("Loss rate", 16), _loss),
            (left("Basis", 24), _basis),
        ),
        limit=limit,
        empty=empty,
    )


def _short_list(
    name: str, caption: str, items: Sequence[Overage], currency: str, limit: int | None, empty: str
) -> PageTable:
    return build(
        name,
        caption,
        items,
        (
            (left("Part", 22), _part),
            (left("Build", 18), lambda x: text(x.build, f"due {words.day(x.due)}" if x.due else "")),
            (right("Extra", 10), lambda x: count(x.extra)),
            (right("Cost of extra", 14), lambda x: _extra_cost(x, currency)),
            (right("Buy", 16), _buy),
            (right("Not covered", 20), _uncovered),
        ),
        limit=min(TOP, limit or TOP),
        empty=empty,
    )


def _uncovered(item: Overage) -> Cell:
    gap = shortage(item)
    if gap is None:
        return text("stock not known")
    return figure(words.share(gap), gap, "of need + extra")


def _unknown(items: Sequence[Overage]) -> tuple[str, ...]:
    found = (
        ("no stock figure, so that the whole need is to be bought", [x for x in items if x.stock is None]),
        ("no price, so that its cost is not in the totals", [x for x in items if x.extra_cost is None]),
        ("no pack size, so that it is not rounded up to packs", [x for x in items if x.pack_size is None]),
        ("no losses of its own to count, so that its rate comes from like parts", [x for x in items if not x.used]),
        ("no due date", [x for x in items if x.due is None]),
    )
    return tuple(
        f"{words.plural(len(lacking), 'line')} with {what}: {_few(lacking)}." for what, lacking in found if lacking
    )


def _few(items: Sequence[Overage], most: int = 5) -> str:
    names = list(dict.fromkeys(x.part for x in items))
    more = len(names) - most
    return words.listed(names[:most]) + (f" and {words.count(more)} more" if more > 0 else "")


def section(bundle: Bundle, *, limit: int | None) -> BuyerSection:
    """Everything for the buyer; `limit` rows a table, None for all."""
    items, currency = bundle.overage, bundle.currency
    by_build: dict[str, list[Overage]] = {}
    for item in items:
        by_build.setdefault(item.build, []).append(item)
    totals = [total(name, lines_) for name, lines_ in by_build.items()]
    over_all = total("all builds", items)
    builds = build(
        "builds",
        "Builds",
        totals,
        (
            (left("Build", 30), lambda t: text(t.name)),
            (left("Due", 16), lambda t: day(t.due)),
            (right("Lines", 10), lambda t: count(t.lines)),
            (right("To buy", 10), lambda t: count(t.to_buy)),
            (
                right("Cost of extra", 17),
                lambda t: figure(words.money(t.extra_cost, currency), t.extra_cost, _unpriced(t.unpriced)),
            ),
            (right("Cost of buying", 17), lambda t: figure(words.money(t.buy_cost, currency), t.buy_cost)),
        ),
        limit=limit,
        empty="There is no open build in the build table, so there is nothing to kit or buy.",
    )
    dearest = sorted((x for x in items if x.extra_cost), key=lambda x: (-(x.extra_cost or 0.0), x.build, x.part))
    short = sorted(
        (x for x in items if shortage(x)), key=lambda x: (-(shortage(x) or 0.0), x.due or "~", x.build, x.part)
    )
    shown = list(by_build.items()) if limit is None else list(by_build.items())[:BUILDS_SHOWN]
    tables = tuple(
        _table(f"build-{number}", f"Build {name}", lines_, currency, limit, "This build has no lines.")
        for number, (name, lines_) in enumerate(shown, 1)
    )
    words_total = (
        f"{words.plural(over_all.lines, 'line')} in {words.plural(len(by_build), 'build')}; "
        f"{words.plural(over_all.to_buy, 'line')} to buy. "
        f"Extra parts cost {words.money(over_all.extra_cost, currency)}, "
        f"buying costs {words.money(over_all.buy_cost, currency)}"
        + (f" ({_unpriced(over_all.unpriced)})." if over_all.unpriced else ".")
    )
    return BuyerSection(
        words_total if items else "",
        builds,
        _short_list(
            "dearest", "Dearest extra parts", dearest, currency, limit, "No line has extra parts with a known price."
        ),
        _short_list(
            "shortest",
            "Most at risk of running short: what stock and orders do not cover",
            short,
            currency,
            limit,
            "Stock and orders cover every line whose stock is known.",
        ),
        tables,
        len(by_build) - len(shown),
        _unknown(items),
    )
