"""How surprising is what each item lost: held against its peers, and against its own earlier weeks.

In:    a `State`, a fit of it and its dispersion, the statistical settings.
Out:   p-values, by factor and item.
After: 0 < p <= 1; nan for kinds that are not judged and items with too few chances.

An item's losses are held against the healthy spread of its peers (tail.py, healthy_spread.py, spread_over_weeks.py).
Where earlier weeks are known they are also held against what the item itself was like (own_past.py): a nozzle that
loses three times what it lost for weeks is no healthy one, however far its peers differ. What was bad before needs less
proof in the second comparison (`weights_of_suspects`), not in the first: an effect that stays is in both weeks, and
would be counted twice. Of two chances the smaller p-value counts, each divided by its share (Bonferroni): the peers get
most, since what was bad from the first log on is told by them alone, and what changed is clear enough.
Source: as in these modules.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.attribution_model import JUDGED, SPREAD_PRIOR, State
from pipeline.estimators.crossed_logit import CrossedResult
from pipeline.estimators.healthy_spread import GRID, spread_weights
from pipeline.estimators.tail import excess_tail
from pipeline.settings import Statistics

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

OWN_SHARE: Final = 0.25
"""Share of the chance of a false flag that the comparison with an item's own past gets; that with its peers has the
rest. Our own choice."""

CLOSE_LOOK: Final = 0.1
"""p-values below this are averaged over the uncertainty of the spread; above, its typical value will do."""

NO_WEIGHT: Final = 1e-9
"""Spreads that no item gives more weight than this are left out."""


def p_values(state: State, fit: CrossedResult, dispersion: float, settings: Statistics) -> list[FloatArray]:
    """p-value of every item of every kind; nan for kinds that are not judged and for items with too few chances."""
    eta = fit.linear_predictor()
    return [
        p_of_kind(state, fit, k, eta, dispersion, settings) if kind in JUDGED else np.full(len(state.keys[k]), np.nan)
        for k, kind in enumerate(state.kinds)
    ]


def p_of_kind(
    state: State,
    fit: CrossedResult,
    k: int,
    eta: FloatArray,
    dispersion: float,
    settings: Statistics,
    only: slice = slice(None),
) -> FloatArray:
    """p-values of the items of one kind, or of `only` some; their peers are all of them."""
    losses, chances = state.counts(k, state.losses), state.counts(k, state.chances)
    expected = state.expected(fit, k, eta)
    estimate, variance = fit.likelihood_only(k)
    unsure = np.where(np.isfinite(variance), variance - dispersion / np.maximum(losses, 1.0), 25.0)
    with np.errstate(invalid="ignore"):
        alone = np.where((losses >= settings.least_losses) & (estimate > 0), losses * np.exp(-estimate), np.inf)
    grid, weights = _spreads(state, k, np.where(state.released[k], np.nan, estimate), variance)
    expected, unsure = np.fmin(expected, alone), np.clip(unsure, 0.0, 25.0)
    dispersion = max(dispersion, state.dispersion(fit, k))
    p = _surprise(losses[only], expected[only], unsure[only], grid, weights[only], dispersion)
    own_past = state.own_past[k]
    if own_past is not None:
        own = own_past.p_values(losses, expected, unsure, dispersion, only) / state.weights[k][only]
        p = np.where(np.isnan(own), p, np.minimum(np.fmin(p / (1.0 - OWN_SHARE), own / OWN_SHARE), 1.0))
    return np.where(chances[only] >= settings.least_picks, p, np.nan)


def _spreads(state: State, k: int, estimate: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Spreads and their weights for each item: what its peers say this week and said in the weeks before.

    Effects that stay were seen in those weeks already, so that of this week only what is new counts on top.
    """
    past = state.past[k]
    if past is None:
        return GRID, spread_weights(estimate, variance, SPREAD_PRIOR)
    weights = spread_weights(estimate, variance, past.weights, past.grid, past.fresh)
    some = weights.max(axis=0, initial=0.0) > NO_WEIGHT
    return past.grid[some], weights[:, some]


def _surprise(
    losses: IntArray,
    expected: FloatArray,
    unsure: FloatArray,
    grid: FloatArray,
    weights: FloatArray,
    dispersion: float,
) -> FloatArray:
    """p-values averaged over what the peers say of the healthy spread; `unsure`: variance of the log of `expected`."""
    typical = np.exp(weights @ np.log(grid))
    p = excess_tail(losses, expected, np.sqrt(typical**2 + unsure), dispersion)
    close = p < CLOSE_LOOK
    if close.any():
        spreads = np.sqrt(grid[None, :] ** 2 + unsure[close, None])
        tails = excess_tail(losses[close, None], expected[close, None], spreads, dispersion)
        p[close] = (tails * weights[close]).sum(axis=1)
    return p
