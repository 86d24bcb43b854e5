"""The p-value of a count: against scipy's distributions, quadrature, simulation and known moments."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from pipeline.estimators.tail import excess_tail

COUNTS = np.array([0, 1, 2, 5, 10, 30, 100, 400])
MEANS = np.array([0.01, 0.5, 3.0, 20.0, 150.0])


def test_without_spread_it_is_poisson() -> None:
    """scipy.stats.poisson."""
    x, mean = COUNTS[:, None], MEANS[None, :]
    expected = np.maximum(stats.poisson.sf(x - 1, mean), np.finfo(float).tiny)
    np.testing.assert_allclose(excess_tail(x, mean, 0.0), expected, rtol=1e-9)


@pytest.mark.parametrize("dispersion", [1.001, 1.5, 4.0, 20.0])
def test_with_bursts_it_is_negative_binomial(dispersion: float) -> None:
    """scipy.stats.nbinom with n = mean / (phi - 1) and p = 1 / phi, which has variance phi * mean."""
    x, mean = COUNTS[:, None], MEANS[None, :]
    reference = stats.nbinom(mean / (dispersion - 1), 1 / dispersion)
    np.testing.assert_allclose(reference.var(), dispersion * reference.mean())
    expected = np.maximum(reference.sf(x - 1), np.finfo(float).tiny)
    np.testing.assert_allclose(excess_tail(x, mean, 0.0, dispersion), expected, rtol=1e-7)


@pytest.mark.parametrize(
    ("losses", "expected", "spread", "dispersion"),
    [(8, 3.0, 0.3, 1.0), (12, 10.0, 0.2, 2.0), (60, 20.0, 0.35, 1.0), (3, 0.2, 0.8, 1.4), (500, 200.0, 0.2, 3.0)],
)
def test_the_mixture_against_adaptive_quadrature(
    losses: int, expected: float, spread: float, dispersion: float
) -> None:
    """scipy.integrate.quad over the normal log rate ratio, scipy's tails inside."""

    def integrand(z: float) -> float:
        mean = expected * np.exp(spread * z)
        if dispersion == 1.0:
            return float(stats.poisson.sf(losses - 1, mean) * stats.norm.pdf(z))
        return float(stats.nbinom.sf(losses - 1, mean / (dispersion - 1), 1 / dispersion) * stats.norm.pdf(z))

    pieces = [integrate.quad(integrand, a, a + 2, epsabs=0, epsrel=1e-9)[0] for a in range(-10, 10, 2)]
    assert float(excess_tail(losses, expected, spread, dispersion)) == pytest.approx(sum(pieces), rel=1e-6)


@pytest.mark.parametrize(
    ("losses", "expected", "spread", "dispersion"), [(8, 5.0, 0.3, 1.0), (30, 15.0, 0.35, 2.0), (2, 0.3, 0.5, 1.5)]
)
def test_the_mixture_against_simulation(losses: int, expected: float, spread: float, dispersion: float) -> None:
    rng = np.random.default_rng(11)
    mean = expected * np.exp(rng.normal(0, spread, 400_000))
    if dispersion > 1.0:
        mean = rng.gamma(mean / (dispersion - 1), dispersion - 1)
    share = float(np.mean(rng.poisson(mean) >= losses))
    p = float(excess_tail(losses, expected, spread, dispersion))
    assert abs(share - p) < 4 * np.sqrt(p * (1 - p) / mean.size)


@pytest.mark.parametrize(("expected", "spread"), [(2.0, 0.35), (10.0, 0.2), (5.0, 0.6)])
def test_moments_of_the_poisson_lognormal(expected: float, spread: float) -> None:
    """Aitchison and Ho 1989 (from memory): mean m = mu exp(s^2/2), variance m + m^2 (exp(s^2) - 1)."""
    x = np.arange(1, 3000)
    tail = excess_tail(x, expected, spread)
    mean = expected * np.exp(spread**2 / 2)
    first, second = float(tail.sum()), float(((2 * x - 1) * tail).sum())
    assert first == pytest.approx(mean, rel=1e-8)
    assert second - first**2 == pytest.approx(mean + mean**2 * np.expm1(spread**2), rel=1e-6)


@settings(deadline=None)
@given(
    losses=st.integers(0, 300),
    expected=st.floats(0, 300),
    spread=st.floats(0, 3),
    dispersion=st.floats(1, 30),
)
def test_more_losses_never_look_healthier(losses: int, expected: float, spread: float, dispersion: float) -> None:
    p, more = excess_tail([losses, losses + 1], expected, spread, dispersion)
    assert 0 < more <= p <= 1
    assert p > 1 - 1e-9 or losses > 0


@settings(deadline=None)
@given(expected=st.floats(0.5, 100), spread=st.floats(0, 1), dispersion=st.floats(1, 5), more=st.floats(0, 1))
def test_less_certainty_never_makes_a_clear_excess_clearer(
    expected: float, spread: float, dispersion: float, more: float
) -> None:
    """A clear excess: three times what is expected, and ten on top."""
    losses = int(3 * expected + 10)
    p = float(excess_tail(losses, expected, spread, dispersion))
    slack = 1 + 1e-7
    assert float(excess_tail(losses, expected, spread + more, dispersion)) * slack >= p
    assert float(excess_tail(losses, expected, spread, dispersion + more)) * slack >= p


def test_limits() -> None:
    assert float(excess_tail(0, 5.0, 0.3, 2.0)) == 1.0
    assert float(excess_tail(1, 0.0, 0.3)) < 1e-6  # nothing was expected, something came
    assert 0 < float(excess_tail(100_000, 1.0, 0.0)) < 1e-300  # never 0: logarithms must stay finite
    # Dispersion just above 1 and spread just above 0 lead to the plain Poisson.
    plain = float(stats.poisson.sf(11, 6.0))
    assert float(excess_tail(12, 6.0, 1e-6, 1 + 1e-6)) == pytest.approx(plain, rel=1e-4)
    # An item with unbounded spread says nothing either way.
    assert float(excess_tail(5, 5.0, 50.0)) == pytest.approx(0.5, abs=0.02)


def test_shapes_broadcast() -> None:
    assert excess_tail(np.ones((3, 1)), np.ones(4), 0.2, 1.5).shape == (3, 4)
    assert excess_tail([], [], []).shape == (0,)
    mixed = excess_tail(5, 2.0, 0.0, np.array([1.0, 2.0]))
    np.testing.assert_allclose(mixed, [stats.poisson.sf(4, 2.0), stats.nbinom.sf(4, 2.0, 0.5)], rtol=1e-9)


@pytest.mark.parametrize("wrong", [(-1, 1.0, 0.1, 1.0), (1, -1.0, 0.1, 1.0), (1, 1.0, -0.1, 1.0), (1, 1.0, 0.1, 0.9)])
def test_impossible_arguments_are_refused(wrong: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="losses, expected and spread"):
        excess_tail(*wrong)
