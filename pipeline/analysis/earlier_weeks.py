"""What earlier weeks say of how far healthy items differ, and of each item itself, for one kind of loss.

In:    CELLS of earlier weeks with columns `losses`, `runs` and `chances` (analysis/losses.py), oldest week first.
Out:   `EarlierWeeks`: of every item in every week what its own picks said of it, and the healthy spreads from that.
After: an item's own past never enters the spread that it is held against; fewer than `LEAST_WEEKS` weeks say nothing.

Each week has a crossed model of its own, as the week that is judged, so that an item is compared with what it worked
with then. It is fitted twice at given spreads: at a rough one, and at what all weeks together then show, with clear
outliers released, so that a bad part does not make its nozzles differ. Nobody is flagged here: the judged week's losses
are held against the spread of the peers, and against what the item itself was like (estimators/own_past.py).
Assumption: healthy items differ this week as much as they did (spread_over_weeks.py says how much leave that has).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis.attribution_model import (
    ONLY_REJECTS,
    SETTING,
    SETTING_SD,
    SPREAD_PRIOR,
    Name,
    State,
    prepare,
)
from pipeline.analysis.same_work import ENOUGH
from pipeline.estimators.crossed_logit import CrossedResult
from pipeline.estimators.own_past import OwnPast
from pipeline.estimators.spread_over_weeks import FINE_GRID, PastSpread, past_spread, share_of_past

FloatArray = NDArray[np.float64]

LEAST_WEEKS: Final = 2
"""Earlier weeks below which the judged week stands alone."""
LARGE_WEEKS: Final = 3
"""Weeks that are looked at where they hold so many items that a fit takes a good part of a minute."""
ROUGH_GRID: Final = FINE_GRID[::4]
"""Spreads that are weighed at first, when only the fits depend on it."""
OUTLIER: Final = 4.0
"""An item this many standard deviations of a healthy one off is released in that week's fit."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The items of one kind in the weeks: unshrunken log odds and their variances, shape (n, weeks); nan: not there.

    shared   the part of these variances that is not the chance of the item's own losses: what it worked with
    same_as  for each item and week those that did the same picks and are judged as one with it
    """

    keys: list[str]
    estimates: FloatArray
    variances: FloatArray
    shared: FloatArray
    same_as: list[list[tuple[Name, ...]]]


@dataclass(frozen=True, slots=True)
class EarlierWeeks:
    """What was seen, by factor (a kind of item, or a group of such as always work together), and in how many weeks."""

    weeks: int
    seen: dict[str, Seen]

    def teach(self, state: State) -> None:
        """Tell a later week what these say of the spread of each of its factors, and what its items were like."""
        spreads = [self.spread(factor, names) for factor, names in zip(state.factors, state.keys, strict=True)]
        state.learn(spreads, [self._own_past(state, k, spread) for k, spread in enumerate(spreads)])

    def _own_past(self, state: State, k: int, spread: PastSpread | None) -> OwnPast | None:
        """What the items of factor k were like; None where they were only seen together with others.

        A feeder that always feeds the same slot is judged as one with it: on another slot it is not what it was.
        """
        seen = self.seen.get(state.factors[k])
        if seen is None or spread is None or spread.joint is None:
            return None
        at = {key: i for i, key in enumerate(seen.keys)}
        here = [at.get(key) for key in state.keys[k]]
        none = np.zeros(0, dtype=np.int64)
        u, v, shared = (_rows(a, here, none) for a in (seen.estimates, seen.variances, seen.shared))
        for row, (i, same) in enumerate(zip(here, state.same_as(k), strict=True)):
            if i is not None:
                u[row, [were != same for were in seen.same_as[i]]] = np.nan
        return OwnPast(u, v, shared, spread.joint, spread.grid)

    def spread(self, factor: str, keys: list[str]) -> PastSpread | None:
        """The healthy spread of a factor; weights for the items `keys` in this order. None where nothing was seen.

        Of a kind whose items always worked together with others until now (a nozzle that was put on another spindle
        this week) few or none were seen alone: what they showed together is shared out (`share_of_past`).
        """
        seen = self.seen.get(factor)
        own = set(factor.split("+"))
        tied = [name for name in self.seen if own < set(name.split("+"))]
        together = max(tied, key=lambda name: len(self.seen[name].keys), default=None)
        few = seen is None or len(seen.keys) < ENOUGH
        if few and together is not None and len(self.seen[together].keys) >= ENOUGH:
            share = share_of_past(_told(self.seen[together], keys), len(together.split("+")), len(own))
            return share if len(keys) < ENOUGH else replace(share, fixed=None)
        return None if seen is None else _told(seen, keys)


def _told(seen: Seen, keys: list[str]) -> PastSpread:
    """What was seen says of the spread, item by item of `keys`, each left out for itself."""
    at = {key: i for i, key in enumerate(seen.keys)}
    here = [at.get(key) for key in keys]
    others = np.setdiff1d(np.arange(len(seen.keys)), [i for i in here if i is not None])
    u, v = (_rows(a, here, others) for a in (seen.estimates, seen.variances))
    return past_spread(u, v, len(keys), SPREAD_PRIOR)


def _rows(values: FloatArray, here: list[int | None], others: NDArray[np.int64]) -> FloatArray:
    """Rows of the items `here`, nan where there is none, then those of the others."""
    padded = np.concatenate([values, np.full((1, values.shape[1]), np.nan)])
    return padded[[*(-1 if i is None else i for i in here), *others.tolist()]]


def look_back(weeks: Sequence[pl.DataFrame], left_out: Sequence[str] = ONLY_REJECTS) -> EarlierWeeks | None:
    """What the weeks say together; None where fewer than `LEAST_WEEKS` of them have a loss. left_out: see `prepare`."""
    states: list[State] = []
    for cells in reversed(weeks):
        if int(cells["runs"].sum()) > 0:
            states.insert(0, prepare(cells, left_out))
        if len(states) >= LARGE_WEEKS and states[0].model.route == "iterative":
            break
    if len(states) < LEAST_WEEKS:
        return None
    rough = [state.first_fit() for state in states]
    seen = _seen(states, [fit for fit, _ in rough], [dispersion for _, dispersion in rough])
    rough_spread = {f: past_spread(s.estimates, s.variances, 0, SPREAD_PRIOR, ROUGH_GRID) for f, s in seen.items()}
    spreads = {factor: float(np.exp(past.mean)) for factor, past in rough_spread.items()}
    fits = []
    for state, (fit, dispersion) in zip(states, rough, strict=True):
        sigmas = np.array([SETTING_SD if factor in SETTING else spreads[factor] for factor in state.factors])
        _release(state, fit, sigmas, dispersion)
        fits.append(state.fit(sigmas, dispersion, fit))
    return EarlierWeeks(len(states), _seen(states, fits, [1.0] * len(states), [d for _, d in rough]))


def _release(state: State, fit: CrossedResult, sigmas: FloatArray, dispersion: float) -> None:
    """Release what is clearly off; `fit` is one without dispersion."""
    for k, kind in enumerate(state.kinds):
        if kind not in SETTING:
            estimate, variance = fit.likelihood_only(k)
            off = np.abs(estimate) > OUTLIER * np.sqrt(sigmas[k] ** 2 + dispersion * variance)
            state.released[k] = np.asarray(off & np.isfinite(estimate))


def _seen(
    states: list[State], fits: list[CrossedResult], dispersions: list[float], bursts: Sequence[float] = ()
) -> dict[str, Seen]:
    """What each item's own picks say of it in each week, by factor; variances times the dispersions.

    bursts  dispersion that the fits went by, to tell which part of a variance is that of the item's own losses
    """
    found = {}
    for factor in dict.fromkeys(factor for state in states for factor in state.factors if factor not in SETTING):
        keys = sorted({key for s in states if factor in s.factors for key in s.keys[s.factors.index(factor)]})
        at = {key: i for i, key in enumerate(keys)}
        u, v, shared = (np.full((len(keys), len(states)), np.nan) for _ in range(3))
        same_as: list[list[tuple[Name, ...]]] = [[()] * len(states) for _ in keys]
        for week, (state, fit, dispersion) in enumerate(zip(states, fits, dispersions, strict=True)):
            if factor in state.factors:
                k = state.factors.index(factor)
                places = [at[key] for key in state.keys[k]]
                for place, names in zip(places, state.same_as(k), strict=True):
                    same_as[place][week] = names
                u[places, week], variance = fit.likelihood_only(k)
                v[places, week] = variance * dispersion
                if bursts:
                    own = bursts[week] / np.maximum(state.counts(k, state.losses), 1.0)
                    shared[places, week] = np.maximum(variance - own, 0.0)
        found[factor] = Seen(keys, u, v, shared, same_as)
    return found
