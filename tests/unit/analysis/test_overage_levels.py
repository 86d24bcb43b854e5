"""How much parts borrow, and from whom: components of variance, means of packages, what a build's length leaves."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.overage_levels import (
    DEFAULT_VARIATION,
    NOTHING,
    PART_SHAPE,
    Levels,
    alone,
    beyond,
    left,
    left_of_cut,
    shrink,
)
from pipeline.analysis.overage_pooling import Rates, fit
from tests.unit.analysis.test_overage import cell, usage_of


def _moments(
    rng: np.random.Generator, parts: int, batches: int, expected: float, component: float
) -> tuple[float, ...]:
    """Pool of the plant from simulated batches: `expected` losses each, times a gamma factor of that variance."""
    factor = rng.gamma(1 / component, component, (parts, batches)) if component else np.ones((parts, batches))
    lost = rng.poisson(expected * factor)
    mean = np.full(parts, expected)
    excess = ((lost - lost.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / mean - (batches - 1)
    df = np.full(parts, batches - 1.0)
    value, pool = shrink(excess, df, df * expected, np.repeat(np.arange(parts // 5), 5), DEFAULT_VARIATION)
    return float(value.mean()), float(pool[-1])


@pytest.mark.parametrize("component", [0.0, 0.1, 0.25, 0.8])
def test_a_component_is_told_by_the_data_whether_it_is_large_or_nothing(component: float) -> None:
    """Fifty parts of nine batches with six losses each know it nearly; where there is none, at most a fifth of what
    was assumed is left.
    """
    found = np.array([_moments(np.random.default_rng([51, s]), 50, 9, 6.0, component) for s in range(20)])
    assert found.mean(axis=0) == pytest.approx(
        [component, component], abs=0.05 if component == 0 else 0.03 + 0.15 * component
    )


def test_without_data_the_assumption_stands() -> None:
    value, pool = shrink(np.zeros(3), np.zeros(3), np.zeros(3), np.array([0, 0, 1]), DEFAULT_VARIATION)
    np.testing.assert_allclose(value, DEFAULT_VARIATION)
    np.testing.assert_allclose(pool, DEFAULT_VARIATION)


def _bursts(rng: np.random.Generator) -> tuple[float, float]:
    """Planted: correlation 0.0015, rate 0.002, parts of eight shifts with one loss each. Pool found with numerators and
    denominators summed apart, and with each part's sum divided by its own rate.
    """
    picks, shifts, rate, rho = 500.0, 8, 0.002, 0.0015
    lost = rng.poisson(picks * rate * rng.gamma(rate / rho, rho / rate, (200, shifts)))
    mean = lost.mean(axis=1) / picks
    square = picks * ((lost / picks - mean[:, None]) ** 2).sum(axis=1)
    df, size, package = np.full(200, shifts - 1.0), np.full(200, picks * (shifts - 1.0)), np.zeros(200, dtype=np.int64)
    _, apart = shrink((square - df * mean) / rate, df, size, package, 0.0005, mean / rate)
    own = np.maximum(mean, 0.5 / (picks * shifts))
    _, divided = shrink(square / own - df, df, size, package, 0.0005)
    return float(apart[-1]) / rho, float(divided[-1]) / rho


def test_bursts_do_not_hide_behind_the_rate_that_they_raise() -> None:
    found = np.array([_bursts(np.random.default_rng([53, s])) for s in range(40)])
    error = found.std(axis=0, ddof=1) / np.sqrt(40)
    # The weak assumption, a third of what is planted, draws it down by a hundredth.
    assert found[:, 0].mean() == pytest.approx(1.0, abs=4 * error[0] + 0.015)
    assert error[0] < 0.02
    assert found[:, 1].mean() < 0.9


def test_an_unknown_spread_counts_with_its_mean() -> None:
    """Nothing seen: the prior of the shape alone, log-normal around PART_SHAPE with log sd 1, where 1 / shape has the
    mean exp(1 / 2) / PART_SHAPE; the grid leaves out a little of its tail.
    """
    level = Levels.of(np.zeros(4), np.full(4, 1e-6), np.full(4, 4.0), np.zeros(4, dtype=np.int64), 1)
    assert 1 / level.part_shape == pytest.approx(np.exp(0.5) / PART_SHAPE, rel=0.02)


def test_means_of_packages_are_not_pulled_down() -> None:
    """Rates of parts seen through uneven batches: what a new part borrows is right on average, not a tenth too low."""
    borrowed, true = [], []
    for seed in range(150):
        rng = np.random.default_rng([52, seed])
        plant = 0.002 * rng.gamma(2.0, 0.5, 6)
        rate = np.repeat(plant, 10) * rng.gamma(2.0, 0.5, 60)
        package = np.repeat(np.arange(6), 10)
        count, shape = np.full(60, 5000.0), np.full(60, 4.0)
        seen = rng.poisson(count * rate * rng.gamma(4.0, 0.25, 60)) / count
        _, mean = Levels.of(seen, count, shape, package, 6).prior(np.full(6, -1), np.arange(6))
        borrowed.append(mean.mean())
        true.append(plant.mean())
    error = float(np.std(np.array(borrowed) - true)) / np.sqrt(150)
    assert np.mean(borrowed) == pytest.approx(np.mean(true), abs=4 * error)
    assert error < 0.02 * np.mean(true)


def test_a_part_alone_in_the_plant_borrows_nothing() -> None:
    level = Levels.of(np.array([0.01]), np.array([300.0]), np.array([4.0]), np.array([0]), 1)
    shape, _ = level.prior(np.array([0]), np.array([0]))
    assert shape[0] == NOTHING


def test_a_longer_build_sees_more_batches_and_shifts() -> None:
    """Sum of squared shares by hand: one block; two halves; 1.5 blocks as 2/3 and 1/3."""
    one = np.ones(1)
    rates = Rates(
        ("P",), (None,), one, one, one * 2e6, one * 998e6, one, np.zeros(1, dtype=np.int64), one < 0, one * 0.002, 0,
        one * 0.0, one * 0.001, one, one * 1000.0, False,
    )  # fmt: skip
    need = np.array([400.0, 1000.0, 1500.0, 2000.0])
    good, bad = rates.for_build(np.zeros(4, dtype=np.int64), need)
    left = 1 / (good + bad + 1)
    np.testing.assert_allclose(left, 0.001 * np.array([1, 1, 5 / 9, 1 / 2]) + 1e-9, rtol=1e-3)


def test_a_batch_that_was_not_seen_to_end_may_be_long() -> None:
    """Mean over a uniform share seen, by the midpoint rule, of what one block of that size leaves in a long build."""
    share = (np.arange(200_000) + 0.5) / 200_000
    for times in (0.3, 1.0, 3.0, 40.0):
        by_hand = float(np.mean(np.minimum(1.0, 1.0 / (share * times))))
        assert float(left_of_cut(np.array(times * 300.0), np.array(300.0))) == pytest.approx(by_hand, rel=1e-3)
    need, seen = np.array([100.0, 700.0, 5000.0]), np.full(3, 300.0)
    assert np.all(left_of_cut(need, seen) >= left(need, seen))


def test_a_single_batch_takes_its_size_from_parts_that_had_several() -> None:
    several = [cell("A", k, 1000, 2) for k in range(15)]
    short = [cell("B", 0, 300, 1)]
    packages: dict[str, str | None] = {"A": "0402", "B": "0402"}
    both = fit(usage_of(*several, *short), packages, ["A", "B", "NEW"], 0.3)
    alone = fit(usage_of(*short), packages, ["B"], 0.3)
    assert both is not None
    assert alone is not None
    # Lots of five shifts with 1002 parts each.
    np.testing.assert_allclose(both.per_batch, 5 * 1002.0)
    assert not both.cut
    assert alone.cut
    np.testing.assert_allclose(alone.per_batch, 301.0)


def test_alone_is_the_posterior_of_a_prior_that_falls_with_the_square() -> None:
    """By hand: rate^-2 times the negative binomial law of what was seen, summed over a fine grid of log rates."""
    seen, count, shape = 0.001, 9000.0, 6.0
    mean, doubt = alone(np.array([seen]), np.array([count]), np.array([shape]))
    rate = np.exp(np.linspace(np.log(1e-6), np.log(10.0), 400_001))
    good = 1 - seen
    x, k, n = count * seen / good, shape / good, count / good
    log = (x - 1) * np.log(rate) - (k + x) * np.log1p(
        n * rate / k
    )  # one power of the rate is the step of its logarithm
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    by_hand = float(weight @ rate)
    assert mean[0] == pytest.approx(by_hand, rel=1e-6)
    assert doubt[0] == pytest.approx(float(weight @ (rate / by_hand - 1) ** 2), rel=1e-3)


def test_only_what_peers_do_not_allow_is_beyond_them() -> None:
    """Peers at 0.5 %, each within half of it: 3 lost of 200 is bad luck, 40 of 200 is another kind of part."""
    seen, wide = np.array([0.015, 0.2, 0.0, 0.006]), np.full(4, 4.0)
    found = beyond(seen, np.full(4, 200.0), wide, wide, np.full(4, 0.005))
    assert found.tolist() == [False, True, False, False]
    # Five lost of 76 are too few to believe against all others, however seldom they come; fifty of 760 are not.
    few = beyond(np.full(2, 5 / 76), np.array([76.0, 760.0]), np.full(2, 50.0), np.full(2, 50.0), np.full(2, 0.005))
    assert few.tolist() == [False, True]
    # Peers that say nothing forbid nothing.
    assert not beyond(seen, np.full(4, 200.0), wide, np.full(4, NOTHING), np.full(4, 0.5)).any()
