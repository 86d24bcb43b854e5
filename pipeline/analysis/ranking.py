"""Rank nozzles, spindles, heads, feeders, slots, parts, packages, reels and lots by what mending them would save.

In:    the week's CELLS, DAYS and REASONS over the history, counters of machines without single picks, the part table,
       the settings; CELLS of the weeks before.
Out:   a `Ranking`: one Suspect an item and kind of loss, flagged ones first, by the lower end of their saving.
After: an item is flagged only if it is beyond the healthy spread of its peers at the false discovery rate over
       everything looked at this week, and large enough to matter; every flag says what it was compared with.

The family of tests is every item with enough picks, over all kinds and all four kinds of loss: Benjamini and Hochberg
(1995) J R Stat Soc B 57:289, valid for the positively dependent tests that shared picks give.
Raw rates count every loss; their intervals are widened by the mean length of a run and the dispersion between shifts.
Saving: losses beyond those of a healthy peer on the same work, from the shrunken effect and its interval, times the
price of a loss. Recipes, and machines that are not judged, are listed with what was expected of their work: what a
recipe does wrong shows in its parts, and a machine of one head is that head.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipeline.analysis import evidence, items
from pipeline.analysis.actions import advice, one_line_each
from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.attribution_model import ONLY_REJECTS
from pipeline.analysis.judged_items import Items, lengths_of_runs, log_odds
from pipeline.analysis.known_keys import drop_uneven_keys
from pipeline.analysis.losses import with_chances
from pipeline.analysis.prices import price_by_excess, price_by_item, with_price
from pipeline.analysis.rates import rate
from pipeline.analysis.swaps import propose
from pipeline.estimators.dispersion import of_runs
from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.findings.model import Suspect
from pipeline.schema.words import LOSS_OUTCOMES, LOSSES, several
from pipeline.settings import Plant, Statistics

FloatArray = NDArray[np.float64]

EXPLAINED: Final = 0.5
"""An item's raw excess is explained away when flagged others account for at least this share of it."""


@dataclass(frozen=True, slots=True)
class Ranking:
    """All suspects of a week, how many were tested, and the dispersion by kind of loss.

    spread_weeks  how many weeks before told how far healthy items differ (the most over all kinds of loss)
    """

    suspects: tuple[Suspect, ...]
    looked_at: int
    dispersions: dict[str, float]
    notes: tuple[str, ...]
    spread_weeks: int = 0


