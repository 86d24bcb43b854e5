"""Extras by what running short and parts left over cost, and what extras of any origin are worth.

In:    `Lines`, the plant's settings.
Out:   extra parts of each line, and how sure each line is with them.
After: no other whole number of extra parts of a line is expected to cost less, at the plant's costs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from scipy import special

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import Lines
from pipeline.analysis.overage_lines import findings, kitted, suffices
from pipeline.estimators.arrays import BoolArray, IntArray
from pipeline.estimators.newsvendor import cheapest_quantity
from pipeline.estimators.predictive import predictive_pmf
from pipeline.findings.model import Overage
from pipeline.settings import Plant

FARTHEST: Final = 500_000
"""Expected extra parts above which a line keeps the extra of its service level."""
OUT_OF_REACH: Final = 4 * FARTHEST
"""The same for the extra parts that all but suffice for certain: a tail without end has no expected cost."""
_ALL_BUT_CERTAIN: Final = 1 - 2e-12


def within_reach(lines: Lines) -> BoolArray:
    """Lines whose costs can be reckoned piece by piece: not hopeless, not too long, and with a tail that ends."""
    _, cut = lines.extra()
    expected = lines.need * lines.bad / lines.good + lines.load_mean
    rate = special.betaincinv(lines.bad, lines.good, _ALL_BUT_CERTAIN)
    with np.errstate(divide="ignore"):
        ends = lines.need * rate / (1.0 - rate)
    return np.asarray(~cut & (expected < FARTHEST) & (ends < OUT_OF_REACH), dtype=bool)


def cheapest_extras(lines: Lines, plant: Plant) -> IntArray:
    """Extra parts of each line with the least expected cost of stops, missing pieces and parts left over.

    A part without a price counts with the plant's default. A line that is not `within_reach` keeps the extra of its
    service level.
    """
    found, _ = lines.extra()
    prices = lines.parts["unit_cost"].fill_null(plant.costs.default_part).to_numpy().astype(float)[lines.part]
    for i in np.flatnonzero(within_reach(lines)).tolist():
        chances = predictive_pmf(
            int(lines.need[i]),
            float(lines.good[i]),
            float(lines.bad[i]),
            lines.load_losses(i),
        )
        surplus = plant.buying.surplus_share * float(prices[i])
        best = cheapest_quantity(
            chances / chances.sum(), plant.buying.stop_cost, plant.buying.short_piece_cost, surplus
        )
        found[i] = best.quantity
    return found


def findings_by_cost(lines: Lines, plant: Plant) -> tuple[Overage, ...]:
    """What to kit and buy where costs decide."""
    extras = cheapest_extras(lines, plant)
    sure = _sure(lines, plant, extras)
    able = within_reach(lines).tolist()
    said = [words.by_cost(v, able=ok) for v, ok in zip(sure.level.tolist(), able, strict=True)]
    return findings(sure, plant, extras, how=said, hopeless=lines.extra()[1])


def findings_with(lines: Lines, plant: Plant, extras: IntArray) -> tuple[Overage, ...]:
    """What to kit and buy with the given extras, such as those of a whole kit; each line says how sure it is."""
    sure = _sure(lines, plant, extras)
    own, cut = lines.extra()
    said = [words.sure(v) for v in sure.level.tolist()]
    return findings(sure, plant, extras, how=said, hopeless=cut & (own == extras))


def _sure(lines: Lines, plant: Plant, extras: IntArray) -> Lines:
    """The lines with the probability that `extras` suffice, rounded up to whole packs where these are kitted, in the
    place of the service level.
    """
    pieces = kitted(lines, plant, extras).tolist()
    return replace(lines, level=np.array([suffices(lines, i, n) for i, n in enumerate(pieces)], dtype=float))
