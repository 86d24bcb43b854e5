"""Intervals of one proportion, 95 %: Newcombe 1998, Stat Med 17:857, table I.

Wilson is its method 3, Clopper-Pearson its method 5. Jeffreys is not in that table; its values and the last two rows of
all three were computed with a second program. statsmodels is the independent program here.
"""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.estimators.intervals import clopper_pearson, interval, jeffreys, wilson

TABLE = [
    # x, n, Wilson, Clopper-Pearson, Jeffreys
    (81, 263, (0.255289, 0.366210), (0.252737, 0.367622), (0.254522, 0.365647)),
    (15, 148, (0.062386, 0.160487), (0.057844, 0.161650), (0.060449, 0.157643)),
    (0, 20, (0.0, 0.161125), (0.0, 0.168433), (0.000024, 0.116639)),
    (1, 29, (0.006113, 0.171755), (0.000873, 0.177644), (0.003746, 0.150078)),
]
SMALL_RATES = [
    (3, 10_000, (1.020322e-4, 8.817358e-4), (6.187149e-5, 8.764745e-4), (8.450045e-5, 8.004178e-4)),
    (2, 1_000_000, (5.484723e-7, 7.292956e-6), (2.422094e-7, 7.224669e-6), (4.15606e-7, 6.416235e-6)),
]


@pytest.mark.parametrize(("x", "n", "by_wilson", "by_clopper_pearson", "by_jeffreys"), TABLE)
def test_table_i(x, n, by_wilson, by_clopper_pearson, by_jeffreys):
    assert np.allclose(wilson(x, n), by_wilson, rtol=0, atol=5.1e-7)
    assert np.allclose(clopper_pearson(x, n), by_clopper_pearson, rtol=0, atol=5.1e-7)
    assert np.allclose(jeffreys(x, n), by_jeffreys, rtol=0, atol=5.1e-7)


@pytest.mark.parametrize(("x", "n", "by_wilson", "by_clopper_pearson", "by_jeffreys"), SMALL_RATES)
def test_loss_rates_of_the_size_met_on_machines(x, n, by_wilson, by_clopper_pearson, by_jeffreys):
    assert np.allclose(wilson(x, n), by_wilson, rtol=1e-6, atol=0)
    assert np.allclose(clopper_pearson(x, n), by_clopper_pearson, rtol=1e-6, atol=0)
    assert np.allclose(jeffreys(x, n), by_jeffreys, rtol=1e-6, atol=0)


def test_nist_handbook_7_2_4():
    """4 of 20 at 90 %: inputs of NIST/SEMATECH e-Handbook 7.2.4; values of the exact method from a second program."""
    assert np.allclose(clopper_pearson(4, 20, 0.9), (0.071354, 0.401028), rtol=0, atol=5.1e-7)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.999])
@pytest.mark.parametrize(
    ("method", "theirs"), [("wilson", "wilson"), ("clopper-pearson", "beta"), ("jeffreys", "jeffreys")]
)
def test_statsmodels_agrees(method, theirs, confidence):
    rng = np.random.default_rng(0)
    n = rng.integers(1, 100_000, 200)
    x = rng.binomial(n, 10 ** rng.uniform(-5, -0.1, 200))
    x = np.minimum(np.maximum(x, 1), np.maximum(n - 1, 0))  # ends are set exactly here, by rounding there
    inside = (x > 0) & (x < n)
    low, high = interval(x[inside], n[inside], method=method, confidence=confidence)
    their_low, their_high = proportion_confint(x[inside], n[inside], alpha=1 - confidence, method=theirs)
    assert np.allclose(low, their_low, rtol=1e-8, atol=1e-15)
    assert np.allclose(high, their_high, rtol=1e-8, atol=1e-15)
