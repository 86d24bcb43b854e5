"""Rates and points of a history, against published intervals and by hand."""

from __future__ import annotations

import polars as pl
import pytest
from statsmodels.stats.proportion import proportion_confint

from pipeline.analysis.rates import rate, trend
from pipeline.findings.model import Rate
from pipeline.settings import Statistics


def test_a_rate_has_wilsons_interval_unless_bursts_widen_it() -> None:
    """81 of 263: 0.2553 to 0.3662 (Newcombe 1998, table I, method 3); a dispersion of 3 leaves 27 of 87.67 of it."""
    found = rate(81, 263, Statistics())
    assert (found.attempts, found.losses, found.rate) == (263, 81, 81 / 263)
    assert (found.low, found.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    wide = rate(81, 263, Statistics(), 3.0)
    p, n, z2 = 81 / 263, 263 / 3, 1.959964**2
    half = (z2 * p * (1 - p) / n + (z2 / (2 * n)) ** 2) ** 0.5
    centre = p + z2 / (2 * n)
    assert (wide.low, wide.high) == pytest.approx(((centre - half) / (1 + z2 / n), (centre + half) / (1 + z2 / n)))


def test_one_chance_is_a_rate_and_none_is_not() -> None:
    """Wilson at 0 of 1: z2 / (1 + z2) = 0.7935."""
    assert rate(0, 0, Statistics()) == Rate(0, 0, None, None, None)
    one = rate(0, 1, Statistics())
    assert (one.rate, one.low, one.high) == (0.0, 0.0, pytest.approx(0.7935, abs=5e-5))


def test_points_of_a_history_stand_in_order_with_what_peers_would_lose() -> None:
    frame = pl.DataFrame(
        {"week": ["W2", "W1", "W3"], "losses": [4, 1, 0], "chances": [200, 100, 0], "expected": [3.0, 2.0, 0.0]}
    )
    points = trend(frame, "week", Statistics(), 1.0, expected=True)
    assert [(p.label, p.attempts, p.losses, p.rate, p.expected) for p in points] == [
        ("W1", 100, 1, 0.01, 0.02),
        ("W2", 200, 4, 0.02, 0.015),
        ("W3", 0, 0, None, None),
    ]
    assert (points[1].low, points[1].high) == pytest.approx(proportion_confint(4, 200, method="wilson"))
    assert {p.expected for p in trend(frame, "week", Statistics(), 1.0, expected=False)} == {None}
