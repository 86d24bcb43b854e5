"""Verdicts on services, over many seeds: worked, did not, cannot say yet, and never "worked" on a healthy item."""

from __future__ import annotations

import dataclasses
from datetime import datetime

import polars as pl
import pytest
from statsmodels.stats.proportion import confint_proportions_2indep

from pipeline.analysis.actions import actions
from pipeline.analysis.services import (
    _difference,
    _Span,
    _verdict,
    after_services,
    mended_in_week,
    outcomes,
    without_outcome,
)
from pipeline.commands.explain import explain
from pipeline.findings.model import Quality, ServiceOutcome
from pipeline.schema.frames import SERVICES
from pipeline.settings import Statistics
from tests.fixtures_bundle import rich_bundle
from tests.unit.analysis.days import day_name, days

HEALTHY = {f"N{i}": [0.003] * 28 for i in range(1, 12)}
SEEDS = 40
QUALITY = Quality(0, 0, 0, 0, 0, (), (), ())


def _services(day: int = 14, kind: str = "nozzle", item: str = "N0") -> pl.DataFrame:
    when = datetime.fromisoformat(day_name(day) + "T09:30:00")
    row = (when, day_name(day), "M1", kind, item, "cleaned", None)
    return pl.DataFrame([row], schema=SERVICES, orient="row")


def _one(series: list[float], seed: int, picks: int = 1500) -> ServiceOutcome:
    frame = days({"N0": series, **HEALTHY}, picks=picks, seed=seed)
    (found,) = outcomes(_services(), frame, {"missed": 1.2}, Statistics(), day_name(27))
    return found


def _verdicts(series: list[float], picks: int = 1500) -> list[str]:
    return [_one(series, seed, picks).verdict for seed in range(SEEDS)]


def test_a_service_that_worked() -> None:
    assert _verdicts([0.03] * 14 + [0.003] * 14).count("worked") == SEEDS


def test_a_service_that_did_not_work() -> None:
    assert _verdicts([0.03] * 28).count("did not work") >= SEEDS - 2


def test_what_did_not_work_is_said_to_be_still_worse_and_is_not_mended() -> None:
    frame = days({"N0": [0.03] * 14 + [0.003] * 14, "N1": [0.03] * 28, **{f"N{i}": [0.003] * 28 for i in range(2, 12)}})
    both = pl.concat([_services(), _services(item="N1")])
    found = {o.id: o for o in outcomes(both, frame, {"missed": 1.2}, Statistics(), day_name(27))}
    assert {name: o.verdict for name, o in found.items()} == {"N0": "worked", "N1": "did not work"}
    assert {name: o.text.endswith("It is still clearly worse than its peers.") for name, o in found.items()} == {
        "N0": False,
        "N1": True,
    }
    mended = mended_in_week(both, frame, Statistics(), day_name(27), day_name(14))
    assert mended == {("nozzle", "N0"): both["time"][0]}
    assert mended_in_week(both, frame, Statistics(), day_name(27), day_name(15)) == {}


def test_a_healthy_item_is_not_called_mended_or_broken() -> None:
    verdicts = _verdicts([0.003] * 28)
    assert verdicts.count("cannot say yet") >= SEEDS - 4
    assert verdicts.count("did not work") == 0


def test_a_service_of_a_fault_that_came_a_few_days_before() -> None:
    """The good days before the fault are no measure: a service that changed nothing did no harm."""
    useless = [_one([0.003] * 8 + [0.03] * 20, seed) for seed in range(SEEDS)]
    assert [f.verdict for f in useless].count("did not work") >= SEEDS - 2  # one in forty by chance: 95 % intervals
    exact = [f for f in useless if f.before.attempts == 6 * 1500]
    assert len(exact) >= SEEDS - 4
    assert all(f"Before, since its losses rose on {day_name(8)}: " in f.text for f in exact)
    mended = _verdicts([0.003] * 8 + [0.03] * 6 + [0.003] * 14)
    assert mended.count("worked") == SEEDS
    harmed = _verdicts([0.003] * 8 + [0.02] * 6 + [0.06] * 14)
    assert harmed.count("got worse") == SEEDS


