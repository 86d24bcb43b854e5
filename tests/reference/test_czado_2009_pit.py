"""Probability integral transform of counts (Czado, Gneiting and Held 2009, from memory): the randomised one, averaged.

The independent way is to draw: u uniform between the two probabilities, a histogram, the mean over many draws.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.pit import pit_shares


def test_it_is_the_mean_of_the_randomised_transform() -> None:
    rng = np.random.default_rng(3)
    mean = rng.uniform(0.2, 9, 400)
    came = rng.poisson(mean)
    low, high = stats.poisson.cdf(came - 1, mean), stats.poisson.cdf(came, mean)
    drawn = np.zeros(10)
    for _ in range(2000):
        u = low + rng.random(400) * (high - low)
        drawn += np.histogram(u, np.linspace(0, 1, 11))[0] / 400 / 2000
    # Error of a mean of 2 000 draws of a share near 0.1 of 400: 0.0003; four of them.
    np.testing.assert_allclose(pit_shares(low, high), drawn, atol=0.0014)


def test_continuous_predictions_give_the_plain_histogram() -> None:
    at = np.random.default_rng(4).random(1000)
    wanted = np.histogram(at, np.linspace(0, 1, 6))[0] / 1000
    np.testing.assert_allclose(pit_shares(at, at, 5), wanted, atol=1e-9)


@pytest.mark.parametrize(
    ("low", "high"), [([], []), ([0.5], [0.2]), ([-0.1], [0.5]), ([0.5], [1.5]), ([0.1, 0.2], [0.3])]
)
def test_impossible_arguments_are_named(low: list[float], high: list[float]) -> None:
    with pytest.raises(ValueError, match=r"probabilit"):
        pit_shares(low, high)
