"""Picks needed to tell two rates apart, against statsmodels and by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import samplesize_proportions_2indep_onetail

from pipeline.estimators.sample_size import picks_to_tell_apart

PAIRS = [(0.65, 0.5), (0.02, 0.005), (0.004, 0.001), (0.3, 0.1)]


@pytest.mark.parametrize(("rate", "other"), PAIRS)
@pytest.mark.parametrize("power", [0.8, 0.9, 0.95])
def test_same_as_statsmodels(rate: float, other: float, power: float) -> None:
    """statsmodels 0.15, samplesize_proportions_2indep_onetail, two-sided at 5 %."""
    expected = samplesize_proportions_2indep_onetail(rate - other, other, power, ratio=1, alpha=0.05)
    assert picks_to_tell_apart(rate, other, power=power) == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize(("rate", "other"), [(0.65, 0.5), (0.04, 0.02)])
def test_the_difference_shows_as_often_as_promised(rate: float, other: float) -> None:
    """Planted truth: pooled two-sample test on 100 000 simulated pairs; three Monte Carlo errors are 0.3 %."""
    n = picks_to_tell_apart(rate, other, power=0.9)
    rng = np.random.default_rng(5)
    one, two = rng.binomial(n, rate, 100_000) / n, rng.binomial(n, other, 100_000) / n
    pooled = (one + two) / 2
    z = (one - two) / np.sqrt(2 * pooled * (1 - pooled) / n)
    assert 0.897 < np.mean(z > stats.norm.ppf(0.975)) < 0.915


def test_bursts_need_more() -> None:
    assert picks_to_tell_apart(0.02, 0.005, dispersion=3.0) == pytest.approx(
        3 * picks_to_tell_apart(0.02, 0.005), abs=3
    )


@pytest.mark.parametrize(("rate", "other"), [(0.1, 0.1), (0.0, 0.1), (0.1, 1.0), (float("nan"), 0.1)])
def test_rates_that_say_nothing_are_refused(rate: float, other: float) -> None:
    with pytest.raises(ValueError, match="fractions"):
        picks_to_tell_apart(rate, other)
