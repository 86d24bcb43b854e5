"""Extras for a whole kit: the cheapest set with which no line of a build runs short, and where the next money goes.

In:    `Lines` of the planned builds, the plant's settings.
Out:   one `WholeKit` a build.
After: a kit's joint probability reaches the level if its lines are independent. A part that no kit can be made for is
       left out and named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import HOPELESS, Lines, extra_parts
from pipeline.analysis.overage_lines import kitted, suffices, whole_packs
from pipeline.errors import NotEstimable
from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.kits import best_use, cheapest_kit, joint_probability
from pipeline.estimators.predictive import beta_negative_binomial_pmf, predictive_extra
from pipeline.findings.buying import WholeKit
from pipeline.settings import Plant

MOST_LINES: Final = 4_000
"""Build lines up to which the week's report makes whole kits, first due first: one line takes about a millisecond."""
FARTHEST: Final = 2_000_000
"""Extra parts of one line beyond which no kit is looked for."""
_FREE = 1e-6


def whole_kits(
    lines: Lines, plant: Plant, *, level: float | None = None, most: int | None = None
) -> tuple[WholeKit, ...]:
    """A kit for every build, in the order in which they are due; builds without a line that can be reckoned are absent.

    level  probability that no line of the build runs short; None: the plant's service level
    most   lines after which no further build is begun; None: all builds
    """
    found = []
    done = 0
    names = lines.builds["build"].to_list()
    places: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        places.setdefault(name, []).append(place)
    for name, at in places.items():
        done += len(at)
        if most is not None and done > most:
            break
        try:
            found.append(whole_kit(lines, name, plant, level=level))
        except NotEstimable:
            continue
    return tuple(found)


def whole_kit(lines: Lines, build: str, plant: Plant, *, level: float | None = None) -> WholeKit:
    """The cheapest extras with which all parts of `build` suffice together with probability `level`.

    level  None: the plant's service level

    Parts that are kitted in whole packs are as sure as their packs, and cost nothing here.

    Raises NotEstimable when the build has no line that a kit can be made for. Breaks when: losses of lines rise
    together (one bad head, one bad shift); the kit is then less sure than it says.
    """
    sure = plant.buying.service_level if level is None else level
    every = np.flatnonzero((lines.builds["build"] == build).to_numpy())
    able, end = _reach(lines, every, sure)
    at = every[able]
    if at.size == 0:
        raise NotEstimable(f'build "{build}" has no line that a kit can be made for.')
    names = [lines.builds["part"][int(i)] for i in at]
    unable = tuple(lines.builds["part"][int(i)] for i in every[~able])
    own_prices = [lines.parts["unit_cost"][int(lines.part[i])] for i in at]
    prices = np.array([plant.costs.default_part if p is None else p for p in own_prices], dtype=float)
    own_level = lines.level[at] if level is None else level
    alone, _ = extra_parts(lines.need[at], lines.good[at], lines.bad[at], lines.load_mean[at], own_level, lines.scatter)
    packs = whole_packs(lines, plant)
    packed = np.array([bool(packs[i]) for i in lines.part[at].tolist()], dtype=bool)
    boxes = _in_packs(lines, plant, at[packed], alone[packed], 1 - (1 - sure) / (10 * at.size))
    loose = np.flatnonzero(~packed)
    extras, chances = np.zeros(at.size, dtype=np.int64), np.ones(at.size)
    extras[packed], chances[packed] = boxes.extras, boxes.sure
    next_buy: tuple[tuple[str, int], ...] = ()
    then = joint = float(boxes.sure.prod())
    exact, bound, marginal, single = True, 0.0, None, float(boxes.alone.prod())
    if loose.size:
        cdfs = _cdfs(lines, at[loose], end[able][loose])
        price = np.maximum(prices[loose], _FREE)
        kit = cheapest_kit(cdfs, price, sure / joint)
        more, after = best_use(cdfs, price, kit.extras, plant.buying.next_money)
        next_buy = tuple((names[i], x) for i, x in zip(loose.tolist(), more, strict=True) if x)
        extras[loose] = kit.extras
        chances[loose] = [float(c[min(x, c.size - 1)]) for c, x in zip(cdfs, kit.extras, strict=True)]
        single *= joint_probability(cdfs, alone[loose].tolist())
        joint, then = joint * kit.joint, joint * after
        exact, bound, marginal = kit.exact, kit.bound, names[int(loose[kit.marginal])]
    weakest = names[int(np.argmin(chances))]
    cost = float(prices[loose] @ extras[loose].astype(float))
    return WholeKit(
        build=build,
        lines=at.size,
        level=sure,
        joint=joint,
        single=single,
        cost=cost,
        single_cost=float(prices[loose] @ alone[loose].astype(float)),
        marginal=weakest if marginal is None else marginal,
        weakest=weakest,
        next_money=plant.buying.next_money,
        next_buy=next_buy,
        next_joint=then,
        exact=exact,
        bound=bound,
        unpriced=sum(own_prices[i] is None for i in loose.tolist()),
        extras=tuple(zip(names, extras.tolist(), strict=True)),
        left_out=unable,
        text=words.kit(
            (build, at.size, joint, single),
            (cost, plant.buying.next_money, plant.currency),
            next_buy,
            then,
            weakest,
            unable,
            int(packed.sum()),
        ),
    )


