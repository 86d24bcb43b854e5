"""Spread between items beyond sampling error: Paule and Mandel 1982; the second program is statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.estimators.robust_spread import paule_mandel, robust_spread


@pytest.mark.parametrize("seed", range(10))
def test_statsmodels_agrees(seed):
    rng = np.random.default_rng(seed)
    errors = rng.uniform(0.1, 0.5, 30)
    estimates = rng.normal(0.3, 0.4, 30) + rng.normal(0, errors)
    # At its own tolerance: a finer one that rounding does not let it reach makes it answer 0.
    theirs = combine_effects(estimates, errors**2, method_re="iterated")
    found = paule_mandel(estimates, errors)
    assert found.spread**2 == pytest.approx(theirs.tau2, rel=1e-6, abs=1e-9)
    assert found.center == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert found.se_center == pytest.approx(theirs.sd_eff_w_re, rel=1e-6)


def test_robust_spread_agrees_on_clean_data_on_average():
    """Same target, so over many data sets without outliers the two must agree; compared within Monte Carlo error."""
    gaps = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        errors = rng.uniform(0.05, 0.3, 40)
        estimates = rng.normal(0.0, 0.4, 40) + rng.normal(0, errors)
        theirs = combine_effects(estimates, errors**2, method_re="iterated")
        gaps.append(robust_spread(estimates, errors).spread - np.sqrt(max(theirs.tau2, 0.0)))
    assert abs(np.mean(gaps)) < 3 * np.std(gaps) / np.sqrt(len(gaps)) + 0.005
    assert np.std(gaps) < 0.05
