"""Weights for what was bad before: their limits by hand, and planted truth under Benjamini-Hochberg."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.multiplicity import MOST_WEIGHT, benjamini_hochberg, weights_of_suspects


def test_all_weight_is_shared_out_and_nobody_loses_more_than_half() -> None:
    rng = np.random.default_rng(1)
    for p in (rng.random(50), np.ones(7), np.zeros(9), np.array([0.9, *np.zeros(999)])):
        weights = weights_of_suspects(p)
        assert weights.mean() == pytest.approx(1.0)
        assert weights.min() >= 0.5
    assert weights_of_suspects(np.zeros(3)).tolist() == [1.0, 1.0, 1.0]
    assert weights_of_suspects(np.full(3, 0.1)).tolist() == [1.0, 1.0, 1.0], "nothing stands out"
    one = weights_of_suspects(np.array([1.0, *np.zeros(2999)]))
    assert one[0] == pytest.approx(1 - MOST_WEIGHT / 3000 + MOST_WEIGHT)
    assert weights_of_suspects(np.zeros(0)).size == 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        weights_of_suspects([1.2])


def test_more_is_found_and_the_promise_kept() -> None:
    """Of 500 items 10 are bad; eight of these were suspects, and so were five healthy ones."""
    rng = np.random.default_rng(2)
    false, found = np.zeros((2, 400)), np.zeros((2, 400))
    suspicion = np.zeros(500)
    suspicion[:8], suspicion[10:15] = 0.9, 0.9
    weights = weights_of_suspects(suspicion)
    for run in range(400):
        z = rng.normal(size=500)
        z[:10] += 3.0
        p = stats.norm.sf(z)
        for i, each in enumerate((p, np.minimum(p / weights, 1.0))):
            flagged = benjamini_hochberg(each) <= 0.05
            found[i, run] = flagged[:10].sum()
            false[i, run] = flagged[10:].sum() / max(flagged.sum(), 1)
    assert false[1].mean() <= 0.05
    assert found[1].mean() > found[0].mean() + 2.0