@dataclass(frozen=True, slots=True)
class _Boxes:
    """Lines that are kitted in whole packs. What is in the last pack costs nothing more: it is in the kit anyway.

    extras  extra parts that each is surely to have; the packs that hold them are kitted
    sure    probability that these packs suffice; alone: that those of the line's own level do
    """

    extras: IntArray
    sure: FloatArray
    alone: FloatArray


def _in_packs(lines: Lines, plant: Plant, at: IntArray, alone: IntArray, level: float) -> _Boxes:
    """Packs of the lines `at`: those of the line's own extra `alone`, or more where they are less sure than `level`."""
    of = (lines.need[at], lines.good[at], lines.bad[at], lines.load_mean[at])
    wanted, _ = extra_parts(*of, level, lines.scatter)
    extras = np.maximum(wanted, alone)
    sure, by_itself = (
        np.array([suffices(lines, i, n) for i, n in zip(at.tolist(), pieces.tolist(), strict=True)])
        for pieces in (kitted(lines, plant, extras, at), kitted(lines, plant, alone, at))
    )
    return _Boxes(extras, sure, by_itself)


def _reach(lines: Lines, at: IntArray, level: float) -> tuple[BoolArray, IntArray]:
    """Which lines a kit can be made for, and how far each one's probabilities are needed: up to where only a fiftieth
    of its share of the risk is left.
    """
    tail = 1 - (1 - level) / (50 * at.size)
    need, good, bad = lines.need[at], lines.good[at], lines.bad[at]
    able = special.betaincinv(bad, good, tail) <= HOPELESS
    # Running and load losses are looked for below their quantiles at half of that risk, which must lie within reach.
    upper = np.minimum(special.betaincinv(bad, good, (1 + tail) / 2), 1 - 1e-12)
    able &= need * upper / (1 - upper) <= FARTHEST
    ends = np.zeros(at.size, dtype=np.int64)
    ends[able] = predictive_extra(need[able], good[able], bad[able], lines.load_mean[at][able], tail, lines.scatter)
    return able, ends


def _cdfs(lines: Lines, at: IntArray, ends: IntArray) -> list[FloatArray]:
    """Cumulative probabilities of 0 .. end extra parts of each line."""
    found = []
    for i, end in zip(at.tolist(), ends.tolist(), strict=True):
        running = beta_negative_binomial_pmf(
            float(lines.need[i]), float(lines.good[i]), float(lines.bad[i]), int(end) + 1
        )
        both = np.convolve(running, lines.load_losses(i))[: int(end) + 1]
        found.append(np.minimum(np.cumsum(both), 1.0))
    return found


def kit_extras(lines: Lines, kits: Sequence[WholeKit], otherwise: IntArray) -> IntArray:
    """Extra of each line by the whole kits; `otherwise` for lines that are in none."""
    found = otherwise.copy()
    by_line = {(k.build, part): extra for k in kits for part, extra in k.extras}
    for i, key in enumerate(zip(lines.builds["build"], lines.builds["part"], strict=True)):
        found[i] = by_line.get(key, int(found[i]))
    return found
