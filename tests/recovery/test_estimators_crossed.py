"""The crossed logistic model finds planted spreads and effects, and its intervals cover."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.crossed_logit import fit_crossed

SIGMAS = (0.6, 0.3, 0.45)
LEVELS = (40, 50, 30)


def plant(seed: int, cells: int = 3000, base: float = -5.0, outliers: int = 0):
    rng = np.random.default_rng(seed)
    factors = [rng.integers(0, count, cells) for count in LEVELS]
    effects = [rng.normal(0, s, count) for s, count in zip(SIGMAS, LEVELS, strict=True)]
    effects[0][:outliers] = 2.5
    method = rng.integers(0, 2, cells)
    X = np.column_stack([np.ones(cells), method]).astype(float)
    m = rng.integers(1, 300, cells)
    eta = base + 0.4 * method + sum(u[f] for u, f in zip(effects, factors, strict=True))
    return rng.binomial(m, 1 / (1 + np.exp(-eta))), m, X, factors, effects


def pulls_and_coverage(seeds: range, beta: str):
    pulls, covered, fixed = [], [], []
    for seed in seeds:
        y, m, X, factors, effects = plant(seed)
        fit = fit_crossed(y, m, X, factors, beta=beta)
        assert fit.converged, fit.message
        pulls.append(np.log(fit.sigmas / np.array(SIGMAS)) * fit.sigmas / fit.se_sigmas)
        inside = [
            np.abs(found - true) <= 1.959964 * np.sqrt(v)
            for found, true, v in zip(fit.effects, effects, fit.variances, strict=True)
        ]
        covered.append(np.mean(np.concatenate(inside)))
        fixed.append((fit.beta[1] - 0.4) / fit.se_beta[1])
    return np.array(pulls), np.array(covered), np.array(fixed)


def check(pulls, covered, fixed):
    count = len(covered)
    # maximum likelihood of a spread from L levels is low by about 1 / (2 L), a fifth of its error here
    assert np.all(np.abs(pulls.mean(axis=0)) < 4 / np.sqrt(count) + 0.25)
    assert np.all(np.abs(pulls.std(axis=0) - 1) < 4 / np.sqrt(2 * count) + 0.1)
    assert abs(covered.mean() - 0.95) < 4 * covered.std(ddof=1) / np.sqrt(count) + 0.01
    assert abs(fixed.mean()) < 4 / np.sqrt(count)


def test_planted_spreads_and_effects():
    check(*pulls_and_coverage(range(16), "outer"))


@pytest.mark.long
@pytest.mark.parametrize("beta", ["outer", "joint"])
def test_planted_spreads_and_effects_over_many_seeds(beta):
    check(*pulls_and_coverage(range(100, 250), beta))


def test_released_outliers_do_not_widen_the_healthy_spread():
    kept, released, odds = [], [], []
    for seed in range(8):
        y, m, X, factors, _ = plant(seed, outliers=4)
        free = np.arange(LEVELS[0]) < 4
        kept.append(fit_crossed(y, m, X, factors).sigmas[0])
        fit = fit_crossed(y, m, X, factors, released=[free, None, None])
        released.append(fit.sigmas[0])
        odds.append(np.mean(fit.effects[0][:4]) - np.mean(fit.effects[0][4:]))
    error = np.std(released) / np.sqrt(8)
    assert abs(np.mean(released) - SIGMAS[0]) < 4 * error + 0.02
    assert np.mean(kept) > 1.3 * SIGMAS[0]
    assert abs(np.mean(odds) - 2.5) < 4 * np.std(odds) / np.sqrt(8) + 0.05


def test_a_factor_without_spread_is_reported_as_zero_or_within_its_error():
    zero = 0
    for seed in range(10):
        y, m, X, factors, _ = plant(seed)
        idle = np.random.default_rng(1000 + seed).integers(0, 25, y.size)
        fit = fit_crossed(y, m, X, [*factors, idle])
        assert fit.converged, fit.message
        assert fit.sigmas[3] < 0.15
        if fit.zero[3]:
            zero += 1
            assert "no spread in factor 3" in fit.message
            assert np.all(np.abs(fit.effects[3]) < 1e-3)
    assert zero >= 2  # about half the time; fewer than 2 of 10 has chance 0.011


def test_likelihood_only_estimates_are_unshrunken():
    """Regressed on the truth, posterior modes have a slope below 1, the likelihood's own estimates have slope 1."""
    slopes, shrunken = [], []
    for seed in range(10):
        y, m, X, factors, effects = plant(seed, cells=800)
        fit = fit_crossed(y, m, X, factors)
        estimate, variance = fit.likelihood_only(1)
        truth = effects[1] - effects[1].mean()
        weight = 1 / variance
        slopes.append((weight * truth) @ estimate / ((weight * truth) @ truth))
        shrunken.append((weight * truth) @ fit.effects[1] / ((weight * truth) @ truth))
    assert abs(np.mean(slopes) - 1) < 4 * np.std(slopes) / np.sqrt(10)
    assert np.mean(shrunken) < 0.9
