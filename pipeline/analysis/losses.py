"""Which losses count against which chances: the denominators of every rate.

In:    a frame with the COUNTS columns (schema/frames.py).
Out:   the same frame with `losses` and `chances` for one kind of loss.
After: 0 <= runs <= losses <= chances. `runs` counts a jam of ten once: independent events are what a test needs.

The chain of a pick: picked -> held -> accepted -> placed. A missed pick is counted per pick, a recognition reject per
part held, a drop per part accepted. "all" is every loss per pick. A returned part is no loss. A pick whose outcome
the log does not tell is a chance of "all" and counts there as a loss only when the log says that the part is gone:
outcome `unknown` is exactly that.
A machine of whose losses most have no kind (counters of parts used and spoiled, say) tells nothing of missed picks,
rejects and drops: there it has no chances, so that no rate of 0 is shown. Nor have counts that leave a kind out.
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


UNTOLD = 0.5
"""Share of a machine's losses without a kind beyond which it tells nothing of the kinds. Common practice, no source."""


def with_chances(frame: pl.DataFrame, loss: str) -> pl.DataFrame:
    """Add columns `losses` and `chances`, and `runs` where the frame tells them, for one of words.LOSSES.

    Whether a machine tells the kinds is asked of all its rows, week by week where the frame has weeks; whether counts
    leave this kind out, of each row (column `untold`, where the frame has it).
    """
    if loss not in LOSSES:
        raise ValueError(f"loss {loss!r} is not one of {LOSSES}")
    counts = {"losses": LOSS[loss], "chances": CHANCES[loss]}
    if all(column in frame.columns for column in RUNS[loss].meta.root_names()):
        counts["runs"] = RUNS[loss]
    scope = [column for column in ("machine", "week") if column in frame.columns]
    if loss != "all" and scope:
        told = pl.col("unknown").sum().over(scope) <= UNTOLD * LOSS["all"].sum().over(scope)
        counts = {name: pl.when(told).then(count).otherwise(0) for name, count in counts.items()}
    if loss != "all" and "untold" in frame.columns:
        counted = ~pl.col("untold").cast(pl.String).fill_null("").str.contains(loss, literal=True)
        counts = {name: pl.when(counted).then(count).otherwise(0) for name, count in counts.items()}
    return frame.with_columns(count.alias(name) for name, count in counts.items())
