"""Dispersion, charts, change points, shrinkage and spreads at their edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.estimators.beta_binomial import beta_binomial_fit
from pipeline.estimators.changepoint import single_change, single_change_normal
from pipeline.estimators.charts import (
    bernoulli_cusum,
    bernoulli_cusum_arl,
    bernoulli_step,
    laney_sigma_z,
    normal_cusum_arl,
    p_chart,
    tabular_cusum,
)
from pipeline.estimators.dispersion import pearson_dispersion
from pipeline.estimators.robust_spread import paule_mandel, robust_spread
from pipeline.estimators.shrinkage import beta_binomial_rates, james_stein

QUICK = settings(deadline=None, max_examples=60)


def test_dispersion_without_a_degree_of_freedom_is_nan_and_widens_nothing():
    found = pearson_dispersion([1], [10], [0.1])
    assert np.isnan(found.phi)
    assert found.at_least_one == 1.0


@pytest.mark.parametrize("losses", [[0] * 40, [20] * 40])
def test_dispersion_of_no_loss_at_all_is_nan_and_widens_nothing(losses: list[int]):
    rate = 0.001 if losses[0] == 0 else 0.999
    found = pearson_dispersion(losses, [20] * 40, [rate] * 40)
    assert np.isnan(found.phi)
    assert found.at_least_one == 1.0


def test_dispersion_leaves_out_cells_without_information():
    full = pearson_dispersion([2, 0, 5, 1], [20] * 4, [0.1] * 4)
    more = pearson_dispersion([2, 0, 5, 1, 0, 0], [20] * 4 + [0, 30], [0.1] * 5 + [0.0])
    assert more == full


def test_counts_more_even_than_chance_do_not_narrow():
    found = pearson_dispersion([2] * 30, [20] * 30, [0.1] * 30)
    assert found.phi == 0.0
    assert found.at_least_one == 1.0


def test_beta_binomial_leaves_out_empty_cells_and_reports_the_boundary():
    fit = beta_binomial_fit([5, 5, 5, 0], [50, 50, 50, 0])
    assert fit.at_boundary
    assert fit.mu == pytest.approx(0.1, abs=1e-6)
    assert np.isnan(fit.se_rho)
    assert "no bursts" in fit.message
    assert np.allclose(fit.variance_inflation([1, 100]), 1.0, atol=1e-4)
    with pytest.raises(ValueError, match="no cell"):
        beta_binomial_fit([0], [0])
    with pytest.raises(ValueError, match="shape"):
        beta_binomial_fit([1, 2], [5, 5], [[1.0]])


def test_beta_binomial_without_any_loss_is_not_called_converged():
    assert not beta_binomial_fit([0] * 20, [50] * 20).converged


def test_p_chart_without_attempts():
    chart = p_chart([0, 0], [0, 0])
    assert np.isnan(chart.center)
    assert not chart.out.any()
    part = p_chart([1, 0, 2], [100, 0, 100])
    assert np.isnan(part.low[1])
    assert not part.out[1]
    assert np.isnan(laney_sigma_z([0, 0], [10, 10]))
    assert np.isnan(laney_sigma_z([1], [10]))


@QUICK
@given(st.lists(st.integers(0, 1), max_size=200), st.integers(2, 30), st.integers(1, 60))
def test_bernoulli_cusum_against_a_plain_loop(outcomes, m, threshold):
    sums, first = bernoulli_cusum(outcomes, m, threshold)
    total, seen, signal = 0, [], None
    for place, outcome in enumerate(outcomes):
        total = max(0, total + (m - 1 if outcome else -1))
        seen.append(total)
        if total >= threshold and signal is None:
            signal = place
    assert sums.tolist() == seen
    assert first == signal


@pytest.mark.parametrize(
    "call",
    [
        lambda: bernoulli_cusum([0, 2], 5, 5),
        lambda: bernoulli_cusum([0, 1], 1, 5),
        lambda: bernoulli_cusum_arl(0.0, 5, 5),
        lambda: bernoulli_step(0.2, 0.1),
        lambda: normal_cusum_arl(0.0, 0.5, 0.0),
        lambda: james_stein([1.0, 2.0], 1.0),
        lambda: paule_mandel([1.0], [1.0]),
        lambda: robust_spread([1.0, 2.0], [1.0, 0.0]),
        lambda: robust_spread([1.0, np.nan], [1.0, 1.0]),
        lambda: single_change([1, 2], [1.0]),
        lambda: single_change([1, 2], [1.0, 0.0]),
        lambda: single_change_normal([1.0, np.inf, 2.0, 3.0]),
    ],
)
def test_what_cannot_be_is_refused(call):
    with pytest.raises(ValueError, match=r".+"):
        call()


def test_cusum_without_values_or_signal():
    assert tabular_cusum([], 0, 0.5, 4).first is None
    assert tabular_cusum([0.1, -0.1], 0, 0.5, 4).first is None


@QUICK
@given(st.lists(st.integers(0, 40), min_size=4, max_size=30), st.floats(1, 5), st.integers(0, 5))
def test_change_is_the_best_place_by_brute_force_and_the_seed_fixes_p(losses, phi, seed):
    expected = np.linspace(1, 3, len(losses))
    found = single_change(losses, expected, phi, draws=49, seed=seed)
    if sum(losses) <= phi:
        assert found.at is None
        assert np.isnan(found.p)
        return
    y = np.array(losses, dtype=float)

    def poisson(y, e):  # log-likelihood at its own best common ratio, up to constants
        return y.sum() * np.log(y.sum() / e.sum()) if y.sum() else 0.0

    gains = [
        2 / phi * (poisson(y[:t], expected[:t]) + poisson(y[t:], expected[t:]) - poisson(y, expected))
        for t in range(1, len(y))
    ]
    assert found.statistic == pytest.approx(max(gains), abs=1e-8)
    assert gains[found.at - 1] == pytest.approx(max(gains), abs=1e-8)
    assert found.at in found.places
    assert 0 < found.p <= 1
    assert single_change(losses, expected, phi, draws=49, seed=seed) == found
    assert found.low <= found.effect <= found.high


def test_change_where_all_losses_lie_on_one_side():
    found = single_change([0, 0, 0, 0, 8, 9, 7], [2.0] * 7)
    assert found.at == 4
    assert found.effect == np.inf
    assert found.low > 1
    assert found.high == np.inf


def test_a_fall_after_the_step_up_is_not_taken_for_a_slow_rise():
    peak = [10] * 12 + [80, 70, 60, 50, 45, 38, 33, 28, 24, 20, 17, 14, 12, 10, 9, 8]
    up = single_change(peak, [10.0] * 28, draws=49)
    assert up.effect > 1.0
    assert up.rise >= 1.0, "the fall from 80 to 8 fits better than any rise, and explains no step up"


def test_periods_without_work_are_no_place_for_a_change():
    found = single_change([3, 2, 0, 0, 12, 11], [3.0, 3.0, 0.0, 0.0, 3.0, 3.0])
    assert found.at == 4
    assert set(found.places) <= {1, 4, 5}


def test_normal_change_needs_something_that_varies():
    assert single_change_normal([1.0, 1.0, 1.0, 1.0, 1.0]).at is None
    assert single_change_normal([1.0, 2.0]).at is None


@QUICK
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(30, 300)), min_size=3, max_size=20))
@example([(0, 147), (0, 30), (0, 30)])  # no loss at all: the likelihood is flat
def test_pooled_rates_lie_between_own_rate_and_common_mean(counts):
    x, n = np.array(counts).T
    pooled = beta_binomial_rates(x, n)
    mean, own = pooled.fit.mu, x / n
    assert np.all(pooled.rate >= np.minimum(own, mean) - 1e-9)
    assert np.all(pooled.rate <= np.maximum(own, mean) + 1e-9)
    assert np.all((pooled.low <= pooled.high) & (pooled.low >= 0) & (pooled.high <= 1))


@pytest.mark.parametrize(("odds", "told"), [(19, (False, False)), (21, (False, True)), (1 / 21, (True, False))])
def test_a_step_and_a_drift_are_told_at_odds_of_twenty(odds: float, told: tuple[bool, bool]):
    found = replace(single_change([1, 2, 1, 9, 8, 9], [2.0] * 6), gradual=float(np.log(odds)))
    assert (found.better_as_step, found.better_as_drift) == told


def test_pooled_intervals_are_quantiles_of_the_posterior():
    x, n = np.array([0, 3, 1, 9, 2, 0, 5, 1]), np.array([20, 20, 30, 20, 40, 20, 20, 10])
    pooled = beta_binomial_rates(x, n, 0.9)
    posterior = stats.beta(pooled.a + x, pooled.b + n - x)
    np.testing.assert_allclose(pooled.rate, posterior.mean())
    np.testing.assert_allclose([pooled.low, pooled.high], posterior.ppf([[0.05], [0.95]]))


def test_equal_estimates_are_put_on_their_mean():
    assert james_stein([0.2] * 5, 0.01).factor == 0.0
    noisy = james_stein([0.1, 0.2, 0.3, 0.2], 1.0)
    assert noisy.factor == 0.0
    assert np.allclose(noisy.values, 0.2)


@QUICK
@given(
    st.lists(st.tuples(st.floats(-3, 3), st.floats(0.05, 1)), min_size=5, max_size=30),
    st.floats(-5, 5),
    st.floats(0.1, 10),
)
def test_spread_moves_with_unit_and_origin(items, shift, scale):
    x, s = np.array(items).T
    found, moved = robust_spread(x, s), robust_spread(scale * x + shift, scale * s)
    assert found.spread >= 0
    assert moved.spread == pytest.approx(scale * found.spread, rel=1e-3, abs=1e-4 * scale)
    assert moved.center == pytest.approx(scale * found.center + shift, rel=1e-3, abs=1e-3 * scale)


def test_identical_items_have_no_spread():
    found = robust_spread([0.5] * 8, [0.1] * 8)
    assert found.spread == 0.0
    assert found.center == pytest.approx(0.5)
    assert np.isnan(found.se_spread)


def test_two_items_are_not_called_outliers_of_each_other():
    found = robust_spread([0.0, 3.0], [0.1, 0.1])
    assert found.weight.tolist() == [1.0, 1.0]


@pytest.mark.parametrize("count", [0, 1])
def test_a_series_without_two_periods_has_no_step(count: int) -> None:
    found = single_change([5.0] * count, [1.0] * count)
    assert found.at is None
    assert found.places == ()
