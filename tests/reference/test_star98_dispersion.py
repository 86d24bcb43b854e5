"""School districts, binomial counts with strong extra variance: data `star98` and GLM of statsmodels."""

from __future__ import annotations

import pytest
import statsmodels.api as sm

from pipeline.estimators.dispersion import pearson_dispersion


def test_pearson_statistic_of_the_binomial_fit():
    data = sm.datasets.star98.load_pandas()
    counts = data.endog.to_numpy()
    X = sm.add_constant(data.exog.to_numpy())
    glm = sm.GLM(counts, X, family=sm.families.Binomial()).fit()
    found = pearson_dispersion(counts[:, 0], counts.sum(axis=1), glm.fittedvalues, parameters=X.shape[1])
    assert found.df == 282
    assert found.chi2 == pytest.approx(4051.921013, abs=1e-5)
    assert found.pearson == pytest.approx(14.368514, abs=1e-6)
    assert found.chi2 == pytest.approx(glm.pearson_chi2, rel=1e-10)
    # cells are full here, so the correction for sparse cells must hardly matter
    assert found.phi == pytest.approx(found.pearson, rel=0.01)
