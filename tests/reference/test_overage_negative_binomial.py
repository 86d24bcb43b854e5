"""Extra parts against tables of the negative binomial and beta-negative-binomial law.

The tabulated values were computed with two independent programs; here they are checked once more against scipy's nbinom
and betanbinom, which share no code with pipeline/estimators/predictive.py.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.predictive import (
    LoadLoss,
    beta_negative_binomial_cdf,
    beta_negative_binomial_extra,
    beta_negative_binomial_pmf,
    negative_binomial_extra,
    predictive_extra,
    predictive_pmf,
    quantile,
)


@pytest.mark.parametrize(
    ("k", "p", "level", "extra"),
    [
        (100, 0.99, 0.95, 3),
        (100, 0.99, 0.99, 4),
        (1000, 0.995, 0.99, 11),
        (5000, 0.998, 0.999, 21),
        (10000, 0.999, 0.995, 19),
    ],
)
def test_negative_binomial_table(k: int, p: float, level: float, extra: int) -> None:
    assert int(negative_binomial_extra(k, p, level)) == extra
    assert int(stats.nbinom.ppf(level, k, p)) == extra


@pytest.mark.parametrize(
    ("k", "a", "b", "extras"),
    [(100, 297, 3, (3, 5, 7)), (1000, 995.5, 5.5, (12, 15, 20)), (1000, 9950.5, 50.5, (9, 11, 14))],
)
def test_beta_negative_binomial_table(k: int, a: float, b: float, extras: tuple[int, ...]) -> None:
    found = beta_negative_binomial_extra(k, a, b, [0.95, 0.99, 0.999])
    assert tuple(found.tolist()) == extras


def test_negative_binomial_against_scipy_nbinom() -> None:
    rng = np.random.default_rng(5)
    k, p, level = rng.integers(1, 5000, 400), 1 - 10 ** rng.uniform(-4, -0.5, 400), rng.uniform(0.5, 0.9999, 400)
    np.testing.assert_array_equal(negative_binomial_extra(k, p, level), stats.nbinom.ppf(level, k, p).astype(int))


def test_pmf_against_scipy_betanbinom() -> None:
    """Where scipy's log-gammas still carry the digits: a up to 1e4."""
    rng = np.random.default_rng(6)
    for _ in range(60):
        k, a, b = int(rng.integers(1, 3000)), 10 ** rng.uniform(0, 4), 10 ** rng.uniform(-1, 2)
        mine = beta_negative_binomial_pmf(k, a, b, 200)
        theirs = stats.betanbinom.pmf(np.arange(200), k, a, b)
        np.testing.assert_allclose(mine, theirs, rtol=1e-7, atol=1e-300)


def test_large_parameters_become_the_negative_binomial() -> None:
    """A beta with a + b = 1e11 at a rate of 0.5 % is as good as a known rate: nbinom is then the reference."""
    for k in (100, 1000, 20000):
        a, b = 0.995e11, 0.005e11
        mine = beta_negative_binomial_pmf(k, a, b, 300)
        theirs = stats.nbinom.pmf(np.arange(300), k, 0.995)
        near = theirs > 1e-12
        np.testing.assert_allclose(mine[near], theirs[near], rtol=1e-5)
        for level in (0.5, 0.95, 0.999):
            assert int(beta_negative_binomial_extra(k, a, b, level)) == int(stats.nbinom.ppf(level, k, 0.995))


@pytest.mark.parametrize(
    ("k", "a", "b"), [(100, 1e7, 1e4), (5000, 9.98e6, 2e4), (3, 1e7, 1e7), (1, 0.7, 0.3), (50, 3, 0.2)]
)
def test_pmf_adds_up_to_one_with_the_right_mean(k: int, a: float, b: float) -> None:
    """Exact identities: the sum is 1 and the mean k b / (a - 1) where a > 1 (Johnson, Kemp and Kotz 2005)."""
    pmf = beta_negative_binomial_pmf(k, a, b, 4_000_000 if a < 10 else 20_000)
    if a > 2:
        assert pmf.sum() == pytest.approx(1, abs=1e-9)
        assert pmf @ np.arange(pmf.size) == pytest.approx(k * b / (a - 1), rel=1e-4 if a < 10 else 1e-8)
    else:
        # Heavy tail: what is missing falls as length^-a; the two lengths must agree with that power.
        short = 1 - pmf[:40_000].sum(), 1 - pmf.sum()
        assert short[0] / short[1] == pytest.approx(100**a, rel=0.01)


def test_first_probability_by_exact_product() -> None:
    """P(no loss) = (a / (a + b)) ((a + 1) / (a + b + 1)) ...: k factors, without log-gamma."""
    for k, a, b in ((1, 1e7, 1e7), (40, 1e7, 3.5), (200, 2.5, 0.5), (1000, 9.9e6, 1e4)):
        i = np.arange(k)
        exact = np.exp(np.log1p(-b / (a + b + i)).sum())
        assert beta_negative_binomial_pmf(k, a, b, 1)[0] == pytest.approx(exact, rel=1e-11)


