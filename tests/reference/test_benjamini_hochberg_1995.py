"""The fifteen p-values of Benjamini and Hochberg 1995, J R Stat Soc B 57:289; scipy is the second program."""

from __future__ import annotations

import numpy as np
from scipy.stats import false_discovery_control

from pipeline.estimators.multiplicity import benjamini_hochberg

P = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0,
]
ADJUSTED = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765, 0.486, 0.581182, 0.714875, 0.753231,
    0.813214, 1.0,
]  # fmt: skip


def test_the_paper_rejects_four_where_bonferroni_rejects_three():
    adjusted = benjamini_hochberg(P)
    assert np.allclose(adjusted, ADJUSTED, rtol=0, atol=5.1e-7)
    assert int(np.sum(adjusted <= 0.05)) == 4
    assert int(np.sum(np.array(P) * len(P) <= 0.05)) == 3


def test_scipy_agrees_in_any_order():
    rng = np.random.default_rng(0)
    p = rng.random(500) ** 3
    p[:50] = p[50:100]  # ties
    assert np.allclose(benjamini_hochberg(p), false_discovery_control(p), rtol=1e-12)
