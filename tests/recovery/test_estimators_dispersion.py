"""Planted bursts are found: dispersion over sparse cells, and the beta-binomial's rho."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.rates import rate
from pipeline.estimators.dispersion import beta_binomial_fit, of_runs, pearson_dispersion
from pipeline.settings import Statistics


def planted(rng: np.random.Generator, cells: int, m: int, mean: float, rho: float) -> np.ndarray:
    if rho == 0:
        return rng.binomial(m, mean, cells)
    size = (1 - rho) / rho
    return rng.binomial(m, rng.beta(mean * size, (1 - mean) * size, cells))


@pytest.mark.parametrize("expected", [0.1, 0.5, 5.0])
@pytest.mark.parametrize("phi", [1.0, 3.0])
def test_dispersion_of_sparse_cells(expected, phi):
    """1500 cells with the planted expectation each, the rate fitted from the same cells."""
    m = 400
    found = []
    for seed in range(80):
        y = planted(np.random.default_rng(seed), 1500, m, expected / m, (phi - 1) / (m - 1))
        found.append(pearson_dispersion(y, np.full(1500, m), np.full(1500, y.mean() / m)).phi)
    error = np.std(found) / np.sqrt(len(found))
    assert abs(np.mean(found) - phi) < 4 * error


def test_fletchers_correction_scatters_less_when_the_mean_is_given():
    """With expectations from elsewhere (peers), sparse cells make the plain X2 / df swing with the total."""
    plain, corrected = [], []
    for seed in range(300):
        y = planted(np.random.default_rng(seed), 300, 400, 0.2 / 400, 0.0)
        found = pearson_dispersion(y, np.full(300, 400), np.full(300, 0.2 / 400), parameters=0)
        plain.append(found.pearson)
        corrected.append(found.phi)
    assert np.std(corrected) < 0.8 * np.std(plain)
    assert abs(np.mean(corrected) - 1) < 4 * np.std(corrected) / np.sqrt(300) + 0.01


def test_beta_binomial_recovers_what_was_planted():
    """Mean of the pulls within Monte Carlo error, and standard errors of the right size."""
    mu, rho, pulls = 0.02, 0.03, []
    for seed in range(60):
        y = planted(np.random.default_rng(seed), 200, 150, mu, rho)
        fit = beta_binomial_fit(y, np.full(200, 150))
        assert fit.converged
        pulls.append([(fit.coefficients[0] - np.log(mu / (1 - mu))) / fit.se[0], (fit.rho - rho) / fit.se_rho])
    found = np.array(pulls)
    assert np.all(np.abs(found.mean(axis=0)) < 4 / np.sqrt(60) + 0.15)  # 0.15: known small-sample bias of order 1/n
    assert np.all(np.abs(found.std(axis=0) - 1) < 4 / np.sqrt(120))


def test_no_bursts_give_no_rho():
    ends = []
    for seed in range(60):
        fit = beta_binomial_fit(planted(np.random.default_rng(seed), 200, 150, 0.02, 0.0), np.full(200, 150))
        assert fit.rho < 0.01
        ends.append(fit.at_boundary)
    # at a true 0 the estimate is at the boundary about half the time (Self and Liang 1987), 4 errors are 0.26
    assert 0.24 < np.mean(ends) < 0.80


@pytest.mark.parametrize("length", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("phi", [1.0, 2.0])
def test_losses_in_runs_scatter_as_is_said(length, phi):
    """Intervals of a rate hold the planted one in 95 of 100 weeks."""
    rng = np.random.default_rng([int(length), int(phi)])
    runs, picks, weeks = 60.0, 20_000, 4000
    drawn = rng.poisson(runs, weeks) if phi == 1 else rng.negative_binomial(runs / (phi - 1), 1 / phi, weeks)
    losses = np.array([rng.geometric(1 / length, n).sum() for n in drawn])
    assert losses.var() / losses.mean() == pytest.approx(of_runs(phi, length), rel=0.08)
    found = [rate(int(x), picks, Statistics(), of_runs(phi, length)) for x in losses]
    held = np.mean([r.low <= runs * length / picks <= r.high for r in found])  # type: ignore[operator]
    assert 0.93 <= held <= 0.97