def test_where_the_log_tells_no_kinds_all_losses_are_held_against_each_other() -> None:
    frame = days({"N0": [0.03] * 14 + [0.003] * 14, **HEALTHY}, picks=1500)
    untold = frame.with_columns(unknown="missed", missed=pl.lit(0, pl.Int64))
    (found,) = outcomes(_services(), untold, {}, Statistics(), day_name(27))
    (told,) = outcomes(_services(), frame, {}, Statistics(), day_name(27))
    assert (found.verdict, found.loss, told.loss) == ("worked", "all", "missed")
    assert (found.before, found.after) == (told.before, told.after)


def test_few_picks_since() -> None:
    assert set(_verdicts([0.03] * 14 + [0.003] * 14, picks=20)) == {"cannot say yet"}


def test_a_service_on_the_first_day_of_the_history() -> None:
    frame = days({"N0": [0.03] * 28, **HEALTHY})
    (found,) = outcomes(_services(0), frame, {"missed": 1.2}, Statistics(), day_name(27))
    assert (found.verdict, found.before.attempts) == ("cannot say yet", 0)
    assert found.text == "No picks in the days before the service: nothing to compare with."


def test_got_worse() -> None:
    assert _verdicts([0.003] * 14 + [0.03] * 14).count("got worse") == SEEDS


def test_a_lucky_fortnight_before_is_not_a_service_that_did_harm() -> None:
    assert _verdicts([0.0005] * 14 + [0.003] * 14) == ["cannot say yet"] * SEEDS


def test_the_day_of_the_service_belongs_to_neither_side() -> None:
    found = _one([0.03] * 14 + [0.9] + [0.003] * 13, 1)
    assert found.before.attempts == 14 * 1500
    assert found.after.attempts == 13 * 1500
    assert found.after.rate == pytest.approx(0.003, abs=0.002)


@pytest.mark.parametrize("machine", ["M1", None])
def test_the_day_of_the_service_before_belongs_to_neither_side(machine: str | None) -> None:
    """Ninety losses in a hundred on the day of the first service, and no fault since; one line may leave the machine
    out."""
    frame = days({"N0": [0.03] * 7 + [0.9] + [0.003] * 20, **HEALTHY}, picks=1500, seed=1)
    first = _services(7).with_columns(machine=pl.lit(machine, pl.String))
    second, earlier = outcomes(pl.concat([first, _services(14)]), frame, {"missed": 1.0}, Statistics(), day_name(27))
    assert (earlier.time[:10], second.time[:10]) == (day_name(7), day_name(14))
    assert (second.before.attempts, second.after.attempts) == (6 * 1500, 13 * 1500)
    assert (earlier.before.attempts, earlier.after.attempts) == (7 * 1500, 6 * 1500)
    assert (second.verdict, earlier.verdict) == ("cannot say yet", "worked")


def test_of_two_services_of_one_day_the_last_is_judged() -> None:
    frame = days({"N0": [0.03] * 14 + [0.003] * 14, **HEALTHY}, picks=1500, seed=1)
    morning = _services(14).with_columns(time=pl.col("time") - pl.duration(hours=2))
    afternoon = _services(14).with_columns(action=pl.lit("replaced"))
    last, first = outcomes(pl.concat([morning, afternoon]), frame, {"missed": 1.0}, Statistics(), day_name(27))
    assert (last.action, last.verdict) == ("replaced", "worked")
    assert (first.action, first.verdict) == ("cleaned", "cannot say yet")
    assert first.text == "It was replaced later on the same day: see there."


