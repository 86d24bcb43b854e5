"""The roll-up against plain Python, and the rules that keep one part from counting twice."""

from __future__ import annotations

import random
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import settings
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.staging import Staging
from pipeline.rollup.tallies import check
from pipeline.store.database import open_store
from pipeline.store.loading import load_staged
from tests.plants import make_plant

BEGIN = datetime(2026, 11, 16, 6)  # noqa: DTZ001


def _load(con: duckdb.DuckDBPyConnection, number: int, **tables: list[dict[str, object]]) -> None:
    staging = Staging(con)
    line = 0
    for name, rows in tables.items():
        numbered = []
        for row in rows:
            line += 1
            numbered.append({"line": line, **row})
        staging.add(name, pl.DataFrame(numbered, infer_schema_length=None))
    staging.records_read = line
    source = SourceFile(Path("x"), Path("x"), f"hash{number}", 1, "utf-8", "")
    load_staged(con, staging, source, f"file{number}", "test", None)


def _pick(seconds: float, outcome: str = "placed", **more: object) -> dict[str, object]:
    row: dict[str, object] = {
        "time": BEGIN + timedelta(seconds=seconds),
        "machine": "M",
        "feeder": "F",
        "outcome": outcome,
    }
    return {**row, **more}


@pytest.fixture
def plant(tmp_path: Path) -> settings.Plant:
    return settings.load(make_plant(tmp_path))


def _runs(outcomes: str, plant: settings.Plant) -> tuple[object, ...]:
    letters = {"o": "placed", "m": "missed", "r": "rejected", "d": "dropped"}
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=[_pick(i, letters[c]) for i, c in enumerate(outcomes)])
        (row,) = con.execute(
            "select sum(missed), sum(missed_runs), sum(rejected_runs), sum(dropped_runs), sum(lost_runs) from tally"
        ).fetchall()
    return tuple(int(v) for v in row)


@pytest.mark.parametrize(
    ("outcomes", "expected"),
    [
        ("oomoo", (1, 1, 0, 0, 1)),
        ("mmmmm", (5, 1, 0, 0, 1)),
        ("momomo", (3, 1, 0, 0, 1)),  # one in between is still the same jam
        ("moomoom", (3, 3, 0, 0, 3)),  # two in between are not
        ("mrmr", (2, 1, 1, 0, 1)),
        ("moodoor", (1, 1, 1, 1, 3)),
    ],
)
def test_runs(outcomes: str, expected: tuple[int, ...], plant: settings.Plant) -> None:
    assert _runs(outcomes, plant) == expected


def test_runs_belong_to_one_feeder(plant: settings.Plant) -> None:
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=[_pick(i, "missed", feeder=f"F{i % 2}") for i in range(6)])
        assert con.execute("select feeder, missed, missed_runs from tally order by feeder").fetchall() == [
            ("F0", 3, 1),
            ("F1", 3, 1),
        ]
        # What other feeders place in between, or one of that name on another machine, ends no run.
        others = [_pick(4000 + i, machine=m, feeder=f) for i in range(5) for m, f in (("M", "F1"), ("M2", "F0"))]
        _load(con, 2, pick=[_pick(3999, "missed", feeder="F0"), *others, _pick(4006, "missed", feeder="F0")])
        late = con.execute("select sum(missed), sum(missed_runs) from tally where hour > ?", [BEGIN]).fetchall()
        assert late == [(2, 1)]


@pytest.mark.parametrize("seed", range(6))
def test_of_one_instant_the_order_of_tries_counts_and_not_the_order_of_lines(seed: int, plant: settings.Plant) -> None:
    """One placement tried six times within the clock's step: three lie between its first loss and its second."""
    outcomes = ("missed", "placed", "placed", "placed", "missed", "missed")
    picks = [_pick(0, o, designator="C1", try_number=n) for n, o in enumerate(outcomes, start=1)]
    random.Random(seed).shuffle(picks)
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=[_pick(-1), *picks])
        assert con.execute("select sum(missed), sum(missed_runs), sum(lost_runs) from tally").fetchall() == [(3, 2, 2)]


def test_counters_stand_in_only_where_no_picks_are(plant: settings.Plant) -> None:
    counter = {"grain": "feeder", "machine": "M", "feeder": "F", "part": "P", "placed": 100, "unknown": 3}
    hours = [BEGIN + timedelta(hours=h) for h in (0, 1, 30)]
    counters = [{"time": t + timedelta(minutes=5), **counter} for t in hours]
    with open_store(plant, write=True) as con:
        _load(con, 1, counter=counters)
        assert con.execute("select grain, sum(attempts) from tally group by all").fetchall() == [("feeder", 309)]
        _load(con, 2, pick=[_pick(10), _pick(20, "missed")])
        rows = con.execute("select grain, hour, attempts from tally order by all").fetchall()
        assert rows == [("feeder", BEGIN + timedelta(hours=29), 103), ("joint", BEGIN, 2)]


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ({"attempts": 100, "placed": 95}, (100, 95, 0, 5)),
        ({"attempts": 100, "placed": 95, "missed": 3}, (98, 95, 3, 0)),
        ({"attempts": 100, "missed": 3}, (100, 97, 3, 0)),
        ({"attempts": 95, "placed": 100}, (100, 100, 0, 0)),
        ({"attempts": 100, "placed": 95, "unknown": 0}, (95, 95, 0, 0)),
    ],
)
def test_picks_that_were_not_placed_are_lost_where_nothing_else_is_told(
    counts: dict[str, int], expected: tuple[int, ...], plant: settings.Plant
) -> None:
    row = {"grain": "machine", "machine": "M", "time": BEGIN + timedelta(minutes=5), **counts}
    with open_store(plant, write=True) as con:
        _load(con, 1, counter=[row])
        assert con.execute("select attempts, placed, missed, unknown from tally").fetchall() == [expected]


