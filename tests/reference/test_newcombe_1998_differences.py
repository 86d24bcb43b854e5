"""Difference of two proportions, method 10: Newcombe 1998, Stat Med 17:873, table II.

The last row (10/10 - 0/20) is quoted from memory. statsmodels is the independent program; only its method "newcomb"
is used, since "score" of version 0.15.0 gives wrong limits.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from pipeline.estimators.intervals import newcombe_difference

TABLE_II = [
    (56, 70, 48, 80, 0.052431, 0.333873),
    (9, 10, 3, 10, 0.170523, 0.809018),
    (6, 7, 2, 7, 0.058228, 0.806250),
    (5, 56, 0, 29, -0.038137, 0.192560),
    (0, 10, 0, 20, -0.161125, 0.277533),
    (10, 10, 0, 20, 0.679086, 1.0),
]


@pytest.mark.parametrize(("x1", "n1", "x2", "n2", "low", "high"), TABLE_II)
def test_table_ii(x1, n1, x2, n2, low, high):
    assert np.allclose(newcombe_difference(x1, n1, x2, n2), (low, high), rtol=0, atol=5.1e-7)


def test_statsmodels_agrees():
    rng = np.random.default_rng(1)
    for _ in range(100):
        n1, n2 = rng.integers(5, 50_000, 2)
        x1, x2 = rng.binomial(n1, rng.uniform(0.001, 0.3)), rng.binomial(n2, rng.uniform(0.001, 0.3))
        theirs = confint_proportions_2indep(x1, n1, x2, n2, method="newcomb", compare="diff")
        assert np.allclose(newcombe_difference(x1, n1, x2, n2), theirs, rtol=1e-8, atol=1e-12)