def test_a_service_whose_text_fits_no_pattern_is_said() -> None:
    """The message names a nozzle in capitals, which the plant's pattern does not know: it was the machine's."""
    frame = days({f"N{i}00": [0.003] * 28 for i in range(12)})
    whole = _services(kind="machine", item="M1").with_columns(note=pl.lit("NOZZLE N000 WASHED"))
    (line,) = without_outcome(whole, frame)
    assert (line.level, line.machine, line.value) == ("warning", "M1", 1.0)
    assert f'nozzle N000, {day_name(14)}: "NOZZLE N000 WASHED"' in line.text
    assert without_outcome(whole.with_columns(note=pl.lit("belts greased, N1")), frame) == ()


def test_what_is_on_no_machine_any_more_is_not_to_be_looked_at() -> None:
    failed = _one([0.03] * 28, 1)
    assert failed.verdict == "did not work"
    week = failed.history[-1].label
    for asked, told in ((week, 1), ("2026-W49", 0), (None, 1)):
        assert len(actions((), (failed,), (), (), QUALITY, 10, week=asked)) == told


def test_what_was_serviced_again_is_judged_by_the_last_time() -> None:
    failed = dataclasses.replace(_one([0.03] * 28, 1), time=f"{day_name(7)}T10:00")
    again = dataclasses.replace(failed, time=f"{day_name(14)}T10:00", action="replaced")
    assert failed.verdict == "did not work"
    for verdict, told in (("worked", []), ("cannot say yet", []), ("got worse", [day_name(14)])):
        last = dataclasses.replace(again, verdict=verdict)  # type: ignore[arg-type]
        found = [a for a in actions((), (last, failed), (), (), QUALITY, 10) if a.owner == "maintenance planner"]
        assert [a.why.split(": ")[0] for a in found] == [f"replaced on {day}" for day in told]


def test_a_change_of_work_is_not_taken_for_a_mended_nozzle() -> None:
    """After the service the nozzle gets the easy part only; its peers say what that alone does."""
    frame = days({f"N{i}": [0.002] * 28 for i in range(12)}, mix=True, exact=True)
    easy = (pl.col("nozzle") == "N0") & (pl.col("part") == "P1") & (pl.col("day") > day_name(14))
    frame = frame.filter(~easy)
    (found,) = outcomes(_services(), frame, {"missed": 1.0}, Statistics(), day_name(27))
    assert found.before.rate is not None
    assert found.after.rate is not None
    assert found.after.rate < 0.5 * found.before.rate
    assert found.verdict == "cannot say yet"


def test_an_item_that_no_pick_names_is_left_out() -> None:
    frame = days(HEALTHY)
    assert outcomes(_services(item="N99"), frame, {}, Statistics(), day_name(27)) == ()
    assert outcomes(_services(kind="conveyor"), frame, {}, Statistics(), day_name(27)) == ()
    (line,) = without_outcome(_services(item="N99"), frame)
    assert (line.level, line.what, line.value) == ("note", "services", 1.0)
    assert line.text == (
        f"1 service(s) are of items that no pick of these weeks names, the last of nozzle N99, {day_name(14)}. "
        "If it is in use, check its id."
    )
    assert without_outcome(_services(item="N1"), frame) == ()


@pytest.mark.parametrize(("kind", "item"), [("nozzle", "7"), ("spindle", "H1/1"), ("spindle", "1")])
def test_one_that_several_machines_have_needs_the_machine(kind: str, item: str) -> None:
    """Nozzle 7 and head 1's first spindle of either machine; without its machine a service is of neither."""
    one = days({"7": [0.003] * 28, **HEALTHY})
    both = pl.concat(
        one.with_columns(
            machine=pl.lit(m),
            nozzle=pl.when(pl.col("nozzle") == "7")
            .then(pl.lit(f"{m}/7"))
            .otherwise(pl.format("{}-{}", pl.lit(m), "nozzle")),
            head=pl.lit("" if item == "1" else "H1"),
        )
        for m in ("M1", "M2")
    )
    named = _services(kind=kind, item=item)
    (found,) = outcomes(named, both, {"missed": 1.2}, Statistics(), day_name(27))
    assert found.machine == "M1"
    assert found.id == ("M1/7" if kind == "nozzle" else item)
    nameless = named.with_columns(machine=pl.lit(None, dtype=pl.String))
    assert outcomes(nameless, both, {"missed": 1.2}, Statistics(), day_name(27)) == ()
    (line,) = without_outcome(nameless, both)
    assert (line.level, line.value, line.expected) == ("warning", 1.0, 0.0)
    assert "name no machine where several have such an item" in line.text


