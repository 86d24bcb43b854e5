"""Defects on wafers, 30 samples of 50 chips: NIST/SEMATECH e-Handbook 6.3.3.2 (also in Montgomery's textbook)."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.charts import laney_sigma_z, p_chart

WAFERS = np.array(
    [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
)


def test_limits_and_the_two_samples_outside():
    chart = p_chart(WAFERS, 50)
    assert chart.center == pytest.approx(0.231333, abs=5.1e-7)
    assert np.allclose(chart.low, 0.052428, atol=5.1e-7)
    assert np.allclose(chart.high, 0.410239, atol=5.1e-7)
    assert (np.flatnonzero(chart.out) + 1).tolist() == [15, 23]


def test_limits_without_the_two():
    chart = p_chart(np.delete(WAFERS, [14, 22]), 50)
    assert chart.center == pytest.approx(0.215, abs=5.1e-7)
    assert np.allclose([chart.low[0], chart.high[0]], [0.040703, 0.389297], atol=5.1e-7)


def test_laney_sigma_z():
    """Laney 2002; the value by a second program with the tables' constant 1.128."""
    assert laney_sigma_z(WAFERS, 50) == pytest.approx(1.660867, abs=5.1e-7)
    wide = p_chart(WAFERS, 50, sigma_z=laney_sigma_z(WAFERS, 50))
    assert not wide.out.any()
