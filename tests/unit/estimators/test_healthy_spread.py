"""The spread of healthy peers, each item left out of its own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.estimators.healthy_spread import BAD, GRID, SHARE_PRIOR, SHARES, STRANGE, STRANGE_SHARE, spread_weights

PRIOR = (float(np.log(0.2)), 0.5)


def _peers(seed: int, count: int, spread: float, outliers: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    variance = rng.uniform(0.01, 0.06, count)
    true = rng.normal(0, spread, count)
    true[:outliers] = rng.uniform(1.2, 2.5, outliers)
    return true + rng.normal(0, np.sqrt(variance)), variance


def _outlier_density(x: float, variance: float) -> float:
    """A healthy estimate and a half-normal excess added up by quadrature, and the strange ones."""

    def together(excess: float) -> float:
        return float(stats.halfnorm.pdf(excess, scale=BAD) * stats.norm.pdf(x - excess, 0, np.sqrt(variance)))

    bad = integrate.quad(together, 0, 8 * BAD, points=[max(x, 0.0)], limit=200)[0]
    strange = stats.norm.pdf(x, 0, np.sqrt(variance + STRANGE**2))
    return float((1 - STRANGE_SHARE) * bad + STRANGE_SHARE * strange)


def test_weights_are_the_posterior_by_brute_force() -> None:
    """Three items, one spread and one share of outliers after the other, plain products of densities."""
    u, v = np.array([0.1, -0.4, 0.9]), np.array([0.02, 0.05, 0.1])
    found = spread_weights(u, v, PRIOR)
    steps = np.gradient(SHARES)
    healthy = [[stats.norm.pdf(u[i], 0, np.sqrt(s**2 + v[i])) for s in GRID] for i in range(3)]
    outlier = [[_outlier_density(u[i], s**2 + v[i]) for s in GRID] for i in range(3)]
    for left_out in range(3):
        expected = np.zeros(GRID.size)
        for share, step in zip(SHARES, steps, strict=True):
            weight = stats.norm.pdf(np.log(GRID), *PRIOR) * stats.beta.pdf(share, *SHARE_PRIOR) * step
            for i in range(3):
                if i != left_out:
                    weight = weight * ((1 - share) * np.array(healthy[i]) + share * np.array(outlier[i]))
            expected += weight
        np.testing.assert_allclose(found[left_out], expected / expected.sum(), rtol=1e-6)


def test_several_bad_peers_do_not_hide_each_other() -> None:
    """Three of forty at three to five times the odds: a fourth is held against hardly more than the healthy spread."""
    typical, plain = [], []
    for seed in range(60):
        u, v = _peers(seed, 41, 0.2)
        u[:3] += np.log([3.0, 3.0, 5.0])
        typical.append(float(spread_weights(u, v, PRIOR)[-1] @ np.log(GRID)))
        plain.append(float(np.log(np.std(u))))
    error = float(np.std(typical, ddof=1) / np.sqrt(60))
    assert abs(np.mean(typical) - np.log(0.2)) < 0.1 + 3 * error
    assert np.mean(plain) > np.log(0.35)


def test_an_item_has_no_say_in_its_own_spread() -> None:
    u, v = _peers(1, 30, 0.3)
    before = spread_weights(u, v, PRIOR)
    u[7], v[7] = 4.0, 0.001
    after = spread_weights(u, v, PRIOR)
    np.testing.assert_allclose(after[7], before[7], rtol=1e-9)
    assert np.abs(after[8] - before[8]).max() > 1e-3


def test_what_says_nothing_counts_for_nothing() -> None:
    u, v = _peers(2, 12, 0.3)
    alone = spread_weights(u, v, PRIOR)
    with_silent = spread_weights(np.append(u, [np.nan, 0.5]), np.append(v, [0.1, np.inf]), PRIOR)
    np.testing.assert_allclose(with_silent[:12], alone, rtol=1e-9)
    np.testing.assert_allclose(with_silent[12], with_silent[13], rtol=1e-9)  # both are held against all twelve


def test_without_peers_the_prior_is_left() -> None:
    prior = stats.norm.pdf(np.log(GRID), *PRIOR)
    np.testing.assert_allclose(spread_weights([0.7], [0.1], PRIOR)[0], prior / prior.sum(), rtol=1e-9)
    assert spread_weights([], [], PRIOR).shape == (0, GRID.size)


def test_rows_are_weights() -> None:
    weights = spread_weights(*_peers(3, 40, 0.2), PRIOR)
    assert weights.shape == (40, GRID.size)
    assert weights.min() >= 0
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)


def test_far_out_estimates_do_not_underflow() -> None:
    weights = spread_weights([500.0, -500.0, 0.1], [1e-4, 1e-4, 1e-4], PRIOR)
    assert np.isfinite(weights).all()
    np.testing.assert_allclose(weights.sum(axis=1), 1.0)


def _recovered(spread: float, outliers: int, seeds: int = 60, count: int = 100) -> tuple[float, float]:
    """Mean and standard error of log(found / true), found being the typical spread for a healthy item."""
    off = []
    for seed in range(seeds):
        weights = spread_weights(*_peers(seed, count, spread, outliers), PRIOR)
        off.append(float(weights[-1] @ np.log(GRID)) - np.log(spread))
    return float(np.mean(off)), float(np.std(off, ddof=1) / np.sqrt(seeds))


@pytest.mark.parametrize("spread", [0.2, 0.35])
def test_the_spread_of_clean_data_is_found(spread: float) -> None:
    """Within a tenth: some are held to be bad even where none is, which takes some of the healthy tail away."""
    off, error = _recovered(spread, 0)
    assert abs(off) < 0.1 + 3 * error


@pytest.mark.parametrize("outliers", [5, 10])
@pytest.mark.parametrize("spread", [0.2, 0.35])
def test_outliers_hardly_widen_the_spread(spread: float, outliers: int) -> None:
    """With 5 and 10 of 100 bad it stays within a tenth; the plain standard deviation is off by half or more."""
    off, error = _recovered(spread, outliers)
    assert abs(off) < 0.1 + 3 * error
    plain = [np.log(np.std(_peers(seed, 100, spread, outliers)[0]) / spread) for seed in range(60)]
    assert np.mean(plain) > np.log(1.5)
    assert off < 0.5 * np.mean(plain)


def test_different_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="same shape"):
        spread_weights([0.1, 0.2], [0.1], PRIOR)
    with pytest.raises(ValueError, match="same shape"):
        spread_weights([[0.1]], [[0.1]], PRIOR)
