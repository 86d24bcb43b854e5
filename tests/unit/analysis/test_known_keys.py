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
