"""The healthy spread is found although one item in ten is bad."""

from __future__ import annotations

import numpy as np

from pipeline.estimators.robust_spread import paule_mandel, robust_spread


def spreads(share: float, seeds: range, n: int = 60, spread: float = 0.3):
    robust, plain = [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        errors = rng.uniform(0.1, 0.4, n)
        x = rng.normal(0, spread, n) + rng.normal(0, errors)
        bad = round(share * n)
        x[:bad] += rng.uniform(2.0, 4.0, bad)
        found = robust_spread(x, errors)
        assert found.converged
        robust.append(found.spread)
        plain.append(paule_mandel(x, errors).spread)
    return np.array(robust), np.array(plain)


def test_clean_data():
    """No bias beyond what Paule and Mandel's own estimator has, and nearly its precision."""
    robust, plain = spreads(0.0, range(300))
    assert abs(np.mean(robust - plain)) < 4 * np.std(robust - plain) / np.sqrt(300)
    assert np.std(robust) < 1.25 * np.std(plain)


def test_one_in_ten_bad():
    robust, plain = spreads(0.1, range(300))
    assert abs(np.mean(robust) - 0.3) < 4 * np.std(robust) / np.sqrt(300) + 0.02
    assert np.mean(plain) > 0.8


def test_centre_is_that_of_the_healthy():
    centers = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        errors = rng.uniform(0.1, 0.3, 50)
        x = rng.normal(1.0, 0.3, 50) + rng.normal(0, errors)
        x[:5] += 3.0
        centers.append(robust_spread(x, errors).center)
    assert abs(np.mean(centers) - 1.0) < 4 * np.std(centers) / np.sqrt(200) + 0.01
