"""Overage as the buyer reads it: what to order and why, the dearest extra parts, then every build line by line.

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
"""Lines of the list of the dearest extra parts."""
NO_LINES = "This build has no lines."
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
    to_order: PageTable
    dearest: PageTable
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
    wanted = item.kit or item.need + item.extra
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


def _loss_short(item: Overage) -> Cell:
    return figure(words.ppm_short(item.loss_rate, item.loss_low, item.loss_high), item.loss_rate)


def _packs(item: Overage) -> str:
    """`2 × 4 000` where `buy` is whole packs; `packs of 4 000` where it is not."""
    if item.pack_size is None or item.pack_size <= 1 or item.buy <= 0:
        return ""
    size = words.count(item.pack_size)
    return (
        f"{words.count(item.buy // item.pack_size)} × {size}" if not item.buy % item.pack_size else f"packs of {size}"
    )


def _buy_short(item: Overage) -> Cell:
    whole = item.pack_size is not None and item.pack_size > 1 and item.buy > 0 and not item.buy % item.pack_size
    packs = f" ({words.plural(item.buy // (item.pack_size or 1), 'pack')})" if whole else ""
    return figure(f"{words.count(item.buy)}{packs}", item.buy)


def _basis(item: Overage) -> Cell:
    loads = f"{words.plural(item.loads, 'load')} at {words.measured(item.per_load)} lost; " if item.loads else ""
    return text(item.basis, lines(item.reason, f"{loads}service {words.share(item.service_level)}"))


def _extra_cost(item: Overage, currency: str) -> Cell:
    return figure(words.money(item.extra_cost, currency), item.extra_cost)


def _in_full(name: str, caption: str, items: Sequence[Overage], currency: str) -> PageTable:
    """Every line of a build with its reason: for the screen."""
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
        limit=None,
        empty=NO_LINES,
    )


def _in_short(name: str, caption: str, items: Sequence[Overage], currency: str, limit: int) -> PageTable:
    """One line a part: for paper."""
    return build(
        name,
        caption,
        items,
        (
            (left("Part", 13), lambda x: text(x.part)),
            (right("Need", 7), lambda x: count(x.need)),
            (right("Extra", 6), lambda x: count(x.extra)),
            (right("Kit", 7), lambda x: count(x.kit)),
            (right("Buy", 13), _buy_short),
            (right("Cost of extra", 9), lambda x: _extra_cost(x, currency)),
            (right("Loss rate (ppm)", 19), _loss_short),
            (left("Basis", 26), lambda x: text(x.basis)),
        ),
        limit=limit,
        empty=NO_LINES,
    )


def _to_order(items: Sequence[Overage], currency: str, limit: int | None) -> PageTable:
    """Lines that stock and orders do not cover: first due first, then what is covered least."""
    wanted = sorted(
        (x for x in items if x.buy > 0),
        key=lambda x: (x.due or "~", -(1.0 if (gap := shortage(x)) is None else gap), x.build, x.part),
    )
    builds = {part: len({x.build for x in items if x.part == part}) for part in {x.part for x in wanted}}
    return build(
        "to-order",
        "To order: first due first, then what stock covers least",
        wanted,
        (
            (left("Part", 12), _part),
            (left("Build", 14), lambda x: text(x.build, f"due {words.day(x.due)}" if x.due else "")),
            (right("Kit", 9), _wanted),
            (right("Buy", 9), lambda x: figure(words.count(x.buy), x.buy, _packs(x))),
            (right("Order value", 11), lambda x: figure(words.money(x.buy_cost, currency), x.buy_cost)),
            (right("Not covered", 9), lambda x: _uncovered(x, builds[x.part])),
            (left("Why", 36), lambda x: text(x.reason or x.basis, x.basis if x.reason else "")),
        ),
        limit=limit,
        empty="Stock and orders cover every line whose stock is known.",
    )


def _wanted(item: Overage) -> Cell:
    kit = item.kit or item.need + item.extra
    packs = "in whole packs" if kit > item.need + item.extra else ""
    return figure(words.count(kit), kit, lines(f"{words.count(item.need)} + {words.count(item.extra)}", packs))


def _dearest(items: Sequence[Overage], currency: str, limit: int | None) -> PageTable:
    """Lines whose extra parts cost most."""
    dearest = sorted((x for x in items if x.extra_cost), key=lambda x: (-(x.extra_cost or 0.0), x.build, x.part))
    return build(
        "dearest",
        "Dearest extra parts",
        dearest,
        (
            (left("Part", 18), lambda x: text(x.part)),
            (left("Build", 18), lambda x: text(x.build)),
            (right("Extra", 8), lambda x: count(x.extra)),
            (right("Price of one", 13), lambda x: figure(words.price(x.unit_cost, currency), x.unit_cost)),
            (right("Cost of extra", 13), lambda x: _extra_cost(x, currency)),
            (right("Loss rate (ppm)", 30), _loss_short),
        ),
        limit=min(TOP, limit or TOP),
        empty="No line has extra parts with a known price.",
    )


def _uncovered(item: Overage, builds: int) -> Cell:
    """What stock and orders leave open; not for a part of several builds, which share its stock."""
    if builds > 1 and item.stock is not None:
        return text(f"stock {words.count(item.stock)}", f"for {words.plural(builds, 'build')}")
    gap = shortage(item)
    if gap is None:
        return text("stock not known")
    ordered = f"on order {words.count(item.on_order)}" if item.on_order else ""
    return figure(words.share(gap), gap, lines(f"stock {words.count(item.stock)}", ordered))


def _unknown(items: Sequence[Overage]) -> tuple[str, ...]:
    found = (
        ("no stock figure (counted as none; orders on their way are counted)", [x for x in items if x.stock is None]),
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
            (right("Order value", 17), lambda t: figure(words.money(t.buy_cost, currency), t.buy_cost)),
        ),
        limit=limit,
        empty="There is no open build in the build table, so there is nothing to kit or buy.",
    )
    shown = list(by_build.items()) if limit is None else list(by_build.items())[:BUILDS_SHOWN]
    tables = []
    for number, (name, lines_) in enumerate(shown, 1):
        anchor, caption = f"build-{number}", _build_caption(total(name, lines_), currency)
        tables.append(
            _in_full(anchor, caption, lines_, currency)
            if limit is None
            else _in_short(anchor, caption, lines_, currency, limit)
        )
    words_total = (
        f"{words.plural(over_all.lines, 'line')} in {words.plural(len(by_build), 'build')}; "
        f"{words.plural(over_all.to_buy, 'line')} to buy. "
        f"Extra parts cost {words.money(over_all.extra_cost, currency)}, "
        f"the order value is {words.money(over_all.buy_cost, currency)}"
        + (f" ({_unpriced(over_all.unpriced)})." if over_all.unpriced else ".")
    )
    return BuyerSection(
        words_total if items else "",
        builds,
        _to_order(items, currency, limit),
        _dearest(items, currency, limit),
        tuple(tables),
        len(by_build) - len(shown),
        _unknown(items),
    )


def _build_caption(sums: Total, currency: str) -> str:
    lacking = f" ({_unpriced(sums.unpriced)})" if sums.unpriced else ""
    value = f"order value {words.money(sums.buy_cost, currency)}{lacking}"
    return f"Build {sums.name}: {words.plural(sums.lines, 'line')}, {words.count(sums.to_buy)} to buy, {value}"
