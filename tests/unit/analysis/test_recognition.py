"""What the rejects of a part follow: only what is flagged for rejects, under whatever name, and with its doubts."""

from __future__ import annotations

import dataclasses

import polars as pl
import pytest

from pipeline.analysis import items
from pipeline.analysis.actions import actions, advice
from pipeline.analysis.recognition import recognition
from pipeline.analysis.standardise import item_days
from pipeline.findings.model import Evidence, RecognitionFinding, Suspect
from pipeline.schema.frames import DAYS, MEASUREMENTS, REASONS
from pipeline.settings import Statistics
from tests.unit.analysis.test_evidence import QUALITY, SUSPECT

WEEK = "2026-W47"
PART = {
    "part": "P1",
    "package": "0402",
    "method": "laser",
    "lighting": "front",
    "lot": "L1",
    "feeder": "F1",
    "slot": "3/L",
}
PLACE = {"machine": "M1", "head": "H1", "spindle": "1", "nozzle": "N1", "week": WEEK, "day": "2026-11-16"}


def _days(*rows: dict[str, object]) -> pl.DataFrame:
    counts = {"attempts": 1000, "placed": 990, "rejected": 10, "rejected_runs": 10, "lost_runs": 10}
    full = [
        {**{c: None if t == pl.String() else 0 for c, t in DAYS.items()}, **PART, **PLACE, **counts, **r} for r in rows
    ]
    return pl.DataFrame(full, schema=DAYS)


def _found(days: pl.DataFrame, *suspects: Suspect, reels: tuple[str, ...] = ()) -> tuple[RecognitionFinding, ...]:
    nothing = dict.fromkeys(REASONS)
    rows = [{**nothing, "week": WEEK, "part": "P1", "outcome": "rejected", "reel": r, "losses": 5} for r in reels]
    reasons, measured = pl.DataFrame(rows, schema=REASONS), pl.DataFrame(schema=MEASUREMENTS)
    return recognition(suspects, days, reasons, measured, WEEK, 1.0, Statistics(), 30)


def _flagged(kind: str, machine: str | None, name: str, loss: str = "rejected") -> Suspect:
    return dataclasses.replace(SUSPECT, kind=kind, machine=machine, id=name, loss=loss)


@pytest.mark.parametrize(
    ("kind", "machine", "name"),
    [
        ("head", "M1", "H1"),
        ("spindle", "M1", "H1/1"),
        ("nozzle", "M1", "N1"),
        ("feeder", "M1", "F1"),
        ("slot", "M1", "3/L"),
        ("lot", None, "L1"),
        ("package", None, "0402"),
        ("optics", "M1", "laser"),
        ("light", "M1", "laser/front"),
    ],
)
def test_rejects_follow_what_handled_them_and_is_flagged_for_rejects(kind: str, machine: str | None, name: str) -> None:
    """Also where the suspect names the one machine that its feeder worked on, and where an id holds a stroke."""
    elsewhere = {"head": "H2", "nozzle": "N2", "feeder": "F2", "slot": "4", "lot": "L2"}
    days = _days({}, {"part": "P2", "package": "0603", "method": "camera_side", **elsewhere})
    first, other = _found(days, _flagged(kind, machine, name))
    where = f" of {machine}" if machine else ""
    assert (first.part, first.flagged, first.by_itself, first.follows) == ("P1", True, False, f"{kind} {name}{where}")
    assert (other.part, other.flagged, other.follows) == ("P2", False, "nothing in particular")


def test_rejects_follow_a_reel_too() -> None:
    reel = _flagged("reel", "M1", "R1")
    (found,) = _found(_days({}), reel, reels=("R1", "R2"))
    assert found.follows == "reel R1 of M1"
    (found,) = _found(_days({}), reel, reels=("R2", "R3"))
    assert found.follows == "nothing in particular"


