"""The spread of healthy peers from several weeks: what stays, what is new, and who is bad for weeks on end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.estimators.healthy_spread import BAD, SHARE_PRIOR, SHARES, STRANGE, STRANGE_SHARE
from pipeline.estimators.spread_over_weeks import (
    FINE_GRID,
    OFTEN,
    STAYS,
    WEEKLY,
    PastSpread,
    past_spread,
    share_of_past,
)

PRIOR = (float(np.log(0.2)), 0.5)


def _weeks(seed: int, spread: float, stays: float, items: int = 40, weeks: int = 6) -> tuple[np.ndarray, np.ndarray]:
    """Estimates and variances of healthy items over weeks."""
    rng = np.random.default_rng(seed)
    variance = rng.uniform(0.02, 0.06, (items, weeks))
    true = np.sqrt(stays) * rng.normal(0, spread, (items, 1)) + np.sqrt(1 - stays) * rng.normal(
        0, spread, (items, weeks)
    )
    return true + rng.normal(0, np.sqrt(variance)), variance


def _joint(x: np.ndarray, cov: np.ndarray) -> np.ndarray:
    """Normal density at the rows of x."""
    return np.atleast_1d(stats.multivariate_normal.pdf(x, np.zeros(x.shape[-1]), cov))


def _with_excess(x: np.ndarray, cov: np.ndarray) -> float:
    """Density of what a healthy item would show, with one outlier's excess on top, summed up on a fine grid."""
    bad, strange = np.linspace(0, 8 * BAD, 3001), np.linspace(-9 * STRANGE, 9 * STRANGE, 6001)
    one = stats.halfnorm.pdf(bad, scale=BAD) * _joint(x - bad[:, None], cov)
    other = stats.norm.pdf(strange, 0, STRANGE) * _joint(x - strange[:, None], cov)
    summed = integrate.simpson(one, x=bad), integrate.simpson(other, x=strange)
    return float((1 - STRANGE_SHARE) * summed[0] + STRANGE_SHARE * summed[1])


def _of_item(x: np.ndarray, v: np.ndarray, s: float, stays: float) -> tuple[float, float]:
    """(healthy, suspect) likelihood of one item from the model's words."""
    weeks = len(x)

    def healthy(a: int, b: int) -> float:
        return 1.0 if a == b else float(_joint(x[a:b], np.diag((1 - stays) * s**2 + v[a:b]) + stays * s**2)[0])

    def stretch(a: int, b: int) -> float:
        return _with_excess(x[a:b], np.diag((1 - stays) * s**2 + v[a:b]) + stays * s**2)

    since = [healthy(0, k) * stretch(k, weeks) for k in range(weeks)]
    until = [stretch(0, k) * healthy(k, weeks) for k in range(1, weeks)]
    alone = [np.array([[s**2 + variance]]) for variance in v]
    good = np.array([_joint(x[w : w + 1], alone[w])[0] for w in range(weeks)])
    bad = np.array([_with_excess(x[w : w + 1], alone[w]) for w in range(weeks)])
    sometimes = [np.prod((1 - often) * good + often * bad) for often in OFTEN]
    return healthy(0, weeks), 0.5 * float(np.mean(since + until)) + 0.5 * float(np.mean(sometimes))


def test_weights_are_the_posterior_by_brute_force() -> None:
    """Three items, two or three weeks, a few spreads: densities and quadratures from the words of the model."""
    grid = FINE_GRID[[12, 23, 32]]
    u = np.array([[0.1, 0.3, 0.2], [-0.4, np.nan, 0.1], [0.9, 0.8, 1.2]])
    v = np.array([[0.02, 0.05, 0.03], [0.1, 0.04, 0.06], [0.05, 0.04, 0.09]])
    found = past_spread(u, v, 2, PRIOR, grid)
    likelihood = np.empty((3, STAYS.size, grid.size, 2))
    for i in range(3):
        there = np.isfinite(u[i])
        for j, stays in enumerate(STAYS):
            for g, s in enumerate(grid):
                likelihood[i, j, g] = _of_item(u[i][there], v[i][there], float(s), float(stays))
    kernel = stats.norm.pdf(np.log(grid)[:, None], np.log(grid)[None, :], WEEKLY)
    kernel /= kernel.sum(axis=1, keepdims=True)
    steps = np.gradient(SHARES)
    for left_out in range(2):
        expected = np.zeros(grid.size)
        for share, step in zip(SHARES, steps, strict=True):
            each = (1 - share) * likelihood[..., 0] + share * likelihood[..., 1]
            peers = np.delete(each, left_out, axis=0).prod(axis=0).sum(axis=0)
            expected += stats.norm.pdf(np.log(grid), *PRIOR) * stats.beta.pdf(share, *SHARE_PRIOR) * step * peers
        expected = (expected / expected.sum()) @ kernel
        np.testing.assert_allclose(found.weights[left_out], expected / expected.sum(), rtol=1e-4)


