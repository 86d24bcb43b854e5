"""Yearly flow of the Nile (data `nile` in statsmodels): one change, 1898 the last year of the old level.

Cobb 1978, Biometrika 65:243; the year is from memory.
"""

from __future__ import annotations

import statsmodels.api as sm

from pipeline.estimators.changepoint import single_change_normal


def test_last_year_before_the_change():
    frame = sm.datasets.nile.load_pandas().data
    years = frame["year"].to_numpy().astype(int)
    found = single_change_normal(frame["volume"].to_numpy())
    assert found.at is not None
    assert years[found.at - 1] == 1898
    assert 1898 in {int(years[t - 1]) for t in found.places}
    assert max(found.places) - min(found.places) <= 10
    assert found.p < 0.01
    assert found.effect < 0
    assert not found.better_as_drift
