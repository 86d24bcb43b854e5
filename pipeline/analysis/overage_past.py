"""The advice tried on builds of the past: would it have been enough, and at what surplus?

In:    PAST, USAGE and LOADS (schema/frames.py), the part table, the plant's settings.
Out:   one `PastTest`; None where no week has enough weeks before it.
After: every build is predicted from the weeks before its own alone; three ways of kitting are judged on the same lines.

Logs tell what was lost while running, not what loading took: so all three are judged on running losses, and what the
loads are expected to take is taken off the flat rule before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import polars as pl

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import Lines, extra_parts, prepare
from pipeline.analysis.overage_parts import miss_shares
from pipeline.analysis.overage_pooling import losses
from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.intervals import wilson
from pipeline.estimators.pit import pit_shares
from pipeline.estimators.predictive import beta_negative_binomial_pmf
from pipeline.findings.buying import PastTest, Rule
from pipeline.schema.frames import PAST, check
from pipeline.settings import Plant

WEEKS_BEFORE: Final = 2
"""Weeks of history that a past build must have behind it."""
MOST_LINES: Final = 20_000
"""Past lines that are tried; of more, every second, third, ... is taken."""
LEAST: Final = (60, 4)
"""Lines and builds below which there is no verdict."""

Verdict = Literal["fits", "too careful", "too bold", "cannot say yet"]


@dataclass(frozen=True, slots=True)
class _Tried:
    """One entry a line: build (number), need, what it lost, extra of two rules, price, probabilities around it."""

    build: IntArray
    lost: IntArray
    advice: IntArray
    flat: IntArray
    price: FloatArray
    below: FloatArray
    at: FloatArray
    sure: FloatArray


def past_test(
    past: pl.DataFrame,
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    plant: Plant,
    *,
    leave_out_lots: Sequence[str] = (),
) -> PastTest | None:
    """Predict each build of `past` from the weeks before it and compare.

    past            PAST; other arguments as `overage.prepare` takes them

    None when fewer than three weeks have builds. Breaks when: the past is not like the future; and losses of the lines
    of one build go together, so that the interval is widened by how unevenly the builds came out.
    """
    check(past, PAST)
    weeks = sorted(set(usage["week"]) | set(past["week"]))
    tried: list[_Tried] = []
    tested: list[str] = []
    lines = past.filter(pl.col("week").is_in(weeks[WEEKS_BEFORE:])).height
    every = max(1, -(-lines // MOST_LINES))
    builds = 0
    for place, week in enumerate(weeks):
        before, now = usage.filter(pl.col("week") < week), past.filter(pl.col("week") == week).gather_every(every)
        if place < WEEKS_BEFORE or now.is_empty():
            continue
        wanted = now.select(
            "build", "part", quantity_per_board=pl.lit(1, pl.Int64), boards="placed", due=pl.lit(None, pl.String)
        )
        at = prepare(before, loads.filter(pl.col("week") < week), parts, wanted, plant, leave_out_lots=leave_out_lots)
        if at is None:
            continue
        tried.append(_try(at, now, plant, builds))
        builds += at.builds["build"].n_unique()
        tested.append(week)
    if not tried:
        return None
    return _judge(_together(tried), builds, tested, plant)


def _try(lines: Lines, now: pl.DataFrame, plant: Plant, first: int) -> _Tried:
    """Hold the lines of one week against what they lost."""
    came = losses(now, miss_shares(plant)).select("build", "part", "lost")
    rows = lines.builds.select("build", "part").join(came, on=["build", "part"], how="left", maintain_order="left")
    lost = np.rint(rows["lost"].to_numpy().astype(float)).astype(np.int64)
    names = {b: first + i for i, b in enumerate(sorted(set(rows["build"])))}
    none = np.zeros(lines.need.size)
    advice, _ = extra_parts(lines.need, lines.good, lines.bad, none, lines.level)
    rule = plant.buying.flat_share * lines.need + plant.buying.flat_fixed * (lines.loads + lines.splices)
    prices = lines.parts["unit_cost"].fill_null(plant.costs.default_part).to_numpy().astype(float)
    below, at, sure = np.empty(lost.size), np.empty(lost.size), np.empty(lost.size)
    for i in range(lost.size):
        length = int(max(lost[i], min(advice[i], 4_000_000))) + 1
        cdf = np.cumsum(
            beta_negative_binomial_pmf(float(lines.need[i]), float(lines.good[i]), float(lines.bad[i]), length)
        )
        at[i], below[i] = min(1.0, cdf[lost[i]]), min(1.0, cdf[lost[i] - 1]) if lost[i] else 0.0
        sure[i] = min(1.0, cdf[min(int(advice[i]), length - 1)])
    return _Tried(
        np.array([names[b] for b in rows["build"]], dtype=np.int64),
        lost,
        advice,
        np.maximum(np.ceil(rule - 1e-9) - np.rint(lines.load_mean), 0).astype(np.int64),
        prices[lines.part],
        below,
        at,
        sure,
    )


def _together(tried: Sequence[_Tried]) -> _Tried:
    def all_of(name: str) -> FloatArray:
        return np.concatenate([np.asarray(getattr(t, name), dtype=float) for t in tried])

    build, lost, advice, flat = (all_of(n).astype(np.int64) for n in ("build", "lost", "advice", "flat"))
    return _Tried(build, lost, advice, flat, all_of("price"), all_of("below"), all_of("at"), all_of("sure"))


def _judge(t: _Tried, builds: int, weeks: Sequence[str], plant: Plant) -> PastTest:
    rules = tuple(
        _rule(name, extra, t, plant)
        for name, extra in (("this advice", t.advice), ("flat rule", t.flat), ("perfect knowledge", t.lost))
    )
    advice, expected = rules[0], float(t.sure.mean())
    verdict: Verdict = "fits"
    if t.lost.size < LEAST[0] or builds < LEAST[1]:
        verdict = "cannot say yet"
    elif advice.high < expected:
        verdict = "too bold"
    elif advice.low > expected:
        verdict = "too careful"
    tenths = tuple(float(v) for v in pit_shares(t.below, t.at))
    chance = float(1.96 * np.sqrt(0.09 / t.lost.size))
    worst = int(np.argmax(np.abs(np.array(tenths) - 0.1)))
    odd = (worst + 1, tenths[worst]) if abs(tenths[worst] - 0.1) > 2 * chance else None
    level = plant.buying.service_level
    return PastTest(
        builds=builds,
        lines=t.lost.size,
        first_week=weeks[0],
        last_week=weeks[-1],
        level=level,
        rules=rules,
        tenths=tenths,
        chance=chance,
        verdict=verdict,
        text=words.past(
            rules, (t.lost.size, builds), (weeks[0], weeks[-1]), expected, verdict, plant.currency, odd, LEAST
        ),
    )


def _rule(name: str, extra: IntArray, t: _Tried, plant: Plant) -> Rule:
    enough = extra >= t.lost
    low, high = _interval(enough, t.build, plant.statistics.confidence)
    over = np.maximum(extra - t.lost, 0)
    surplus_cost = float(over @ t.price)
    short = int((~enough).sum())
    missing = int(np.maximum(t.lost - extra, 0).sum())
    cost = plant.buying.surplus_share * surplus_cost + plant.buying.stop_cost * short
    cost += plant.buying.short_piece_cost * missing
    return Rule(name, float(enough.mean()), low, high, short, int(over.sum()), surplus_cost, cost)


def _interval(enough: BoolArray, build: IntArray, level: float) -> tuple[float, float]:
    """Wilson's interval, widened by how unevenly the builds came out: lines of one build share their luck."""
    n, k = enough.size, int(enough.sum())
    share = k / n
    _, at = np.unique(build, return_inverse=True)
    per = np.bincount(at).astype(float)
    away = np.bincount(at, weights=enough - share)
    chance = share * (1 - share) * n
    effect = 1.0
    if per.size > 1 and chance > 0:
        effect = max(1.0, float((away**2).sum()) * per.size / (per.size - 1) / chance)
    low, high = wilson(k, n, level, effect)
    return float(low), float(high)