@dataclass(frozen=True, slots=True)
class Counted:
    """What the counters of machines say that log no single picks, for the kinds of item that they name.

    kinds    which kinds these counters can be asked about
    cells    the week's CELLS of their grain alone
    days     DAYS over the history, of the grain that is finest for these kinds
    earlier  their CELLS in the weeks before, oldest first
    """

    kinds: tuple[str, ...]
    cells: pl.DataFrame
    days: pl.DataFrame
    earlier: tuple[pl.DataFrame, ...] = ()


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One kind of loss on one set of cells: single picks (`counted` None), or one grain of counters."""

    loss: str
    attribution: Attribution
    frame: pl.DataFrame
    counted: Counted | None

    @property
    def dispersion(self) -> float:
        return of_runs(self.attribution.dispersion, self.attribution.run_length)


def rank(
    cells: pl.DataFrame,
    days: pl.DataFrame,
    reasons: pl.DataFrame,
    parts: pl.DataFrame,
    plant: Plant,
    week: str,
    counted: tuple[Counted, ...] = (),
    earlier: tuple[pl.DataFrame, ...] = (),
    mended: Mapping[tuple[str, str], datetime] | None = None,
) -> Ranking:
    """The week's ranking over all kinds and kinds of loss.

    earlier  CELLS of the weeks before, oldest first
    mended   (kind, key) of items that a service of the week mended, and its local time: their losses before it do not
             count against what they worked with

    Counters beside each other count the same picks: each grain is fitted by itself and asked only about its own kinds.
    A counter does not say which parts a nozzle ran, so that its suspects cannot be told from what they worked with.
    """
    usable, left_out = drop_uneven_keys(cells.filter(pl.col("grain") == "joint"))
    joint = with_price(usable, parts, plant.costs)
    before = tuple(drop_uneven_keys(c.filter(pl.col("grain") == "joint"))[0] for c in earlier)
    found: list[_Fitted] = []
    for source in (None, *counted):
        priced = joint if source is None else with_price(source.cells, parts, plant.costs)
        past = before if source is None else source.earlier
        for loss in LOSSES:
            frame = with_chances(priced, loss)
            if int(frame["chances"].sum()) > 0:
                cleared = () if loss == "rejected" else ONLY_REJECTS
                before_it = [with_chances(c, loss) for c in past]
                found.append(
                    _Fitted(loss, attribute(frame, plant.statistics, before_it, cleared, mended), frame, source)
                )
    found = _each_item_once(found)
    suspects: list[Suspect] = []
    at_work: dict[int, evidence.Context] = {}
    q_values = adjust([f.attribution for f in found])
    for fitted, q_of in zip(found, q_values, strict=True):
        loss, attribution, frame = fitted.loss, fitted.attribution, fitted.frame
        mine: list[Suspect] = []
        single = [f for f in found if loss == "all" != f.loss and f.counted is fitted.counted]
        for kind, table in attribution.items.items():
            prices = price_by_item(frame, kind, loss, plant) | _prices_beyond(single, kind, plant)
            mine.extend(_suspects(loss, attribution, table, q_of[kind], frame, plant, prices))
        if fitted.counted is None:
            mine.extend(_listed("recipe", loss, attribution, frame, plant))
            mine.extend(_listed("machine", loss, attribution, frame, plant))
        else:
            mine = [_alone(s) for s in mine]
        own = {**dict.fromkeys(LOSSES, 1.0), **{f.loss: f.dispersion for f in found if f.counted is fitted.counted}}
        source_days = days if fitted.counted is None else fitted.counted.days
        context = evidence.Context(frame, source_days, reasons, week, plant.statistics, own)
        at_work.update((id(s), context) for s in mine)
        suspects.extend(mine)
    lines = {id(s) for s in one_line_each(suspects)}
    full = []
    for s in suspects:
        shown = dataclasses.replace(s, headline=id(s) in lines)
        full.append(evidence.complete(shown, at_work[id(s)]) if _has_more(s) else shown)
    dispersions = dict.fromkeys(LOSSES, 1.0)
    for loss in LOSSES:  # by the source that has most to tell
        sources = [f for f in found if f.loss == loss]
        if sources:
            dispersions[loss] = max(sources, key=lambda f: int(f.frame["losses"].sum())).dispersion
    notes = (
        *left_out,
        *(f"{f.loss}: {f.attribution.message}" for f in found if not f.attribution.converged),
        *(_note(source) for source in counted),
    )
    return Ranking(
        suspects=tuple(sorted(full, key=_order)),
        looked_at=int(sum(np.isfinite(t.tested).sum() for f in found for t in f.attribution.items.values())),
        dispersions=dispersions,
        notes=notes,
        spread_weeks=max((f.attribution.weeks for f in found), default=0),
    )


def _has_more(s: Suspect) -> bool:
    """True for those of which more is told than their figures."""
    return s.flagged or s.stands_out or s.suspected or s.explained_by is not None


MUCH_MORE: Final = 2
"""Times as many picks with which counters speak for an item instead of its single picks, which tell more."""


def _each_item_once(found: list[_Fitted]) -> list[_Fitted]:
    """Keep of every grain the kinds that it is asked about, and of these the items that it has most to tell of.

    Of what worked on a machine that counts and on one that logs single picks the latter are taken, unless the counts
    are of far more picks.
    """
    most: dict[tuple[str, str, str], tuple[int, int]] = {}
    for place, fitted in enumerate(found):
        for kind, table in fitted.attribution.items.items():
            if fitted.counted is not None and kind not in fitted.counted.kinds:
                continue
            for key, chances in zip(table.keys, table.chances.tolist(), strict=True):
                known = most.get((fitted.loss, kind, key))
                if known is None or chances > MUCH_MORE * known[0]:
                    most[fitted.loss, kind, key] = (chances, place)
    kept = []
    for place, fitted in enumerate(found):
        tables = {}
        for kind, table in fitted.attribution.items.items():
            if fitted.counted is not None and kind not in fitted.counted.kinds:
                continue
            mine = np.array([most[fitted.loss, kind, key][1] == place for key in table.keys], dtype=bool)
            tables[kind] = table if mine.all() else table.only(np.flatnonzero(mine))
        there = {(kind, key) for kind, table in tables.items() for key in table.keys}
        for kind, table in tables.items():  # whom nobody stands for any more is judged itself
            alone = [first if first in there else None for first in table.twin_of]
            tables[kind] = table if alone == table.twin_of else dataclasses.replace(table, twin_of=alone)
        kept.append(dataclasses.replace(fitted, attribution=dataclasses.replace(fitted.attribution, items=tables)))
    return kept


COUNTER_DOUBT: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "nozzle": (("part", "the parts that it worked with"), ("feeder", "the feeders that it worked with")),
    "spindle": (("nozzle", "the nozzle on it"), ("part", "the parts that it worked with")),
    "head": (("part", "the parts that it worked with"), ("feeder", "the feeders that it worked with")),
    "machine": (("nozzle", "the nozzles that it worked with"), ("feeder", "the feeders that it worked with")),
    "feeder": (("part", "the part in it"), ("nozzle", "the nozzles that it worked with")),
    "slot": (("feeder", "the feeder in it"), ("part", "the part in it"), ("nozzle", "the nozzles that it worked with")),
    "part": (("feeder", "the feeder that it came from"), ("nozzle", "the nozzles that it worked with")),
    "package": (("feeder", "the feeders that it came from"), ("nozzle", "the nozzles that it worked with")),
    "lot": (("feeder", "the feeder that it came from"), ("nozzle", "the nozzles that it worked with")),
    "reel": (("feeder", "the feeder that it came from"), ("nozzle", "the nozzles that it worked with")),
}
"""What a counter of one kind leaves open: kind of the other thing, and words for it where it is not named."""


def _alone(suspect: Suspect) -> Suspect:
    """A suspect that only counters tell of."""
    if not suspect.flagged:
        return suspect
    named = {other.split(" ")[0] for other in suspect.not_separable_from}
    left = [words for kind, words in COUNTER_DOUBT[suspect.kind] if kind not in named]
    doubt = (*suspect.not_separable_from, " and ".join(left))
    return dataclasses.replace(suspect, cause="cannot tell", not_separable_from=doubt)


def _note(source: Counted) -> str:
    machines = sorted(source.cells["machine"].unique().to_list())
    named = ", ".join(several(kind) for kind in source.kinds if kind != "machine")
    return (
        f"Machines {', '.join(machines)} gave counters instead of single picks: their {named} are ranked "
        "among themselves, without allowing for what each worked with"
    )


def adjust(found: list[Attribution]) -> list[dict[str, FloatArray]]:
    """q-values by kind for each attribution, over all kinds of all of them together; an item counts once, whatever it
    stands for."""
    p_values = [table.tested for a in found for table in a.items.values()]
    if not p_values:
        return [{} for _ in found]
    adjusted = benjamini_hochberg(np.concatenate(p_values))
    pieces = iter(np.split(adjusted, np.cumsum([len(p) for p in p_values])[:-1]))
    return [_of_twins(a.items, {kind: next(pieces) for kind in a.items}) for a in found]


def _of_twins(tables: dict[str, Items], q_values: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """The q-values, and for items that another one was judged for that one's; 1 where it is released."""
    told = {
        (kind, key): (float(p), float(q))
        for kind, table in tables.items()
        for key, p, q in zip(table.keys, table.p, q_values[kind], strict=True)
    }
    found = {}
    for kind, table in tables.items():
        q = q_values[kind].copy()
        for i, first in enumerate(table.twin_of):
            if first is not None and np.isfinite(table.p[i]):
                q[i] = told[first][1] if table.p[i] == told[first][0] else 1.0
        found[kind] = q
    return found


