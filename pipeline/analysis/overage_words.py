"""The sentence that stands behind every overage figure, so that a buyer can check it.

In:    counts, rates and settings of one line.
Out:   a short `basis` and one plain sentence.
After: the sentence gives losses with their count, the rate with its interval, the load losses and the service level.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from pipeline.findings.buying import Rule

THIN: Final = "\u202f"
_LOADS: Final = {
    "tape": ("reel load", "reel loads"),
    "tube": ("tube load", "tube loads"),
    "tray": ("tray load", "tray loads"),
    "bulk": ("case load", "case loads"),
}


def count(value: float) -> str:
    """A whole number with a thin space between groups of three digits."""
    return f"{value:,.0f}".replace(",", THIN)


def per_cent(fraction: float, *, unit: bool = True) -> str:
    """A rate in per cent with two significant digits, plain decimals.

    >>> per_cent(0.00334, unit=False), per_cent(0.0271, unit=False), per_cent(0.000042, unit=False)
    ('0.33', '2.7', '0.0042')
    >>> per_cent(3e-12, unit=False)
    'under 0.0001'
    """
    value = 100 * fraction
    if value <= 0:
        text = "0"
    elif value < 0.0001:
        text = "under 0.0001"
    elif value >= 10:
        text = f"{value:.0f}"
    else:
        decimals = 1 if value >= 1 else 1 - int(f"{value:e}".split("e")[1])
        text = f"{value:.{decimals}f}"
    return f"{text}{THIN}%" if unit else text


def basis(
    own: float,
    ran: bool,
    package: str | None,
    peers: int,
    enough: float,
    left_out: tuple[str, ...],
    *,
    apart: bool = False,
) -> str:
    """Where the rate comes from: own history, package, plant.

    own     weight of the part's own history, 0 to 1; from `enough` on it is named alone
    peers   other parts of the package that ran
    apart   the part lost far more than the others allow

    >>> basis(0.95, True, "0402", 8, 0.9, ()), basis(0.3, True, "0402", 8, 0.9, ("L7",))
    ('own history', 'own history and package 0402; lot L7 left out')
    >>> basis(0.0, False, "0402", 8, 0.9, ()), basis(0.0, False, None, 0, 0.9, ())
    ('package 0402 only: never run', 'plant only: never run')
    >>> basis(1.0, True, "0402", 8, 0.9, (), apart=True)
    'own history: far above package 0402'
    """
    pool = f"package {package}" if package is not None and peers > 0 else "plant"
    if not ran:
        text = f"{pool} only: never run" if not left_out else f"{pool} only: no other lot was run"
    elif apart:
        text = f"own history: far above {pool}"
    elif own >= enough:
        text = "own history"
    else:
        text = f"own history and {pool}"
    if left_out:
        text += f"; lot{'s' if len(left_out) > 1 else ''} {', '.join(left_out)} left out"
    return text


def history(
    used: float,
    lost: float,
    weeks: int,
    rate: tuple[float, float, float],
    own: bool,
    pool: str,
    feeder_known: bool,
    *,
    above: float | None = None,
    set_aside: int = 0,
) -> str:
    """First half of the sentence: what was lost, and the rate taken with its interval.

    rate       mean, low and high of the long-run loss rate, fractions
    own        whether the part's own history stands alone; else `pool` is named
    above      rate of the pool, where the part lost far more than that allows
    set_aside  parts that lost far more than the others, and are not in the pool; said where it speaks alone
    """
    mean, low, high = rate
    interval = f"{per_cent(mean)}, {per_cent(low, unit=False)} to {per_cent(high)}"
    if used <= 0:
        text = f"No history of its own; {pool} loses about {interval}"
        if set_aside:
            text += f", without {'one part that loses' if set_aside == 1 else f'{set_aside} parts that lose'} far more"
    else:
        span = f"{weeks} week{'s' if weeks > 1 else ''}"
        text = f"Lost {count(lost)} of {count(used)} used in {span}"
        text += f" ({interval})" if own else f"; with {pool}: {interval}"
        if above is not None:
            text += f", far above the {per_cent(above)} of {pool}"
    return text if feeder_known else f"{text}; feeder not known, taken as tape"


def hopeless(ran: bool) -> str:
    """End of the sentence where more than half may be lost, by the part's own losses or because nothing is known.

    >>> hopeless(True)
    'more than half may be lost: extra cut at the need, mend the cause before buying'
    """
    if ran:
        return "more than half may be lost: extra cut at the need, mend the cause before buying"
    return (
        "so little is known that more than half may be lost: extra cut at the need, run some of it before buying more"
    )


def load(feeder_type: str, loads: int, pieces: float, splices: int = 0) -> str:
    """Middle of the sentence: what loads and splices cost together.

    >>> load("tape", 1, 6.0), load("tray", 2, 0.0), load("tape", 3, 18.0)
    ('6 pieces for one reel load', 'nothing for 2 tray loads', '18 pieces for 3 reel loads')
    >>> load("tape", 1, 10.0, 2)
    '10 pieces for one reel load and 2 splices'
    """
    one, many = _LOADS[feeder_type]
    loading = f"one {one}" if loads == 1 else f"{count(loads)} {many}"
    if splices:
        loading += " and one splice" if splices == 1 else f" and {count(splices)} splices"
    if pieces <= 0:
        return f"nothing for {loading}"
    return f"{round(pieces, 1):g} piece{'' if pieces == 1 else 's'} for {loading}"


def sure(level: float) -> str:
    """End of the sentence: the service level. Nothing is ever told to be quite sure.

    >>> sure(0.95), sure(0.999999), sure(0.0612)
    ('95\u202f% sure', 'over 99.99\u202f% sure', '6.12\u202f% sure')
    """
    return f"over 99.99{THIN}% sure" if level > 0.9999 else f"{100 * level:.4g}{THIN}% sure"


def by_cost(level: float, *, able: bool = True) -> str:
    """The same where costs decided: `level` is the probability that comes out.

    able  False: the line kept the extra of its service level, because it may lose so many that no cost can be reckoned
    """
    if not able:
        return f"by its service level and not by cost, since too much may be lost to reckon a cost: {sure(level)}"
    return f"cheapest at the costs of a stop and of parts left over: {sure(level)}"


def money(value: float, currency: str) -> str:
    """An amount: whole from 100 on, else two decimals, or two digits where it is less than a hundredth.

    >>> money(20.0, "EUR"), money(0.0042, "EUR"), money(1234.5, "EUR"), money(3.256, "EUR")
    ('EUR 20', 'EUR 0.0042', 'EUR 1\u202f234', 'EUR 3.26')
    """
    if value >= 100 or value == round(value):
        return f"{currency} {count(value)}"
    return f"{currency} {value:.2f}" if value >= 0.01 else f"{currency} {value:.2g}"


def kit(
    sums: tuple[str, int, float, float],
    spent: tuple[float, float, str],
    next_buy: tuple[tuple[str, int], ...],
    then: float,
    weakest: str,
    unable: tuple[str, ...],
    packed: int = 0,
) -> str:
    """A whole kit in plain words.

    sums   build, lines, joint probability, joint probability of extras line by line
    spent  cost of the extras, sum to spend next, currency
    packed lines that are kitted in whole packs, at no cost here
    """
    build, lines, joint, single = sums
    cost, more, currency = spent
    boxes = f" besides {'one line' if packed == 1 else f'{count(packed)} lines'} in whole packs" if packed else ""
    whole = "its one line is" if lines == 1 else f"the {count(lines)} lines together are"
    alone = "" if lines == 1 else f"; line by line they would be {sure(single)}"
    text = (
        f"Build {build}: {whole} {sure(joint)} with extras for {money(cost, currency)}"
        f"{boxes}{alone}. Most likely to run short: {weakest}."
    )
    if next_buy:
        shown = ", ".join(f"{count(n)} of {part}" for part, n in next_buy[:5])
        others = f" and {len(next_buy) - 5} other parts" if len(next_buy) > 5 else ""
        text += f" The next {money(more, currency)} are best spent on {shown}{others}: then {sure(then)}."
    if unable:
        text += f" Not in it, because too much may be lost or too little is known: {', '.join(unable)}."
    return text


def standing(
    fixed: int, share: float, smallest: int, largest: int, waste: float, cost: float | None, currency: str
) -> str:
    """A standing rule in plain words."""
    price = f" ({money(cost, currency)})" if cost is not None else ""
    return (
        f"{count(fixed)} piece{'' if fixed == 1 else 's'} and {per_cent(share)} of the need, for {count(smallest)} to "
        f"{count(largest)} parts. On average {waste:.1f} pieces{price} a build more than a figure made for the build."
    )


def loss_figure(
    what: str, kind: str, value: float, low: float | None, high: float | None, rests_on: int, share: bool
) -> str:
    """One figure of the loss model, with where it comes from.

    kind      feeder type; "all" where the figure is of all
    rests_on  counted reels behind it, or parts issued and returned where it is about those

    >>> loss_figure("parts lost per load", "tape", 6.0, None, None, 0, False)
    'tape: parts lost per load 6, as set in plant.toml; no counts say otherwise.'
    """
    shown = per_cent(value) if share else f"{round(value, 1):g}"
    unit = "part" if kind == "all" and share else "counted reel"
    if low is None or high is None:
        few = f"{rests_on} {unit}{'s' if rests_on > 1 else ''} cannot say it better" if rests_on else ""
        return f"{kind}: {what} {shown}, as set in plant.toml; {few or 'no counts say otherwise'}."
    span = f"{per_cent(low, unit=False)} to {per_cent(high)}" if share else f"{low:.1f} to {high:.1f}"
    return f"{kind}: {what} {shown} ({span}), from {count(rests_on)} {unit}s."


def difference(
    gone: int,
    logged: int,
    expected: float,
    span: tuple[float, float, float],
    reels: int | None,
    value: float | None,
    currency: str,
) -> str:
    """Counts against logs in plain words; `span`: difference, low, high; `reels` None: issues and returns."""
    middle, low, high = span
    counted = "Issues and returns"
    if reels is not None:
        counted = f"Counts of {count(reels)} reel{'s' if reels > 1 else ''}"
    text = f"{counted} say {count(gone)} gone, the logs {count(logged)}, loads and misses about {count(expected)} more"
    if low <= 0 <= high:
        return f"{text}: that agrees within the counting error."
    more = "more" if middle > 0 else "fewer"
    money_ = f", {money(abs(value), currency)}" if value is not None else ""
    ends = sorted((abs(low), abs(high)))
    return f"{text}: {count(abs(middle))} {more} than that ({count(ends[0])} to {count(ends[1])}){money_}. " + (
        "Look for parts that go without a log." if middle > 0 else "Check the counts and the pick log."
    )


def past(
    rules: Sequence[Rule],
    size: tuple[int, int],
    weeks: tuple[str, str],
    expected: float,
    verdict: str,
    currency: str,
    odd: tuple[int, float] | None,
    least: tuple[int, int],
) -> str:
    """The test on the past in plain words.

    size      lines and builds; least: what a verdict needs of them
    expected  how sure the advice was
    odd       the tenth that holds most beyond chance, and its share
    """
    advice, flat, _ = rules
    lines, builds = size
    span = f"{tenth(advice.low)} to {tenth(advice.high)}"
    said = {
        "fits": "as it should be",
        "too bold": "less than it should be: raise the service level or shorten the history",
        "too careful": "more than that"
        if advice.cost > flat.cost
        else "more than that: the parts cost more than they must",
        "cannot say yet": f"too few to judge by, which takes {least[0]} lines and {least[1]} builds",
    }[verdict]
    shape = ""
    if odd is not None:
        shape = (
            f" The prediction as a whole fits less well: tenth {odd[0]} of it, from few losses to many, holds "
            f"{tenth(odd[1])} of the lines and not a tenth."
        )
    dearer = ""
    if advice.cost > flat.cost:
        dearer = (
            " With the stops and surplus of plant.toml the flat rule would have cost less, "
            f"{money(flat.cost, currency)} against {money(advice.cost, currency)}: make cheap parts surer, by a higher "
            "service_level or --by cost."
        )
    return (
        f"Tried on {count(lines)} lines of {count(builds)} builds of {weeks[0]} to {weeks[1]}, each with the weeks "
        f"before it alone: the advice would have been enough for {tenth(advice.enough)} ({span}), {tenth(expected)} in "
        f"whole pieces was aimed at: {said}. It would have left {count(advice.surplus)} pieces over "
        f"({money(advice.surplus_cost, currency)}); the flat rule, {count(flat.surplus)} pieces "
        f"({money(flat.surplus_cost, currency)}), and {tenth(flat.enough)} enough.{dearer}{shape}"
    )


def tenth(fraction: float) -> str:
    """A share in per cent with one decimal.

    >>> tenth(0.9468)
    '94.7\u202f%'
    """
    return f"{100 * fraction:.1f}{THIN}%"