@pytest.mark.parametrize("stays", [0.0, 0.5, 1.0])
def test_the_spread_of_a_single_week_is_found_whatever_stays(stays: float) -> None:
    """Over many plants of 40 items and six weeks; a mean over the weeks alone would find less where effects are new."""
    means, sds, fresh = np.array(
        [(p.mean, p.sd, p.fresh) for p in (past_spread(*_weeks(seed, 0.25, stays), 0, PRIOR) for seed in range(20))]
    ).T
    error = float(np.std(means, ddof=1) / np.sqrt(20))
    assert abs(np.mean(means) - np.log(0.25)) < 0.05 + 3 * error
    # The stated doubt holds WEEKLY on top of how much the means differ (20 of them: a third more or less).
    assert 0.75 * np.std(means) < np.mean(sds) < 3 * np.std(means)
    assert abs(np.mean(fresh) - (1 - stays)) < 0.2


def test_items_that_are_bad_for_weeks_hardly_widen_the_spread() -> None:
    found, plain = [], []
    for seed in range(15):
        u, v = _weeks(seed, 0.2, 1.0)
        u[:2] += np.log(3.5)  # all the time
        u[2, 3:] += np.log(3.5)  # since the fourth week
        u[3, :3] += np.log(3.5)  # mended after the third
        found.append(past_spread(u, v, 0, PRIOR).mean)
        plain.append(np.log(np.std(u.mean(axis=1))))
    error = float(np.std(found, ddof=1) / np.sqrt(15))
    assert abs(np.mean(found) - np.log(0.2)) < 0.12 + 3 * error
    assert np.mean(plain) > np.log(0.3)


def test_an_item_has_no_say_in_its_own_spread_in_any_week() -> None:
    u, v = _weeks(1, 0.3, 0.8, items=12)
    before = past_spread(u, v, 12, PRIOR)
    u[7], v[7] = 2.0, 0.001
    after = past_spread(u, v, 12, PRIOR)
    np.testing.assert_allclose(after.weights[7], before.weights[7], rtol=1e-8)
    assert np.abs(after.weights[8] - before.weights[8]).max() > 1e-3


def test_weeks_without_an_item_count_for_nothing() -> None:
    u, v = _weeks(2, 0.3, 0.8, items=10)
    alone = past_spread(u, v, 10, PRIOR)
    more_u = np.concatenate([np.column_stack([np.full(10, np.nan), u]), np.full((1, 7), 0.5)])
    more_v = np.concatenate([np.column_stack([np.full(10, 0.1), v]), np.full((1, 7), np.inf)])
    more = past_spread(more_u, more_v, 11, PRIOR)
    np.testing.assert_allclose(more.weights[:10], alone.weights, rtol=1e-8)
    assert (more.mean, more.sd, more.fresh) == pytest.approx((alone.mean, alone.sd, alone.fresh))


def test_without_anything_seen_the_prior_stays() -> None:
    found = past_spread(np.full((3, 4), np.nan), np.ones((3, 4)), 3, PRIOR)
    assert found.mean == pytest.approx(PRIOR[0], abs=0.02)
    assert found.sd == pytest.approx(np.hypot(PRIOR[1], WEEKLY), rel=0.05)
    np.testing.assert_allclose(found.weights.sum(axis=1), 1.0)


def test_shapes_must_agree() -> None:
    with pytest.raises(ValueError, match="same shape"):
        past_spread(np.zeros((3, 2)), np.zeros((3, 3)), 3, PRIOR)
    with pytest.raises(ValueError, match="same shape"):
        past_spread(np.zeros(3), np.zeros(3), 3, PRIOR)


@pytest.mark.parametrize(("kinds", "own"), [(2, 1), (3, 1), (3, 2)])
def test_the_share_of_a_spread_is_that_of_drawn_shares(kinds: int, own: int) -> None:
    """Against plain draws: a spread of all kinds together, and of its variance a flat Dirichlet's share."""
    rng = np.random.default_rng(kinds + 10 * own)
    weights = stats.norm.pdf(np.log(FINE_GRID), np.log(0.3), 0.15)
    weights /= weights.sum()
    mean = float(weights @ np.log(FINE_GRID))
    whole = PastSpread(FINE_GRID, weights[None, :], mean, 0.15, 0.1)
    shares = rng.dirichlet(np.ones(kinds), 40000)[:, :own].sum(axis=1)
    drawn = rng.choice(FINE_GRID, 40000, p=weights) * np.sqrt(shares)
    found = share_of_past(whole, kinds, own)
    assert found.weights.sum() == pytest.approx(1.0)
    for edge in (0.08, 0.15, 0.25, 0.35):
        below = found.weights[0, edge > FINE_GRID].sum()
        assert below == pytest.approx(float(np.mean(drawn < edge)), abs=0.05)
    assert found.mean == pytest.approx(float(np.log(drawn).mean()), abs=0.06)
    assert found.fixed == pytest.approx(np.exp(mean) * np.sqrt(own / kinds))