def odds_ratios(table: Items, confidence: float) -> FloatArray:
    """Adjusted odds ratio of every item against a healthy peer, its lower and its upper end: shape (3, n)."""
    return np.asarray(np.exp(log_odds(table.effect, table.variance, confidence)))


def flagged_items(table: Items, q_values: FloatArray, saving: FloatArray, settings: Statistics) -> NDArray[np.bool_]:
    """Which items are flagged, shape (n,): surprising at the false discovery rate, and large enough to matter.

    q_values  adjusted over everything looked at this week, nan where there was too little to judge
    saving    expected saving a week, in the plant's currency
    """
    ratio, low, _ = odds_ratios(table, settings.confidence)
    large = (ratio >= settings.smallest_effect) & (low > 1.0) & (saving >= settings.smallest_saving)
    large &= np.array([first is None for first in table.twin_of], dtype=bool)
    return np.asarray(_surprising(table, q_values, settings) & large & (table.events >= settings.least_losses))


def _surprising(table: Items, q_values: FloatArray, settings: Statistics) -> NDArray[np.bool_]:
    return np.asarray(np.isfinite(table.p) & (np.nan_to_num(q_values, nan=1.0) <= settings.false_discovery_rate))


def _prices_beyond(fits: list[_Fitted], kind: str, plant: Plant) -> dict[str, float]:
    """What a loss beyond the healthy ones costs, of all kinds of loss together."""
    tables = [(f, f.attribution.items[kind]) for f in fits if kind in f.attribution.items]
    lengths = [lengths_of_runs(t, f.attribution.run_length)[:, None] for f, t in tables]
    return price_by_excess(
        [(f.loss, f.frame, t.keys, t.excess * each) for (f, t), each in zip(tables, lengths, strict=True)], kind, plant
    )


