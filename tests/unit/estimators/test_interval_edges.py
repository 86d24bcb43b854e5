"""Intervals and multiplicity at their edges, and what must hold for any counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from pipeline.estimators.intervals import (
    METHODS,
    clopper_pearson,
    interval,
    jeffreys,
    newcombe_difference,
    wilson,
)
from pipeline.estimators.multiplicity import benjamini_hochberg

COUNTS = st.integers(0, 10**7).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
QUICK = settings(deadline=None, max_examples=200)


@QUICK
@given(COUNTS, st.sampled_from(METHODS), st.floats(0.5, 0.9999), st.floats(1, 1000))
def test_interval_holds_its_rate_and_lies_in_range(counts, method, confidence, dispersion):
    x, n = counts
    low, high = interval(x, n, method=method, confidence=confidence, dispersion=dispersion)
    if n == 0:
        assert np.isnan(low)
        assert np.isnan(high)
        return
    assert 0 <= low <= x / n <= high <= 1
    if x == 0:
        assert low == 0.0
    if x == n:
        assert high == 1.0


@pytest.mark.parametrize(
    ("ours", "theirs"), [(wilson, "wilson"), (clopper_pearson, "beta"), (jeffreys, "jeffreys")], ids=METHODS
)
def test_every_count_of_up_to_six_picks_against_statsmodels(ours, theirs):
    x, n = np.array([(x, n) for n in range(1, 7) for x in range(n + 1)]).T
    low, high = ours(x, n, 0.9)
    expected = np.array([proportion_confint(a, b, 0.1, theirs) for a, b in zip(x, n, strict=True)])
    assert low == pytest.approx(expected[:, 0], abs=1e-12)
    assert high == pytest.approx(expected[:, 1], abs=1e-12)


def test_one_loss_in_ten_million_at_a_large_dispersion_is_inside_its_interval():
    low, high = interval(1, 10**7, method="jeffreys", confidence=0.5, dispersion=1000)
    assert low <= 1e-7 <= high


@QUICK
@given(COUNTS, st.sampled_from(METHODS), st.floats(1, 100), st.floats(1.01, 10))
def test_more_dispersion_is_wider(counts, method, dispersion, factor):
    x, n = counts
    narrow = interval(x, n, method=method, dispersion=dispersion)
    wide = interval(x, n, method=method, dispersion=dispersion * factor)
    if n:
        assert wide[1] - wide[0] >= narrow[1] - narrow[0] - 1e-12


@QUICK
@given(COUNTS, COUNTS)
def test_difference_is_mirrored_when_the_groups_change_places(one, other):
    low, high = newcombe_difference(*one, *other)
    back_low, back_high = newcombe_difference(*other, *one)
    if one[1] and other[1]:
        assert low == pytest.approx(-back_high, abs=1e-12)
        assert high == pytest.approx(-back_low, abs=1e-12)
        assert -1 <= low <= one[0] / one[1] - other[0] / other[1] <= high <= 1
    else:
        assert np.isnan(low)
        assert np.isnan(high)


def test_dispersion_is_the_effective_sample_size():
    assert np.allclose(wilson(40, 1000, dispersion=4), wilson(10, 250))
    assert np.allclose(clopper_pearson(40, 1000, dispersion=4), clopper_pearson(10, 250))


def test_arrays_of_counts_and_dispersions_broadcast():
    low, high = wilson([[1], [5]], [100, 1000, 10_000], dispersion=[1.0, 2.0, 3.0])
    assert low.shape == high.shape == (2, 3)
    assert low[1, 2] == wilson(5, 10_000, dispersion=3.0)[0]


@pytest.mark.parametrize(
    ("x", "n", "arguments", "says"),
    [
        (5, 4, {}, "place 0 has 5 of 4"),
        (-1, 4, {}, "between 0 and attempts"),
        (float("nan"), 4, {}, "between 0 and attempts"),
        (1, 4, {"confidence": 1.0}, "confidence"),
        (1, 4, {"dispersion": 0.5}, "dispersion"),
        (1, 4, {"dispersion": float("inf")}, "dispersion"),
        (1, 4, {"method": "wald"}, "wald"),
    ],
)
def test_what_cannot_be_is_refused(x, n, arguments, says):
    with pytest.raises(ValueError, match=says):
        interval(x, n, **arguments)


P_VALUES = st.lists(st.one_of(st.floats(0, 1), st.just(float("nan"))), max_size=50)


@QUICK
@given(P_VALUES, st.randoms())
def test_adjusted_p_values(p, random):
    adjusted = benjamini_hochberg(p)
    given_p = np.array(p, dtype=float)
    tested = ~np.isnan(given_p)
    assert np.array_equal(np.isnan(adjusted), ~tested)
    assert np.all(adjusted[tested] >= given_p[tested])
    assert np.all(adjusted[tested] <= 1)
    # "not tested" is not counted
    assert np.array_equal(benjamini_hochberg(given_p[tested]), adjusted[tested])
    # the order of the input does not matter
    order = list(range(len(p)))
    random.shuffle(order)
    assert np.array_equal(benjamini_hochberg(given_p[order]), adjusted[order], equal_nan=True)


def test_no_p_value_and_impossible_ones():
    assert benjamini_hochberg([]).shape == (0,)
    assert benjamini_hochberg([0.0, 1.0, 0.5]).tolist() == [0.0, 1.0, 0.75], "both ends are p-values"
    with pytest.raises(ValueError, match="between 0 and 1"):
        benjamini_hochberg([0.5, 1.5])
    with pytest.raises(ValueError, match="one dimension"):
        benjamini_hochberg([[0.5]])
