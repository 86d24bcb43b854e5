"""Evidence, lists and actions: one line an item, every claim with what it is compared with."""

from __future__ import annotations

import dataclasses
import json

import polars as pl
import pytest

from pipeline.analysis.actions import actions, advice, one_line_each
from pipeline.analysis.evidence import Context, complete
from pipeline.analysis.items import SEPARATOR, key, label, name
from pipeline.findings.model import Bundle, Quality, QualityLine, Suspect
from pipeline.findings.to_json import from_json, rounded, to_json
from pipeline.schema.frames import REASONS
from pipeline.schema.words import KINDS, LOSSES
from pipeline.settings import Statistics
from tests.fixtures_bundle import nothing_known, rich_bundle
from tests.unit.analysis.days import day_name, days

SUSPECT = Suspect(
    kind="nozzle", id="N0", machine="M1", loss="missed", attempts=14000, losses=420, rate=0.03, low=0.027, high=0.033,
    expected=42.0, excess=378.0, effect=10.0, effect_low=8.0, effect_high=12.0, q=1e-6, flagged=True, cause="nozzle",
    since=None, cost_per_week=10.0, cost_low=8.0, cost_high=12.0,
)  # fmt: skip
QUALITY = Quality(1, 1, 1, 0, 0, (), (), ())


def _context(seed: int = 1) -> Context:
    """Nozzle N0 loses ten times as much from day 17 on."""
    frame = days({"N0": [0.003] * 17 + [0.03] * 11, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}}, seed=seed)
    last = frame.filter(pl.col("day") >= day_name(21))
    week = last["week"][0]
    reasons = pl.DataFrame(
        [
            {**dict.fromkeys(REASONS), "week": week, "nozzle": nozzle, "outcome": "missed", "reason": "x",
             "reason_group": group, "losses": losses, "machine": "M1"}
            for nozzle, group, losses in (
                ("N0", "vacuum", 380), ("N0", "pickup", 40), ("N1", "vacuum", 20), ("N1", "pickup", 30)
            )
        ],
        schema=REASONS,
    )  # fmt: skip
    return Context(last, frame, reasons, week, Statistics(), {"missed": 1.2})


def test_a_worn_nozzle_has_its_day_its_reason_and_its_spread() -> None:
    found = complete(SUSPECT, _context())
    facts = {e.name: e for e in found.evidence}
    assert found.since is not None
    assert abs(int(found.since[-2:]) - int(day_name(17)[-2:])) <= 1
    assert facts["reason"].value == pytest.approx(380 / 420)
    assert "90%" in facts["reason"].text
    assert facts["reason"].supports
    assert facts["spread"].value == 1.0
    assert facts["spread"].supports
    assert all(e.compared_with for e in found.evidence)
    assert len(found.history) == 4


def test_where_the_log_does_not_name_the_parts_nothing_is_said_of_them() -> None:
    context = _context()
    nameless = dataclasses.replace(context, cells=context.cells.with_columns(pl.lit(None, pl.String).alias("part")))
    assert "spread" in {e.name for e in complete(SUSPECT, context).evidence}
    assert "spread" not in {e.name for e in complete(SUSPECT, nameless).evidence}


def test_what_is_expected_of_a_pair_leaves_to_unnamed_ones_their_share() -> None:
    """Nine tenths of the picks name no nozzle; with each that is named the feeder lost twice what is expected."""
    context = _context()
    cells = context.cells.filter(pl.col("nozzle").is_in(["N1", "N2", "N3", "N4"])).with_columns(missed=pl.lit(6))
    unnamed = cells.with_columns(pl.lit(None, pl.String).alias("nozzle"), attempts=9 * pl.col("attempts"))
    feeder = "FP0"
    attempts = 10 * int(cells.filter(pl.col("feeder") == feeder)["attempts"].sum())
    suspect = dataclasses.replace(SUSPECT, kind="feeder", id=feeder, attempts=attempts, expected=0.003 * attempts)
    found = complete(suspect, dataclasses.replace(context, cells=pl.concat([cells, unnamed])))
    spread = next(e for e in found.evidence if e.name == "spread")
    assert "4 of 4 nozzles" in spread.text


