"""What earlier weeks say of how far healthy items differ, for one kind of loss.

In:    CELLS of earlier weeks with columns `losses`, `runs` and `chances` (analysis/losses.py), oldest week first.
Out:   `EarlierWeeks`: of every item in every week what its own picks said of it, and the healthy spreads from that.
After: an item's own past never enters the spread that it is held against; fewer than `LEAST_WEEKS` weeks say nothing.

Each week has a crossed model of its own, as the week that is judged, so that an item is compared with what it worked
with then. It is fitted twice at given spreads: at a rough one, and at what all weeks together then show, with clear
outliers released, so that a bad part does not make its nozzles differ. Nobody is flagged here, and what an item's own
effect was is not handed on: the judged week is judged by its own picks, against a spread.
Assumption: healthy items differ this week as much as they did (spread_over_weeks.py says how much leave that has).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis.attribution_model import ONLY_REJECTS, SETTING, SETTING_SD, SPREAD_PRIOR, State, prepare
from pipeline.analysis.same_work import Pair
from pipeline.estimators.crossed_logit import CrossedResult
from pipeline.estimators.spread_over_weeks import FINE_GRID, PastSpread, past_spread

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
    """The items of one kind in the weeks: unshrunken log odds and their variances, shape (n, weeks); nan: not there."""

    keys: list[str]
    estimates: FloatArray
    variances: FloatArray


@dataclass(frozen=True, slots=True)
class EarlierWeeks:
    """What was seen, by kind of item, and in how many weeks; tied: see `look_back`."""

    weeks: int
    seen: dict[str, Seen]
    tied: frozenset[Pair] = frozenset()

    def spread(self, kind: str, keys: list[str]) -> PastSpread | None:
        """The healthy spread of a kind; weights for the items `keys` in this order. None where nothing was seen."""
        seen = self.seen.get(kind)
        if seen is None:
            return None
        at = {key: i for i, key in enumerate(seen.keys)}
        here = [at.get(key) for key in keys]
        others = np.setdiff1d(np.arange(len(seen.keys)), [i for i in here if i is not None])
        u, v = (_rows(a, here, others) for a in (seen.estimates, seen.variances))
        return past_spread(u, v, len(keys), SPREAD_PRIOR)


def _rows(values: FloatArray, here: list[int | None], others: NDArray[np.int64]) -> FloatArray:
    """Rows of the items `here`, nan where there is none, then those of the others."""
    padded = np.concatenate([values, np.full((1, values.shape[1]), np.nan)])
    return padded[[*(-1 if i is None else i for i in here), *others.tolist()]]


def look_back(
    weeks: Sequence[pl.DataFrame], left_out: Sequence[str] = ONLY_REJECTS, tied: frozenset[Pair] | None = None
) -> EarlierWeeks | None:
    """What the weeks say together; None where fewer than `LEAST_WEEKS` of them have a loss.

    left_out  see `prepare`
    tied      pairs of kinds that are tied in the week to be judged; only those that are so in all weeks are taken as
              tied in any, so that a spread is that of the same effects in all weeks. None: as these weeks show
    """
    states: list[State] = []
    for cells in reversed(weeks):
        if int(cells["runs"].sum()) > 0:
            states.insert(0, prepare(cells, left_out))
        if len(states) >= LARGE_WEEKS and states[0].model.route == "iterative":
            break
    if len(states) < LEAST_WEEKS:
        return None
    always = frozenset.intersection(*(s.tied for s in states), *(() if tied is None else (tied,)))
    if any(state.tied != always for state in states):
        used = [cells for cells in weeks if int(cells["runs"].sum()) > 0][-len(states) :]
        states = [prepare(cells, left_out, always) for cells in used]
    rough = [state.first_fit() for state in states]
    seen = _seen(states, [fit for fit, _ in rough], [dispersion for _, dispersion in rough])
    rough_spread = {k: past_spread(s.estimates, s.variances, 0, SPREAD_PRIOR, ROUGH_GRID) for k, s in seen.items()}
    spreads = {kind: float(np.exp(past.mean)) for kind, past in rough_spread.items()}
    fits = []
    for state, (fit, dispersion) in zip(states, rough, strict=True):
        sigmas = np.array([SETTING_SD if kind in SETTING else spreads[kind] for kind in state.kinds])
        _release(state, fit, sigmas, dispersion)
        fits.append(state.fit(sigmas, dispersion, fit))
    return EarlierWeeks(len(states), _seen(states, fits, [1.0] * len(states)), always)


def _release(state: State, fit: CrossedResult, sigmas: FloatArray, dispersion: float) -> None:
    """Release what is clearly off; `fit` is one without dispersion."""
    for k, kind in enumerate(state.kinds):
        if kind not in SETTING:
            estimate, variance = fit.likelihood_only(k)
            off = np.abs(estimate) > OUTLIER * np.sqrt(sigmas[k] ** 2 + dispersion * variance)
            state.released[k] = np.asarray(off & np.isfinite(estimate))


def _seen(states: list[State], fits: list[CrossedResult], dispersions: list[float]) -> dict[str, Seen]:
    """What each item's own picks say of it in each week, by kind; variances times the dispersions."""
    found = {}
    for kind in dict.fromkeys(kind for state in states for kind in state.kinds if kind not in SETTING):
        keys = sorted({key for s in states if kind in s.kinds for key in s.keys[s.kinds.index(kind)]})
        at = {key: i for i, key in enumerate(keys)}
        u, v = (np.full((len(keys), len(states)), np.nan) for _ in range(2))
        for week, (state, fit, dispersion) in enumerate(zip(states, fits, dispersions, strict=True)):
            if kind in state.kinds:
                k = state.kinds.index(kind)
                places = [at[key] for key in state.keys[k]]
                u[places, week], variance = fit.likelihood_only(k)
                v[places, week] = variance * dispersion
        found[kind] = Seen(keys, u, v)
    return found
