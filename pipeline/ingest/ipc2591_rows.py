"""An envelope as the message readers see it, and the shape of the rows that they give.

In:    a parsed envelope and its number in the file.
Out:   `Envelope`, with its own fields checked when they are asked for; `Batches`, which hands rows on in large pieces.
After: `machine` and `time` are there or Unusable was raised; memory holds at most about BATCH rows.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any, Final

import polars as pl

from pipeline.ingest.ipc2591_structures import Location, Object, Unusable, moment, text
from pipeline.ingest.staging import Staging
from pipeline.schema.arrow import POLARS_TYPES
from pipeline.schema.tables import table

BATCH: Final = 50_000
"""Rows after which a table's rows go to the staging area."""

Row = tuple[object, ...]
Rows = dict[str, list[Row]]
"""Table -> rows in the order of COLUMNS."""

_FEEDER: Final = ("feeder", "slot", "lane", "part", "package", "reel", "lot")
_COUNTS: Final = ("attempts", "placed", "missed", "rejected", "dropped", "returned", "unknown", "remaining")

COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "pick": (
        *("line", "time", "machine", "head", "spindle", "nozzle", "nozzle_type", *_FEEDER, "board"),
        *("designator", "outcome", "reason", "reason_group", "try_number"),
    ),
    "measurement": (
        *("line", "time", "machine", "head", "nozzle", "feeder", "part", "reel", "lot"),
        *("what", "expected", "measured", "low", "high", "unit", "good"),
    ),
    "counter": ("line", "time", "machine", "grain", *_FEEDER, *_COUNTS),
    "check_total": ("line", "start", "time", "machine", "placed", "not_placed"),
    "reel_event": (
        *("line", "time", "event", "machine", "slot", "feeder", "lane"),
        *("reel", "previous_reel", "part", "lot", "quantity"),
    ),
    "service": ("line", "time", "machine", "kind", "id", "action", "note"),
    "fault": (
        *("line", "time", "machine", "head", "spindle", "nozzle", "feeder", "slot"),
        *("part", "designator", "fault_type", "code", "occurrence", "outcome", "reason_group"),
    ),
    "activity": ("line", "time", "machine", "event", "lane", "recipe", "work_order", "board"),
    "carrier": ("line", "time", "feeder", "feeder_type"),
    "message": ("line", "message_id"),
}
"""Columns that a message can fill; times are microseconds since 1970 UTC. The recipe of a pick is not among them: the
message that tells it may be in another file, so rollup/ fills it in from `activity`."""

_NIL: Final = "00000000-0000-0000-0000-000000000000"
"""Nil UUID (RFC 9562, section 5.9): what a sender writes that gives its messages no identity."""
_UUID: Final = re.compile(r"\{?[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}\}?")


def add(rows: Rows, name: str, row: Row) -> None:
    """Add one row."""
    rows.setdefault(name, []).append(row)


def add_carrier(envelope: Envelope, rows: Rows, place: Location) -> None:
    """Note how a feeder feeds, where the message says so."""
    if place.feeder_type is not None and place.feeder is not None:
        add(rows, "carrier", (envelope.line, envelope.time, place.feeder, place.feeder_type))


class Envelope:
    """One message: its number in the file, its name, and what else is asked for."""

    __slots__ = ("_content", "_machine", "_time", "line", "name")

    def __init__(self, line: int, content: Object) -> None:
        name = text(content.get("MessageName"), "MessageName")
        if name is None:
            raise Unusable("MessageName is missing, expected a name such as CFX.Production.WorkStarted.")
        self.line, self.name, self._content = line, name, content
        self._machine: str | None = None
        self._time: int | None = None

    @property
    def identity(self) -> str:
        """`UniqueID`, where it is a UUID; another one may start again, so that it only holds for one sender and moment.

        For a message without any, a digest of its content, so that a repeated one is seen too.
        """
        given = text(self._content.get("UniqueID"), "UniqueID")
        if given is not None and given != _NIL:
            if _UUID.fullmatch(given):
                return given
            return json.dumps([given, self._content.get("Source"), self._content.get("TimeStamp")])
        plain = json.dumps(self._content, sort_keys=True, separators=(",", ":"))
        return "sha256:" + hashlib.sha256(plain.encode("ascii")).hexdigest()

    @property
    def body(self) -> Object:
        """`MessageBody`."""
        found: Any = self._content.get("MessageBody")
        if type(found) is dict:
            return found
        raise Unusable("MessageBody is no object, expected the message itself.")

    @property
    def machine(self) -> str:
        """`Source`, the machine's handle."""
        if self._machine is None:
            self._machine = text(self._content.get("Source"), "Source")
            if self._machine is None:
                raise Unusable("Source is missing, expected the machine's handle.")
        return self._machine

    @property
    def time(self) -> int:
        """`TimeStamp` in microseconds since 1970 UTC."""
        if self._time is None:
            self._time = moment(self._content.get("TimeStamp"), "TimeStamp")
            if self._time is None:
                raise Unusable("TimeStamp is missing, expected a time such as 2026-11-16T06:00:00+01:00.")
        return self._time

    @property
    def transaction(self) -> str | None:
        """The board's transaction, in either spelling of the standard."""
        body = self.body
        return text(body.get("TransactionID"), "TransactionID") or text(body.get("TransactionId"), "TransactionId")


class Batches:
    """Gathers rows and hands them to the staging area as frames."""

    def __init__(self, staging: Staging) -> None:
        self._staging = staging
        self._rows: Rows = {}
        self._carriers: set[tuple[object, ...]] = set()

    def take(self, rows: Rows) -> None:
        """Add the rows of one envelope; of what is said of a feeder again and again, the first."""
        for name, found in rows.items():
            if name == "carrier":
                found = self._first_said(found)
            held = self._rows.setdefault(name, [])
            held += found
            if len(held) >= BATCH:
                self._hand_on(name)

    def _first_said(self, carriers: list[Row]) -> list[Row]:
        new = {row[2:]: row for row in reversed(carriers) if row[2:] not in self._carriers}
        self._carriers.update(new)
        return list(new.values())[::-1]

    def close(self) -> None:
        """Hand on what is left."""
        for name in self._rows:
            self._hand_on(name)

    def _hand_on(self, name: str) -> None:
        held = self._rows[name]
        if held:
            types = {column.name: POLARS_TYPES[column.type] for column in table(name).columns}
            columns = zip(COLUMNS[name], zip(*held, strict=True), strict=True)
            self._staging.add(
                name, pl.DataFrame([_series(column, types[column], values) for column, values in columns])
            )
            held.clear()


def _series(name: str, kind: pl.DataType, values: tuple[object, ...]) -> pl.Series:
    if isinstance(kind, pl.Datetime):
        return pl.Series(name, values, dtype=pl.Int64).cast(kind)
    return pl.Series(name, values, dtype=kind)