def test_what_is_flagged_for_other_losses_is_not_what_rejects_follow() -> None:
    head = _flagged("head", "M1", "H1", "missed")
    everything = dataclasses.replace(head, loss="all")
    (found,) = _found(_days({}), head, everything)
    assert (found.flagged, found.since) == (False, None)
    (found,) = _found(_days({}), everything)
    assert found.follows == "head H1 of M1", "flagged for all losses together and for nothing more precise"
    missed, rejected = (
        dataclasses.replace(head, loss=loss, losses=n, flagged=False) for loss, n in (("missed", 30), ("rejected", 3))
    )
    (found,) = _found(_days({}), everything, missed, rejected)
    assert found.follows == "nothing in particular", "most of its losses are missed picks"
    (found,) = _found(_days({}), everything, dataclasses.replace(missed, losses=2), rejected)
    assert found.follows == "head H1 of M1"


def test_a_part_that_two_methods_look_at_has_one_finding() -> None:
    (found,) = _found(_days({}, {"method": "camera_below", "rejected": 30, "placed": 970, "package": None}))
    assert (found.method, found.package) == ("camera_below, laser", "0402")
    assert (found.rejects.losses, found.rejects.attempts) == (40, 2000)


def test_the_doubt_of_the_ranking_is_said_here_too() -> None:
    part = dataclasses.replace(_flagged("part", None, "P1"), not_separable_from=("feeder F1", "slot 3/L of M1"))
    (found,) = _found(_days({}), part)
    assert found.by_itself
    assert found.follows == "the part, or feeder F1 or slot 3/L of M1 (cannot tell)"
    (sure,) = _found(_days({}), _flagged("part", None, "P1"))
    assert sure.follows == "the part, whatever handles it"


@pytest.mark.parametrize(("kind", "name"), [("head", "H1"), ("machine", "M1"), ("slot", "3/L"), ("package", "0402")])
def test_what_to_do_is_what_the_ranking_says(kind: str, name: str) -> None:
    (found,) = _found(_days({}), _flagged(kind, None if kind == "package" else "M1", name))
    assert found.follows.startswith(f"{kind} {name}")
    assert found.advice == advice(kind, "rejected")


@pytest.mark.parametrize(
    ("kind", "name", "told"),
    [
        ("lot", "L1", "quarantine the lot"),
        ("reel", "R1", "Check this reel"),
        ("feeder", "F1", "pick position and tape advance"),
        ("nozzle", "N1", "inspect the nozzle tip"),
        ("optics", "laser", "Clean lens, mirrors and light"),
        ("light", "laser/front", "all its segments"),
    ],
)
def test_each_kind_has_advice_of_its_own(kind: str, name: str, told: str) -> None:
    (found,) = _found(_days({}), _flagged(kind, None if kind == "lot" else "M1", name), reels=("R1", "R1"))
    assert told in found.advice


@pytest.mark.parametrize(
    ("rejects", "follows"),
    [
        ([60, 40, 5, 4, 6, 5], "the part, mostly with nozzles N0, N1"),
        ([60, 6, 5, 4, 6, 5], "the part, mostly with nozzle N0"),
        ([20, 24, 18, 22, 19, 21], "the part, whatever handles it"),
        ([40, 40, 40, 40, 2, 2, 2, 2], "the part, mostly with nozzles N0, N1, N2, N3"),
        ([40, 40, 40, 40, 40, 2, 2, 2, 2, 2], "the part, mostly with nozzles N0, N1, N2, N3 and 1 more"),
        ([36, 12], "the part, mostly with nozzle N0"),  # chi-square 24 ** 2 / 48 = 12, above 10.83 for p = 0.001
        ([30, 10], "the part, whatever handles it"),  # 20 ** 2 / 40 = 10
    ],
)
def test_a_part_that_some_nozzles_refuse_is_not_refused_whatever_handles_it(rejects: list[int], follows: str) -> None:
    days = _days(*({"nozzle": f"N{i}", "rejected": n, "placed": 1000 - n} for i, n in enumerate(rejects)))
    (found,) = _found(days, _flagged("part", None, "P1"))
    assert found.follows == follows


