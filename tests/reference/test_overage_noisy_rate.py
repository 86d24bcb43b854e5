"""The rate behind noisy counts against conjugate formulae and against scipy's adaptive quadrature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.estimators.noisy_rate import noisy_rate


def test_without_a_factor_it_is_the_gamma_posterior() -> None:
    """Gamma prior (a, a / m) and a Poisson count x in n picks: gamma (a + x, a / m + n), mean and variance exact."""
    rng = np.random.default_rng(41)
    a, m, n = 10 ** rng.uniform(-0.3, 1.5, 200), 10 ** rng.uniform(-4, -1, 200), 10 ** rng.uniform(0, 5, 200)
    x = rng.poisson(n * m)
    mean, doubt = noisy_rate(x / n, n, np.inf, a, m)
    np.testing.assert_allclose(mean, (a + x) / (a / m + n), rtol=5e-4)
    np.testing.assert_allclose(doubt, 1 / (a + x), rtol=5e-4)


def test_a_prior_that_says_next_to_nothing_is_still_the_gamma_posterior() -> None:
    """Shapes down to a millionth and no loss at all: around a mode it came out as anything, or nan."""
    rng = np.random.default_rng(42)
    a, m, n = 10 ** rng.uniform(-6, -1, 200), 10 ** rng.uniform(-4, -1, 200), 10 ** rng.uniform(3, 5, 200)
    mean, doubt = noisy_rate(0.0, n, np.inf, a, m)
    np.testing.assert_allclose(mean, a / (a / m + n), rtol=5e-4)
    np.testing.assert_allclose(doubt, 1 / a, rtol=5e-4)


@pytest.mark.parametrize(
    ("count", "losses", "shape", "prior_shape", "prior_mean"),
    [
        (3789.0, 0, 4.0, 1.6e-4, 0.07),
        (470.0, 3, 7.8e-4, 3.9e-4, 0.007),
        (6.0, 0, 4.0, 0.035, 1.3e-4),
        (14_000.0, 2, 2.6e-4, 1.3e-4, 2e-4),
        (17_000.0, 200, 0.02, 0.5, 0.01),
    ],
)
def test_where_next_to_nothing_is_known_a_fine_sum_says_the_same(
    count: float, losses: int, shape: float, prior_shape: float, prior_mean: float
) -> None:
    """By the rate itself, in steps of a ten thousandth of its logarithm, up to 1; below 1e-12 a power law is left."""
    u = np.arange(np.log(1e-12), 0.0, 1e-4)
    rate, rise = np.exp(u), prior_shape + losses
    log = rise * u - prior_shape * rate / prior_mean - (shape + losses) * np.log1p(count * rate / shape)
    density = np.exp(log - log.max()) * 1e-4
    below = np.exp(log[0] - log.max()) / rise
    total = density.sum() + below
    one, two = (float((density * rate**power).sum() / total) for power in (1, 2))
    mean, doubt = noisy_rate(losses / count, count, shape, prior_shape, prior_mean)
    assert float(mean) == pytest.approx(one, rel=1e-3)
    assert float(doubt) == pytest.approx(two / one**2 - 1, rel=2e-3)


def test_nothing_seen_is_the_prior() -> None:
    mean, doubt = noisy_rate(0.0, 0.0, 1.0, [1.0, 4.0, 50.0], [0.001, 0.01, 0.1])
    np.testing.assert_allclose(mean, [0.001, 0.01, 0.1], rtol=5e-4)
    np.testing.assert_allclose(doubt, [1.0, 0.25, 0.02], rtol=5e-4)


@pytest.mark.parametrize(
    ("seen", "count", "shape", "prior_shape", "prior_mean"),
    [
        (0.004, 500.0, 3.0, 1.5, 0.002),
        (0.0, 800.0, 2.0, 1.0, 0.003),
        (0.02, 20_000.0, 4.0, 2.0, 0.003),
        (0.0003, 1e6, 1.2, 6.0, 0.002),
        (0.05, 60.0, 0.5, 0.7, 0.01),
    ],
)
def test_with_a_factor_against_adaptive_quadrature(
    seen: float, count: float, shape: float, prior_shape: float, prior_mean: float
) -> None:
    """scipy's negative binomial and gamma laws, integrated by QUADPACK over the logarithm of the rate."""
    x = round(count * seen)

    def density(u: float, power: int) -> float:
        rate = np.exp(u)
        seen_so = stats.nbinom.pmf(x, shape, shape / (shape + count * rate))
        return float(rate**power * seen_so * stats.gamma.pdf(rate, prior_shape, scale=prior_mean / prior_shape) * rate)

    zero, one, two = (
        integrate.quad(density, np.log(1e-9), np.log(2.0), args=(p,), limit=400, epsabs=0, epsrel=1e-9)[0]
        for p in range(3)
    )
    mean, doubt = noisy_rate(x / count, count, shape, prior_shape, prior_mean)
    assert float(mean) == pytest.approx(one / zero, rel=5e-4)
    assert float(doubt) == pytest.approx(two * zero / one**2 - 1, rel=2e-3)


def test_high_rates_are_drawn_in_no_more_than_low_ones() -> None:
    """Rates drawn from the prior and seen through a factor: the means come out right, not a tenth too low."""
    rng = np.random.default_rng(43)
    size, shape, prior_shape, prior_mean = 40_000, 4.0, 2.0, 0.002
    true = rng.gamma(prior_shape, prior_mean / prior_shape, size)
    seen = rng.poisson(20_000 * true * rng.gamma(shape, 1 / shape, size)) / 20_000
    mean, doubt = noisy_rate(seen, 20_000, shape, prior_shape, prior_mean)
    error = float(true.std() / np.sqrt(size)) / prior_mean
    assert float(mean.mean()) / float(true.mean()) == pytest.approx(1, abs=4 * error)
    high = mean > np.quantile(mean, 0.9)
    assert float(mean[high].mean()) / float(true[high].mean()) == pytest.approx(1, abs=0.02)
    # The doubt is right as well: squared errors are as large as it says.
    assert float(np.mean((true - mean) ** 2)) == pytest.approx(float(np.mean(doubt * mean**2)), rel=0.06)


def test_impossible_arguments_are_named() -> None:
    for wrong in ((-0.1, 1, 1, 1, 0.1), (0.1, 1, 0, 1, 0.1), (0.1, 1, 1, 1, 0.0)):
        with pytest.raises(ValueError, match="0 or more"):
            noisy_rate(*wrong)