def _with_lot(lots: dict[int, str]) -> Context:
    """N0 as above, working with the lot of the last day in `lots` at or before each day."""
    context = _context()
    lot = pl.lit(lots[0])
    for first, called in sorted(lots.items()):
        lot = pl.when(pl.col("day") >= day_name(first)).then(pl.lit(called)).otherwise(lot)
    frame = context.days.with_columns(pl.when(pl.col("nozzle") == "N0").then(lot).otherwise("lot").alias("lot"))
    return dataclasses.replace(context, days=frame)


@pytest.mark.parametrize(
    ("lots", "said"),
    [
        ({0: "OLD", 17: "NEW"}, True),  # it came with the losses
        ({0: "OLD", 19: "NEW"}, False),  # it came after they rose
        ({0: "OLD", 8: "NEW"}, False),  # it had run well for days
        ({0: "OLD", 23: "NEW"}, False),  # the losses had risen before
        ({0: "NEW"}, False),  # always together
    ],
)
def test_what_came_when_the_losses_rose_is_said(lots: dict[int, str], said: bool) -> None:
    doubted = dataclasses.replace(SUSPECT, not_separable_from=("lot NEW", "the parts that it worked with"))
    found = [e for e in complete(doubted, _with_lot(lots)).evidence if e.name == "began together"]
    assert len(found) == said
    assert all(not e.supports and "lot NEW, on " in e.text and day_name(0) in e.compared_with for e in found)


@pytest.mark.parametrize(
    ("mine", "others", "supports", "said"),
    [
        ({"vacuum": 27, "pickup": 23}, {"vacuum": 100, "pickup": 100}, False, "about as elsewhere: 50%"),
        ({"vacuum": 40, "pickup": 10}, {"vacuum": 100, "pickup": 100}, True, "losses are vacuum (80%); elsewhere 50%"),
        ({"pickup": 30, "vacuum": 20}, {"pickup": 90, "vacuum": 10}, False, "losses are pickup (60%); elsewhere 90%"),
        ({"other": 40, "size": 10}, {"other": 50, "size": 50}, True, "losses have other reasons (80%)"),
        ({"other": 50}, {"other": 200}, None, ""),
    ],
)
def test_a_reason_speaks_for_an_item_only_beyond_chance(
    mine: dict[str, int], others: dict[str, int], supports: bool | None, said: str
) -> None:
    """Beside the other losses of its machine: another one's log has reasons of its own."""
    context = _context()
    reasons = pl.DataFrame(
        [
            {**dict.fromkeys(REASONS), "week": context.week, "nozzle": nozzle, "outcome": "missed", "reason": "x",
             "reason_group": group, "losses": losses, "machine": machine}
            for nozzle, machine, counts in (("N0", "M1", mine), ("N1", "M1", others), ("N2", "M2", {"size": 5000}))
            for group, losses in counts.items()
        ],
        schema=REASONS,
    )  # fmt: skip
    found = complete(SUSPECT, dataclasses.replace(context, reasons=reasons))
    facts = [e for e in found.evidence if e.name == "reason"]
    assert [e.supports for e in facts] == ([] if supports is None else [supports])
    assert all(said in e.text for e in facts)


@pytest.mark.parametrize(
    ("rose", "fell", "said"),
    [(12, 24, True), (20, 24, True), (0, 23, True), (12, 28, False)],  # the week is from day 21 on
)
def test_losses_that_fell_again_in_the_week_are_said(rose: int, fell: int, said: bool) -> None:
    rates = [0.003] * rose + [0.03] * (fell - rose) + [0.003] * (28 - fell)
    began = ended = 0
    for seed in range(10):
        frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}}, seed=seed)
        found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
        began += found.since == day_name(rose)
        facts = [e for e in found.evidence if e.name == "fell again"]
        assert all(not e.supports and e.compared_with for e in facts)
        ended += [f"fell on {day_name(fell)} to 0.1 times" in e.text for e in facts] == [True]
    assert ended >= 9 if said else ended == 0
    assert began >= 8 if rose else began == 0


