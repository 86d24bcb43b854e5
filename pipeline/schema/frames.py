"""The frames that weekly.py hands to analysis, column by column.

In:    nothing.
Out:   polars schemas; `check` raises ValueError when a frame does not follow its schema.
After: a frame that passed has exactly these columns, sorted by all key columns.

All identifiers may be null (unknown); counts are never null.
"""

from __future__ import annotations

from typing import Final

import polars as pl

RUNS: Final = ("missed_runs", "rejected_runs", "dropped_runs", "lost_runs")
"""Losses that begin a run on their feeder: what a jam of ten counts as once."""

COUNTS: Final = ("attempts", "placed", "missed", "rejected", "dropped", "returned", "unknown", "first_tries", *RUNS)

_COUNTS = dict.fromkeys(COUNTS, pl.Int64())

CELLS: Final[dict[str, pl.DataType]] = {
    "grain": pl.String(),
    "shift": pl.Datetime("us"),  # begin of the shift, local wall clock
    "line": pl.String(),
    "machine": pl.String(),
    "machine_type": pl.String(),
    "head": pl.String(),
    "spindle": pl.String(),
    "nozzle": pl.String(),
    "nozzle_type": pl.String(),
    "feeder": pl.String(),
    "feeder_type": pl.String(),
    "slot": pl.String(),
    "part": pl.String(),
    "package": pl.String(),
    "method": pl.String(),
    "lighting": pl.String(),
    "reel": pl.String(),
    "lot": pl.String(),
    "recipe": pl.String(),
    "untold": pl.String(),  # kinds of loss that counters give no figure for, such as "rejected, dropped"
    **_COUNTS,
}
"""One row per shift and joint key, of one ISO week. Ids are the log's own: "N1" of machine A and B may differ."""

DAYS: Final[dict[str, pl.DataType]] = {
    "day": pl.String(),  # local date, ISO 8601
    "week": pl.String(),  # ISO week, 2026-W47
    "machine": pl.String(),
    "nozzle": pl.String(),
    "spindle": pl.String(),
    "head": pl.String(),
    "feeder": pl.String(),
    "slot": pl.String(),
    "part": pl.String(),
    "package": pl.String(),
    "method": pl.String(),
    "lighting": pl.String(),
    "lot": pl.String(),
    "untold": pl.String(),
    **dict.fromkeys(("attempts", "missed", "rejected", "dropped", "returned", "unknown"), pl.Int64()),
}
"""The same counts by day and fewer keys, over the weeks of history: for trends, changes and services."""

USAGE: Final[dict[str, pl.DataType]] = {
    "part": pl.String(),
    "package": pl.String(),
    "feeder_type": pl.String(),
    "week": pl.String(),
    "shift": pl.Datetime("us"),
    "machine": pl.String(),
    "lot": pl.String(),
    "reel": pl.String(),
    **_COUNTS,
}
"""What each part used up, per shift, machine and reel, over the weeks of history: for the buyer."""

LOADS: Final[dict[str, pl.DataType]] = {
    "part": pl.String(),
    "week": pl.String(),
    "loads": pl.Int64(),
    "splices": pl.Int64(),
}
"""How often a part was loaded and spliced, by week."""

PAST: Final[dict[str, pl.DataType]] = {
    "build": pl.String(),  # placement program, else machine
    "week": pl.String(),
    "part": pl.String(),
    "feeder_type": pl.String(),
    "machines": pl.Int64(),
    **dict.fromkeys(("placed", "missed", "rejected", "dropped", "unknown"), pl.Int64()),
}
"""What one program placed and lost of each part in one week: stands for a build of the past."""

REELS: Final[dict[str, pl.DataType]] = {
    "machine": pl.String(),
    "reel": pl.String(),
    "part": pl.String(),
    "counted_by": pl.String(),  # event of the second count: count, or unload, which may be a machine's own book
    "loads": pl.Int64(),  # times it was put on, and spliced in, from the first count on and before the second
    "splices": pl.Int64(),
    "ended": pl.Boolean(),  # another reel was spliced to it in between: it was taken for empty
    "first": pl.Int64(),
    "last": pl.Int64(),
    **dict.fromkeys(("placed", "missed", "lost"), pl.Int64()),
}
"""Reels with two counts, and the picks from them in between, over the weeks of history."""

REASONS: Final[dict[str, pl.DataType]] = {
    "week": pl.String(),
    "day": pl.String(),
    "machine": pl.String(),
    "head": pl.String(),
    "spindle": pl.String(),
    "nozzle": pl.String(),
    "feeder": pl.String(),
    "slot": pl.String(),
    "part": pl.String(),
    "package": pl.String(),
    "method": pl.String(),
    "lighting": pl.String(),
    "lot": pl.String(),
    "reel": pl.String(),
    "outcome": pl.String(),
    "reason": pl.String(),
    "reason_group": pl.String(),
    "losses": pl.Int64(),
}
"""Losses by reason over the weeks of history."""

OFFSETS: Final[dict[str, pl.DataType]] = {
    "day": pl.String(),
    "machine": pl.String(),
    "feeder": pl.String(),
    "slot": pl.String(),
    "part": pl.String(),
    "offsets": pl.Int64(),
    "dx_sum": pl.Float64(),
    "dx_squares": pl.Float64(),
    "dy_sum": pl.Float64(),
    "dy_squares": pl.Float64(),
}
"""Pick offsets by day and feeder: counts, sums and sums of squares, in mm."""

MEASUREMENTS: Final[dict[str, pl.DataType]] = {
    "part": pl.String(),
    "what": pl.String(),
    "unit": pl.String(),
    "count": pl.Int64(),
    "taught": pl.Float64(),
    "limit_low": pl.Float64(),
    "limit_high": pl.Float64(),
    "mean": pl.Float64(),
    "deviation": pl.Float64(),  # sample standard deviation of the measured values
}
"""Measured values of refused parts in the week, by part and what was measured."""

SERVICES: Final[dict[str, pl.DataType]] = {
    "time": pl.Datetime("us"),  # local wall clock
    "day": pl.String(),
    "machine": pl.String(),
    "kind": pl.String(),
    "id": pl.String(),
    "action": pl.String(),
    "note": pl.String(),
}
"""Services over the weeks of history."""


def check(frame: pl.DataFrame, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    """`frame` itself when it has exactly the columns and types of `schema`; ValueError otherwise."""
    if dict(frame.schema) != schema:
        raise ValueError(f"frame has {dict(frame.schema)}, expected {schema}")
    return frame
