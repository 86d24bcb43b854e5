"""Bernoulli CUSUM in whole numbers, signal at >= H: Reynolds and Stoumbos 1999, J Quality Technology 31:87.

Average run lengths for chosen designs, computed by two programs (Markov chain and recursion).
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.charts import bernoulli_cusum, bernoulli_cusum_arl, bernoulli_step, bernoulli_threshold

DESIGNS = [
    (0.01, 57, 100, 673.132957),
    (0.025, 57, 100, 137.872052),
    (0.001, 700, 1500, 9469.11725),
    (0.002, 700, 1500, 2373.35368),
]


@pytest.mark.parametrize(("rate", "m", "threshold", "run"), DESIGNS)
def test_average_run_length(rate, m, threshold, run):
    assert bernoulli_cusum_arl(rate, m, threshold) == pytest.approx(run, rel=1e-8)


def test_simulated_charts_signal_when_the_chain_says():
    rng = np.random.default_rng(3)
    runs = []
    for _ in range(1500):
        _, first = bernoulli_cusum(rng.random(4000) < 0.025, 57, 100)
        assert first is not None
        runs.append(first + 1)
    assert abs(np.mean(runs) - 137.872052) < 4 * np.std(runs) / np.sqrt(len(runs))


def test_at_or_above_is_not_above():
    """Signal at >= H against > H is one step in the threshold, and several times the run length at H = m - 1."""
    at = bernoulli_cusum_arl(0.001, 700, 699)
    above = bernoulli_cusum_arl(0.001, 700, 700)
    assert at == pytest.approx(1000.0)  # one loss is enough: geometric
    assert above > 2 * at


def test_threshold_is_the_smallest_that_keeps_the_budget():
    threshold = bernoulli_threshold(0.01, 57, 600)
    assert bernoulli_cusum_arl(0.01, 57, threshold) >= 600 > bernoulli_cusum_arl(0.01, 57, threshold - 1)


def test_step_is_the_likelihood_ratio():
    """Wald: a loss weighs log(p1/p0), a good pick log((1-p1)/(1-p0)); m - 1 good picks outweigh one loss."""
    healthy, bad = 0.001, 0.002
    m = bernoulli_step(healthy, bad)
    loss, good = np.log(bad / healthy), np.log((1 - bad) / (1 - healthy))
    assert (m - 1.5) < loss / -good < (m + 0.5)