def _suspects(
    loss: str,
    attribution: Attribution,
    table: Items,
    q_values: np.ndarray,
    frame: pl.DataFrame,
    plant: Plant,
    prices: dict[str, float],
) -> list[Suspect]:
    settings = plant.statistics
    machines = _only_machine(frame, table.kind)
    sizes = odds_ratios(table, settings.confidence)
    expected_losses = table.expected * attribution.run_length
    own_runs = lengths_of_runs(table, attribution.run_length)
    excess_losses = table.excess * own_runs[:, None]
    saving = excess_losses[:, 0] * np.array([prices.get(key, 0.0) for key in table.keys])
    flags = flagged_items(table, q_values, saving, settings)
    surprising = _surprising(table, q_values, settings)
    twins = _twins(attribution)
    found = []
    for i, item_key in enumerate(table.keys):
        losses, chances = int(table.losses[i]), int(table.chances[i])
        if chances == 0 or (losses == 0 and loss != "all"):
            continue
        machine, name = items.name(table.kind, item_key)
        ratios = [float(r) for r in sizes[:, i]]
        expected = float(expected_losses[i])
        excess = [float(e) for e in excess_losses[i]]
        price = prices.get(item_key, 0.0)
        enough = bool(np.isfinite(table.p[i]))
        flagged = bool(flags[i])
        unsettled = attribution.released.get((table.kind, item_key), ())
        doubt = tuple(items.label(*other) for other in unsettled)
        twin_of = () if flagged else twins.get((table.kind, item_key), ())
        first = table.twin_of[i]
        if first is not None and surprising[i] and not twin_of:
            twin_of = (items.label(*first),)
        scatter = of_runs(table.dispersion, max(float(own_runs[i]), attribution.run_length))
        raw = rate(losses, chances, settings, scatter)
        found.append(
            Suspect(
                kind=table.kind,
                id=name,
                machine=machine or machines.get(item_key),
                loss=loss,
                attempts=chances,
                losses=losses,
                rate=raw.rate,
                low=raw.low,
                high=raw.high,
                expected=expected,
                excess=excess[0] if enough else None,
                effect=ratios[0] if enough else None,
                effect_low=ratios[1] if enough else None,
                effect_high=ratios[2] if enough else None,
                q=float(q_values[i]) if enough else None,
                flagged=flagged,
                cause=("cannot tell" if doubt else table.kind) if flagged else None,
                since=None,
                cost_per_week=excess[0] * price if enough else None,
                not_separable_from=doubt or twin_of,
                excess_low=excess[1] if enough else None,
                excess_high=excess[2] if enough else None,
                cost_low=excess[1] * price if enough else None,
                cost_high=excess[2] * price if enough else None,
                enough=enough,
                stands_out=bool(surprising[i]) and ratios[1] > 1.0 and not flagged,
                suspected=enough
                and not flagged
                and not surprising[i]
                and (table.kind, item_key) in attribution.released,
                explained_by=None
                if flagged or surprising[i] or twin_of or not enough
                else _explained(table, i, attribution.dispersion, settings.confidence),
                advice=advice(table.kind, _main_loss(frame, table.kind, item_key, loss)) if flagged else "",
                swap=propose(
                    (table.kind, item_key),
                    unsettled,
                    frame,
                    attribution.items,
                    ratios[0],
                    expected / chances,
                    of_runs(attribution.dispersion, attribution.run_length),
                    settings.confidence,
                )
                if flagged
                else None,
            )
        )
    return found


