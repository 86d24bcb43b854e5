"""Newsvendor quantities against the package stockpyl (Snyder) and its documented example figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.newsvendor import cheapest_quantity, critical_ratio, expected_cost, optimal_quantity


def test_normal_demand_of_the_textbook() -> None:
    """Holding 0.18, shortage 0.70, demand normal 50, 8: 56.603956, cost 1.997605 (stockpyl, newsvendor_normal)."""
    ratio = float(critical_ratio(0.70, 0.18))
    assert stats.norm.ppf(ratio, 50, 8) == pytest.approx(56.603956, abs=1e-6)
    # The demand in steps of 1/500 piece, so that the discrete optimum comes close to the continuous one.
    step = 500
    edges = (np.arange(100 * step + 1) - 0.5) / step
    pmf = np.diff(stats.norm.cdf(np.append(edges, edges[-1] + 1 / step), 50, 8))
    best = optimal_quantity(pmf / pmf.sum(), 0.70, 0.18)
    assert best.quantity / step == pytest.approx(56.603956, abs=1.0 / step)
    assert best.cost / step == pytest.approx(1.997605, abs=1e-5)


def test_poisson_demand() -> None:
    """Mean 20, surplus 1, shortage 4: 24 at a cost of 6.438004 (stockpyl's newsvendor_poisson)."""
    pmf = stats.poisson.pmf(np.arange(120), 20)
    best = optimal_quantity(pmf, 4, 1)
    assert best.quantity == 24
    assert best.cost == pytest.approx(6.438004, abs=1e-6)


def test_against_stockpyl_and_exhaustive_search() -> None:
    newsvendor = pytest.importorskip("stockpyl.newsvendor")
    rng = np.random.default_rng(11)
    for _ in range(40):
        mean, shortage, surplus = rng.uniform(0.5, 60), rng.uniform(0.1, 20), rng.uniform(0.1, 5)
        pmf = stats.poisson.pmf(np.arange(300), mean)
        best = optimal_quantity(pmf, shortage, surplus)
        quantity, cost = newsvendor.newsvendor_poisson(surplus, shortage, mean)
        assert best.quantity == quantity
        assert best.cost == pytest.approx(cost, rel=1e-6)
        assert best.cost <= min(expected_cost(pmf, q, shortage, surplus).cost for q in range(150)) + 1e-12


def test_cost_of_a_stop_by_direct_summation() -> None:
    """A stop costs once, each piece on top: every quantity summed up piece by piece; without a stop, stockpyl's."""
    newsvendor = pytest.importorskip("stockpyl.newsvendor")
    rng = np.random.default_rng(12)
    for _ in range(30):
        mean, stop, piece, surplus = rng.uniform(0.5, 30), rng.uniform(0, 200), rng.uniform(0.1, 5), rng.uniform(0.1, 9)
        pmf = stats.poisson.pmf(np.arange(200), mean)
        best = cheapest_quantity(pmf, stop, piece, surplus)
        costs = [
            sum(p * (surplus * (q - d) if d <= q else stop + piece * (d - q)) for d, p in enumerate(pmf))
            for q in range(90)
        ]
        assert best.cost == pytest.approx(min(costs), rel=1e-9)
        assert best.quantity == int(np.argmin(costs))
        plain = cheapest_quantity(pmf, 0.0, piece, surplus)
        assert plain.quantity == newsvendor.newsvendor_poisson(surplus, piece, mean)[0]


def test_impossible_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        cheapest_quantity([1.0], -1, 0, 0)
    with pytest.raises(ValueError, match="more than 0"):
        critical_ratio(0, 1)
    with pytest.raises(ValueError, match="more than 0"):
        critical_ratio([2, 0], 1)
    with pytest.raises(ValueError, match="not less than 0"):
        critical_ratio(2, [0, -1])
    with pytest.raises(ValueError, match="add up to 1"):
        optimal_quantity([0.5, 0.4], 1, 1)
    with pytest.raises(ValueError, match="0 or more"):
        expected_cost([1.0], -1, 1, 1)
