"""One very bad part in the plant, or hardly any: what is said of them, of parts that never ran; nothing breaks."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.overage import Lines
from pipeline.analysis.overage_cost import cheapest_extras, findings_by_cost, findings_with, within_reach
from pipeline.analysis.overage_kit import kit_extras, whole_kits
from pipeline.analysis.overage_lines import findings, recommend, suffices
from pipeline.analysis.overage_standing import standing_overage
from pipeline.estimators.predictive import beta_negative_binomial_cdf
from tests.unit.analysis.test_overage import NO_LOADS, PLANT, builds_of, cell, chips, lines_of, parts_of, usage_of

NEVER = {"part": "NEW", "package": "BGA", "unit_cost": 5.0, "feeder_type": "tray", "stock": 1190}
BAD = {"part": "BAD", "package": "LED", "unit_cost": 0.3, "feeder_type": "tray", "stock": 100}
GOOD = {"part": "R0", "package": "0402", "unit_cost": 0.01, "feeder_type": "tape", "stock": 3000}


def _with_one_bad_part(share: float = 0.45) -> pl.DataFrame:
    lost = round(200 * share)
    rows = [cell("BAD", k, 200 - lost, lost, package="LED", feeder_type="tray") for k in range(12)]
    return usage_of(*chips(), *rows)


def _lines_beyond_reach() -> Lines:
    """A rate that may be nearly 1, as where nothing is known: its tail has no end that can be counted to."""
    lines = lines_of(usage_of(*chips()), parts_of(NEVER, GOOD), builds_of(("B", "NEW", 1, 1000, None)))
    lines.good[:], lines.bad[:] = 0.2457, 0.0340
    return lines


def test_stock_is_judged_however_long_the_tail_is() -> None:
    lines = _lines_beyond_reach()
    # Trays lose nothing in loading: what is left is the running loss alone, summed here on its own.
    assert suffices(lines, 0, 1190) == pytest.approx(beta_negative_binomial_cdf(1000, 0.2457, 0.0340, 190))
    assert 0.5 < suffices(lines, 0, 1190) < suffices(lines, 0, 90_000) < suffices(lines, 0, 2_000_000) < 0.99
    assert suffices(lines, 0, 2_003_000) == pytest.approx(suffices(lines, 0, 2_000_000), abs=1e-3)


def test_a_line_without_an_end_keeps_its_service_level_where_costs_decide() -> None:
    lines = _lines_beyond_reach()
    assert not within_reach(lines)[0]
    assert cheapest_extras(lines, PLANT).tolist() == lines.extra()[0].tolist()
    lines.good[:], lines.bad[:], lines.level[:] = 1.0892, 0.0997, 0.9
    (found,) = findings_by_cost(lines, PLANT)
    assert found.extra == lines.extra()[0][0]
    assert "by its service level and not by cost" in found.reason
    assert found.service_level == pytest.approx(suffices(lines, 0, 1000 + found.extra))


def test_no_kit_is_made_for_a_line_without_an_end() -> None:
    lines = _lines_beyond_reach()
    lines.good[:], lines.bad[:] = 0.02, 1.6e-5
    assert whole_kits(lines, PLANT) == ()  # and no error


def test_hopeless_is_said_whatever_decides() -> None:
    builds = builds_of(("B", "BAD", 1, 1000, None), ("B", "R0", 1, 900, None))
    lines = lines_of(_with_one_bad_part(0.75), parts_of(BAD, GOOD), builds)
    extras, cut = lines.extra()
    assert cut.tolist() == [True, False]
    kits = whole_kits(lines, PLANT)
    by_cost, by_kit = findings_by_cost(lines, PLANT), findings_with(lines, PLANT, kit_extras(lines, kits, extras))
    for bad, good in (findings(lines, PLANT), by_cost, by_kit):
        assert "more than half may be lost" in bad.reason
        assert bad.extra == extras[0]
        assert "more than half" not in good.reason


def test_a_week_with_one_bad_part_and_one_that_never_ran_is_reckoned() -> None:
    builds = builds_of(("B", "BAD", 1, 1000, None), ("B", "NEW", 1, 1000, None), ("B", "R0", 1, 900, None))
    lines = lines_of(_with_one_bad_part(), parts_of(NEVER, BAD, GOOD), builds)
    found = {o.part: o for o in findings(lines, PLANT)}
    assert found["R0"].enough == pytest.approx(1.0)
    assert 0 < float(found["NEW"].enough or 0) < 1
    assert np.all(cheapest_extras(lines, PLANT) >= 0)


def _many(share: float, package: str = "LED") -> pl.DataFrame:
    """Twenty ordinary parts of two packages, and a bad one of which three lots were seen."""
    rows = [
        cell(f"R{j}", k, 998, 2, package=("0402", "0603")[j % 2], lot=f"R{j}-{k // 3}")
        for j in range(20)
        for k in range(9)
    ]
    lost = round(200 * share)
    bad = [cell("BAD", k, 200 - lost, lost, package=package, lot=f"BAD-{k // 3}") for k in range(9)]
    return usage_of(*rows, *(bad if share else []))


@pytest.mark.parametrize("package", ["LED", "0402"])
@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.4])
def test_a_part_with_much_history_keeps_its_own_rate(share: float, package: str) -> None:
    table = parts_of(BAD | {"package": package}, GOOD)
    lines = lines_of(_many(share, package), table, builds_of(("B", "BAD", 1, 1000, None)))
    (found,) = findings(lines, PLANT)
    assert found.loss_rate == pytest.approx(share, rel=0.05)
    assert found.loss_low < share < found.loss_high
    assert found.basis.startswith("own history: far above ")
    assert "far above the 0.20\u202f% of " in found.reason
    # What it loses on average is there: 1 000 placed take share / (1 - share) times as many more.
    assert found.extra > 1000 * share / (1 - share)


@pytest.mark.parametrize("package", ["BGA", "0402"])
def test_one_bad_part_does_not_change_what_a_part_borrows_that_never_ran(package: str) -> None:
    table, builds = parts_of(NEVER | {"package": package}, BAD), builds_of(("B", "NEW", 1, 1000, None))
    (beside,) = findings(lines_of(_many(0.4, "0402"), table, builds), PLANT)
    (without,) = findings(lines_of(_many(0.0), table, builds), PLANT)
    assert beside.extra == pytest.approx(without.extra, abs=1)
    assert beside.loss_high == pytest.approx(without.loss_high, rel=0.1)
    assert ", without one part that loses far more; " in beside.reason
    assert "without one part" not in without.reason


def test_a_part_that_never_ran_is_not_told_to_mend_what_others_do() -> None:
    """Two bad parts of four are no exception: then little is known, and that is said."""
    rows = [cell(f"R{j}", k, 998, 2, package=f"P{j}") for j in range(2) for k in range(9)]
    rows += [cell(f"B{j}", k, 100, 100, package=f"Q{j}") for j in range(2) for k in range(9)]
    lines = lines_of(usage_of(*rows), parts_of(NEVER), builds_of(("B", "NEW", 1, 1000, None)))
    (found,) = findings(lines, PLANT)
    assert found.extra == 1000
    assert found.reason.endswith(
        "so little is known that more than half may be lost: extra cut at the need, run some of it before buying more."
    )


def test_own_history_is_named_alone_only_where_the_rate_is_its_own() -> None:
    """A part whose rate was drawn a good way to its package's says so, however much history it has."""
    rates = lines_of(_many(0.01, "0402"), parts_of(BAD), builds_of(("B", "BAD", 1, 1000, None))).rates
    mean, seen = float((rates.a / (rates.a + rates.b))[0]), 0.01
    assert not rates.apart[0]
    assert 0 < float(rates.own[0]) <= (mean - float(rates.pool[0])) / (seen - float(rates.pool[0])) + 1e-9


