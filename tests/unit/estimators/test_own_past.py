"""An item held against its own earlier weeks: the mixture against plain normal densities, and planted truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from pipeline.estimators.healthy_spread import BAD, SHARE_PRIOR, STRANGE, STRANGE_SHARE
from pipeline.estimators.own_past import LEAST_ITEMS, LEAST_NEW, POINTS, OwnPast, _patterns
from pipeline.estimators.spread_over_weeks import OFTEN, STAYS, past_spread

PRIOR = (float(np.log(0.2)), 0.5)
X = np.array([0.3, -0.2, 0.9, 1.3])
V = np.array([0.09, 0.06, 0.05, 0.08])
SHARED = np.array([0.02, 0.01, 0.015, 0.02])


def _cov(a: int, b: int, for_good: float, new: float) -> np.ndarray:
    """Covariance of estimates of weeks a to b: what stays, one error in common, and what is each week's own."""
    return np.diag(new + V[a:b] - SHARED[a:b]) + for_good + SHARED[a:b].mean()


def _healthy(a: int, b: int, for_good: float, new: float) -> float:
    return 1.0 if a == b else float(stats.multivariate_normal.pdf(X[a:b], np.zeros(b - a), _cov(a, b, for_good, new)))


def _bad(a: int, b: int, cov: np.ndarray) -> float:
    """Density with one outlier's excess on top, summed up on a fine grid."""
    if a == b:
        return 1.0
    one, other = np.linspace(0, 8 * BAD, 4001), np.linspace(-9 * STRANGE, 9 * STRANGE, 8001)
    zero = np.zeros(b - a)
    worse = stats.halfnorm.pdf(one, scale=BAD) * stats.multivariate_normal.pdf(X[a:b] - one[:, None], zero, cov)
    odd = stats.norm.pdf(other, 0, STRANGE) * stats.multivariate_normal.pdf(X[a:b] - other[:, None], zero, cov)
    return float(
        (1 - STRANGE_SHARE) * integrate.simpson(worse, x=one) + STRANGE_SHARE * integrate.simpson(odd, x=other)
    )


def test_patterns_are_those_of_the_model_in_words() -> None:
    for stays, square in ((0.5, 0.04), (1.0, 0.09), (0.0, 0.04)):
        new, for_good = max(1 - stays, LEAST_NEW) * square, min(stays, 1 - LEAST_NEW) * square
        logs, means, variances = (
            a[:, 0] for a in _patterns(X[None], V[None], SHARED[None], np.array([stays]), np.array([square]))
        )
        suspect = SHARE_PRIOR[0] / sum(SHARE_PRIOR)
        stretches = [((0, 4), (0, 0), 1 - suspect)]
        stretches += [((0, k), (k, 4), suspect / 2 / 7) for k in range(4)]
        stretches += [((k, 4), (0, k), suspect / 2 / 7) for k in range(1, 4)]
        assert len(logs) == len(stretches) + 1
        for i, (well, ill, chance) in enumerate(stretches):
            cov = _cov(*ill, for_good, new) if ill[0] < ill[1] else np.zeros((0, 0))
            density = chance * _healthy(*well, for_good, new) * _bad(*ill, cov)
            assert np.exp(logs[i]) == pytest.approx(density, rel=1e-4)
            weight = np.zeros(0)
            if well[0] < well[1]:  # what a normal says given others: for_good 1' Sigma^-1 x
                weight = np.linalg.solve(_cov(*well, for_good, new), np.full(well[1] - well[0], for_good))
            assert means[i] == pytest.approx(float(weight @ X[slice(*well)]), abs=1e-9)
            assert variances[i] == pytest.approx(for_good * (1 - weight.sum()) + new, rel=1e-9)
        single = [np.array([[square + v]]) for v in V]
        good = np.array([stats.norm.pdf(x, 0, np.sqrt(c[0, 0])) for x, c in zip(X, single, strict=True)])
        bad = np.array([_bad(w, w + 1, single[w]) for w in range(4)])
        each = np.mean([np.prod((1 - often) * good + often * bad) for often in OFTEN])
        assert np.exp(logs[-1]) == pytest.approx(suspect / 2 * each, rel=1e-4)
        assert (means[-1], variances[-1]) == pytest.approx((0.0, for_good + new))


def _plant(seed: int, stays: float, weeks: int = 7, items: int = 60) -> tuple[np.ndarray, np.ndarray, float]:
    """True healthy effects, last week the judged one, expected losses of a week, and the spread."""
    rng = np.random.default_rng(seed)
    spread = 0.25
    for_good = np.sqrt(stays) * rng.normal(0, spread, (items, 1))
    return for_good + np.sqrt(1 - stays) * rng.normal(0, spread, (items, weeks)), rng.uniform(10, 60, items), spread


