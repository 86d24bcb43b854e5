"""A set-up that nobody changes: what goes together is blamed together, seldom in vain, and every doubt is said.

The same trials on many seeds: `python -m tests.recovery.measure`; what they found is in docs/statistics.md.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.analysis import same_work
from pipeline.analysis.attribution_model import prepare
from pipeline.analysis.losses import with_chances
from tests.recovery.measure import TRIALS, Verdict, judge, run, weeks_before
from tests.recovery.simulated_plant import Item, Truth, item, week
from tests.recovery.test_ranking_null import PROMISED, RARE

HALF = 0.5
"""Share of what the oracle finds that is found at the least: fewer fail when chance alone would give so few in 2 %."""


def _check(name: str, first: int, count: int) -> None:
    rows = run(name, range(first, first + count))
    hits = sum(bool(r["false"]) for r in rows if not r["faults"])
    healthy = sum(not r["faults"] for r in rows)
    assert stats.binom.sf(hits - 1, healthy, PROMISED) > RARE, f"{hits} of {healthy} healthy weeks have a flag"
    found, said, best = (sum(len(r[k]) for r in rows) for k in ("found", "said", "oracle"))
    assert said == found, "each of these has a twin, which must be named"
    assert best >= count / 8, "what nobody can find tries nothing"
    assert stats.binom.cdf(found, best, HALF) > 0.02, f"{found} found, {best} by one who knows everything else"


def test_a_fixed_set_up() -> None:
    _check("fixed", TRIALS["fixed"].first_seed, 8)


def test_a_fixed_set_up_with_a_past() -> None:
    _check("fixed past", TRIALS["fixed past"].first_seed, 4)


@pytest.mark.long
def test_many_fixed_set_ups() -> None:
    _check("fixed", 1000, 120)
    _check("fixed past", 2000, 80)


@pytest.mark.long
def test_one_effect_for_the_same_picks_makes_a_bad_feeder_stand_out_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bad for all weeks, with a slot and a part of its own: three effects shared its losses, three spreads hid them."""
    bad = item("feeder", "F007")
    gains = []
    for seed in range(8, 10):
        given = Truth(fixed=1.0, plant=seed, faults={bad: float(np.log(6.0))}, expected={bad: 40.0})
        truth, before = week(10 * seed + 1, given), weeks_before(seed, given, faulty=6)
        assert {"feeder+slot+part", "nozzle+spindle"} <= set(prepare(with_chances(truth.frame, "missed")).factors)
        as_one = _p(judge(truth, before), bad)
        with monkeypatch.context() as patch:
            patch.setattr(same_work, "tied_groups", lambda codes, picks, rows: {})
            gains.append(np.log(_p(judge(truth, before), bad) / as_one))
    assert min(gains) > 0
    assert np.mean(gains) > np.log(10)


def _p(verdict: Verdict, one: Item) -> float:
    table = verdict.attribution.items[one[0]]
    return float(table.p[table.keys.index(one[1])])