@pytest.mark.parametrize(
    ("cells", "packages"),
    [
        ([("R0", 4262, 0), ("R1", 6, 0)], ("0402", "0603")),  # nobody lost anything, and the others say nothing
        ([("R0", 6918, 1), ("R1", 1, 1)], ("0402", "0402")),  # the only peer lost one of two
        ([("R0", 1, 0), ("R1", 1, 0)], ("0402", "0402")),
    ],
)
def test_two_parts_that_say_next_to_nothing_of_each_other(
    cells: list[tuple[str, int, int]], packages: tuple[str, ...]
) -> None:
    usage = usage_of(*(cell(part, k, placed, lost) for k, (part, placed, lost) in enumerate(cells)))
    table = parts_of(*({"part": p, "package": x} for (p, _, _), x in zip(cells, packages, strict=True)))
    table = pl.concat([table, parts_of({"part": "NEW", "package": packages[0]})])
    builds = builds_of(*(("B", p, 1, 1000, None) for p in ("R0", "R1", "NEW")))
    found = recommend(usage, NO_LOADS, table, builds, PLANT)
    assert [x.part for x in found] == ["NEW", "R0", "R1"]
    assert all(0.0 < x.loss_rate < 0.2 and x.extra < 1000 for x in found)
    assert all(x.loss_low <= x.loss_rate <= x.loss_high for x in found), "a printed range holds its rate"
    assert len(standing_overage(usage, NO_LOADS, table, PLANT)) == 3
