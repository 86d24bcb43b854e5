"""The rule that turns p-values and effects into flags."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.attribution import Attribution
from pipeline.analysis.judged_items import Items, lengths_of_runs
from pipeline.analysis.ranking import (
    Counted,
    _each_item_once,
    _Fitted,
    _main_loss,
    _suspects,
    flagged_items,
    odds_ratios,
)
from pipeline.settings import Plant, Statistics
from tests.unit.analysis.test_attribution import small_week

SETTINGS = Statistics()
NOTHING = pl.DataFrame()


def _items(effect: float = 1.2, variance: float = 0.04, events: int = 30, p: float = 1e-6) -> Items:
    one, zero = np.array([1], dtype=np.int64), np.zeros(1)
    return Items(
        kind="nozzle",
        keys=["N1"],
        losses=one * events,
        events=one * events,
        chances=one * 5000,
        expected=np.array([events / np.exp(np.clip(effect, -5, 5))]),
        excess=np.zeros((1, 3)),
        effect=np.array([effect]),
        variance=np.array([variance]),
        p=np.array([p]),
        explained=zero,
        explained_by=[None],
        twin_of=[None],
        dispersion=1.0,
        spread=0.2,
    )


def _flagged(table: Items, q: float = 0.01, saving: float = 10.0) -> bool:
    return bool(flagged_items(table, np.array([q]), np.array([saving]), SETTINGS)[0])


def test_odds_ratios_are_the_normal_interval_of_the_log_odds() -> None:
    ratio, low, high = odds_ratios(_items(), 0.95)[:, 0]
    assert ratio == pytest.approx(np.exp(1.2))
    assert low == pytest.approx(np.exp(1.2 - 1.959964 * 0.2), rel=1e-6)
    assert high == pytest.approx(np.exp(1.2 + 1.959964 * 0.2), rel=1e-6)


@pytest.mark.parametrize(("losses", "events"), [(300, 290), (300, 100), (5, 5), (40, 30)])
def test_losses_too_many_are_losses_of_the_item_itself(losses: int, events: int) -> None:
    """A bad nozzle has no runs of its own, a jamming feeder long ones; the plant's mean is 1.3 losses a run."""
    table = replace(_items(), losses=np.array([losses]), events=np.array([events]))
    own = float(lengths_of_runs(table, 1.3)[0])
    assert own == pytest.approx((losses + 6.5) / (events + 5))
    assert own * events <= losses + 5 * (1.3 - 1), "no more than it lost, but for what few losses leave open"
    assert lengths_of_runs(replace(table, losses=np.array([events])), 1.0)[0] == 1.0


def test_log_odds_without_bound_stay_finite() -> None:
    assert np.isfinite(odds_ratios(_items(effect=800.0, variance=1e6), 0.95)).all()


@pytest.mark.parametrize(("single", "counted", "told"), [(120, 960, "counters"), (500, 960, "single picks")])
def test_an_item_is_judged_by_what_has_most_to_tell_of_it(single: int, counted: int, told: str) -> None:
    """A feeder that moved on Friday from a machine that counts to one that logs single picks."""

    def fitted(chances: int, source: Counted | None) -> _Fitted:
        table = replace(_items(), kind="feeder", keys=["F1"], chances=np.array([chances]))
        return _Fitted("missed", Attribution({"feeder": table}, {}, 1.0, True, "", np.zeros(1), 1.0), NOTHING, source)

    counters = Counted(("feeder",), NOTHING, NOTHING)
    both = _each_item_once([fitted(single, None), fitted(counted, counters)])
    keys = [f.attribution.items["feeder"].keys for f in both]
    assert keys == ([[], ["F1"]] if told == "counters" else [["F1"], []])


@pytest.mark.parametrize(
    ("counts", "main"),
    [((48, 123, 0), "rejected"), ((48, 12, 3), "missed"), ((1, 1, 9), "dropped"), ((0, 0, 0), "missed")],
)
def test_what_to_do_about_all_losses_is_about_most_of_them(counts: tuple[int, int, int], main: str) -> None:
    mine = dict(zip(("missed", "rejected", "dropped"), counts, strict=True))
    frame = pl.DataFrame([{"part": "P1", **mine}, {"part": "P2", "missed": 900, "rejected": 0, "dropped": 0}])
    assert _main_loss(frame, "part", "P1", "all") == main
    assert _main_loss(frame, "part", "P1", "dropped") == "dropped"


def test_everything_must_hold_for_a_flag() -> None:
    assert _flagged(_items())
    assert not _flagged(_items(), q=0.051)
    assert not _flagged(_items(), q=float("nan"))
    assert not _flagged(_items(p=float("nan")))
    assert not _flagged(_items(events=4))
    assert not _flagged(_items(), saving=0.99)
    assert not _flagged(_items(effect=np.log(1.49)))
    assert not _flagged(_items(variance=0.4))  # the lower end of its odds ratio is below 1


def test_limits_belong_to_the_flag() -> None:
    assert _flagged(_items(effect=np.log(1.5) + 1e-9, variance=1e-4, events=5), q=0.05, saving=1.0)


def test_an_item_better_than_its_peers_is_never_flagged() -> None:
    assert not _flagged(_items(effect=-1.2))


@pytest.mark.parametrize(("effect", "variance", "told"), [(0.38, 0.01, True), (0.2, 0.04, False), (-0.3, 0.01, False)])
def test_what_rose_and_is_like_its_peers_now_does_not_stand_out_from_them(
    effect: float, variance: float, told: bool
) -> None:
    """By its own past it is as surprising as a flagged one; "worse than its peers" is said where it is."""
    table = _items(effect, variance)
    attribution = Attribution({"nozzle": table}, {}, 1.0, True, "", np.zeros(1), 1.0)
    frame = small_week().with_columns(machine=pl.lit("M1"))
    (found,) = _suspects("missed", attribution, table, np.array([0.001]), frame, Plant(Path()), {"N1": 1.0})
    assert (found.flagged, found.stands_out, found.suspected, found.explained_by) == (False, told, False, None)
