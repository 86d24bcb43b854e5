"""A key known for losses only is not ranked; one that is missing evenly stays."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.analysis.known_keys import drop_uneven_keys
from pipeline.schema.frames import CELLS


def _cells(rows: list[tuple[str, str | None, int, int]]) -> pl.DataFrame:
    frame = pl.DataFrame(
        [{"machine": m, "nozzle": n, "attempts": a, "placed": p} for m, n, a, p in rows],
        schema={"machine": pl.String, "nozzle": pl.String, "attempts": pl.Int64, "placed": pl.Int64},
    )
    return frame.with_columns([pl.lit(None, dtype=t).alias(c) for c, t in CELLS.items() if c not in frame.columns])


def test_a_nozzle_named_for_losses_only_is_dropped() -> None:
    cells, said = drop_uneven_keys(_cells([("M1", None, 1000, 1000), ("M1", "N1", 8, 0), ("M2", "N2", 1000, 990)]))
    assert cells.filter(pl.col("machine") == "M1")["nozzle"].to_list() == [None, None]
    assert cells.filter(pl.col("machine") == "M2")["nozzle"].to_list() == ["N2"]
    assert len(said) == 1
    assert "names the nozzle of 100% of the lost parts but of 0% of the placed ones" in said[0]


@pytest.mark.parametrize("losses", [0, 20])
def test_a_nozzle_missing_evenly_stays(losses: int) -> None:
    rows = [("M1", None, 500 + losses // 2, 500), ("M1", "N1", 500 + losses // 2, 500)]
    cells, said = drop_uneven_keys(_cells(rows))
    assert cells["nozzle"].to_list() == [None, "N1"]
    assert said == ()


SEEN = {"machine": "M1", "part": "P1", "method": "camera_side", "lighting": "ring"}


def _rows(*rows: dict[str, object]) -> pl.DataFrame:
    zero = dict.fromkeys(("attempts", "placed", "missed", "rejected"), 0)
    return pl.DataFrame([{**dict.fromkeys(CELLS), **zero, **r} for r in rows], schema=CELLS)


def test_a_missed_pick_has_what_looks_at_its_part() -> None:
    """Nothing was seen, so that logs leave method and light empty: no reason to drop those of all other picks."""
    missed = {"machine": "M1", "part": "P1", "attempts": 10, "missed": 10}
    cells, said = drop_uneven_keys(
        _rows({**SEEN, "attempts": 1000, "placed": 1000}, missed, {**missed, "part": "P2", "attempts": 1, "missed": 1})
    )
    assert cells.select("method", "lighting").rows() == [("camera_side", "ring")] * 2 + [(None, None)]
    assert said == ()


def test_two_methods_of_a_part_leave_its_missed_picks_open() -> None:
    placed = {**SEEN, "attempts": 1000, "placed": 1000}
    cells, said = drop_uneven_keys(
        _rows(placed, {**placed, "method": "laser"}, {"machine": "M1", "part": "P1", "attempts": 10, "missed": 10})
    )
    assert cells["method"].null_count() == 3
    assert len(said) == 1


def test_parts_that_no_light_is_named_for_do_not_cost_the_others_theirs() -> None:
    """Lasers have no light. Cameras with more losses than they do not make the naming uneven."""
    laser = {"machine": "M1", "part": "P2", "method": "laser", "attempts": 1000, "placed": 999, "rejected": 1}
    cells, said = drop_uneven_keys(_rows({**SEEN, "attempts": 1000, "placed": 900, "rejected": 100}, laser))
    assert cells["lighting"].to_list() == ["ring", None]
    assert said == ()
    seldom = {**SEEN, "lighting": None, "attempts": 1000, "placed": 1000}
    cells, (note,) = drop_uneven_keys(_rows({**SEEN, "attempts": 9, "rejected": 9}, seldom, laser))
    assert cells["lighting"].null_count() == 3
    assert note.startswith("Machine M1 names the lighting under method camera_side of 100% of the lost parts but of 0%")
