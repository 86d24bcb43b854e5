"""Variances of effects that allow for a spread that is only estimated."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.crossed_logit import CrossedModel

LEVELS, PICKS, BASE = 12, 4000, 0.01


def _model(seed: int, spread: float = 0.3) -> tuple[CrossedModel, np.ndarray]:
    rng = np.random.default_rng(seed)
    true = rng.normal(0, spread, LEVELS)
    odds = BASE / (1 - BASE) * np.exp(true)
    losses = rng.binomial(PICKS, odds / (1 + odds))
    # No fixed effect: the base is known, so that levels do not lean on each other.
    offset = np.full(LEVELS, np.log(BASE / (1 - BASE)))
    model = CrossedModel(
        losses, np.full(LEVELS, PICKS), np.zeros((LEVELS, 0)), [np.arange(LEVELS)], offset=offset, beta="joint"
    )
    return model, true


def test_what_is_added_is_the_slope_by_differences() -> None:
    model, _ = _model(1)
    fit = model.fit()
    step = 1e-4
    ends = [model.fit(sigmas=[fit.sigmas[0] * np.exp(side * step)]).effects[0] for side in (1, -1)]
    slope = (ends[0] - ends[1]) / (2 * step)
    added = fit.full_variances(0) - fit.variances[0]
    wanted = slope**2 * (fit.se_sigmas[0] / fit.sigmas[0]) ** 2
    # The formula is that of a parabola at the mode; the binomial is not quite one.
    np.testing.assert_allclose(added, wanted, rtol=0.05, atol=1e-6)


def test_nothing_is_added_where_the_spread_is_not_estimated() -> None:
    model, _ = _model(2)
    held = model.fit(sigmas=[0.3])
    np.testing.assert_array_equal(held.full_variances(0), held.variances[0])
    released = np.arange(LEVELS) == 4
    fit = model.fit(released=[released])
    assert fit.full_variances(0)[4] == fit.variances[0][4]
    away = ~released & (np.abs(fit.effects[0]) > 0.01)  # an effect at 0 is at 0 whatever the spread
    assert away.sum() > LEVELS / 2
    assert (fit.full_variances(0)[away] > fit.variances[0][away]).all()


@pytest.mark.parametrize("known", [True, False])
def test_intervals_hold_the_truth(known: bool) -> None:
    """With the spread known and with it estimated from twelve levels, whose variances alone would be too small."""
    inside, plain = [], []
    for seed in range(100, 250):
        model, true = _model(seed)
        fit = model.fit(sigmas=[0.3] if known else None)
        if fit.zero[0]:
            continue
        off = np.abs(fit.effects[0] - true)
        inside.append(np.mean(off <= 1.959964 * np.sqrt(fit.full_variances(0))))
        plain.append(np.mean(off <= 1.959964 * np.sqrt(fit.variances[0])))
    error = float(np.std(inside, ddof=1) / np.sqrt(len(inside)))
    assert abs(np.mean(inside) - 0.95) < 3 * error + 0.005
    assert np.mean(inside) >= np.mean(plain)
