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


def test_drift_is_told_from_a_step_or_left_open():
    """The wrong one is said in few of 100 series; the right one in most of those with many losses."""
    t = np.arange(28)
    shapes = {
        "drift": lambda: np.exp(0.08 * (t - 14)),
        "late drift": lambda: np.exp(0.15 * np.maximum(t - 14, 0)),
        "step": lambda: np.where(t < 14, 0.6, 2.5),
    }
    for name, shape in shapes.items():
        for level, most in ((10.0, 0.8), (1.0, 0.0)):
            drifts, steps = [], []
            for seed in range(100):
                change = single_change(np.random.default_rng(seed).poisson(level * shape()), np.ones(28), draws=19)
                drifts.append(change.better_as_drift)
                steps.append(change.better_as_step)
            right, wrong = (steps, drifts) if name == "step" else (drifts, steps)
            assert np.mean(wrong) <= 0.05, (name, level)
            assert np.mean(right) >= most, (name, level)


def test_the_begin_of_a_drift_is_among_those_named():
    inside = []
    for seed in range(100):
        y = np.random.default_rng(seed).poisson(4.0 * np.exp(0.15 * np.maximum(np.arange(28) - 14, 0)))
        inside.append(15 in single_change(y, np.ones(28), draws=19).begins)
    assert np.mean(inside) > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 100)
