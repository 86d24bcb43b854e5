"""Weeks in which every item is healthy: hardly ever a flag, and intervals that hold the truth.

A promise is tested against Monte Carlo error: a share of at most 5 % fails when as many hits as were seen would come
up in fewer than one of a thousand such runs. `python -m tests.recovery.measure` runs the same trials on many seeds;
what it found is in docs/statistics.md.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.recovery.measure import SPREADS, Row, run
from tests.recovery.measured import coverage

PROMISED = 0.05
RARE = 0.001


def _check_flags(rows: list[Row]) -> None:
    hits = sum(bool(r["flagged"]) for r in rows)
    assert stats.binom.sf(hits - 1, len(rows), PROMISED) > RARE, f"{hits} of {len(rows)} healthy weeks have a flag"


def _check_coverage(rows: list[Row]) -> None:
    """Of all judged items but reels (which are many and do not differ here), over both spreads together."""
    shares = []
    for row in rows:
        hits, of = coverage([row])["all"]
        shares.append(hits / of)
    error = float(np.std(shares, ddof=1) / np.sqrt(len(shares)))
    assert 0.93 - 3 * error <= np.mean(shares) <= 0.97 + 3 * error, f"{np.mean(shares):.3f} +- {error:.3f}"


def _check(count: int, first: int) -> None:
    rows = [row for s in SPREADS for row in run(f"null {s}", range(first, first + count))]
    for i in range(len(SPREADS)):
        _check_flags(rows[i * count : (i + 1) * count])
    _check_coverage(rows)
    assert all(r["converged"] for r in rows)


def test_healthy_weeks() -> None:
    _check(2, 500)


@pytest.mark.long
def test_many_healthy_weeks() -> None:
    _check(60, 1000)