def test_counters_of_an_hour_add_up_outcome_by_outcome(plant: settings.Plant) -> None:
    """Two lines of one feeder that leave open what the other tells; every loss is an event of its own."""
    key = {"grain": "feeder", "machine": "M", "feeder": "F"}
    first = {"time": BEGIN + timedelta(minutes=40), "placed": 100, "missed": 2, "returned": 3}
    second = {"time": BEGIN + timedelta(minutes=50), "placed": 50, "rejected": 4, "dropped": 5, "returned": 1}
    second["unknown"] = 6
    counts = {"placed": 150, "missed": 2, "rejected": 4, "dropped": 5, "returned": 4, "unknown": 6}
    runs = {"missed_runs": 2, "rejected_runs": 4, "dropped_runs": 5, "lost_runs": 17}
    expected = key | {"hour": BEGIN, "attempts": 171, "first_tries": 171, "offsets": 0, "dx_sum": None} | counts | runs
    with open_store(plant, write=True) as con:
        _load(con, 1, counter=[key | first, key | second])
        (row,) = con.execute(f"select {', '.join(expected)} from tally").fetchall()
    assert dict(zip(expected, row, strict=True)) == expected


def test_a_fault_gives_a_loss_its_reason_and_never_adds_one(plant: settings.Plant) -> None:
    fault = {
        "machine": "M",
        "nozzle": "N1",
        "fault_type": "LightingError",
        "outcome": "rejected",
        "reason_group": "lighting",
    }
    picks = [
        _pick(0, "rejected", nozzle="N1", reason="BadVision", reason_group="other"),
        _pick(100, "rejected", nozzle="N1", reason="BadVision", reason_group="size"),
        _pick(200, "rejected", nozzle="N1", reason="BadVision", reason_group="other"),
    ]
    faults = [{"time": BEGIN + timedelta(seconds=s), **fault} for s in (2, 101, 230)]
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=picks)
        _load(con, 2, fault=faults)
        rows = con.execute("select reason_group, sum(losses) from reason_tally group by all order by all").fetchall()
        assert rows == [("lighting", 1), ("other", 1), ("size", 1)]
        assert con.execute("select sum(rejected) from tally").fetchall() == [(3,)]


def test_the_nearest_fault_of_the_same_nozzle_designator_or_part_within_five_seconds(plant: settings.Plant) -> None:
    def fault(seconds: float, group: str, **more: object) -> dict[str, object]:
        row = {"time": BEGIN + timedelta(seconds=seconds), "machine": "M", "outcome": "rejected", "reason_group": group}
        return {**row, "fault_type": group, **more}

    lost = {"designator": "C1", "part": "P1", "reason_group": "other"}
    picks = [_pick(100 * i, "rejected", **lost, nozzle=f"N{i}") for i in range(1, 7)]
    faults = [
        fault(101, "vacuum", nozzle="N9", designator="C9", part="P9"),  # of something else
        fault(203, "electrical", nozzle="N2"),
        fault(198, "shape", designator="C1"),  # nearer, though its name sorts last
        fault(300, "vacuum", nozzle="N3", machine="M2"),
        fault(395, "pickup", part="P1"),
        fault(505.001, "pickup", nozzle="N5"),
        fault(601, "size", nozzle="N6", outcome=None),  # a message that tells of no loss
    ]
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=picks, fault=faults)
        found = dict(con.execute("select nozzle, reason_group from reason_tally").fetchall())
    assert found == {"N1": "other", "N2": "shape", "N3": "other", "N4": "pickup", "N5": "other", "N6": "other"}


def test_sums_of_offsets_match_plain_python(plant: settings.Plant) -> None:
    seen = [{"dx": 0.001 * i, "dy": -0.002 * i, "dangle": 0.03 * i} for i in range(50)]
    picks = [*(_pick(i, **offsets) for i, offsets in enumerate(seen)), _pick(60), _pick(61, dx=1.0, dangle=1.0)]
    columns = [f"sum({c}_{what})" for c in ("dx", "dy", "dangle") for what in ("sum", "squares")]
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=picks)
        (row,) = con.execute(f"select sum(offsets), {', '.join(columns)} from tally").fetchall()
    expected = [sum(offsets[c] ** power for offsets in seen) for c in ("dx", "dy", "dangle") for power in (1, 2)]
    assert row[0] == 50
    assert row[1:] == pytest.approx(expected, abs=1e-8)


def test_the_check_sees_a_tally_that_is_wrong(plant: settings.Plant) -> None:
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=[_pick(i) for i in range(10)])
        check(con, touched_only=False)
        con.execute("update tally set placed = placed + 1, attempts = attempts + 1")
        with pytest.raises(RuntimeError, match="do not agree"):
            check(con, touched_only=False)


def test_hours_are_counted_as_plain_python_counts_them(plant: settings.Plant) -> None:
    outcomes = ["placed", "missed", "rejected", "dropped", "returned", "unknown"]
    picks = [_pick(97 * i, outcomes[i % 7 % 6], nozzle=f"N{i % 5}") for i in range(400)]
    counted = Counter((p["time"].replace(minute=0, second=0), p["nozzle"], p["outcome"]) for p in picks)  # type: ignore[attr-defined]
    with open_store(plant, write=True) as con:
        _load(con, 1, pick=picks[:150])
        _load(con, 2, pick=picks[150:])
        stored: Counter[tuple[object, ...]] = Counter()
        for outcome in outcomes:
            for hour, nozzle, n in con.execute(f"select hour, nozzle, {outcome} from tally").fetchall():
                if n:
                    stored[hour, nozzle, outcome] += n
    assert stored == counted
