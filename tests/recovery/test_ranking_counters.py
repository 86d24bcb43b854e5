"""Machines that only count: nozzle counters beside feeder counters of the same picks, each ranked by itself."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.attribution import attribute
from pipeline.analysis.losses import with_chances
from pipeline.analysis.ranking import Counted, Ranking, rank
from pipeline.estimators.dispersion import of_runs
from pipeline.schema.frames import CELLS, COUNTS, DAYS, REASONS
from pipeline.settings import Plant, Statistics
from pipeline.weekly import ASKED
from tests.recovery.simulated_plant import Item, Truth, all_items, item, week

KINDS = {grain: ASKED[grain] for grain in ("nozzle", "feeder")}  # type: ignore[index]
KEPT = {
    "nozzle": ("head", "spindle", "nozzle", "nozzle_type"),
    "feeder": ("feeder", "feeder_type", "slot", "part", "package", "method", "lot", "reel"),
}


def _counters(joint: pl.DataFrame, grain: str) -> pl.DataFrame:
    """What the machine's counters of one grain would show of these picks."""
    always = ("shift", "line", "machine", "machine_type")
    keys = [c for c in CELLS if c not in (*COUNTS, "grain")]
    emptied = joint.with_columns(
        pl.lit(grain).alias("grain"),
        *[pl.lit(None, dtype=CELLS[c]).alias(c) for c in keys if c not in (*always, *KEPT[grain])],
    )
    return emptied.group_by(["grain", *keys]).agg(pl.col(COUNTS).sum()).select(list(CELLS)).sort(pl.all())


def _days(cells: pl.DataFrame) -> pl.DataFrame:
    keys = [c for c in DAYS if c not in (*COUNTS, "day", "week")]
    dated = cells.with_columns(day=pl.col("shift").dt.date().cast(pl.String), week=pl.lit("2026-W47"))
    return dated.group_by(["day", "week", *keys]).agg(pl.col(COUNTS).sum()).select(list(DAYS)).sort(pl.all())


def _ranking(
    seed: int, faults: dict[Item, float], single_picks_of: tuple[str, ...] = ()
) -> tuple[Ranking, pl.DataFrame]:
    joint = week(seed, Truth(faults=faults)).frame
    logged = joint.filter(pl.col("machine").is_in(single_picks_of))
    only = joint.filter(~pl.col("machine").is_in(single_picks_of))
    tables = {grain: _counters(only, grain) for grain in KINDS}
    counted = tuple(Counted(KINDS[grain], cells, _days(cells)) for grain, cells in tables.items())
    parts = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=0.0))
    total = pl.concat([logged, tables["feeder"]])
    return rank(total, _days(total), pl.DataFrame(schema=REASONS), parts, plant, "2026-W47", counted), joint


def test_a_bad_nozzle_and_a_bad_feeder_are_found_in_counters() -> None:
    rng = np.random.default_rng(31)
    nozzle, feeder = (str(rng.choice(all_items(kind))) for kind in ("nozzle", "feeder"))
    found, joint = _ranking(902, {("nozzle", nozzle): float(np.log(8.0)), ("feeder", feeder): float(np.log(8.0))})
    flagged = {(s.kind, s.id): s for s in found.suspects if s.flagged and s.loss == "missed"}
    assert {("nozzle", nozzle), ("feeder", feeder)} <= set(flagged)
    for (kind, key), s in flagged.items():
        assert s.cause == "cannot tell", "a counter does not say what else was in use"
        assert any("only counts" in e.text for e in s.evidence)
        mine = joint.filter(pl.col(kind) == key)
        if kind in ("nozzle", "feeder"):
            assert (s.attempts, s.losses) == (mine["attempts"].sum() - mine["unknown"].sum(), mine["missed"].sum())
    assert sum("counters instead of single picks" in note for note in found.notes) == 2


def test_a_machine_that_loses_more_of_every_part_is_found_in_feeder_counters() -> None:
    """A list of parts by machine names no nozzle and no head: what goes wrong there is the machine's."""
    found, _ = _ranking(907, {item("head", "M2", "H1"): float(np.log(8.0))})
    (bad,) = [s for s in found.suspects if s.flagged and s.loss == "missed" and s.kind == "machine"]
    assert (bad.id, bad.cause) == ("M2", "cannot tell")
    assert bad.not_separable_from == ("the nozzles that it worked with and the feeders that it worked with",)
    assert not [s for s in found.suspects if s.flagged and s.kind in ("feeder", "slot", "part")]


def test_each_item_is_judged_once() -> None:
    machines = sorted(week(903, Truth()).frame["machine"].unique().to_list())
    found, joint = _ranking(903, {}, single_picks_of=tuple(machines[:1]))
    judged = [(s.kind, s.id, s.machine, s.loss) for s in found.suspects]
    assert len(judged) == len(set(judged))
    ranked = {s.id for s in found.suspects if s.kind == "nozzle" and s.loss == "all"}
    assert ranked == set(joint["nozzle"].unique().to_list()), "nozzles of both sorts of machine are there"
    assert not [s for s in found.suspects if s.flagged]


def test_bursts_are_told_by_the_source_with_most_losses_and_not_by_none() -> None:
    machines = sorted(week(904, Truth()).frame["machine"].unique().to_list())
    found, joint = _ranking(904, {}, single_picks_of=tuple(machines[:1]))
    most = with_chances(_counters(joint.filter(pl.col("machine") != machines[0]), "nozzle"), "missed")
    told = attribute(most, Statistics(smallest_saving=0.0))
    assert found.dispersions["missed"] == pytest.approx(of_runs(told.dispersion, told.run_length))
    assert (found.dispersions["rejected"], found.dispersions["dropped"]) == (1.0, 1.0), "none was lost in that way"


def test_of_counters_that_name_slot_and_part_only_what_is_open_is_left_open() -> None:
    """A feeder that always works with its slot and its part: both are named, and not said again in other words."""
    feeder = "F005"
    joint = week(905, Truth(fixed=1.0, faults={("feeder", feeder): float(np.log(8.0))})).frame
    cells = _counters(joint, "feeder")
    counted = (Counted(KINDS["feeder"], cells, _days(cells)),)
    parts = pl.DataFrame({"part": all_items("part")}).with_columns(unit_cost=pl.lit(0.05))
    plant = Plant(Path(), statistics=Statistics(smallest_saving=0.0))
    found = rank(cells, _days(cells), pl.DataFrame(schema=REASONS), parts, plant, "2026-W47", counted)
    (bad,) = [s for s in found.suspects if s.flagged and s.loss == "missed"]
    assert (bad.kind, bad.id) == ("feeder", feeder)
    assert {"slot 5 of M1", "part P32"} <= set(bad.not_separable_from)
    assert bad.not_separable_from[-1] == "the nozzles that it worked with"
    assert not any("part in it" in other for other in bad.not_separable_from)