def _judged(effects: np.ndarray, expected: np.ndarray, seed: int) -> tuple[np.ndarray, np.ndarray, OwnPast, np.ndarray]:
    """p-values, probability of having been bad, the past, and this week's losses."""
    rng = np.random.default_rng([seed, 1])
    losses = rng.poisson(expected[:, None] * np.exp(effects))
    before = losses[:, :-1]
    u, v = np.log((before + 0.5) / (expected[:, None] + 0.5)), 1.0 / np.maximum(before, 0.5)
    spread = past_spread(u, v, len(u), PRIOR)
    assert spread.joint is not None
    past = OwnPast(u, v, np.zeros(u.shape), spread.joint, spread.grid)
    now = losses[:, -1].astype(np.int64)
    return past.p_values(now, expected, np.full(len(u), 1e-4), 1.0), past.bad_before(), past, now


@pytest.mark.parametrize("stays", [0.0, 0.5, 1.0])
def test_healthy_items_are_as_surprising_as_chance_makes_them(stays: float) -> None:
    p, suspect = [], []
    for seed in range(9):
        effects, expected, _ = _plant(seed, stays)
        found, before, _, _ = _judged(effects, expected, seed)
        p.append(found)
        suspect.append(before)
    values = np.concatenate(p)
    assert values.size == 540
    for level, most in ((0.04, 0.055), (0.01, 0.02), (0.001, 0.005)):  # chance alone: + 2 to 3 standard errors
        assert np.mean(values <= level) <= most
    assert np.mean(values <= 0.04) >= 0.005  # and it is no p-value that is never small
    assert np.quantile(np.concatenate(suspect), 0.99) < 0.5


def test_three_times_what_it_lost_itself_is_seen_whatever_its_peers_do() -> None:
    """A nozzle better than its peers becomes as bad as the worst of them: no peer tells, its own past does."""
    clear = 0
    for seed in range(6):
        effects, expected, spread = _plant(seed, 1.0)
        effects[0], expected[0] = -1.2 * spread, 40.0
        effects[0, -1] += np.log(3.0)
        p, before, _, _ = _judged(effects, expected, seed)
        clear += bool(p[0] < 1e-3)
        assert before[0] < 0.1
    assert clear == 6


def test_a_fault_that_lasts_is_not_learnt_as_healthy_and_a_mended_one_is_over() -> None:
    lasting = mended = 0
    for seed in range(6):
        effects, expected, _ = _plant(seed, 1.0)
        expected[:2], effects[:2] = 40.0, 0.0
        effects[0, 3:] += np.log(4.0)  # bad for four weeks, this one among them
        effects[1, :3] += np.log(4.0)  # mended three weeks before the last one seen
        p, before, _, _ = _judged(effects, expected, seed)
        lasting += bool(p[0] < 1e-3 and before[0] > 0.9)
        mended += bool(p[1] > 0.01 and before[1] < 0.1)
    assert (lasting, mended) == (6, 6)


def test_what_was_seen_too_seldom_has_no_past() -> None:
    effects, expected, _ = _plant(3, 1.0)
    _, _, past, now = _judged(effects, expected, 3)
    past.estimates[5, 1:] = np.nan
    p = past.p_values(now, expected, np.full(60, 1e-4), 1.0)
    assert np.isnan(p[5])
    assert np.isfinite(np.delete(p, 5)).all()
    assert past.bad_before()[5] == 0.0
    few = OwnPast(
        *(a[: LEAST_ITEMS - 1] for a in (past.estimates[6:], past.variances[6:], past.shared[6:], past.joint[6:])),
        past.grid,
    )
    seven = slice(6, 6 + LEAST_ITEMS - 1)
    assert np.isnan(few.p_values(now[seven], expected[seven], np.full(LEAST_ITEMS - 1, 1e-4), 1.0)).all()


def test_some_items_have_the_p_values_that_all_of_them_have() -> None:
    effects, expected, _ = _plant(4, 0.5)
    effects[7, -1] += np.log(4.0)
    p, _, past, now = _judged(effects, expected, 4)
    one = past.p_values(now, expected, np.full(60, 1e-4), 1.0, slice(7, 8))
    assert one.tolist() == [p[7]]
    assert p[7] < 0.01


def test_where_all_items_moved_none_of_them_is_to_blame() -> None:
    """Another product: every item is off by a new effect as large as the spread; effects had stayed until now."""
    small = 0
    for seed in range(10):
        effects, expected, spread = _plant(seed, 1.0)
        effects[:, -1] = np.random.default_rng([seed, 2]).normal(0, spread, 60)
        small += int(np.sum(_judged(effects, expected, seed)[0] < 5e-4))
    assert small <= 4  # of 600; without the leave for a kind that moved it is 17


def test_the_mixture_is_a_distribution() -> None:
    effects, expected, _ = _plant(5, 0.5)
    past = _judged(effects, expected, 5)[2]
    for item in range(0, 60, 20):
        mixture = past._mixture(item)
        assert mixture.shape == POINTS.shape
        assert mixture.sum() == pytest.approx(1.0)
        assert past.joint[item].sum() == pytest.approx(1.0)
    assert past.joint.shape == (60, STAYS.size, past.grid.size)