def test_quantile_is_the_smallest_that_suffices() -> None:
    rng = np.random.default_rng(7)
    k, a, b = rng.integers(1, 20000, 300), 10 ** rng.uniform(1, 7, 300), 10 ** rng.uniform(-1, 4, 300)
    level = rng.uniform(0.5, 0.999, 300)
    b = np.minimum(b, a / 5)
    extra = beta_negative_binomial_extra(k, a, b, level)
    for n, good, bad, q, x in zip(k, a, b, level, extra, strict=True):
        assert beta_negative_binomial_cdf(n, good, bad, int(x)) >= q - 1e-11
        assert x == 0 or beta_negative_binomial_cdf(n, good, bad, int(x) - 1) < q + 1e-11


def test_far_quantiles_agree_with_the_near_way() -> None:
    """Lines whose first probability underflows are walked in logarithms; nbinom is the reference again."""
    mine = beta_negative_binomial_extra([100_000, 2_000_000], 0.97e11, 0.03e11, 0.95)
    np.testing.assert_array_equal(mine, stats.nbinom.ppf(0.95, [100_000, 2_000_000], 0.97).astype(int))


def test_load_losses_are_added_by_convolution() -> None:
    """Loads add up to Poisson; with running losses the sum is checked by direct double summation."""
    loads = LoadLoss("poisson", 6.0).pmf(2)
    np.testing.assert_allclose(loads, stats.poisson.pmf(np.arange(loads.size), 12), rtol=1e-12)
    pmf = predictive_pmf(500, 995.5, 5.5, loads)
    running = stats.betanbinom.pmf(np.arange(40), 500, 995.5, 5.5)
    for x in (0, 5, 17, 30):
        direct = sum(running[e] * stats.poisson.pmf(x - e, 12) for e in range(x + 1))
        assert pmf[x] == pytest.approx(direct, rel=1e-8)
    negative = LoadLoss("negative_binomial", 6.0, 2.0).pmf(3)
    assert negative @ np.arange(negative.size) == pytest.approx(18, rel=1e-8)
    assert negative @ (np.arange(negative.size) - 18.0) ** 2 == pytest.approx(3 * (6 + 36 / 2), rel=1e-6)
    mixed = LoadLoss("fixed", 3).pmf([0.5, 0.0, 0.5])
    np.testing.assert_allclose(mixed, [0.5, 0, 0, 0, 0, 0, 0.5])


def test_many_lines_at_once_equal_one_by_one() -> None:
    rng = np.random.default_rng(8)
    n, scatter = 120, 1.0 + 2.0 * rng.random()
    k, rate, size = rng.integers(1, 10000, n), 10 ** rng.uniform(-4, -1.5, n), 10 ** rng.uniform(1, 6, n)
    loads, level = rng.choice([0.0, 1.0, 6.0, 24.0], n), rng.choice([0.8, 0.95, 0.995], n)
    found = predictive_extra(k, (1 - rate) * size, rate * size, loads, level, scatter)
    for i in range(n):
        losses = LoadLoss.scattered(float(loads[i]), scatter).pmf(1)
        one = quantile(predictive_pmf(k[i], (1 - rate[i]) * size[i], rate[i] * size[i], losses), float(level[i]))
        assert found[i] == one


def test_uneven_loads_against_scipy_nbinom() -> None:
    """Loads that lose nothing else: the quantile is nbinom's; with running losses that of the direct double sum."""
    rng = np.random.default_rng(18)
    mean, level, scatter = rng.uniform(0.5, 60, 60), rng.uniform(0.5, 0.999, 60), 3.5
    found = predictive_extra(1, 1e11, 1e-3, mean, level, scatter)
    np.testing.assert_array_equal(found, stats.nbinom.ppf(level, mean / (scatter - 1), 1 / scatter).astype(int))
    for k, a, b, m, q in ((500, 995.5, 5.5, 6.0, 0.95), (3000, 299.0, 1.0, 24.0, 0.99), (40, 99.0, 1.0, 2.0, 0.8)):
        running = stats.betanbinom.pmf(np.arange(1500), k, a, b)
        loads = stats.nbinom.cdf(np.arange(1500), m / (scatter - 1), 1 / scatter)
        direct = [float(running[: x + 1] @ loads[x::-1]) for x in range(400)]
        assert int(predictive_extra(k, a, b, m, q, scatter)) == int(np.searchsorted(direct, q))


def test_ten_thousand_quantiles_in_well_below_a_second() -> None:
    rng = np.random.default_rng(9)
    k, rate, size = rng.integers(10, 20000, 10_000), rng.uniform(1e-4, 1e-2, 10_000), rng.uniform(100, 1e5, 10_000)
    start = time.process_time()
    beta_negative_binomial_extra(k, (1 - rate) * size, rate * size, 0.95)
    assert time.process_time() - start < 1.0


def test_impossible_arguments_are_named() -> None:
    for call in (
        lambda: negative_binomial_extra(10, 0.0, 0.95),
        lambda: negative_binomial_extra(10, 0.5, 1.0),
        lambda: beta_negative_binomial_extra(1.5, 1, 1, 0.9),
        lambda: beta_negative_binomial_extra(10, 0, 1, 0.9),
        lambda: predictive_extra(10, 1, 1, -1, 0.9),
        lambda: LoadLoss("fixed", 1.5),
        lambda: LoadLoss.scattered(6.0, 0.5),
        lambda: LoadLoss("poisson", 1).pmf([0.5, 0.4]),
    ):
        with pytest.raises(ValueError, match=r"must|expected|whole"):
            call()
