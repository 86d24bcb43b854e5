"""The plant's master tables: what its people say of machines, nozzles, feeders, parts and builds.

In:    nothing.
Out:   `MASTER_TABLES`, read by store/ (to create and fill) and newplant/ (templates).
After: a column that is not here does not exist anywhere else.
"""

from __future__ import annotations

from typing import Final

from pipeline.schema.table import Column, Table
from pipeline.schema.table import text as _text

MASTER_MACHINE = Table(
    "master_machine",
    "the plant's machines",
    (
        _text("machine", "as the logs name it", required=True),
        _text("line", "production line"),
        _text("machine_type", "machines of one type are peers"),
        Column("rated_picks_per_hour", "DOUBLE", "rated speed", "picks per hour"),
    ),
)
MASTER_NOZZLE = Table(
    "master_nozzle",
    "the plant's nozzles",
    (
        _text("nozzle", "serial", required=True),
        _text("nozzle_type", "type"),
        Column("replacement_cost", "DOUBLE", "price of a new one", "plant currency"),
    ),
)
MASTER_FEEDER = Table(
    "master_feeder",
    "the plant's feeders",
    (
        _text("feeder", "serial", required=True),
        _text("feeder_type", "words.FEEDER_TYPES"),
        Column("width", "DOUBLE", "tape width", "mm"),
        Column("pitch", "DOUBLE", "tape pitch", "mm"),
    ),
)
MASTER_PART = Table(
    "master_part",
    "the plant's parts",
    (
        _text("part", "part number", required=True),
        _text("package", "component package"),
        _text("method", "recognition method"),
        Column("unit_cost", "DOUBLE", "price of one part", "plant currency"),
        _text("feeder_type", "how it is fed (words.FEEDER_TYPES)"),
        Column("pitch", "DOUBLE", "tape pitch", "mm"),
        Column("pack_size", "BIGINT", "pieces in one reel, tray or tube"),
        Column("minimum_order", "BIGINT", "smallest order", "pieces"),
        Column("stock", "BIGINT", "pieces on hand"),
        Column("on_order", "BIGINT", "pieces ordered and due before the build"),
    ),
)
MASTER_BUILD = Table(
    "master_build",
    "planned builds: one row a build and part",
    (
        _text("build", "build or work order", required=True),
        _text("part", "part number", required=True),
        Column("quantity_per_board", "BIGINT", "placements a board", required=True),
        Column("boards", "BIGINT", "boards to build", required=True),
        _text("due", "date, ISO 8601"),
    ),
)
MASTER_ALIAS = Table(
    "master_alias",
    "other names of the same thing: a machine that was renamed, the alternates of a part",
    (
        _text("kind", "machine, nozzle, feeder, part, reel, lot or recipe", required=True),
        _text("alias", "name in the logs", required=True),
        _text("id", "name under which it is counted", required=True),
        Column("valid_from", "TIMESTAMP", "from this time on; empty: always", "UTC"),
        Column("valid_to", "TIMESTAMP", "until before this time; empty: for good", "UTC"),
    ),
)
MASTER_SETUP = Table(
    "master_setup",
    "set-up lists: which feeder and part a slot holds",
    (
        _text("machine", "machine", required=True),
        _text("slot", "slot", required=True),
        _text("lane", "lane of a multi-lane feeder"),
        _text("feeder", "feeder in it"),
        _text("part", "part in it"),
        Column("valid_from", "TIMESTAMP", "from this time on; empty: always", "UTC"),
        Column("valid_to", "TIMESTAMP", "until before this time; empty: for good", "UTC"),
    ),
)
MASTER_TABLES: Final = (
    MASTER_MACHINE,
    MASTER_NOZZLE,
    MASTER_FEEDER,
    MASTER_PART,
    MASTER_BUILD,
    MASTER_ALIAS,
    MASTER_SETUP,
)

ALIAS_KINDS: Final = ("machine", "nozzle", "feeder", "part", "reel", "lot", "recipe")
"""What an alias may stand for; each is a column of the event tables."""
