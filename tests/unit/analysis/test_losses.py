"""Denominators: what the log does not tell has no chance of being counted, and never a rate of 0."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.analysis.losses import with_chances
from pipeline.analysis.summary import summaries
from pipeline.schema.frames import DAYS
from pipeline.schema.words import LOSSES
from pipeline.settings import Statistics


def _rows(*rows: dict[str, object]) -> pl.DataFrame:
    nothing: dict[str, object] = {c: None if t == pl.String() else 0 for c, t in DAYS.items()}
    return pl.DataFrame([{**nothing, "week": "2026-W47", **r} for r in rows], schema=DAYS)


TOLD = {"machine": "A", "attempts": 1000, "placed": 980, "missed": 10, "rejected": 6, "dropped": 3, "unknown": 1}
COUNTED = {"machine": "B", "attempts": 1000, "placed": 990, "unknown": 10}


def _sums(frame: pl.DataFrame, loss: str) -> dict[str, tuple[int, int]]:
    table = with_chances(frame, loss).group_by("machine").agg(pl.col("losses", "chances").sum())
    return {machine: (losses, chances) for machine, losses, chances in table.iter_rows()}


def test_the_chain_of_a_pick() -> None:
    expected = {"missed": (10, 999), "rejected": (6, 989), "dropped": (3, 983), "all": (20, 1000)}
    assert {loss: _sums(_rows(TOLD), loss)["A"] for loss in LOSSES} == expected
    with pytest.raises(ValueError, match="lost"):
        with_chances(_rows(TOLD), "lost")


def test_a_machine_that_does_not_tell_the_kinds_has_no_chance_of_one() -> None:
    frame = _rows(TOLD, COUNTED, {**COUNTED, "missed": 2})
    for loss in ("missed", "rejected", "dropped"):
        assert _sums(frame, loss)["B"] == (0, 0)
        assert _sums(frame, loss)["A"] == _sums(_rows(TOLD), loss)["A"]
    assert _sums(frame, "all")["B"] == (22, 2000)


def test_counts_that_leave_a_kind_out_have_no_chance_of_it() -> None:
    rows = (
        TOLD,
        {**TOLD, "machine": "B", "untold": "rejected, dropped"},
        {**TOLD, "machine": "B", "untold": "dropped"},
    )
    for frame in (_rows(*rows), _rows(*rows).with_columns(pl.col("untold").cast(pl.Categorical))):
        assert {loss: _sums(frame, loss)["A"] for loss in LOSSES} == {
            loss: _sums(_rows(TOLD), loss)["A"] for loss in LOSSES
        }
        of_b = {"missed": (20, 2 * 999), "rejected": (6, 989), "dropped": (0, 0), "all": (40, 2000)}
        assert {loss: _sums(frame, loss)["B"] for loss in LOSSES} == of_b


def test_every_week_is_asked_by_itself() -> None:
    frame = _rows(COUNTED, {**TOLD, "machine": "B", "week": "2026-W46"})
    table = with_chances(frame, "missed").group_by("week").agg(pl.col("chances").sum())
    assert dict(table.iter_rows()) == {"2026-W47": 0, "2026-W46": 999}


def test_half_of_the_losses_with_a_kind_is_enough() -> None:
    assert _sums(_rows({**COUNTED, "missed": 10}), "missed")["B"] == (10, 990)
    assert _sums(_rows({**COUNTED, "missed": 9}), "missed")["B"] == (0, 0)
    assert _sums(_rows({"machine": "B", "attempts": 500, "placed": 500}), "missed")["B"] == (0, 500)


def test_a_plant_of_counters_has_no_rate_of_missed_picks() -> None:
    found = {s.loss: s for s in summaries(_rows(COUNTED), "2026-W47", dict.fromkeys(LOSSES, 1.0), Statistics())}
    assert [found[loss].this_week.attempts for loss in ("missed", "rejected", "dropped")] == [0, 0, 0]
    assert [found[loss].dispersion for loss in LOSSES] == [None, None, None, 1.0]
    assert (found["all"].this_week.losses, found["all"].this_week.attempts) == (10, 1000)


def test_last_week_is_the_week_before_and_not_the_last_with_picks() -> None:
    """Between the years nothing ran; 2026 has 53 weeks."""
    rows = _rows({**TOLD, "week": "2027-W01"}, {**TOLD, "week": "2026-W52"})
    last = {s.loss: s.last_week for s in summaries(rows, "2027-W01", {}, Statistics())}
    assert set(last.values()) == {None}
    rows = _rows({**TOLD, "week": "2027-W01"}, {**TOLD, "week": "2026-W53"})
    (missed, *_) = summaries(rows, "2027-W01", {}, Statistics())
    assert missed.last_week is not None
    assert (missed.last_week.losses, missed.last_week.attempts) == (10, 999)
