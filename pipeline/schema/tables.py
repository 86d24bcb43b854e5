"""Every table of the store: column, type, unit, meaning.

In:    nothing.
Out:   `TABLES`, read by store/ (to create), ingest/ (to check) and the tests of the docs.
After: a column that is not here does not exist anywhere else.

All times are UTC, stored without a zone. All identifiers are text, kept byte for byte.
"""

from __future__ import annotations

from typing import Final

from pipeline.schema.master_tables import MASTER_TABLES
from pipeline.schema.table import Column, Table
from pipeline.schema.table import text as _text

_SOURCE = (
    Column("load_id", "INTEGER", "file it came from (table load)", required=True),
    Column("line", "BIGINT", "line or message number in that file, from 1", required=True),
)
_PLACE = (
    _text("machine", "placement machine, as the log names it", required=True),
    _text("head", "head on that machine"),
    _text("spindle", "place of the nozzle on the head"),
    _text("nozzle", "the nozzle itself (its serial), where known"),
    _text("nozzle_type", "type of nozzle"),
    _text("feeder", "the feeder itself (its serial), where known"),
    _text("slot", "feeder position on the machine"),
    _text("lane", "lane of a multi-lane feeder"),
    _text("part", "part number"),
    _text("package", "component package, e.g. 0402"),
    _text("reel", "reel, tray stack or tube lot unit: the material package"),
    _text("lot", "manufacturing lot of the part"),
    _text("recipe", "placement program"),
    _text("method", "recognition method (words.METHODS)"),
    _text("lighting", "lighting of the recognition"),
)

