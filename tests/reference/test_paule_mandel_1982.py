"""Spread between items beyond sampling error: Paule and Mandel 1982; the second program is statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import WLS
from statsmodels.stats.meta_analysis import combine_effects

from pipeline.estimators.robust_spread import paule_mandel, robust_spread
from pipeline.estimators.uneven_means import fit_means


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


@pytest.mark.parametrize("seed", range(5))
def test_a_common_mean_agrees_with_statsmodels(seed):
    rng = np.random.default_rng(seed)
    variances = rng.uniform(0.01, 0.25, 30)
    estimates = rng.normal(0.3, 0.4, 30) + rng.normal(0, np.sqrt(variances))
    theirs = combine_effects(estimates, variances, method_re="iterated")
    found = fit_means(np.ones((30, 1)), estimates, variances)
    assert found is not None
    assert found.spread**2 == pytest.approx(theirs.tau2, rel=1e-6)
    assert found.coefficients[0] == pytest.approx(theirs.mean_effect_re, rel=1e-6)
    assert found.covariance[0, 0] == pytest.approx(theirs.var_hksj_re, rel=1e-6)


@pytest.mark.parametrize(("seed", "between"), [(0, 0.4), (1, 0.4), (2, 0.0), (3, 0.0)])
def test_a_line_agrees_with_weighted_least_squares_of_statsmodels(seed, between):
    rng = np.random.default_rng(seed)
    variances = np.exp(rng.normal(-4, 2, 24))
    design = np.column_stack([np.ones(24), np.arange(24.0)])
    means = 0.2 + 0.05 * design[:, 1] + rng.normal(0, np.sqrt(between**2 + variances))
    found = fit_means(design, means, variances)
    assert found is not None
    weights = 1.0 / (found.spread**2 + variances)
    theirs = WLS(means, design, weights=weights).fit()
    assert found.coefficients == pytest.approx(theirs.params, rel=1e-6)
    assert found.covariance == pytest.approx(theirs.cov_params(), rel=1e-6)
    squares = float(weights @ theirs.resid**2)
    assert squares == pytest.approx(22.0, rel=1e-6) if found.spread > 0 else squares <= 22.0


def test_a_design_without_full_rank_or_means_to_spare_gives_nothing():
    assert fit_means(np.ones((5, 2)), np.arange(5.0), np.ones(5)) is None
    assert fit_means(np.eye(3), np.arange(3.0), np.ones(3)) is None
    with pytest.raises(ValueError, match="negative"):
        fit_means(np.ones((3, 1)), np.arange(3.0), [-1.0, 1.0, 1.0])
