"""Planned builds and the part table, made fit to reckon with.

In:    frames with the columns of master_build and master_part; any value may be null or senseless.
Out:   builds with one line a build and part and a `need`; parts with one line a part; and sentences on what was mended.
After: need >= 1, stock and orders >= 0 or null, pack sizes >= 1 or null, feeder types known or null, dates ISO 8601 or
       null. A line that cannot be used is left out and named; nothing is changed in silence.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.schema.words import FEEDER_TYPES

MOST_NEEDED: Final = 100_000_000
"""Parts for one line of a build beyond which the line is taken for a slip of the pen."""

GOOD: Final[dict[str, pl.DataType]] = {
    "build": pl.String(),
    "part": pl.String(),
    "quantity_per_board": pl.Int64(),
    "boards": pl.Int64(),
    "due": pl.String(),
    "need": pl.Int64(),
}
"""A good build line. Quantity and boards are 0 where a part stands twice with different numbers of boards."""

PARTS: Final[dict[str, pl.DataType]] = {
    "part": pl.String(),
    "package": pl.String(),
    "unit_cost": pl.Float64(),
    "feeder_type": pl.String(),
    "pack_size": pl.Int64(),
    "minimum_order": pl.Int64(),
    "stock": pl.Int64(),
    "on_order": pl.Int64(),
}


def check_builds(builds: pl.DataFrame, parts: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """Good build lines (columns `GOOD`, sorted by due date, build, part) and a sentence on each thing that was wrong.

    Lines without a build, a part, or a positive whole quantity and number of boards are left out. A part that stands
    twice in a build is added up. A part that is not in the part table, or has a senseless stock, is kept and named.
    """
    _, messages = clean_parts(parts)
    said = list(messages)
    lines = builds.select([pl.col(c).cast(t, strict=False) for c, t in GOOD.items() if c != "need"]).with_row_index(
        "row"
    )
    product = pl.col("quantity_per_board").cast(pl.Float64) * pl.col("boards").cast(pl.Float64)
    named = pl.col("build").is_not_null() & pl.col("part").is_not_null()
    counted = ((pl.col("quantity_per_board") > 0) & (pl.col("boards") > 0)).fill_null(False)
    small = (product <= MOST_NEEDED).fill_null(False)
    for row in lines.filter(~(named & counted & small)).iter_rows(named=True):
        said.append(_bad_line(row))
    good = lines.filter(named & counted & small).with_columns(
        need=pl.col("quantity_per_board") * pl.col("boards"), day=_iso_day("due")
    )
    for row in good.filter(pl.col("due").is_not_null() & pl.col("day").is_null()).iter_rows(named=True):
        said.append(
            f"Build {row['build']}, part {row['part']}: due date {row['due']!r} is not a date such as 2026-11-30. "
            "Taken as the last to be built."
        )
    summed = (
        good.group_by("build", "part")
        .agg(
            pl.col("quantity_per_board").sum().alias("quantity"),
            pl.col("boards").min(),
            pl.col("boards").max().alias("most"),
            pl.col("day").min().alias("due"),
            pl.col("need").sum(),
            pl.len().alias("lines"),
            pl.col("row").min(),
        )
        .sort("row")
    )
    for row in summed.filter(pl.col("lines") > 1).iter_rows(named=True):
        said.append(
            f"Build {row['build']}: part {row['part']} stands {row['lines']} times. Added up to {row['need']} parts; "
            "if it was entered twice by mistake, take one line out."
        )
    known = parts.select(pl.col("part").cast(pl.String)).drop_nulls().unique()
    strange = summed.join(known, on="part", how="anti").group_by("part").agg(pl.len().alias("builds")).sort("part")
    for row in strange.iter_rows(named=True):
        where = f"{row['builds']} build{'s' if row['builds'] > 1 else ''}"
        said.append(
            f"Part {row['part']} (in {where}) is not in the part table: "
            "its price, stock and pack size are not known. Add it to parts.csv."
        )
    same = pl.col("boards") == pl.col("most")
    found = summed.select(
        "build",
        "part",
        pl.when(same).then(pl.col("quantity")).otherwise(0).alias("quantity_per_board"),
        pl.when(same).then(pl.col("boards")).otherwise(0).alias("boards"),
        "due",
        "need",
    )
    return found.sort("due", "build", "part", nulls_last=True).select(
        [pl.col(c).cast(t) for c, t in GOOD.items()]
    ), tuple(said)


def clean_parts(parts: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """One line a part (columns `PARTS`, sorted) with senseless values made null or 0, and a sentence on each."""
    said: list[str] = []
    table = parts.select([pl.col(c).cast(t, strict=False) for c, t in PARTS.items()])
    table = table.filter(pl.col("part").is_not_null())
    twice = table.group_by("part").len().filter(pl.col("len") > 1).sort("part")
    said += [f"Part {p} stands {n} times in the part table. The first line counts." for p, n in twice.iter_rows()]
    table = table.unique("part", keep="first", maintain_order=True).sort("part")
    for column, least, taken in (
        ("stock", 0, "Taken as 0: count it"),
        ("on_order", 0, "Taken as 0"),
        ("pack_size", 1, "Taken as not known"),
        ("minimum_order", 0, "Taken as none"),
        ("unit_cost", 0, "Taken as not known"),
    ):
        bad = pl.col(column) < least
        if column == "unit_cost":
            bad = bad | ~pl.col(column).is_finite()
        what = column.replace("_", " ")
        for row in table.filter(bad).iter_rows(named=True):
            said.append(f"Part {row['part']}: {what} is {row[column]}. {taken}.")
        instead = 0 if column in ("stock", "on_order") else None
        table = table.with_columns(pl.when(bad).then(instead).otherwise(pl.col(column)).alias(column))
    odd = pl.col("feeder_type").is_not_null() & ~pl.col("feeder_type").is_in(FEEDER_TYPES)
    for row in table.filter(odd).iter_rows(named=True):
        said.append(
            f"Part {row['part']}: feeder type {row['feeder_type']!r} is none of {', '.join(FEEDER_TYPES)}. "
            "Taken as not known."
        )
    table = table.with_columns(pl.when(odd).then(None).otherwise(pl.col("feeder_type")).alias("feeder_type"))
    return table.select([pl.col(c).cast(t) for c, t in PARTS.items()]), tuple(said)


def _iso_day(column: str) -> pl.Expr:
    day = pl.col(column).str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)
    return day.dt.strftime("%Y-%m-%d")


def _bad_line(row: dict[str, object]) -> str:
    build, part = row["build"], row["part"]
    if build is None or part is None:
        missing = "the build" if build is None else "the part"
        named = f"part {part}" if build is None else f"build {build}"
        place = named if (build is not None or part is not None) else f"line {row['row']}"
        return f"A build line ({place}) does not name {missing}. Left out."
    for column, what in (("quantity_per_board", "quantity per board"), ("boards", "number of boards")):
        value = row[column]
        if not isinstance(value, int) or value <= 0:
            found = "empty" if value is None else str(value)
            return f"Build {build}, part {part}: {what} is {found}; expected 1 or more. Left out."
    return (
        f"Build {build}, part {part}: {row['quantity_per_board']} a board on {row['boards']} boards is more than "
        f"{MOST_NEEDED} parts. Left out."
    )
