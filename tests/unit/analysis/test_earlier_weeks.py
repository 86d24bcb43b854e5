"""What earlier weeks hand on: a spread, and what each item was like itself; nothing where they are too few."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.attribution import attribute
from pipeline.analysis.attribution_model import prepare
from pipeline.analysis.earlier_weeks import EarlierWeeks, Seen, look_back
from pipeline.analysis.losses import with_chances
from pipeline.estimators import crossed_logit
from pipeline.settings import Statistics
from tests.unit.analysis.test_attribution import small_week

SETTINGS = Statistics()


def _weeks(count: int, odds: dict[tuple[str, str], float] | None = None) -> list[pl.DataFrame]:
    return [with_chances(small_week(seed=100 + n, odds=odds), "missed") for n in range(count)]


def _told(frames: list[pl.DataFrame]) -> EarlierWeeks:
    found = look_back(frames)
    assert found is not None
    return found


def _seen(keys: list[str], estimates: np.ndarray, variances: np.ndarray) -> Seen:
    """Items that were always judged by themselves, by their own losses alone."""
    alone: list[list[tuple[tuple[str, str], ...]]] = [[()] * estimates.shape[1] for _ in keys]
    return Seen(keys, estimates, variances, np.zeros(estimates.shape), alone)


def test_one_week_or_none_says_nothing() -> None:
    assert look_back([]) is None
    assert look_back(_weeks(1)) is None
    # Weeks without a loss tell nothing of a spread.
    empty = [w.with_columns(pl.lit(0, pl.Int64).alias(c) for c in ("losses", "runs")) for w in _weeks(2)]
    assert look_back([*_weeks(1), *empty]) is None


def test_without_earlier_weeks_nothing_changes() -> None:
    """Exactly what the week alone gives, figure for figure."""
    cells = with_chances(small_week(), "missed")
    alone, with_none = attribute(cells, SETTINGS), attribute(cells, SETTINGS, _weeks(1))
    for kind, table in alone.items.items():
        np.testing.assert_array_equal(table.p, with_none.items[kind].p)
        np.testing.assert_array_equal(table.effect, with_none.items[kind].effect)


def test_healthy_weeks_narrow_the_spread() -> None:
    """The small week has no healthy spread at all: six weeks of it say so more clearly than the prior of one."""
    told = _told(_weeks(6))
    assert told.weeks == 6
    past = told.spread("feeder", told.seen["feeder"].keys)
    assert past is not None
    assert past.mean < np.log(0.12)
    np.testing.assert_allclose(past.weights.sum(axis=1), 1.0)


def test_a_bad_feeder_of_weeks_is_flagged_all_the_same() -> None:
    """It has no part in the spread that it is held against, and is not taken for healthy because it always was so."""
    odds = {("feeder", "F3"): 4.0}
    cells = with_chances(small_week(seed=7, odds=odds), "missed")
    table = attribute(cells, SETTINGS).items["feeder"]
    at = next(i for i, key in enumerate(table.keys) if key.endswith("F3"))
    after_healthy = attribute(cells, SETTINGS, _weeks(5)).items["feeder"]
    after_bad = attribute(cells, SETTINGS, _weeks(5, odds)).items["feeder"]
    assert after_bad.p[at] < 1e-4
    assert after_bad.p[at] < table.p[at]
    assert np.log(after_bad.p[at]) == pytest.approx(np.log(after_healthy.p[at]), rel=0.2)


def test_items_that_are_new_this_week_are_held_against_what_the_old_ones_showed() -> None:
    told = _told(_weeks(3))
    keys = told.seen["nozzle"].keys
    past = told.spread("nozzle", [keys[2], "new", keys[0]])
    in_order = told.spread("nozzle", keys)
    assert past is not None
    assert in_order is not None
    np.testing.assert_allclose(past.weights[[2, 0]], in_order.weights[[0, 2]], rtol=1e-9)
    assert past.weights.shape[0] == 3


def test_of_a_kind_that_was_never_seen_alone_or_together_nothing_is_said() -> None:
    told = _told(_weeks(2))
    assert {"nozzle", "part+lot"} < told.seen.keys()
    assert told.spread("machine", ["M0"]) is None


def test_of_a_very_large_plant_only_the_last_weeks_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crossed_logit, "DENSE_LIMIT", 10)
    frames = _weeks(5)
    few, last = _told(frames), _told(frames[2:])
    assert few.weeks == last.weeks == 3
    np.testing.assert_array_equal(few.seen["nozzle"].estimates, last.seen["nozzle"].estimates)


def test_the_same_weeks_give_the_same_figures() -> None:
    one, two = _told(_weeks(3)), _told(_weeks(3))
    for kind, seen in one.seen.items():
        np.testing.assert_array_equal(seen.estimates, two.seen[kind].estimates)


def test_a_kind_that_was_never_seen_alone_gets_a_share_of_what_was_seen_together() -> None:
    """A nozzle that always sat on its spindle is put on another one: how far both together differ is known."""
    rng = np.random.default_rng(2)
    together = _seen([f"N{i}" for i in range(40)], rng.normal(0, 0.25, (40, 6)), np.full((40, 6), 0.01))
    told = EarlierWeeks(6, {"nozzle+spindle": together, "spindle": _seen(["S0"], np.zeros((1, 6)), np.ones((1, 6)))})
    whole = told.spread("nozzle+spindle", together.keys)
    nozzle, spindle = told.spread("nozzle", ["N0", "N1"]), told.spread("spindle", ["S0", "S1"])
    assert whole is not None
    assert nozzle is not None
    assert spindle is not None, "one spindle that was seen says less"
    for one in (nozzle, spindle):
        assert one.mean < whole.mean
        assert one.fixed == pytest.approx(np.exp(whole.mean) / np.sqrt(2))
        above = one.grid > 1.5 * np.exp(whole.mean + 2 * whole.sd)
        assert one.weights.shape[0] == 2
        assert one.weights[:, above].sum(axis=1).max() < 0.01, "never more than both together"
    many = told.spread("nozzle", together.keys)
    assert many is not None
    assert many.fixed is None, "so many tell it themselves"
    assert told.spread("feeder", ["F0"]) is None
    few = EarlierWeeks(6, {"nozzle+spindle": _seen(["N0"], np.zeros((1, 6)), np.ones((1, 6)))})
    assert few.spread("nozzle", ["N0"]) is None


def test_a_feeder_is_held_against_its_own_weeks_and_against_no_others() -> None:
    """Its estimates of the weeks before come in their order; a week in which something was judged as one with it that
    is not now says nothing of it."""
    told = _told(_weeks(4))
    seen = told.seen["feeder"]
    state = prepare(with_chances(small_week(seed=9), "missed"))
    told.teach(state)
    k = state.factors.index("feeder")
    past = state.own_past[k]
    assert past is not None
    at = [seen.keys.index(key) for key in state.keys[k]]
    np.testing.assert_array_equal(past.estimates, seen.estimates[at])
    assert (past.shared < past.variances).all()
    assert (past.shared > 0).any(), "what it worked with is not known exactly"
    seen.same_as[at[0]][1] = (("slot", "A/1"),)
    told.teach(state)
    again = state.own_past[k]
    assert again is not None
    assert np.isnan(again.estimates[0]).tolist() == [False, True, False, False]
    assert np.isfinite(again.estimates[1:]).all()


def test_a_nozzle_that_lost_little_and_loses_more_than_its_peers_now_stands_out_by_its_own_past() -> None:
    """Four times what it lost itself, in a week that a spread of its peers alone leaves open."""
    better, worse = {("nozzle", "N3"): 0.5}, {("nozzle", "N3"): 2.2}
    cells = with_chances(small_week(seed=7, odds=worse), "missed")
    settings, p = Statistics(), []
    for before in (_weeks(5, better), _weeks(5, worse)):
        table = attribute(cells, settings, before).items["nozzle"]
        p.append(table.p[next(i for i, key in enumerate(table.keys) if key.endswith("N3"))])
    assert p[0] < 0.2 * p[1]