def test_a_fault_that_was_over_before_the_week_is_not_when_this_one_began() -> None:
    began = 0
    for seed in range(10):
        rates = [0.003] * 3 + [0.03] * 9 + [0.003] * 11 + [0.03] * 5
        frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}}, seed=seed)
        found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
        assert "fell again" not in {e.name for e in found.evidence}
        began += found.since == day_name(23)
        assert found.since != day_name(3)
    assert began >= 5  # where the clearest step of all is the old one down


def test_a_fault_that_became_less_goes_on_since_its_first_day() -> None:
    """Twenty times until day 12, then ten times: it is no new fault of the week, nor was it seen to."""
    rates = [0.003] * 6 + [0.06] * 6 + [0.03] * 16
    frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
    assert found.since == day_name(6)
    half = [0.003] * 6 + [0.06] * 18 + [0.02] * 4
    frame = days({"N0": half, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
    fell = next(e for e in found.evidence if e.name == "fell again")
    assert found.since == day_name(6)
    assert "still 6." in fell.text or "still 7." in fell.text
    assert "seen to" not in fell.text


@pytest.mark.parametrize(
    ("rates", "words", "begin"),
    [
        ([0.003] * 14 + [0.03] * 14, "rose on", 14),
        ([0.003 * 1.11**d for d in range(28)], "crept up from about", 0),
    ],
)
def test_a_step_and_a_drift_are_told_apart(rates: list[float], words: str, begin: int) -> None:
    frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
    text = next(e.text for e in found.evidence if e.name == "since")
    assert words in text
    assert found.since is not None
    assert found.since_about or words == "rose on"
    todo = actions((found,), (), (), (), QUALITY, 10)
    assert (", since about " in todo[0].why) == found.since_about
    first = text.split("between ")[1][:10] if "between" in text else found.since
    assert first <= day_name(begin) <= max(found.since, text.split(" and ")[-1][:10] if "between" in text else "")


@pytest.mark.parametrize(
    ("rates", "words"),
    [
        ([0.0] * 17 + [0.03] * 11, f"rose on {day_name(17)} from none at all."),
        ([0.0] * 20 + [0.0005 * 2**d for d in range(8)], "in the end to more than 100 times what they were."),
    ],
)
def test_of_no_losses_before_no_number_of_times_is_told(rates: list[float], words: str) -> None:
    frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    found = complete(SUSPECT, dataclasses.replace(_context(), days=frame))
    assert words in next(e.text for e in found.evidence if e.name == "since")


def test_advice_begins_with_the_lot_that_came_with_the_losses() -> None:
    doubted = dataclasses.replace(SUSPECT, not_separable_from=("lot NEW",), advice="Pull it.")
    found = complete(doubted, _with_lot({0: "OLD", 17: "NEW"}))
    first = advice("lot", "missed")
    assert found.advice == f"First lot NEW, which came when the losses rose: {first} If it was not that: Pull it."
    assert complete(doubted, _with_lot({0: "NEW"})).advice == "Pull it."


def test_a_part_that_loses_in_one_recipe_is_looked_at_there_first() -> None:
    context = _context()
    bad = pl.when(pl.col("day") < day_name(24)).then(pl.lit("B1")).otherwise(pl.lit("B2"))
    cells = context.cells.filter(pl.col("nozzle").is_in(["N0", "N1", "N2", "N3"])).with_columns(
        pl.col("day").str.to_datetime().alias("shift"),
        pl.when(pl.col("nozzle") == "N0").then(pl.lit("B1")).otherwise(pl.lit("B2")).alias("recipe"),
    )
    part = dataclasses.replace(SUSPECT, kind="part", id="P0", machine=None, advice="Check it.")
    found = complete(part, dataclasses.replace(context, cells=cells))
    said = next(e for e in found.evidence if e.name == "recipe")
    assert "in recipe B1" in said.text
    assert found.advice.startswith("First its entry in recipe B1")
    assert found.advice.endswith("Check it.")
    taken_over = complete(part, dataclasses.replace(context, cells=cells.with_columns(bad.alias("recipe"))))
    assert taken_over.advice == "Check it."


def test_what_is_new_and_bad_from_the_start_began_with_its_first_use() -> None:
    frame = days({"N0": [0.03] * 28, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    late = frame.filter((pl.col("nozzle") != "N0") | (pl.col("day") >= day_name(20)))
    found = complete(SUSPECT, dataclasses.replace(_context(), days=late))
    assert found.since == day_name(20)
    assert "first used" in next(e.text for e in found.evidence if e.name == "since")
    assert complete(SUSPECT, dataclasses.replace(_context(), days=frame)).since is None


def test_an_old_fault_that_was_over_says_nothing_of_the_first_use() -> None:
    """In use from day 4, bad on days 6 to 13; what the week shows is too little to say since when."""
    rates = [0.003] * 6 + [0.03] * 8 + [0.003] * 9 + [0.0045] * 5
    named = 0
    for seed in range(10):
        frame = days({"N0": rates, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}}, seed=seed)
        late = frame.filter((pl.col("nozzle") != "N0") | (pl.col("day") >= day_name(4)))
        found = complete(SUSPECT, dataclasses.replace(_context(), days=late))
        assert found.since != day_name(4)
        named += found.since is not None
    assert named < 10, "some have no clear rise, or the old fault would not be tried"


@pytest.mark.parametrize(("used", "since"), [((2, 9, 16, 23), None), ((9, 10, 11, 16, 23), 9), ((16, 23), 16)])
def test_what_works_once_a_week_was_not_first_used_in_the_first_week(used: tuple[int, ...], since: int | None) -> None:
    mine = [day_name(d) for d in used]
    frame = days({"N0": [0.03] * 28, **{f"N{i}": [0.003] * 28 for i in range(1, 12)}})
    some = frame.filter((pl.col("nozzle") != "N0") | pl.col("day").is_in(mine))
    found = complete(SUSPECT, dataclasses.replace(_context(), days=some))
    assert found.since == (day_name(since) if since is not None else None)


@pytest.mark.parametrize(("came", "since"), [(1, None), (8, 8)])
def test_a_lot_began_where_its_part_was_used_from_another_one_before(came: int, since: int | None) -> None:
    """A part that runs every Tuesday: its only lot may be as old as the part, the second one is not."""
    context = _with_lot({0: "OLD", came: "NEW"})
    mine = pl.col("nozzle") == "N0"
    tuesdays = pl.col("day").is_in([day_name(d) for d in (1, 8, 15, 22)])
    frame = context.days.filter(tuesdays | ~mine).with_columns(
        pl.when(mine).then(pl.lit("weekly")).otherwise("part").alias("part")
    )
    lot = dataclasses.replace(SUSPECT, kind="lot", id="NEW", machine=None)
    found = complete(lot, dataclasses.replace(context, days=frame))
    assert found.since == (day_name(since) if since is not None else None)


def test_without_a_step_no_day_is_named() -> None:
    frame = days({f"N{i}": [0.003] * 28 for i in range(12)}, seed=5)
    context = dataclasses.replace(_context(), days=frame)
    told = [complete(dataclasses.replace(SUSPECT, id=f"N{i}"), context) for i in range(12)]
    assert sum(s.since is not None for s in told) <= 1
    assert sum(e.name == "fell again" for s in told for e in s.evidence) <= 1


def test_an_explained_item_says_by_what() -> None:
    found = complete(dataclasses.replace(SUSPECT, flagged=False, explained_by="part P1"), _context())
    assert [e.name for e in found.evidence] == ["explained"]
    assert "part P1" in found.evidence[0].text
    assert not found.evidence[0].supports


def test_an_item_flagged_for_several_losses_is_one_line() -> None:
    every = dataclasses.replace(SUSPECT, loss="all", cost_per_week=30.0)
    drops = dataclasses.replace(SUSPECT, loss="dropped", cost_per_week=1.0)
    other = dataclasses.replace(SUSPECT, id="N1", loss="all", cost_low=9.0)
    lines = one_line_each([every, SUSPECT, drops, other, dataclasses.replace(SUSPECT, id="N2", flagged=False)])
    assert [(s.id, s.loss) for s in lines] == [("N1", "all"), ("N0", "missed")]


def test_losses_that_two_items_share_are_saved_once() -> None:
    """Missed picks of a nozzle, and all losses of the spindle that it is on: each may be the other's."""
    nozzle = dataclasses.replace(SUSPECT, not_separable_from=("spindle H1/1 of M1",))
    spindle = dataclasses.replace(SUSPECT, kind="spindle", id="H1/1", machine="M1", loss="all", cost_low=99.0)
    doubtful = dataclasses.replace(spindle, not_separable_from=(f"nozzle {SUSPECT.id}",))
    assert [s.kind for s in one_line_each([doubtful, nozzle])] == ["spindle"]
    cheap = dataclasses.replace(doubtful, cost_low=1.0)
    assert [s.kind for s in one_line_each([cheap, nozzle])] == ["nozzle"]
    assert len([a for a in actions((cheap, nozzle), (), (), (), QUALITY, 10) if a.owner == "maintenance planner"]) == 1
    assert [s.kind for s in one_line_each([spindle, nozzle])] == ["spindle"], "one of the two says so"
    assert [s.kind for s in one_line_each([spindle, SUSPECT])] == ["spindle", "nozzle"]
    assert [s.kind for s in one_line_each([doubtful, dataclasses.replace(nozzle, flagged=False)])] == ["spindle"]


def test_actions_are_by_owner_and_hands_in_machines_are_marked() -> None:
    lot = dataclasses.replace(
        SUSPECT, kind="lot", id="L1", machine=None, loss="rejected", advice=advice("lot", "rejected")
    )
    bad = dataclasses.replace(QUALITY, lines=(QualityLine("problem", "too fast", "x", "M1"),))
    found = actions((SUSPECT, lot), (), (), (), bad, 10)
    assert [(a.owner, a.hands_in_machine) for a in found] == [
        ("maintenance planner", True),
        ("engineer", False),
        ("engineer", False),
    ]
    assert "420 missed picks, 42 expected" in found[0].why


def test_the_worklist_has_the_length_that_was_asked_for() -> None:
    many = tuple(dataclasses.replace(SUSPECT, id=f"N{i}") for i in range(30))
    assert sum(a.owner == "maintenance planner" for a in actions(many, (), (), (), QUALITY, 7)) == 7


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("loss", LOSSES)
def test_there_is_advice_for_everything(kind: str, loss: str) -> None:
    assert advice(kind, loss).endswith(".")


def test_keys_and_names_of_items() -> None:
    frame = pl.DataFrame({"machine": ["M", "M"], "head": ["H", None], "spindle": ["3", "3"]})
    keys = frame.select(key("spindle").alias("k"))["k"].to_list()
    assert keys == [f"M{SEPARATOR}H{SEPARATOR}3", None]
    assert name("spindle", keys[0]) == ("M", "H/3")
    assert label("spindle", keys[0]) == "spindle H/3 of M"
    assert label("nozzle", "N1") == "nozzle N1"


@pytest.mark.parametrize("bundle", [rich_bundle(), nothing_known(rich_bundle())], ids=["rich", "nothing known"])
def test_json_carries_the_whole_bundle(bundle: Bundle) -> None:
    plain = json.loads(json.dumps(bundle.settings))
    kept = dataclasses.replace(rounded(bundle), settings=plain)
    assert from_json(to_json(kept)) == kept
    again = to_json(from_json(to_json(kept)))
    assert to_json(from_json(again)) == again


@pytest.mark.parametrize("text", ["[]", "{}", '{"format": 99}', "null"])
def test_another_format_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="format"):
        from_json(text)
