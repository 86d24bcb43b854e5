"""Do the intervals cover as often as they say? Exactly by summation for single picks, by simulation for bursts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.intervals import interval, newcombe_difference, wilson


def exact_coverage(method: str, n: int, rate: float, confidence: float = 0.95) -> float:
    x = np.arange(n + 1)
    low, high = interval(x, n, method=method, confidence=confidence)
    return float(stats.binom.pmf(x, n, rate)[(low <= rate) & (rate <= high)].sum())


@pytest.mark.parametrize("n", [50, 400, 3000])
def test_clopper_pearson_never_covers_less_than_it_says(n):
    rates = np.geomspace(1e-4, 0.5, 60)
    assert min(exact_coverage("clopper-pearson", n, r) for r in rates) >= 0.95 - 1e-12


@pytest.mark.parametrize("method", ["wilson", "jeffreys"])
def test_average_coverage_is_close_to_the_level(method):
    """Over rates that give 2 to 100 expected losses the mean coverage is within half a point, the least above 0.90."""
    covers = [exact_coverage(method, 2000, r) for r in np.geomspace(2 / 2000, 100 / 2000, 80)]
    assert np.mean(covers) == pytest.approx(0.95, abs=0.006)
    assert min(covers) > 0.90


def test_bursts_are_covered_with_the_dispersion_and_not_without():
    """Losses in pairs to tens: cells beta-binomial, item totals over 40 cells; phi = 1 + (m - 1) rho is known here."""
    rng = np.random.default_rng(7)
    items, cells, m, mean, rho = 4000, 40, 300, 0.01, 0.01
    size = (1 - rho) / rho
    x = rng.binomial(m, rng.beta(mean * size, (1 - mean) * size, (items, cells))).sum(axis=1)
    phi = 1 + (m - 1) * rho
    error = np.sqrt(0.95 * 0.05 / items)
    low, high = wilson(x, m * cells, 0.95, phi)
    covered = np.mean((low <= mean) & (mean <= high))
    assert covered > 0.95 - 4 * error - 0.01  # 1 point for the skewness of few bursts
    assert covered < 0.975
    low, high = wilson(x, m * cells)
    assert np.mean((low <= mean) & (mean <= high)) < 0.80


def test_newcombe_difference_covers():
    rng = np.random.default_rng(8)
    draws = 20_000
    x1, x2 = rng.binomial(2000, 0.004, draws), rng.binomial(700, 0.012, draws)
    low, high = newcombe_difference(x1, 2000, x2, 700)
    covered = np.mean((low <= -0.008) & (high >= -0.008))
    assert abs(covered - 0.95) < 4 * np.sqrt(0.95 * 0.05 / draws) + 0.01