def test_expected_rejects_are_of_the_same_picks_as_those_seen() -> None:
    """A part on a machine with single picks and on one that counts: the model knows the first one's picks only."""
    days = _days({}, {"machine": "M2", "part": "P1", "rejected": 30, "placed": 970}, {"part": "P2", "rejected": 8})
    own = dataclasses.replace(_flagged("part", None, "P1"), flagged=False, attempts=1000, losses=10, expected=4.0)
    first = next(f for f in _found(days, own) if f.part == "P1")
    assert (first.rejects.losses, first.rejects.attempts) == (40, 2000)
    peers = item_days(days, "part", "P1", "rejected", "week").filter(pl.col("week") == WEEK)
    assert first.expected == pytest.approx(peers["expected"][0])
    whole = dataclasses.replace(own, attempts=2000)
    assert next(f for f in _found(days, whole) if f.part == "P1").expected == 4.0


def test_part_data_that_may_be_to_blame_are_not_to_be_left_alone() -> None:
    """The feeder is flagged, and the part cannot be told from it; part P10 can."""
    for other, open_ in (("part P1", True), ("part P10", False)):
        feeder = dataclasses.replace(_flagged("feeder", "M1", "F1"), not_separable_from=(other,))
        (found,) = _found(_days({}), feeder)
        assert (found.flagged, found.by_itself) == (True, open_)
        told = [a for a in actions((feeder,), (), (), (), QUALITY, 10, (found,)) if a.owner == "engineer"]
        assert len(told) == (0 if open_ else 1)


def test_the_engineer_is_told_when_rejects_follow_what_the_planner_mends() -> None:
    days = _days(*({"part": f"P{n}", "rejected": 40 - n, "placed": 960 + n} for n in range(9)))
    head = dataclasses.replace(_flagged("head", "M1", "H1"), since="2026-11-12", advice="Clean it.")
    found = _found(days, head)
    told = [a for a in actions((head,), (), (), (), QUALITY, 10, found) if a.owner == "engineer"]
    assert [a.what for a in told] == ["Leave the part data of 9 parts as they are until head H1 of M1 is mended."]
    assert "since 2026-11-12: P0, P1, P2, P3, P4, P5 and 3 more." in told[0].why
    assert not [a for a in actions((), (), (), (), QUALITY, 10, _found(days)) if a.owner == "engineer"]
    one = [a for a in actions((head,), (), (), (), QUALITY, 10, found[:1]) if a.owner == "engineer"]
    assert [a.what for a in one] == ["Leave the part data of P0 as they are until head H1 of M1 is mended."]
    assert one[0].why.startswith("Its recognition rejects follow it, since 2026-11-12.")
    lot = _flagged("lot", None, "L1")
    assert len([a for a in actions((lot,), (), (), (), QUALITY, 10, _found(days, lot)) if a.owner == "engineer"]) == 1


def test_rejects_follow_what_is_too_small_to_flag_where_nothing_is_flagged() -> None:
    """Ten times the rejects that were expected, worth less than the least saving, are not "nothing in particular"."""
    days = _days({}, {"part": "P2", "head": "H2"})
    small = dataclasses.replace(_flagged("part", None, "P1"), flagged=False, stands_out=True)
    first, other = _found(days, small)
    assert (first.part, first.flagged, first.stands_out) == ("P1", False, True)
    assert first.follows == "the part, whatever handles it; too small to flag"
    assert first.advice == "Check the part data and the recognition settings against ten good parts."
    assert (other.stands_out, other.follows) == (False, "nothing in particular")
    unsure = dataclasses.replace(small, stands_out=False, suspected=True)
    of_all, drops = (
        dataclasses.replace(unsure, loss="all"),
        dataclasses.replace(_flagged("part", None, "P1"), loss="dropped"),
    )
    assert {f.follows for f in _found(days, of_all, drops)} == {"nothing in particular"}, "it is flagged for drops"
    first, _ = _found(days, unsure)
    assert (first.stands_out, first.follows) == (True, "the part, whatever handles it; not sure enough to flag")
    (first, _) = _found(days, small, _flagged("head", "M1", "H1"))
    assert (first.flagged, first.stands_out, first.follows) == (True, False, "head H1 of M1")


