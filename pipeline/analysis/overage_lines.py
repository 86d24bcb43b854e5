"""What to kit and to buy of every part of every planned build.

In:    `Lines`, the plant's settings; or the frames they are made from.
Out:   one `Overage` a build line, sorted by due date, build and part.
After: orders are whole packs and not below the minimum order; builds use up stock in the order of their due dates.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

import numpy as np
import polars as pl
from scipy import special

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import Lines, prepare
from pipeline.analysis.overage_builds import check_builds
from pipeline.analysis.overage_pooling import OWN_ENOUGH
from pipeline.analysis.overage_rounding import kit_pieces, orders
from pipeline.estimators.arrays import BoolArray, IntArray
from pipeline.estimators.predictive import predictive_cdf
from pipeline.findings.model import Overage
from pipeline.settings import Plant

__all__ = ["check_builds", "findings", "kitted", "recommend", "suffices", "whole_packs"]

ENOUGH_LINES: Final = 3_000
"""Lines up to which it is reckoned for each how probably the stock suffices; beyond it would take too long."""
_FAR: Final = 2_000_000
_CERTAIN: Final = 1 - 1e-9


def recommend(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    builds: pl.DataFrame,
    plant: Plant,
    *,
    leave_out_lots: Sequence[str] = (),
) -> tuple[Overage, ...]:
    """What to kit and buy for every good line of `builds`, sorted by due date, build and part.

    usage, loads    USAGE and LOADS (schema/frames.py) over `plant.buying.history_weeks`
    parts, builds   the tables master_part and master_build; `check_builds` says what is wrong with them
    leave_out_lots  lots known to be bad: what they lost says nothing about the next lot

    Empty when there is no good line, or when the logs know no part at all. Raises ValueError when usage or loads do
    not follow their schema. Breaks when: lots, feeders or suppliers change; when bad luck is shared by many parts.
    """
    lines = prepare(usage, loads, parts, builds, plant, leave_out_lots=leave_out_lots)
    return () if lines is None else findings(lines, plant)


def suffices(lines: Lines, line: int, pieces: int) -> float:
    """Probability that `pieces` do for line number `line` of `lines`, a fraction."""
    spare = pieces - int(lines.need[line])
    if spare < 0:
        return 0.0
    need = int(lines.need[line])
    a, b, load = float(lines.good[line]), float(lines.bad[line]), float(lines.load_mean[line])
    # Where a fiftieth of it would do for any rate that is possible, chance cannot use it up; and where it is counted in
    # millions, chance within the build hardly matters.
    little = spare / 50
    if spare > _FAR or (little > 40 * (load + 1) + 100 and special.betainc(b, a, little / (need + little)) > _CERTAIN):
        return float(special.betainc(b, a, spare / pieces))
    return predictive_cdf(need, a, b, spare, lines.load_losses(line))


def whole_packs(lines: Lines, plant: Plant) -> list[int | None]:
    """By part: pieces of a pack where it is kitted in whole packs, None where pieces are counted out."""
    if not any(c.whole_packs for c in plant.part_class):
        return [None] * lines.parts.height
    classes, sizes = lines.parts["part_class"].to_list(), lines.parts["pack_size"].to_list()
    return [p if n >= 0 and plant.part_class[n].whole_packs else None for n, p in zip(classes, sizes, strict=True)]


def kitted(lines: Lines, plant: Plant, extras: IntArray, at: IntArray | None = None) -> IntArray:
    """Pieces in the kit of the lines `at`, or of all, with these extras: to the piece, or in whole packs."""
    of = np.arange(lines.need.size) if at is None else at
    packs, need = whole_packs(lines, plant), lines.need[of]
    if not any(packs):
        return np.asarray(need + extras, dtype=np.int64)
    sizes = zip(need.tolist(), extras.tolist(), lines.part[of].tolist(), strict=True)
    return np.array([kit_pieces(n, x, packs[i]) for n, x, i in sizes], dtype=np.int64)


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold the cycle collector: findings have no cycles, and walking half a million of them takes half the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def findings(
    lines: Lines,
    plant: Plant,
    extras: IntArray | None = None,
    *,
    how: Sequence[str] = (),
    hopeless: BoolArray | None = None,
) -> tuple[Overage, ...]:
    """The lines as findings.

    extras    extra parts of each line where something else than its own service level decided; `how` says what, by line
    hopeless  lines whose `extras` were cut at the need
    """
    with _no_collection():
        return _findings(lines, plant, extras, how, hopeless)


def _findings(
    lines: Lines, plant: Plant, extras: IntArray | None, how: Sequence[str], hopeless: BoolArray | None
) -> tuple[Overage, ...]:
    confidence = plant.statistics.confidence
    extra, cut = lines.extra() if extras is None else (extras, np.zeros(extras.size, dtype=bool))
    cut = cut if hopeless is None else hopeless
    rates, table = lines.rates, lines.parts
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    low, high = (special.betaincinv(rates.a, rates.b, t) for t in tails)
    mean = rates.a / (rates.a + rates.b)
    low, high = np.minimum(low, mean), np.maximum(high, mean)  # with next to nothing known the mean lies beyond a tail
    ran = rates.used > 0
    column = {c: table[c].to_list() for c in table.columns}
    basis, past = [], []
    for i, part in enumerate(rates.part):
        left_out = lines.left_out.get(part, ())
        peers = int(rates.borrowed[i])
        package = column["package"][i]
        own, apart = float(rates.own[i]), bool(rates.apart[i])
        basis.append(words.basis(own, bool(ran[i]), package, peers, OWN_ENOUGH, left_out, apart=apart))
        past.append(
            words.history(
                float(rates.used[i]),
                float(rates.lost[i]),
                lines.weeks,
                (float(mean[i]), float(low[i]), float(high[i])),
                own >= OWN_ENOUGH,
                f"package {package}" if package is not None and peers > 0 else "the plant",
                bool(column["feeder_known"][i]),
                above=float(rates.pool[i]) if apart else None,
                set_aside=rates.set_aside,
            )
        )
    classes = [plant.part_class[n] if n >= 0 else None for n in column["part_class"]]
    kits = kitted(lines, plant, extra)
    stocks, coming = column["stock"], column["on_order"]
    available = [(s or 0) + (o or 0) for s, o in zip(stocks, coming, strict=True)]
    expected = lines.need * lines.bad / np.maximum(lines.good, 1e-9) + lines.load_mean
    back = np.floor(plant.buying.returns_recovered * np.maximum(kits - lines.need - expected, 0.0)).astype(np.int64)
    buys, before = orders(lines.part, kits, available, column["pack_size"], column["minimum_order"], back)
    known = [s is not None for s in stocks]
    enough: list[float | None] = [None] * lines.need.size
    if lines.need.size <= ENOUGH_LINES:
        enough = [suffices(lines, n, before[n]) if known[i] else None for n, i in enumerate(lines.part.tolist())]
    said = {v: words.sure(v) for v in set(lines.level.tolist())}
    sure = list(how) or [said[v] for v in lines.level.tolist()]
    used, lost = (np.rint(x).astype(np.int64).tolist() for x in (rates.used, rates.lost))
    rate, least, most = mean.tolist(), low.tolist(), high.tolist()
    loading: dict[tuple[str, int, float, int], str] = {}
    names = [c.name if c is not None else None for c in classes]
    found = []
    rows = zip(
        lines.builds.iter_rows(),
        lines.part.tolist(),
        extra.tolist(),
        cut.tolist(),
        lines.loads.tolist(),
        lines.load_mean.tolist(),
        lines.splices.tolist(),
        buys,
        kits.tolist(),
        lines.level.tolist(),
        sure,
        enough,
        strict=True,
    )
    for row, i, more, beyond, times, pieces, splices, buy, kit, level, certain, likely in rows:
        build, part, quantity, boards, due, need = row
        key = (column["feeder_type"][i], times, pieces, splices)
        load = loading.get(key) or loading.setdefault(key, words.load(*key))
        reason = f"{past[i]}; {load}; {certain}."
        if beyond:
            reason = f"{past[i]}; {words.hopeless(bool(ran[i]))}."
        price = column["unit_cost"][i]
        found.append(
            Overage(
                part=part,
                build=build,
                need=need,
                extra=more,
                buy=buy,
                service_level=level,
                loss_rate=rate[i],
                loss_low=least[i],
                loss_high=most[i],
                basis=basis[i],
                package=column["package"][i],
                boards=boards,
                quantity_per_board=quantity,
                loads=times + splices,
                per_load=column["per_load"][i],
                kit=kit,
                stock=stocks[i],
                on_order=coming[i],
                pack_size=column["pack_size"][i],
                unit_cost=price,
                extra_cost=None if price is None else more * price,
                buy_cost=None if price is None else buy * price,
                due=due,
                used=used[i],
                lost=lost[i],
                reason=reason,
                part_class=names[i],
                enough=likely,
            )
        )
    return tuple(found)