PICK = Table(
    "pick",
    "one row a pick attempt, where the log gives events; kept for a set number of weeks",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "when the attempt was decided", "UTC", required=True),
        *_PLACE,
        _text("work_order", "work order"),
        _text("board", "board (unit) the part was meant for"),
        _text("designator", "reference designator"),
        _text("outcome", "words.OUTCOMES", required=True),
        _text("reason", "the plant's raw reason code"),
        _text("reason_group", "words.REASON_GROUPS"),
        Column("try_number", "INTEGER", "1 for the first attempt at a placement, 2 for the first retry"),
        Column("dx", "DOUBLE", "offset of the part's centre from the nozzle's, x", "mm"),
        Column("dy", "DOUBLE", "the same, y", "mm"),
        Column("dangle", "DOUBLE", "the same, rotation", "degree"),
    ),
    event=True,
)
_OF_ONE_PICK: Final = ("load_id", "line", "time", "board", "designator", "dx", "dy", "dangle")
PICK_KEY = Table(
    "pick_key",
    "what picks have in common: one row for each combination of it that came",
    (
        Column("key_id", "INTEGER", "number of the combination", required=True),
        *(c for c in PICK.columns if c.name not in _OF_ONE_PICK),
    ),
)
PICK_ROW = Table(
    "pick_row",
    "what a pick has for itself; `pick` is a view of this table and of `pick_key`",
    (
        *(c for c in PICK.columns if c.name in _OF_ONE_PICK),
        Column("key_id", "INTEGER", "its row of `pick_key`", required=True),
    ),
)
MEASUREMENT = Table(
    "measurement",
    "what recognition measured on a part, mostly on a refused one",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "time of the pick", "UTC", required=True),
        _text("machine", "machine", required=True),
        _text("head", "head"),
        _text("nozzle", "nozzle"),
        _text("feeder", "feeder"),
        _text("part", "part number"),
        _text("reel", "reel"),
        _text("lot", "lot"),
        _text("what", "what was measured, as the log names it", required=True),
        Column("expected", "DOUBLE", "taught value", "as `unit` says"),
        Column("measured", "DOUBLE", "measured value", "as `unit` says"),
        Column("low", "DOUBLE", "lower limit", "as `unit` says"),
        Column("high", "DOUBLE", "upper limit", "as `unit` says"),
        _text("unit", "unit of the four figures"),
        Column("good", "BOOLEAN", "true if this measurement was within limits"),
    ),
    event=True,
)
COUNTER = Table(
    "counter",
    "counts over an interval from logs that give no single picks",
    (
        *_SOURCE,
        Column("start", "TIMESTAMP", "begin of the interval", "UTC"),
        Column("time", "TIMESTAMP", "end of the interval", "UTC", required=True),
        _text("grain", "words.GRAINS", required=True),
        *_PLACE,
        Column("attempts", "BIGINT", "picks"),
        Column("placed", "BIGINT", "placed"),
        Column("missed", "BIGINT", "missed picks"),
        Column("rejected", "BIGINT", "recognition rejects"),
        Column("dropped", "BIGINT", "drops"),
        Column("returned", "BIGINT", "returned to the carrier"),
        Column("unknown", "BIGINT", "lost, the log does not say how"),
        Column("remaining", "BIGINT", "parts left on the reel"),
        Column(
            "running",
            "BOOLEAN",
            "true if the counts are totals since an unknown begin, false or null if of the interval",
        ),
    ),
    event=True,
)
CHECK_TOTAL = Table(
    "check_total",
    "machine totals over a window; compared with the counts, never added to them",
    (
        *_SOURCE,
        Column("start", "TIMESTAMP", "begin of the window", "UTC", required=True),
        Column("time", "TIMESTAMP", "end of the window", "UTC", required=True),
        _text("machine", "machine", required=True),
        Column("placed", "BIGINT", "placed in the window", required=True),
        Column("not_placed", "BIGINT", "not placed in the window"),
    ),
    event=True,
)
REEL_EVENT = Table(
    "reel_event",
    "a reel was loaded, unloaded, spliced or counted",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "when", "UTC", required=True),
        _text("event", "words.REEL_EVENTS", required=True),
        _text("machine", "machine"),
        _text("slot", "slot"),
        _text("feeder", "feeder"),
        _text("lane", "lane"),
        _text("reel", "the reel (for a splice: the new one)", required=True),
        _text("previous_reel", "the reel that ran out, for a splice"),
        _text("part", "part number"),
        _text("lot", "lot"),
        Column("quantity", "BIGINT", "parts on it then"),
    ),
    event=True,
)
SERVICE = Table(
    "service",
    "something was cleaned, replaced, adjusted or calibrated",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "when it was done", "UTC", required=True),
        _text("machine", "machine, where the log says"),
        _text("kind", "what was serviced: nozzle, head, feeder, ... or machine", required=True),
        _text("id", "which one", required=True),
        _text("action", "words.SERVICE_ACTIONS", required=True),
        _text("note", "the log's own words"),
    ),
    event=True,
)
FAULT = Table(
    "fault",
    "a fault message; explains a loss that is counted elsewhere and is never one itself",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "when it occurred", "UTC", required=True),
        _text("machine", "machine", required=True),
        _text("head", "head"),
        _text("spindle", "spindle"),
        _text("nozzle", "nozzle"),
        _text("feeder", "feeder"),
        _text("slot", "slot"),
        _text("part", "part number"),
        _text("designator", "reference designator"),
        _text("fault_type", "kind of fault as the log names it", required=True),
        _text("code", "the machine's own code"),
        _text("occurrence", "the log's identity of this occurrence"),
        _text("outcome", "outcome it points to, null when it is no part loss"),
        _text("reason_group", "words.REASON_GROUPS"),
    ),
    event=True,
)
ACTIVITY = Table(
    "activity",
    "a recipe was switched on, or a board started or ended",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "when", "UTC", required=True),
        _text("machine", "machine", required=True),
        _text("event", "recipe, board_start or board_end", required=True),
        _text("lane", "lane"),
        _text("recipe", "placement program"),
        _text("work_order", "work order"),
        _text("board", "transaction or board"),
    ),
    event=True,
)
MESSAGE = Table(
    "message",
    "identity of each message loaded, so that a repeated one counts once",
    (*_SOURCE, _text("message_id", "the log's own identity of the message", required=True)),
    event=True,
)
CARRIER = Table(
    "carrier",
    "what sort of feeder one is, where messages say so; the first message of a file that does",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "time of the message", "UTC", required=True),
        _text("feeder", "the feeder", required=True),
        _text("feeder_type", "how it feeds (words.FEEDER_TYPES)", required=True),
    ),
    event=True,
)
EVENT_TABLES: Final = (
    PICK,
    MEASUREMENT,
    COUNTER,
    CHECK_TOTAL,
    REEL_EVENT,
    SERVICE,
    FAULT,
    ACTIVITY,
    CARRIER,
    MESSAGE,
)