def _main_loss(frame: pl.DataFrame, kind: str, item_key: str, loss: str) -> str:
    """`loss`, and of all losses of an item the kind that most of them are of: what to do depends on that."""
    if loss != "all":
        return loss
    mine = frame.filter(items.key(kind) == item_key).select(pl.col(list(LOSS_OUTCOMES)).sum()).row(0)
    return max(zip(mine, reversed(range(len(mine))), LOSS_OUTCOMES, strict=True))[2]


def _twins(attribution: Attribution) -> dict[tuple[str, str], tuple[str, ...]]:
    """Item -> the outliers that cannot be told from it: neither explains the other away."""
    found: dict[tuple[str, str], list[str]] = {}
    for outlier, doubts in attribution.released.items():
        for other in doubts:
            found.setdefault(other, []).append(items.label(*outlier))
    return {other: tuple(names) for other, names in found.items()}


def _explained(table: Items, i: int, dispersion: float, confidence: float) -> str | None:
    """The flagged item that accounts for most of this one's raw excess, if they account for most of it."""
    without = table.expected[i] - table.explained[i]
    excess = table.events[i] - without
    clear = float(stats.norm.ppf(confidence)) * 2.0 * float(np.sqrt(dispersion * max(without, 1.0)))
    if excess > clear and table.explained[i] >= EXPLAINED * excess:
        return table.explained_by[i]
    return None


def _only_machine(frame: pl.DataFrame, kind: str) -> dict[str, str]:
    """Machine of each item that worked on one machine only."""
    if kind not in ("nozzle", "feeder", "reel"):
        return {}
    table = (
        frame.with_columns(items.key(kind).alias("_key"))
        .drop_nulls("_key")
        .group_by("_key")
        .agg(pl.col("machine").n_unique().alias("n"), pl.col("machine").min().alias("m"))
        .filter(pl.col("n") == 1)
    )
    return dict(table.select("_key", "m").iter_rows())


def _listed(kind: str, loss: str, attribution: Attribution, frame: pl.DataFrame, plant: Plant) -> list[Suspect]:
    """Items of a kind that are not judged, with the losses that their parts, nozzles and feeders lead one to expect."""
    judged = attribution.items[kind].keys if kind in attribution.items else []
    fitted = pl.Series("_fitted", attribution.fitted)
    table = (
        frame.filter(pl.col("chances") > 0)
        .with_columns(fitted)
        .drop_nulls(kind)
        .filter(~pl.col(kind).is_in(judged))
        .group_by(kind, maintain_order=True)
        .agg(pl.col("losses", "chances", "_fitted").sum())
        .sort(kind)
    )
    found = []
    for item, losses, chances, expected in table.iter_rows():
        scatter = of_runs(attribution.dispersion, attribution.run_length)
        raw = rate(losses, chances, plant.statistics, scatter)
        expected *= attribution.run_length
        found.append(
            Suspect(
                kind,
                item,
                item if kind == "machine" else None,
                loss,
                chances,
                losses,
                raw.rate,
                raw.low,
                raw.high,
                expected,
                None,
                None,
                None,
                None,
                None,
                False,
                None,
                None,
                None,
            )
        )
    return found


def _order(s: Suspect) -> tuple[object, ...]:
    """Flagged ones first, by what they save at least; then those that stand out or may; others by what to expect."""
    mean = s.cost_per_week if s.cost_per_week is not None else -np.inf
    worth = s.cost_low if s.flagged and s.cost_low is not None else mean
    return (
        not s.flagged,
        not (s.flagged or s.stands_out or s.suspected or s.not_separable_from),
        -worth,
        -mean,
        s.kind,
        s.id,
        s.machine or "",
        s.loss,
    )
