"""Weeks judged with the weeks before: no more false flags, drift or not, and as much is found as by the oracle.

The trials are those of measure.py with a past; each promise is tested against Monte Carlo error as in
test_ranking_null.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis.earlier_weeks import look_back
from pipeline.analysis.losses import with_chances
from tests.recovery.measure import DRIFT, SPREADS, judge, run, weeks_before
from tests.recovery.measured import coverage, false_discovery
from tests.recovery.simulated_plant import Truth, all_items, week

RARE = 0.001


def _check_healthy(count: int, first: int) -> None:
    rows = [row for s in SPREADS for row in run(f"null {s} past", range(first, first + count))]
    assert {row["drift"] for row in rows} == {0.0, DRIFT}
    hits = sum(bool(r["flagged"]) for r in rows)
    assert stats.binom.sf(hits - 1, len(rows), 0.05) > RARE, f"{hits} of {len(rows)} healthy weeks have a flag"
    shares = [hits / of for hits, of in (coverage([row])["all"] for row in rows)]
    error = float(np.std(shares, ddof=1) / np.sqrt(len(shares)))
    assert 0.93 - 3 * error <= np.mean(shares) <= 0.97 + 3 * error, f"{np.mean(shares):.3f} +- {error:.3f}"
    assert all(r["converged"] for r in rows)


def _check_power(count: int, first: int) -> None:
    """At least 95 % of what the oracle finds is found, of new faults and of those of weeks, and false flags are few."""
    rows = run("power past", range(first, first + count))
    for old in (0, 1):
        cells = [c for r in rows if r["seed"] % 2 == old for c in r["cells"]]
        both, best = sum(c[2] and c[3] for c in cells), sum(c[3] for c in cells)
        assert best >= count / 2, "half of the weeks are of either sort, and the oracle finds about two nozzles in each"
        assert stats.binom.cdf(both, best, 0.95) > RARE, f"{both} of the oracle's {best}, old: {old}"
    shares = [len(r["false"]) / max(len(r["false"]) + sum(c[2] for c in r["cells"]), 1) for r in rows]
    assert np.mean(shares) <= 0.1 + 3 * float(np.std(shares, ddof=1) / np.sqrt(len(shares)))


def _check_faults(seeds: range) -> None:
    rows = run("faults past", seeds)
    mean, error = false_discovery(rows)
    assert mean <= 0.1 + 3 * error, f"false flags: {mean:.3f} +- {error:.3f}"
    found, wrong = (sum(len(r[k]) for r in rows) for k in ("found", "wrong"))
    assert stats.binom.cdf(found, found + wrong, 0.9) > RARE
    assert 2 * found >= sum(len(r["oracle"]) for r in rows)


def _check_looks(seeds: range) -> None:
    rows = run("looks past", seeds)
    looks = [look for r in rows if not r["faulty"] for look in r["looks"]]
    hits = sum(bool(look["false"]) for look in looks)
    assert stats.binom.sf(hits - 1, len(looks), 0.05) > RARE, f"{hits} of {len(looks)} looks have a flag"


def test_healthy_weeks_with_a_past() -> None:
    _check_healthy(2, 501)


def test_power_with_a_past() -> None:
    _check_power(4, 730)


def test_the_spread_of_a_week_is_found_although_effects_drift() -> None:
    """Half of the variance is new each week: what six weeks say of a single week's spread is that of a week."""
    logs, fresh = [], []
    for seed in range(3):
        given = Truth(plant=seed, drift=DRIFT)
        told = look_back([with_chances(w.frame, "missed") for w in weeks_before(seed, given)])
        assert told is not None
        for kind in ("nozzle", "feeder"):
            past = told.spread(kind, [])
            assert past is not None
            logs.append(past.mean)
            fresh.append(past.fresh)
    error = float(np.std(logs, ddof=1) / np.sqrt(len(logs)))
    assert abs(np.mean(logs) - np.log(0.2)) < 0.08 + 3 * error, f"{np.exp(np.mean(logs)):.3f}"
    assert 0.2 < np.mean(fresh) < 0.8


def test_a_nozzle_that_was_bad_all_the_time_is_flagged() -> None:
    item = ("nozzle", all_items("nozzle")[12])
    given = Truth(plant=3, faults={item: float(np.log(5.0))}, expected={item: 50.0})
    assert judge(week(31, given), weeks_before(3, given, faulty=6)).flagged == (item,)


@pytest.mark.long
def test_many_healthy_weeks_with_a_past() -> None:
    _check_healthy(40, 6000)


@pytest.mark.long
def test_power_with_a_past_in_many_weeks() -> None:
    _check_power(40, 6500)


@pytest.mark.long
def test_five_faults_with_a_past() -> None:
    _check_faults(range(7000, 7030))


@pytest.mark.long
def test_weeks_on_end_with_a_past() -> None:
    _check_looks(range(7500, 7520))
