"""Who is to blame for one kind of loss: the crossed model, its outliers, and what they cannot be told from.

In:    the week's CELLS with columns `losses`, `runs` and `chances` (analysis/losses.py), the statistical settings.
Out:   an `Attribution`: per kind and item its losses, what healthy peers would lose, adjusted effect and p-value.
After: every item with chances has one row; a p-value is given only where there is enough to judge; outliers do not
       count for the healthy spread that they are held against. Items that did the same picks are judged as one where
       enough of them are so tied (same_work.py).

Model: logit P(loss) = sum of an effect for machine type, method, package, part, lot, reel, feeder, slot, head,
spindle and nozzle; effects of one kind are normal with the kind's healthy spread. Items beyond it are found one at a
time: the most surprising few are tried, the one that explains the data best by the marginal likelihood is given an
effect of its own ("released"), and everything is judged anew, so that a bad part does not convict the nozzle that ran
it. What would have explained the data as well and is no longer surprising afterwards cannot be separated from it.
Bursts: a run of losses on one feeder counts as one event (losses.py), and the log-likelihood is divided by a dispersion
measured over item x shift cells, for what comes in bursts without being a run.
Breaks when most items of a kind are bad (there is no healthy majority), or when peers of the same machine type are
missing (then the type's own wide effect takes the blame and nothing is flagged, which is the safe side).
Source: crossed random effects by Laplace, Breslow and Clayton (1993) JASA 88:9; forward search for outliers, Atkinson
and Riani (2000), Robust Diagnostic Regression Analysis, chapter 2 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis import items
from pipeline.analysis.attribution_model import JUDGED, ONLY_REJECTS, Name, State, expit, prepare
from pipeline.analysis.earlier_weeks import EarlierWeeks, look_back
from pipeline.analysis.judged_items import Items, joined, log_odds, twin_row
from pipeline.analysis.same_work import NEARLY, TIED, TIED_REJECTS
from pipeline.analysis.surprise import p_of_kind, p_values
from pipeline.estimators.crossed_logit import CrossedResult
from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.settings import Statistics

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Item = tuple[int, int]
"""Number of the kind and of the level."""

TRIED: Final = 3
"""Rivals that are tried against a suspect, of each sort."""

DELETED: Final = 4
HIDDEN: Final = 0.02
FEW: Final = 60
"""Items with a p-value below `HIDDEN` in kinds of at most `FEW` items are judged by deletion, `DELETED` at a time."""

WHOLE: Final = ("head", "optics", "light", "package")
"""Kinds of which a machine may be meant."""

MOST_AT_ONCE: Final = 8
SHARED: Final = 0.3
MOST_RELEASED: Final = 25
AS_GOOD: Final = 6.0
"""Difference in -2 log likelihood below which another item would have explained the data about as well (odds 20 to
1)."""


@dataclass(frozen=True, slots=True)
class Attribution:
    """The verdict on one kind of loss.

    released    (kind, key) of each outlier -> what it cannot be told from
    fitted      events that the model expects in each cell with chances
    run_length  losses an event, over the whole plant
    weeks       earlier weeks that told how far healthy items differ
    """

    items: dict[str, Items]
    released: dict[Name, tuple[Name, ...]]
    dispersion: float
    converged: bool
    message: str
    fitted: FloatArray
    run_length: float
    weeks: int = 0


def attribute(
    cells: pl.DataFrame,
    settings: Statistics,
    before: Sequence[pl.DataFrame] = (),
    left_out: Sequence[str] = ONLY_REJECTS,
    mended: Mapping[Name, datetime] | None = None,
) -> Attribution:
    """Fit, search for outliers, and judge every item (see the module's head).

    before    the same cells of the weeks before, oldest first, which tell how far healthy items differ, and what each
              item was like itself
    left_out  kinds that cannot be to blame for this kind of loss: all but recognition rejects leave out optics
    mended    items that were mended in the week, and when (local time): the others are judged with an effect more for
              what these were like before, so that a nozzle's losses until Wednesday do not convict the spindle that it
              was on; they themselves are judged by their whole week

    Raises ValueError when no cell has a chance. Where the log names no item at all, nothing is judged.
    """
    earlier = look_back(before, left_out)
    whole = _attribute(prepare(cells, left_out), settings, earlier)
    if not mended:
        return whole
    return _of_others(whole, _attribute(prepare(cells, left_out, mended), settings, earlier), mended)


def _of_others(whole: Attribution, others: Attribution, mended: Mapping[Name, datetime]) -> Attribution:
    """`others`, with the mended items, and what was judged as one with them, as they are in `whole`."""
    firsts = {
        (kind, key): first
        for kind, table in whole.items.items()
        for key, first in zip(table.keys, table.twin_of, strict=True)
        if first is not None
    }
    mine = {firsts.get(name, name) for name in mended}
    mine |= {name for name, first in firsts.items() if first in mine}
    return replace(
        others,
        items={
            kind: table.with_rows_of(whole.items[kind], {key for of, key in mine if of == kind})
            for kind, table in others.items.items()
        },
        released={name: doubt for name, doubt in others.released.items() if name not in mine}
        | {name: doubt for name, doubt in whole.released.items() if name in mine},
    )


def _attribute(state: State, settings: Statistics, earlier: EarlierWeeks | None) -> Attribution:
    if earlier is not None:
        earlier.teach(state)
    rough, dispersion = state.first_fit()
    fit, spreads_are_old = state.fit(None, dispersion, rough), False
    p = p_values(state, fit, dispersion, settings)
    released: dict[Name, tuple[Name, ...]] = {}
    while any(kind in JUDGED for kind in state.kinds) and len(released) < MOST_RELEASED:
        found = _next_outliers(state, fit, p, dispersion, settings)
        found = found or _hidden_outlier(state, fit, p, dispersion, settings)
        if found:
            fit, p = _release(state, found, fit, dispersion, settings, released)
            spreads_are_old = True
        elif spreads_are_old:
            fit, spreads_are_old = state.fit(None, dispersion, fit), False
            p = p_values(state, fit, dispersion, settings)
        else:
            break
    return _judge(state, fit, p, dispersion, released, settings.confidence, earlier.weeks if earlier else 0)


def _release(
    state: State,
    found: list[tuple[Item, list[Item]]],
    before: CrossedResult,
    dispersion: float,
    settings: Statistics,
    released: dict[Name, tuple[Name, ...]],
) -> tuple[CrossedResult, list[FloatArray]]:
    """Release items, fit anew at the same spreads, and note which of their near equals are no longer surprising.

    Returns the fit and its p-values.
    """
    for (k, level), _ in found:
        state.released[k][level] = True
    fit = state.fit(before.sigmas, dispersion, before)
    p = p_values(state, fit, dispersion, settings)
    for item, rivals in found:
        doubt = [r for r in rivals if not p[r[0]][r[1]] < settings.false_discovery_rate]
        name = _name(state, item)
        doubted = [_name(state, r) for r in doubt]
        others = dict.fromkeys(n for d in (name, *doubted) for n in (d, *state.same.get(d, ())))
        released[name] = tuple(n for n in others if n != name)
    return fit, p


def _name(state: State, item: Item) -> Name:
    return state.kinds[item[0]], state.keys[item[0]][item[1]]


def _next_outliers(
    state: State, fit: CrossedResult, p: list[FloatArray], dispersion: float, settings: Statistics
) -> list[tuple[Item, list[Item]]]:
    """Items to release next, each with its near equals.

    The most surprising item is held against everything that shares its losses: the one that explains the data best by
    the marginal likelihood is taken. Further surprising items that share losses with nobody need no such contest and
    are taken along.
    """
    free = _significant(state, p, settings)
    taken: list[tuple[Item, list[Item]]] = []
    for item in free[:MOST_AT_ONCE]:
        if any(_share(state, item, other) for other, _ in taken):
            continue
        rivals = _rivals(state, item, free)
        if not rivals:
            taken.append((item, []))
        elif not taken:
            taken.append(_contest(state, fit, dispersion, [item, *rivals]))
    return taken


def _significant(state: State, p: list[FloatArray], settings: Statistics) -> list[Item]:
    """Items not yet released that stand out at the false discovery rate, most surprising first."""
    where = [(k, level) for k, values in enumerate(p) for level in range(len(values))]
    flat = np.concatenate(p)
    adjusted = benjamini_hochberg(flat)
    order = [where[i] for i in np.argsort(flat, kind="stable") if adjusted[i] <= settings.false_discovery_rate]
    return [w for w in order if not state.released[w[0]][w[1]]]


def _rivals(state: State, item: Item, free: list[Item]) -> list[Item]:
    """What else could be meant: surprising items that share its losses, and whatever handled most of them."""
    found = [w for w in free if w != item and _share(state, item, w)][:TRIED]
    return found + [w for w in _partners(state, item) if w not in found and not state.released[w[0]][w[1]]][:TRIED]


def _contest(state: State, fit: CrossedResult, dispersion: float, tried: list[Item]) -> tuple[Item, list[Item]]:
    """The one that explains the data best when it has an effect of its own, and those that do so about as well.

    What explains them worse than nothing released does not count, however little the best one gains. Of items that did
    the same picks, between which the data say nothing, the one is named that stands for the others where more are tied.
    """
    nothing = state.model.minus2loglik(sigmas=fit.sigmas, released=state.released, dispersion=dispersion, start=fit)
    fits = []
    for k, level in tried:
        released = [r.copy() if k == at else r for at, r in enumerate(state.released)]
        released[k][level] = True
        found = state.model.minus2loglik(sigmas=fit.sigmas, released=released, dispersion=dispersion, start=fit)
        fits.append(found if np.isfinite(found) else np.inf)
    best = int(np.argmin(fits))
    good = min(fits[best] + AS_GOOD, nothing)
    same = [at for at in range(len(tried)) if fits[at] < good and _same_picks(state, tried[best], tried[at])]
    best = min((*same, best), key=lambda at: (_stands_for(state, tried[at]), fits[at]))
    return tried[best], [t for t, f in zip(tried, fits, strict=True) if t != tried[best] and f < good]


def _same_picks(state: State, one: Item, other: Item) -> bool:
    mine, theirs = state.codes[one[0]] == one[1], state.codes[other[0]] == other[1]
    both = float(state.chances[mine & theirs].sum())
    return both >= NEARLY * max(float(state.chances[mine].sum()), float(state.chances[theirs].sum()))


def _stands_for(state: State, item: Item) -> int:
    """Place of the item's kind among those that a set-up ties together."""
    rows = TIED_REJECTS if "optics" in state.kinds else TIED
    places = [row.index(state.kinds[item[0]]) for row in rows if state.kinds[item[0]] in row]
    return places[0] if places else len(JUDGED)


def _hidden_outlier(
    state: State, fit: CrossedResult, p: list[FloatArray], dispersion: float, settings: Statistics
) -> list[tuple[Item, list[Item]]]:
    """One more item that stands out once it no longer counts for the spread that it is held against.

    In a kind of few items an outlier widens the spread, and its machine type's effect leans towards it. So the most
    surprising ones are judged by deletion: released, with the spread of their kind estimated from the others.
    """
    p = [values.copy() for values in p]
    flat = np.concatenate(p)
    where = [(k, level) for k, values in enumerate(p) for level in range(len(values))]
    close = [where[i] for i in np.argsort(flat, kind="stable")[: 4 * DELETED] if flat[i] < HIDDEN]
    for k, level in [w for w in close if not state.released[w[0]][w[1]] and len(state.keys[w[0]]) <= FEW][:DELETED]:
        state.released[k][level] = True
        sigmas: list[float | None] = [float(s) for s in fit.sigmas]
        sigmas[k] = None
        without = state.fit(sigmas, dispersion, fit)
        eta = without.linear_predictor()
        alone = p_of_kind(state, without, k, eta, dispersion, settings, slice(level, level + 1))
        p[k][level] = np.fmin(p[k][level], alone[0])
        state.released[k][level] = False
    free = _significant(state, p, settings)
    if not free:
        return []
    rivals = _rivals(state, free[0], free)
    return [_contest(state, fit, dispersion, [free[0], *rivals])]


def _share(state: State, one: Item, other: Item) -> bool:
    """True when a good part of the losses of either are losses of both."""
    mine, theirs = state.codes[one[0]] == one[1], state.codes[other[0]] == other[1]
    both = int(state.losses[mine & theirs].sum())
    return both >= SHARED * min(int(state.losses[mine].sum()), int(state.losses[theirs].sum()))


def _partners(state: State, item: Item) -> list[Item]:
    """Items of other kinds that share most of an item's losses: what could be meant in its place."""
    k, level = item
    mine = state.codes[k] == level
    total = float(state.losses[mine].sum())
    found = []
    for other in range(len(state.kinds)):
        if other == k or state.kinds[other] not in JUDGED:
            continue
        if state.kinds[other] == "machine" and state.kinds[k] not in WHOLE:
            continue  # it holds the losses of all that never leaves it
        known = mine & (state.codes[other] >= 0)
        shared = np.bincount(state.codes[other][known], state.losses[known], minlength=len(state.keys[other]))
        best = int(np.argmax(shared))
        if shared[best] >= 0.5 * total:
            found.append((float(shared[best]), (other, best)))
    return [w for _, w in sorted(found, key=lambda f: (-f[0], f[1]))]


def _judge(
    state: State,
    fit: CrossedResult,
    p: list[FloatArray],
    dispersion: float,
    released: dict[Name, tuple[Name, ...]],
    confidence: float,
    weeks: int,
) -> Attribution:
    eta = fit.linear_predictor()
    fitted = state.chances * expit(eta)
    blamed = [(k, level) for k in range(len(state.kinds)) for level in np.flatnonzero(state.released[k])]
    shares = {
        b: fitted - state.chances * expit(eta - np.where(state.codes[b[0]] == b[1], fit.effects[b[0]][b[1]], 0.0))
        for b in blamed
    }
    judged: dict[str, list[Items]] = {}
    for k, kind in enumerate(state.kinds):
        if kind not in JUDGED:
            continue
        size = len(state.keys[k])
        explained, by = np.zeros(size), [None] * size
        best = np.zeros(size)
        names: list[str | None] = list(by)
        for b in blamed:
            if b[0] == k:
                continue
            known = state.codes[k] >= 0
            share = np.bincount(state.codes[k][known], shares[b][known], minlength=size)
            explained += share
            for level in np.flatnonzero(share > best):
                names[level] = items.label(state.kinds[b[0]], state.keys[b[0]][b[1]])
            best = np.maximum(best, share)
        variance = fit.full_variances(k)
        table = Items(
            kind=kind,
            keys=state.keys[k],
            losses=state.counts(k, state.raw),
            events=state.counts(k, state.losses),
            chances=state.counts(k, state.chances),
            expected=state.expected(fit, k, eta),
            excess=_excess(state, k, eta, fit.effects[k], log_odds(fit.effects[k], variance, confidence)),
            effect=fit.effects[k],
            variance=variance,
            p=p[k],
            explained=explained,
            explained_by=names,
            twin_of=[None] * size,
            dispersion=max(dispersion, state.dispersion(fit, k)),
            spread=float(fit.sigmas[k]),
        )
        judged.setdefault(kind, []).append(table)
        for at, key in enumerate(table.keys):
            for twin in state.same.get((kind, key), ()):
                row = twin_row(table, at, twin, state.counts_of[twin], (kind, key) in released, confidence)
                judged.setdefault(twin[0], []).append(row)
    run_length = max(float(state.raw.sum()) / max(int(state.losses.sum()), 1), 1.0)
    found = {kind: joined(tables) for kind, tables in sorted(judged.items(), key=lambda j: JUDGED.index(j[0]))}
    return Attribution(found, released, dispersion, fit.converged, fit.message, fitted, run_length, weeks)


def _excess(state: State, k: int, eta: FloatArray, own: FloatArray, ends: FloatArray) -> FloatArray:
    """Events of each item of kind k beyond those of a healthy one, were its effect each of `ends`: shape (n, 3).

    Odds are no rates: five times the odds of a rate of 10 % are 36 %, so that this is summed over the cells.
    """
    known = np.flatnonzero(state.codes[k] >= 0)
    code, chances = state.codes[k][known], state.chances[known]
    healthy = eta[known] - own[code]
    without = expit(healthy)
    more = [np.bincount(code, chances * (expit(healthy + e[code]) - without), minlength=len(own)) for e in ends]
    return np.stack(more, axis=1)
