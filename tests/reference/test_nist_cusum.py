"""Tabular CUSUM: NIST/SEMATECH e-Handbook 6.3.2.3, twenty values, target 325, k .3175, h 4.1959: signal at 14."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.charts import normal_cusum_arl, tabular_cusum

VALUES = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip


def test_first_signal_and_sums():
    found = tabular_cusum(VALUES, 325, 0.3175, 4.1959)
    assert found.first is not None
    assert found.first + 1 == 14
    # by hand: the first values beyond 325 +- .3175 are the fifth above and the second (by .0075) below
    assert found.upper[4] == pytest.approx(325.350 - 325 - 0.3175, abs=1e-9)
    assert found.lower[1] == pytest.approx(325 - 324.675 - 0.3175, abs=1e-9)


@pytest.mark.parametrize(("shift", "run", "printed"), [(0.0, 167.684, 168), (0.5, 26.630, 26.6), (1.0, 8.383, 8.38)])
def test_average_run_lengths(shift, run, printed):
    """Two-sided, k .5, h 4: Lucas and Crosier 1982, Technometrics 24:199, and to three places by a second program."""
    found = normal_cusum_arl(shift, 0.5, 4.0)
    assert found == pytest.approx(run, abs=5.1e-4)
    assert found == pytest.approx(printed, rel=0.003)


def test_average_run_length_by_simulation():
    rng = np.random.default_rng(0)
    runs = []
    for _ in range(3000):
        first = tabular_cusum(rng.normal(1.0, 1.0, 120), 0.0, 0.5, 4.0).first
        assert first is not None
        runs.append(first + 1)
    error = np.std(runs) / np.sqrt(len(runs))
    assert abs(np.mean(runs) - normal_cusum_arl(1.0, 0.5, 4.0)) < 4 * error
