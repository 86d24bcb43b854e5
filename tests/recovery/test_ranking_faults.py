"""Weeks with planted faults: found, blamed on the right kind, told apart where that is possible and doubted elsewhere.

The trials are those of measure.py; each promise is tested against Monte Carlo error as in test_ranking_null.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.recovery.measure import RATIOS, run
from tests.recovery.measured import false_discovery
from tests.recovery.simulated_plant import Truth, all_items, week

RARE = 0.001


def _at_most(hits: int, of: int, promised: float, what: str) -> None:
    assert stats.binom.sf(hits - 1, of, promised) > RARE, f"{what}: {hits} of {of}, promised at most {promised:.0%}"


def _at_least(hits: int, of: int, promised: float, what: str) -> None:
    assert of > 0, f"{what}: nothing to judge"
    assert stats.binom.cdf(hits, of, promised) > RARE, f"{what}: {hits} of {of}, promised at least {promised:.0%}"


def _check_faults(seeds: range) -> None:
    rows = run("faults", seeds)
    found, wrong = (sum(len(r[k]) for r in rows) for k in ("found", "wrong"))
    _at_least(found, found + wrong, 0.9, "right kind named")
    mean, error = false_discovery(rows)
    assert mean <= 0.1 + 3 * error, f"false flags: {mean:.3f} +- {error:.3f}"
    # Nobody can find all; the tool must find at least half of what the oracle finds.
    assert 2 * sum(len(set(map(tuple, r["found"])) & set(map(tuple, r["oracle"]))) for r in rows) >= sum(
        len(r["oracle"]) for r in rows
    )


def _check_innocent(seeds: range) -> None:
    rows = run("innocent", seeds)
    _at_most(sum(r["convicted"] for r in rows), len(rows), 0.02, "good nozzle convicted")
    assert sum(r["part"] for r in rows) >= len(rows) / 2, "the bad part itself is found in less than half of the weeks"


def _check_lonely(seeds: range) -> None:
    released = [r for r in run("lonely", seeds) if r["released"]]
    _at_least(sum(bool(r["said"]) for r in released), len(released), 0.95, "doubt said")


def _check_looks(seeds: range) -> None:
    """Every week is a family of tests on data of its own: the mean over weeks keeps the promise of each."""
    rows = run("looks", seeds)
    healthy, faulty = ([look for r in rows if r["faulty"] is bad for look in r["looks"]] for bad in (False, True))
    _at_most(sum(bool(look["false"]) for look in healthy), len(healthy), 0.05, "healthy plant flagged, week after week")
    mean, error = false_discovery(faulty)
    assert mean <= 0.1 + 3 * error, f"false flags over weeks on end: {mean:.3f} +- {error:.3f}"
    assert sum(len(look["found"]) for look in faulty) >= len(faulty), "less than half of the faults is found"


def _check_power(seeds: range) -> None:
    cells = [c for r in run("power", seeds) for c in r["cells"]]
    flagged = {ratio: np.mean([c[2] for c in cells if c[0] == ratio and c[1] >= 20]) for ratio in RATIOS}
    assert flagged[5.0] >= 0.5
    assert flagged[1.5] <= 0.5 * flagged[5.0]
    # The oracle knows more: over all cells the tool cannot be better, but for chance.
    tool, best = (np.array([c[i] for c in cells], dtype=float) for i in (2, 3))
    error = float(np.std(tool - best) / np.sqrt(tool.size))
    assert tool.mean() <= best.mean() + 3 * error


def test_five_faults() -> None:
    _check_faults(range(700, 703))


def test_a_good_nozzle_on_a_bad_part() -> None:
    _check_innocent(range(710, 712))


def test_items_that_nothing_can_tell_apart() -> None:
    _check_lonely(range(720, 722))


def test_power() -> None:
    _check_power(range(730, 734))


def test_weeks_on_end() -> None:
    _check_looks(range(740, 742))


@pytest.mark.long
def test_weeks_on_end_at_many_plants() -> None:
    _check_looks(range(8000, 8020))


@pytest.mark.long
def test_five_faults_in_many_weeks() -> None:
    _check_faults(range(2000, 2040))


@pytest.mark.long
def test_a_good_nozzle_on_a_bad_part_in_many_weeks() -> None:
    _check_innocent(range(3000, 3050))


@pytest.mark.long
def test_items_that_nothing_can_tell_apart_in_many_weeks() -> None:
    _check_lonely(range(4000, 4040))


@pytest.mark.long
def test_power_in_many_weeks() -> None:
    _check_power(range(5000, 5040))


def test_the_simulated_week_is_what_it_says() -> None:
    """Planted odds, jams and spread are in the data: what everything above relies on."""
    bad = all_items("nozzle")[3]
    ratios, jams = [], []
    for seed in range(20):
        truth = week(seed, Truth(faults={("nozzle", bad): float(np.log(3.0))}))
        mine = truth.codes["nozzle"] == 3
        healthy = truth.attempts * np.exp(truth.eta - np.log(3.0) * mine)
        ratios.append([truth.events[m].sum() / healthy[m].sum() for m in (mine, ~mine)])
        frame = truth.frame
        assert (frame["missed_runs"] <= frame["missed"]).all()
        assert (frame["missed"] <= frame["attempts"]).all()
        assert (frame["placed"] + frame["missed"] == frame["attempts"]).all()
        assert (frame["missed_runs"] > 0).to_numpy()[frame["missed"].to_numpy() > 0].mean() > 0.5
        jams.append(frame["missed"].sum() / frame["missed_runs"].sum())
    found = np.array(ratios)
    ratio = found[:, 0] / found[:, 1]
    assert abs(ratio.mean() - 3.0) < 4 * ratio.std(ddof=1) / np.sqrt(20)
    # 4 % of losses begin a jam of 3 to 12 (7.5 on average), three of ten of which count twice.
    assert np.mean(jams) == pytest.approx((1 + 0.04 * 6.5) / (1 + 0.04 * 0.3), rel=0.03)
