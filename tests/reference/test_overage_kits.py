"""Cheapest kits against a brute-force reference and exhaustive search."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy import stats

from pipeline.estimators.kits import best_use, cheapest_kit, joint_probability


def test_kit_of_three_by_brute_force() -> None:
    """k 200, 400, 100; p .99, .995, .97; prices .02, .5, 3: 7, 6, 6 for 21.14, joint .953348 (two programs)."""
    cdfs = [stats.nbinom.cdf(np.arange(60), k, p) for k, p in ((200, 0.99), (400, 0.995), (100, 0.97))]
    kit = cheapest_kit(cdfs, [0.02, 0.5, 3.0], 0.95)
    assert kit.extras == (7, 6, 6)
    assert kit.cost == pytest.approx(21.14, abs=1e-9)
    assert kit.joint == pytest.approx(0.953348, abs=5e-7)
    assert kit.exact
    assert joint_probability(cdfs, kit.extras) == pytest.approx(kit.joint, abs=1e-12)
    # The next euro is best spent on the part that costs 2 cent; the dear one is the most likely to run short.
    gains = [np.log(c[x + 1] / c[x]) / price for c, x, price in zip(cdfs, kit.extras, (0.02, 0.5, 3.0), strict=True)]
    assert kit.marginal == int(np.argmax(gains)) == 0
    assert kit.weakest == 2


def test_independent_lines_multiply() -> None:
    """.999^200 = .818649: two hundred lines at 99.9 % each are a kit at 82 %; .95^(1/200) = .999743566."""
    assert joint_probability([[0.999]] * 200, [0] * 200) == pytest.approx(0.818649, abs=5e-7)
    # Nine digits times 200 lines leave 200 * 5e-10.
    assert joint_probability([[0.999743566]] * 200, [0] * 200) == pytest.approx(0.95, abs=1e-7)


def test_small_kits_against_exhaustive_search() -> None:
    rng = np.random.default_rng(12)
    for _ in range(150):
        lines = int(rng.integers(1, 5))
        cdfs = [np.cumsum(rng.dirichlet(np.ones(7) * rng.uniform(0.2, 2))) for _ in range(lines)]
        prices, level = np.exp(rng.normal(0, 1.5, lines)), float(rng.uniform(0.3, 0.99))
        kit = cheapest_kit(cdfs, prices, level)
        joint, cost = np.ones(()), np.zeros(())
        for cdf, price in zip(cdfs, prices, strict=True):
            joint, cost = np.multiply.outer(joint, cdf), np.add.outer(cost, price * np.arange(7))
        best = float(cost[joint >= level - 1e-12].min())
        assert kit.exact
        assert kit.cost == pytest.approx(best, abs=1e-9)
        assert kit.joint >= level - 1e-11


def test_kits_with_a_loose_bound_against_exhaustive_search() -> None:
    """Prices over five powers of ten: the depth-first search gives up (two nodes), and the grid finds the cheapest."""
    rng = np.random.default_rng(14)
    closed = 0
    for _ in range(60):
        cdfs = [np.cumsum(rng.dirichlet(np.ones(8) * rng.uniform(0.2, 2))) for _ in range(5)]
        prices, level = 10 ** rng.uniform(-2, 3, 5), float(rng.uniform(0.5, 0.95))
        kit = cheapest_kit(cdfs, prices, level, nodes=2)
        joint, cost = np.ones(()), np.zeros(())
        for cdf, price in zip(cdfs, prices, strict=True):
            joint, cost = np.multiply.outer(joint, cdf), np.add.outer(cost, price * np.arange(8))
        best = float(cost[joint >= level - 1e-12].min())
        assert kit.bound <= best + 1e-9 <= kit.cost + 2e-9
        assert not kit.exact or kit.cost == pytest.approx(best, abs=1e-9)
        closed += kit.cost <= best * 1.0011 + 1e-9
    assert closed >= 57  # a grid step may cost a kit that reaches the goal by less


def test_what_the_next_money_buys_against_exhaustive_search() -> None:
    """Small kits: the best use of a sum raises the joint probability by nearly as much as the best of all uses."""
    rng = np.random.default_rng(15)
    shares = []
    for _ in range(60):
        cdfs = [np.cumsum(rng.dirichlet(np.sort(rng.uniform(0.3, 3, 7))[::-1])) for _ in range(3)]
        prices, start, money = rng.uniform(1, 6, 3), [1, 1, 1], float(rng.uniform(3, 15))
        added, joint = best_use(cdfs, prices, start, money)
        assert float(np.dot(added, prices)) <= money + 1e-9
        assert joint == pytest.approx(joint_probability(cdfs, [1 + a for a in added]), rel=1e-12)
        before, best = joint_probability(cdfs, start), 0.0
        for a in np.ndindex(6, 6, 6):
            if np.dot(a, prices) <= money + 1e-9:
                best = max(best, joint_probability(cdfs, [1 + n for n in a]))
        if best > before:
            shares.append((joint - before) / (best - before))
    assert len(shares) > 40
    assert np.mean(shares) > 0.95
    assert max(shares) <= 1 + 1e-9


def test_four_hundred_lines_within_a_second() -> None:
    rng = np.random.default_rng(13)
    cdfs = [
        stats.nbinom.cdf(np.arange(150), int(k), 1 - rate)
        for k, rate in zip(rng.integers(10, 3000, 400), rng.uniform(5e-4, 1e-2, 400), strict=True)
    ]
    prices = np.exp(rng.normal(-2, 2, 400))
    start = time.process_time()
    kit = cheapest_kit(cdfs, prices, 0.95)
    assert time.process_time() - start < 1.0
    assert kit.joint >= 0.95 - 1e-11
    assert kit.bound <= kit.cost <= kit.bound * 1.001
    # Same service level for every line is the usual way; it must cost more.
    flat = [int(np.searchsorted(c, 0.95 ** (1 / 400))) for c in cdfs]
    assert kit.cost < float(np.dot(flat, prices))


def test_impossible_arguments_are_named() -> None:
    with pytest.raises(ValueError, match="price"):
        cheapest_kit([[0.5, 1.0]], [0.0], 0.9)
    with pytest.raises(ValueError, match="level"):
        cheapest_kit([[0.5, 1.0]], [1.0], 1.0)
    with pytest.raises(ValueError, match="end before"):
        cheapest_kit([[0.5, 0.8]], [1.0], 0.9)
    with pytest.raises(ValueError, match="non-decreasing"):
        cheapest_kit([[0.9, 0.5]], [1.0], 0.4)
