"""Which losses count against which chances: the denominators of every rate.

In:    a frame with the COUNTS columns (schema/frames.py).
Out:   the same frame with `losses` and `chances` for one kind of loss.
After: 0 <= runs <= losses <= chances. `runs` counts a jam of ten once: independent events are what a test needs.

The chain of a pick: picked -> held -> accepted -> placed. A missed pick is counted per pick, a recognition reject per
part held, a drop per part accepted. "all" is every loss per pick. A returned part is no loss. A pick whose outcome
the log does not tell is a chance of "all" and counts there as a loss only when the log says that the part is gone:
outcome `unknown` is exactly that.
"""

from __future__ import annotations

import polars as pl

from pipeline.schema.words import LOSSES

MEANING = {
    "missed": "missed picks per pick",
    "rejected": "recognition rejects per part held",
    "dropped": "drops per part accepted",
    "all": "all losses per pick",
}

LOSS = {
    "missed": pl.col("missed"),
    "rejected": pl.col("rejected"),
    "dropped": pl.col("dropped"),
    "all": pl.col("missed") + pl.col("rejected") + pl.col("dropped") + pl.col("unknown"),
}
RUNS = {
    "missed": pl.col("missed_runs"),
    "rejected": pl.col("rejected_runs"),
    "dropped": pl.col("dropped_runs"),
    "all": pl.col("lost_runs"),
}
CHANCES = {
    "missed": pl.col("attempts") - pl.col("unknown"),
    "rejected": pl.col("attempts") - pl.col("unknown") - pl.col("missed"),
    "dropped": pl.col("attempts") - pl.col("unknown") - pl.col("missed") - pl.col("rejected") - pl.col("returned"),
    "all": pl.col("attempts"),
}


def with_chances(frame: pl.DataFrame, loss: str) -> pl.DataFrame:
    """Add columns `losses`, `runs` and `chances` for one of words.LOSSES."""
    if loss not in LOSSES:
        raise ValueError(f"loss {loss!r} is not one of {LOSSES}")
    return frame.with_columns(LOSS[loss].alias("losses"), RUNS[loss].alias("runs"), CHANCES[loss].alias("chances"))
