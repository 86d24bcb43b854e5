"""A planted step is dated, covered by its set of dates, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.changepoint import single_change


def series(rng: np.random.Generator, periods: int, mean: float, phi: float, at: int | None, ratio: float):
    expected = mean * rng.uniform(0.3, 1.7, periods)
    rate = expected * np.where((at is not None) & (np.arange(periods) >= (at or 0)), ratio, 1.0)
    if phi > 1:  # negative binomial with variance phi times the mean
        return rng.negative_binomial(rate / (phi - 1), 1 / phi), expected
    return rng.poisson(rate), expected


@pytest.mark.parametrize("phi", [1.0, 3.0])
def test_null_weeks_raise_few_alarms(phi):
    p = []
    for seed in range(250):
        y, e = series(np.random.default_rng(seed), 28, 6.0, phi, None, 1.0)
        p.append(single_change(y, e, phi, draws=199, seed=seed).p)
    error = np.sqrt(0.05 * 0.95 / 250)
    assert np.mean(np.array(p) <= 0.05) < 0.05 + 4 * error
    assert abs(np.mean(np.array(p) <= 0.5) - 0.5) < 4 * np.sqrt(0.25 / 250) + 0.05


@pytest.mark.parametrize(("phi", "ratio"), [(1.0, 2.0), (1.0, 4.0), (3.0, 3.0)])
def test_set_of_dates_covers(phi, ratio):
    covered, widths, found = [], [], []
    for seed in range(250):
        y, e = series(np.random.default_rng(seed), 28, 6.0, phi, 17, ratio)
        change = single_change(y, e, phi, draws=99, seed=seed)
        covered.append(17 in change.places)
        widths.append(len(change.places))
        found.append(change.p <= 0.05)
    assert np.mean(covered) > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 250)
    assert np.mean(found) > 0.9
    assert np.mean(widths) < 14


def test_drift_is_told_from_a_step():
    drifts, steps = [], []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        t = np.arange(28)
        drifting = rng.poisson(10 * np.exp(0.08 * (t - 14)))
        stepping = rng.poisson(np.where(t < 14, 6.0, 20.0))
        drifts.append(single_change(drifting, np.ones(28), draws=19).better_as_drift)
        steps.append(single_change(stepping, np.ones(28), draws=19).better_as_drift)
    assert np.mean(drifts) > 0.8
    assert np.mean(steps) < 0.1