def test_what_a_service_of_the_week_has_mended_is_left_alone() -> None:
    """A nozzle changed on Wednesday is flagged for its bad days before; nobody is to pull it again on Monday."""
    bundle = rich_bundle()
    flagged = next(s for s in bundle.suspects if s.flagged and s.kind == "nozzle" and s.loss != "all")
    mended = dataclasses.replace(flagged, id="N0", machine="M1", loss="missed", cost_low=90.0, cost_per_week=99.0)
    open_ = dataclasses.replace(flagged, id="N7", machine="M1", loss="missed", cost_low=1.0, cost_per_week=2.0)
    whole, other = (dataclasses.replace(mended, loss=loss) for loss in ("all", "rejected"))
    late = dataclasses.replace(_one([0.03] * 14 + [0.003] * 14, 1), action="replaced")
    assert (late.verdict, late.id, late.loss) == ("worked", "N0", "missed")
    told = after_services((mended, whole, open_), (late,), day_name(13))
    assert [(s.id, s.loss) for s in told] == [("N7", "missed"), ("N0", "missed"), ("N0", "all")]
    assert [s.mended for s in told] == [False, True, True]
    listed = [a for a in actions(told, (late,), (), (), QUALITY, 10) if a.owner == "maintenance planner"]
    assert [(a.id, a.worth, a.hands_in_machine) for a in listed] == [("N7", 2.0, True), ("N0", None, False)]
    assert f"Leave it; it was replaced on {day_name(14)}, and that worked." in listed[1].what

    # an older service, or one that mended another loss, changes nothing
    assert after_services((mended,), (late,), day_name(15)) == (mended,)
    both = after_services((mended, other), (late,), day_name(13))
    assert [(s.loss, s.mended) for s in both] == [("rejected", False), ("missed", True)]
    listed = [a for a in actions(both, (late,), (), (), QUALITY, 10) if a.owner == "maintenance planner"]
    assert [(a.id, a.hands_in_machine) for a in listed] == [("N0", True)]

    early = dataclasses.replace(late, verdict="cannot say yet")
    (waits,) = after_services((mended,), (early,), day_name(13))
    assert waits.advice.endswith(f"cannot be said yet. If its losses go on: {mended.advice}")
    failed = dataclasses.replace(late, verdict="did not work")
    assert after_services((mended,), (failed,), day_name(13)) == (mended,)


def test_a_service_of_another_machines_head_is_none_of_this_one() -> None:
    """Both have a head H1; a nozzle is itself on any machine."""
    bundle = rich_bundle()
    flagged = next(s for s in bundle.suspects if s.flagged and s.kind == "nozzle" and s.loss != "all")
    here = dataclasses.replace(flagged, kind="head", id="H1", machine="M2", loss="missed")
    worked = dataclasses.replace(_one([0.03] * 14 + [0.003] * 14, 1), kind="head", id="H1", machine="M1")
    assert after_services((here,), (worked,), day_name(13)) == (here,)
    assert after_services((dataclasses.replace(here, machine="M1"),), (worked,), day_name(13))[0].mended
    failed = dataclasses.replace(worked, verdict="did not work")
    listed = [a.what for a in actions((here,), (failed,), (), (), QUALITY, 10) if a.owner == "maintenance planner"]
    assert [w.split(":")[0] for w in listed] == ["Head H1 of M2", "Look at head H1 of M1 again."]
    _, sections = explain(dataclasses.replace(bundle, suspects=(here,), services=(failed,)), "head", "H1", "M2")
    assert sections["Services"] == []
    moved = dataclasses.replace(flagged, kind="nozzle", id="N0", machine="M2", loss="missed")
    assert after_services((moved,), (dataclasses.replace(worked, kind="nozzle", id="N0"),), day_name(13))[0].mended


