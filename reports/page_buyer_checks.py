"""More for the buyer: whole kits, the test on the past, reel counts, standing rules.

In:    the bundle.
Out:   page tables, sentences and one chart.
After: what the bundle does not carry is said to be missing; nothing is drawn for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.findings.buying import Rule, StandingRule, Unexplained, WholeKit
from pipeline.findings.model import Bundle
from reports import charts, words
from reports.cells import Cell, PageTable, build, count, figure, left, lines, right, text

RULES = 12
"""Standing rules on paper; the workbook has all."""
AGREEING = 8
"""Lines of reel counts on paper where fewer differ clearly."""


@dataclass(frozen=True, slots=True)
class BuyerChecks:
    """All that the template needs; `counted` are sentences on what reel counts told."""

    kits: PageTable
    kit_words: tuple[str, ...]
    past: PageTable
    past_words: str
    past_chart: Markup
    counts: PageTable
    counted: tuple[str, ...]
    standing: PageTable


def checks(bundle: Bundle, *, limit: int | None) -> BuyerChecks:
    """Everything; `limit` rows a table, None for all."""
    test, currency = bundle.past_test, bundle.currency
    return BuyerChecks(
        kits=_kits(bundle.kits, currency, limit),
        kit_words=_kit_words(bundle, limit),
        past=_past(() if test is None else test.rules, currency),
        past_words="" if test is None else test.text,
        past_chart=Markup("")
        if test is None
        else charts.tenths(test.tenths, test.chance, title=_chart_title(test.lines)),
        counts=_counts(bundle.unexplained, currency, limit),
        counted=tuple(f.text for f in bundle.loss_figures if f.source == "counted"),
        standing=_standing(bundle.standing, currency, None if limit is None else min(RULES, limit)),
    )


def _kit_words(bundle: Bundle, limit: int | None) -> tuple[str, ...]:
    """What there is to say on each kit, and which builds have none."""
    said = [k.text for k in (bundle.kits if limit is None else bundle.kits[:limit])]
    made = {k.build for k in bundle.kits}
    lacking = list(dict.fromkeys(o.build for o in bundle.overage if o.build not in made))
    if lacking:
        named = words.listed(lacking[:5]) + (f" and {words.count(len(lacking) - 5)} more" if len(lacking) > 5 else "")
        said.append(f"No whole kit here for {named}; for one build: pickfall overage BUILD --by kit.")
    return tuple(said)


def _chart_title(number: int) -> str:
    return (
        f"Where the losses of {words.plural(number, 'past line')} fell in what was predicted: a tenth in each "
        "tenth if the prediction is right; grey: by chance alone"
    )


def _kits(kits: Sequence[WholeKit], currency: str, limit: int | None) -> PageTable:
    return build(
        "kits",
        "Whole kits: extras with which no line of a build runs short",
        kits,
        (
            (left("Build", 16), lambda k: text(k.build)),
            (right("Lines", 8), lambda k: count(k.lines)),
            (right("Sure as a whole", 12), lambda k: figure(words.share(k.joint), k.joint)),
            (right("Cost of extras", 15), lambda k: figure(words.money(k.cost, currency), k.cost)),
            (right("Line by line", 12), lambda k: figure(words.share(k.single), k.single)),
            (right("At a cost of", 15), lambda k: figure(words.money(k.single_cost, currency), k.single_cost)),
            (left("Weakest", 22), lambda k: text(k.weakest)),
        ),
        limit=limit,
        empty="No whole kit was made.",
    )


def _past(rules: Sequence[Rule], currency: str) -> PageTable:
    return build(
        "past",
        "Three ways of kitting on the same past lines",
        rules,
        (
            (left("Rule", 24), lambda r: text(r.name)),
            (right("Enough", 22), _enough),
            (right("Short", 10), lambda r: count(r.short)),
            (right("Left over", 12), lambda r: count(r.surplus)),
            (right("Its value", 16), lambda r: figure(words.money(r.surplus_cost, currency), r.surplus_cost)),
            (right("Cost", 16), lambda r: figure(words.money(r.cost, currency), r.cost)),
        ),
        limit=None,
        empty="There are not enough weeks of history to try the advice on past builds.",
    )


def _enough(rule: Rule) -> Cell:
    span = f" ({words.share(rule.low)} to {words.share(rule.high)})"
    return figure(words.share(rule.enough) + span, rule.enough)


def _counts(found: Sequence[Unexplained], currency: str, limit: int | None) -> PageTable:
    if limit is not None:
        clear = sum(map(_is_clear, found))
        found, limit = sorted(found, key=lambda u: not _is_clear(u)), min(limit, max(clear, AGREEING))
    return build(
        "counts",
        "Reel counts against logs, " + ("clear differences and then " if limit else "") + "most money first",
        found,
        (
            (left("Part", 16), lambda u: text(u.part)),
            (right("Reels", 7), lambda u: count(u.reels)),
            (right("Gone", 9), lambda u: count(u.gone)),
            (right("Logged", 9), lambda u: count(u.logged)),
            (right("Unexplained", 16), _unexplained),
            (right("Value", 12), lambda u: figure(words.money(u.value, currency), u.value)),
            (left("In words", 31), lambda u: text(u.text)),
        ),
        limit=limit,
        empty="There are no reel counts that are more than a machine's own books.",
    )


def _is_clear(item: Unexplained) -> bool:
    """True if the difference is more than counting and chance can explain."""
    return item.low > 0 or item.high < 0


def _unexplained(item: Unexplained) -> Cell:
    span = f"{_signed(item.low)} to {_signed(item.high)}"
    return figure(_signed(item.difference), item.difference, span)


def _signed(pieces: float) -> str:
    """Pieces with their sign.

    >>> _signed(12.4), _signed(-0.2), _signed(-3.6)
    ('+12', '0', '\u22124')
    """
    whole = round(pieces)
    return words.count(abs(whole)) if not whole else f"{'+' if whole > 0 else chr(0x2212)}{words.count(abs(whole))}"


def _standing(rules: Sequence[StandingRule], currency: str, limit: int | None) -> PageTable:
    dearest = sorted(rules, key=lambda r: (-(r.waste_cost or 0.0), r.part)) if limit is not None else list(rules)
    return build(
        "standing",
        "Standing overage: one rule a part, and what that simplification costs" + (", dearest first" if limit else ""),
        dearest,
        (
            (left("Part", 18), lambda r: text(r.part, r.package or "")),
            (right("Fixed", 9), lambda r: count(r.fixed)),
            (right("Share of need", 12), lambda r: figure(words.share(r.share), r.share)),
            (right("Too many", 12), lambda r: figure(words.significant(r.waste, 2), r.waste)),
            (right("Their value", 14), lambda r: figure(words.money(r.waste_cost, currency), r.waste_cost)),
            (left("Basis", 35), lambda r: text(r.basis, lines(_sizes(r)))),
        ),
        limit=limit,
        empty="No part has a standing rule: masters/parts.csv is empty, or its parts have no history.",
    )


def _sizes(rule: StandingRule) -> str:
    return f"for {words.count(rule.smallest)} to {words.count(rule.largest)} parts a build"