_TALLY_KEYS = (
    _text("grain", "words.GRAINS: which keys this row knows", required=True),
    Column("hour", "TIMESTAMP", "begin of the hour", "UTC", required=True),
    *_PLACE,
)
TALLY = Table(
    "tally",
    "counts per machine, hour and key, from event logs and counter logs alike; kept for good",
    (
        *_TALLY_KEYS,
        Column("attempts", "BIGINT", "picks: the sum of the six outcomes", required=True),
        *(
            Column(o, "BIGINT", f"picks that ended `{o}`", required=True)
            for o in ("placed", "missed", "rejected", "dropped", "returned", "unknown")
        ),
        Column("first_tries", "BIGINT", "attempts that were a first try", required=True),
        *(
            Column(
                f"{o}_runs",
                "BIGINT",
                f"{what} that begin a run: neither of the two picks before from the same feeder was one",
                required=True,
            )
            for o, what in (
                ("missed", "missed picks"),
                ("rejected", "rejects"),
                ("dropped", "drops"),
                ("lost", "losses"),
            )
        ),
        Column("offsets", "BIGINT", "picks with a measured offset", required=True),
        *(
            Column(f"{a}_{s}", "DOUBLE", f"{t} of {a}", u)
            for a, u0 in (("dx", "mm"), ("dy", "mm"), ("dangle", "degree"))
            for s, t, u in (("sum", "sum", u0), ("squares", "sum of squares", u0 + " squared"))
        ),
    ),
)
COUNTER_EVENT = Table(
    "counter_event",
    "a running counter fell: it was reset, or it ran over its last digit",
    (
        _text("machine", "machine", required=True),
        _text("key", "which counter: its grain, its known keys and the count", required=True),
        Column("time", "TIMESTAMP", "time of the reading that was lower", "UTC", required=True),
        _text("kind", "reset or wrap", required=True),
        Column("before", "BIGINT", "the reading before", required=True),
        Column("after", "BIGINT", "the reading", required=True),
    ),
)
CARRIER_SPAN = Table(
    "carrier_span",
    "what sat where from when to when, worked out from reel events and set-up lists",
    (
        _text("kind", "what `place` is: slot, feeder, setup (a slot by its set-up list) or reel", required=True),
        _text("machine", "machine; empty for a feeder or a reel, which may move", required=True),
        _text("place", "the slot, feeder or reel", required=True),
        _text("lane", "lane, empty where there is none", required=True),
        Column("begin", "TIMESTAMP", "from this time on", "UTC", required=True),
        Column("end_", "TIMESTAMP", "until before this time", "UTC", required=True),
        _text("feeder", "feeder in that slot"),
        _text("reel", "reel on it"),
        _text("part", "part number"),
        _text("lot", "lot of that reel"),
    ),
)
FILL_TALLY = Table(
    "fill_tally",
    "picks per machine and hour whose key the log told, or reel events and set-up lists filled in, or nobody knows",
    (
        _text("machine", "machine", required=True),
        Column("hour", "TIMESTAMP", "begin of the hour", "UTC", required=True),
        _text("key", "feeder, reel, part or lot", required=True),
        Column("told", "BIGINT", "picks whose log line says it", required=True),
        Column("filled", "BIGINT", "picks for which it was worked out", required=True),
        Column("unknown", "BIGINT", "picks for which it is not known or contradictory", required=True),
    ),
)
CLOSED_HOUR = Table(
    "closed_hour",
    "machine hours whose picks were removed after the set number of weeks; their tallies stay as they are",
    (
        _text("machine", "machine", required=True),
        Column("hour", "TIMESTAMP", "begin of the hour", "UTC", required=True),
    ),
)
DISAGREEMENT = Table(
    "disagreement",
    "lines of overlapping exports that tell another end of a pick that was loaded before; they count as duplicates",
    (
        *_SOURCE,
        Column("time", "TIMESTAMP", "time of the pick", "UTC", required=True),
        _text("machine", "machine", required=True),
        _text("head", "head"),
        _text("spindle", "spindle"),
        _text("nozzle", "nozzle"),
        _text("feeder", "feeder"),
        _text("designator", "reference designator"),
        _text("outcome", "what this line says", required=True),
        _text("reason", "reason that this line gives"),
        _text("kept_outcome", "what the line says that was loaded first", required=True),
        _text("kept_reason", "reason that it gives"),
        Column("kept_load_id", "INTEGER", "its file", required=True),
        Column("kept_line", "BIGINT", "its line", required=True),
    ),
)
REASON_TALLY = Table(
    "reason_tally",
    "losses per machine, hour, key and reason, with the fault messages joined in",
    (
        *_TALLY_KEYS,
        _text("outcome", "words.OUTCOMES", required=True),
        _text("reason", "the plant's raw reason code"),
        _text("reason_group", "words.REASON_GROUPS", required=True),
        Column("losses", "BIGINT", "how many", required=True),
    ),
)
LOAD = Table(
    "load",
    "one row a file: read = loaded + duplicate + refused",
    (
        Column("load_id", "INTEGER", "number of the load, from 1", required=True),
        _text("file", "path as given, below the plant folder where it lies there; [file_part]", required=True),
        _text("content_hash", "SHA-256 of the unpacked content; of that and the part's name for a part", required=True),
        Column("bytes", "BIGINT", "size of the unpacked content", "byte", required=True),
        _text("dialect", "reader that read it", required=True),
        _text("mapping", "log mapping used, if any, with the hash of its text"),
        Column("rows_read", "BIGINT", "lines or messages read", required=True),
        Column("rows_loaded", "BIGINT", "of these loaded", required=True),
        Column("rows_duplicate", "BIGINT", "of these already known", required=True),
        Column("rows_refused", "BIGINT", "of these refused", required=True),
        Column("rows_ignored", "BIGINT", "of the loaded: nothing in them for us", required=True),
        Column("first_time", "TIMESTAMP", "earliest event", "UTC"),
        Column("last_time", "TIMESTAMP", "latest event", "UTC"),
    ),
)
REFUSED = Table(
    "refused",
    "every line that was not loaded, and every file that could not be read",
    (
        Column("load_id", "INTEGER", "its load; null when the whole file was refused"),
        _text("file", "path of the file", required=True),
        Column("line", "BIGINT", "line or message number from 1; null for the whole file"),
        _text("raw", "the line's own text, cut at 2 000 characters"),
        _text("reason", "what was found, what was expected, what to do", required=True),
        Column("settled", "BOOLEAN", "true: mended in a later file or given up; no longer listed or counted"),
    ),
)
TABLES: Final = (
    PICK_KEY,
    PICK_ROW,
    *(t for t in EVENT_TABLES if t is not PICK),
    TALLY,
    REASON_TALLY,
    COUNTER_EVENT,
    CARRIER_SPAN,
    FILL_TALLY,
    CLOSED_HOUR,
    LOAD,
    REFUSED,
    DISAGREEMENT,
    *MASTER_TABLES,
)


def table(name: str) -> Table:
    """The table of that name, or the view `pick`; KeyError if there is none."""
    return {t.name: t for t in (PICK, *TABLES)}[name]