def test_a_part_whose_rejects_came_with_a_lot_is_not_sent_to_its_part_data_first() -> None:
    came = Evidence("began together", "Its losses rose when it began to work with lot L2, on 2026-11-12.")
    part = dataclasses.replace(_flagged("part", None, "P1"), evidence=(came,), advice="First lot L2.")
    assert _found(_days({}), part)[0].advice == "First lot L2."


@pytest.mark.parametrize("kind", [*items.COLUMNS])
def test_the_key_of_a_name_is_the_key_it_came_from(kind: str) -> None:
    names = ["M/1", "camera_side", "a/b"] if kind == "light" else ["M/1", "a/b", "3"]
    key = items.SEPARATOR.join(names[: len(items.COLUMNS[kind])])
    assert items.key_of(kind, *items.name(kind, key)) == key


def _measured(*rows: tuple[str, int, float | None, float, float | None]) -> RecognitionFinding:
    """Finding of a part that is flagged, with refused parts measured: what, count, taught, mean, deviation."""
    full = [
        {"part": part, "what": what, "unit": "mm", "count": n, "taught": taught, "limit_low": 0.9, "limit_high": 1.1,
         "mean": mean, "deviation": sd}
        for part, (what, n, taught, mean, sd) in [*(("P1", r) for r in rows), ("P2", ("length", 99, 1.0, 2.0, 0.1))]
    ]  # fmt: skip
    reasons = pl.DataFrame(
        [{**dict.fromkeys(REASONS), "week": WEEK, "part": "P1", "outcome": "rejected", "reason_group": "size",
          "losses": 10}],
        schema=REASONS,
    )  # fmt: skip
    own = _flagged("part", None, "P1")
    (found,) = recognition(
        (own,), _days({}), reasons, pl.DataFrame(full, schema=MEASUREMENTS), WEEK, 1.0, Statistics(), 30
    )
    return found


def test_mean_of_measured_values_has_students_interval() -> None:
    """t at 8 degrees is 2.306 for 95 % (any table): 1.06 +- 2.306 * 0.03 / 3. The largest group is first."""
    found = _measured(("width", 9, 1.0, 1.06, 0.03), ("height", 4, 1.0, 1.5, 0.01), ("length", 20, 1.0, 1.01, 0.2))
    assert [m.what for m in found.measured] == ["length", "width"], "four values are too few"
    width = found.measured[1]
    assert (width.mean_low, width.mean_high) == pytest.approx((1.03694, 1.08306), abs=1e-5)
    assert (width.count, width.taught, width.limit_low, width.limit_high, width.spread) == (9, 1.0, 0.9, 1.1, 0.03)
    (alone,) = _measured(("width", 5, 1.0, 1.0, 0.0)).measured
    assert (alone.mean_low, alone.mean_high) == (None, None)


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([("length", 20, 1.0, 1.01, 0.2), ("width", 9, 1.0, 1.06, 0.03)], "width 1.060 mm, above the taught 1.000."),
        ([("width", 9, 1.0, 0.94, 0.03), ("height", 9, None, 1.5, 0.01)], "width 0.940 mm, below the taught 1.000."),
        ([("height", 9, None, 1.5, 0.01)], None),
        ([("width", 9, 1.0, 1.02, 0.03)], None),
    ],
)
def test_the_part_data_are_corrected_where_refused_parts_lie_to_one_side(
    rows: list[tuple[str, int, float | None, float, float | None]], said: str | None
) -> None:
    """2.306 * 0.03 / 3 = 0.023 about the mean: 1.06 and 0.94 lie to one side of 1, 1.02 does not."""
    advised = _measured(*rows).advice
    if said is None:
        assert advised == "Check the part data and the recognition settings against ten good parts."
    else:
        assert advised.endswith(f"refused parts measure {said}")