@pytest.mark.parametrize(
    ("expected_before", "expected_after", "scale"),
    [(10.0, 20.0, 1.0), (10.0, 40.0, 2.0), (0.5, 0.5, 0.5), (0.0, 5.0, 1.0), (5.0, 0.0, 1.0)],
)
def test_the_difference_is_that_of_the_same_work(expected_before: float, expected_after: float, scale: float) -> None:
    """30 of 2000 after 40 of 1000: where peers lose twice as much of the new work, it counts as 30 of 4000."""
    before, after = _Span(40, 1000, expected_before), _Span(30, 2000, expected_after)
    found = _difference(before, after, 1.0, 0.9)
    low, high = confint_proportions_2indep(30, 2000 * scale, 40, 1000, method="newcomb", alpha=0.1)
    assert found == pytest.approx((30 / (2000 * scale) - 0.04, low, high))


def test_without_picks_on_one_side_there_is_no_difference() -> None:
    one, none = _Span(40, 1000, 10.0), _Span(0, 0, 0.0)
    assert _difference(one, none, 1.0, 0.95) == _difference(none, one, 1.0, 0.95) == (None, None, None)


@pytest.mark.parametrize(
    ("losses", "expected", "bad"),
    [
        # Beyond chance, 2 sqrt(expected), and half of the expected ones, which healthy items may differ by.
        (124, 80.0, True),  # 44 more than sqrt(4 * 80 + 40 ** 2) = 43.8
        (123, 80.0, False),
        (18, 9.0, True),  # 9 more than sqrt(36 + 20.25) = 7.5
        (16, 9.0, False),
    ],
)
def test_clearly_above_the_peers(losses: int, expected: float, bad: bool) -> None:
    assert _Span(losses, 10_000, expected).elevated(1.0) == bad


@pytest.mark.parametrize(
    ("before", "after", "interval", "verdict"),
    [
        (90, 30, (-0.01, -0.001), "worked"),
        (90, 30, (-0.01, 0.0), "cannot say yet"),
        (90, 90, (-0.01, 0.01), "did not work"),
        (90, 60, (-0.01, -0.001), "did not work"),
        (90, 200, (0.001, 0.01), "got worse"),
        (30, 90, (0.001, 0.01), "got worse"),
        (30, 90, (0.0, 0.01), "cannot say yet"),
        (30, 10, (-0.01, -0.001), "cannot say yet"),
        (90, 30, (None, None), "cannot say yet"),
    ],
)
def test_verdicts(before: int, after: int, interval: tuple[float | None, float | None], verdict: str) -> None:
    """Peers would have lost 30 each time: 60 is bad, being 30 more than sqrt(120 + 225) = 18.6 and twice as many."""
    assert _verdict(_Span(before, 9000, 30.0), _Span(after, 9000, 30.0), *interval, 1.0, rose=True) == verdict
    assert _verdict(_Span(before, 9000, 30.0), _Span(after, 9000, 2.9), *interval, 1.0, rose=True) == "cannot say yet"


def test_one_that_stayed_bad_beside_a_mended_one_did_not_get_worse() -> None:
    """Two of twelve lost ten times as much, and one was mended: the peers of the other lose less than before."""
    for seed in range(4):
        frame = days({"N0": [0.03] * 14 + [0.003] * 14, **HEALTHY, "N1": [0.03] * 28}, seed=seed)
        (found,) = outcomes(_services(item="N1"), frame, {"missed": 1.2}, Statistics(), day_name(27))
        assert found.verdict == "did not work"
    worse = days({"N0": [0.03] * 14 + [0.003] * 14, **HEALTHY, "N1": [0.03] * 14 + [0.09] * 14}, seed=1)
    (found,) = outcomes(_services(item="N1"), worse, {"missed": 1.2}, Statistics(), day_name(27))
    assert found.verdict == "got worse"
