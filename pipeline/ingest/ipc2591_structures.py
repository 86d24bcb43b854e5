"""The structures that IPC-2591 messages are made of: typed access to parsed JSON.

In:    parsed JSON objects (numbers with a fraction still as their own text).
Out:   text, counts, figures, UTC times, and the frozen parts: package, location, head and nozzle.
After: a value that is missing, null or empty is None; a value of the wrong kind raised `Unusable` with one sentence.

Identifiers stay as the sender wrote them, byte for byte. Numbers may arrive as text.
Source: IPC-2591 (CFX), structures of versions 1.0 to 2.1.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple

from pipeline.ingest.local_time import FIRST_YEAR, LAST_YEAR

Object = dict[str, Any]
"""A parsed JSON object; its values are whatever the sender put there."""

FEEDERS: Final = {
    "SMDTapeFeeder": "tape",
    "SMDTubeFeeder": "tube",
    "SMDTrayFeeder": "tray",
    "SMDMultiTrayFeeder": "tray",
    "SMDBulkCaseFeeder": "bulk",
}
"""Structure of a feeder -> words.FEEDER_TYPES."""

_MEND: Final = "Envelope refused; have the sender corrected."
_SHOWN: Final = 60
"""Characters of a wrong value that a reason shows."""
_MOST: Final = 2**53
"""Largest count accepted: above it a sender's double cannot hold whole numbers."""

_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_TIME: Final = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:)(\d\d(?:\.\d+)?)([+-]\d\d:\d\d)", re.ASCII)
_UNSET: Final = "0001-01-01T00:00:00"
"""What senders on .NET write for a time that was never set: taken as missing. Common practice, no source."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)
_REMEMBERED: Final = 100_000
"""Minutes and seconds whose value is kept: a log repeats them all the time, and parsing each anew is slow."""


class Unusable(Exception):
    """An envelope that cannot be loaded; `reason` is one sentence: found, expected, what to do."""

    def __init__(self, found: str, remedy: str = _MEND) -> None:
        self.reason = f"{found} {remedy}"
        super().__init__(self.reason)


def shown(value: object) -> str:
    """A value for a message: its kind when it is large, else the value itself.

    >>> shown({"a": 1}), shown([]), shown("x"), shown(True)
    ('an object', 'a list', '"x"', 'true')
    """
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    if value is None or isinstance(value, bool):
        return {None: "null", True: "true", False: "false"}[value]
    return f'"{str(value)[:_SHOWN]}"'


def text(value: object, name: str) -> str | None:
    """An identifier or word as it was sent; None when null or empty; Unusable when it is no text or number.

    >>> text("0402", "InternalPackageName"), text(7, "HeadId"), text("", "Name")
    ('0402', '7', None)
    """
    if type(value) is str:
        return value or None
    if value is None:
        return None
    if type(value) is int:
        return str(value)
    raise Unusable(f"{name} is {shown(value)}, expected text.")


def obj(holder: Object, name: str) -> Object:
    """The object called `name`; an empty one when it is missing or null."""
    value = holder.get(name)
    if type(value) is dict:
        return value
    if value is None:
        return {}
    raise Unusable(f"{name} is {shown(value)}, expected an object.")


def items(holder: Object, name: str) -> list[Object]:
    """The objects in the list called `name`; null entries are left out, a missing list is empty.

    A list wrapped as {"$type": ..., "$values": [...]} is taken as the list in it.
    """
    value = _list(holder, name)
    kept = [item for item in value if type(item) is dict]
    if len(kept) != len(value):
        wrong = next((item for item in value if type(item) is not dict and item is not None), None)
        if wrong is not None:
            raise Unusable(f"{name} holds {shown(wrong)}, expected objects.")
    return kept


def texts(holder: Object, name: str) -> list[str]:
    """The texts in the list called `name`, empty ones left out."""
    return [found for found in (text(item, name) for item in _list(holder, name)) if found is not None]


def _list(holder: Object, name: str) -> list[Any]:
    value = holder.get(name)
    if type(value) is dict and "$values" in value:
        value = value["$values"]
    if type(value) is list:
        return value
    if value is None:
        return []
    raise Unusable(f"{name} is {shown(value)}, expected a list.")


def figure(value: object) -> float | None:
    """A measured figure, sent as number or text; None when it is missing, no number, or not finite.

    >>> figure("0.612"), figure(3), figure("n/a"), figure("1e999")
    (0.612, 3.0, None, None)
    """
    if type(value) is int:
        return float(value) if abs(value) <= _MOST else None
    if type(value) is not str:
        return None
    stripped = value.strip()
    if not _NUMBER.fullmatch(stripped):
        return None
    number = float(stripped)
    return number if abs(number) != float("inf") else None


def count(holder: Object, name: str, *, signed: bool = False) -> int | None:
    """A number of parts, sent as number or text; None when missing; Unusable when it is no whole number of parts.

    signed  True where a sender may count below zero (what is left on a reel)
    """
    value = holder.get(name)
    if value is None or value == "":
        return None
    number = figure(value)
    if number is None or not number.is_integer() or abs(number) > _MOST or (number < 0 and not signed):
        raise Unusable(f"{name} is {shown(value)}, expected a whole number of parts.")
    return int(number)


def truth(value: object) -> bool | None:
    """True or false, sent as such or as text; None for anything else."""
    if isinstance(value, bool):
        return value
    return {"true": True, "false": False}.get(value.strip().lower()) if isinstance(value, str) else None


_minute: dict[str, int] = {}
_second: dict[str, int] = {}


def moment(value: object, name: str) -> int | None:
    """Microseconds since 1970 UTC of an ISO 8601 time with offset; None when missing or never set.

    Digits beyond the microsecond are cut off. Unusable when it has no offset, is no time, or lies outside the years
    that a log can be of.

    >>> moment("1970-01-02T01:00:00.5000009+01:00", "TimeStamp")
    Traceback (most recent call last):
    pipeline.ingest.ipc2591_structures.Unusable: TimeStamp is "1970-01-02T01:00:00.5000009+01:00", expected a time \
between 1990 and 2099. Envelope refused; have the sender corrected.
    >>> moment("2026-11-16T06:00:00.1234567+01:00", "TimeStamp") == moment("2026-11-16T05:00:00.123456Z", "TimeStamp")
    True
    """
    if type(value) is str:
        if value[-1:] == "Z":
            value = value[:-1] + "+00:00"
        try:
            return _minute[value[:17] + value[-6:]] + _second[value[17:-6]]
        except KeyError:
            return _moment(value, name)
    if value is None:
        return None
    raise Unusable(f"{name} is {shown(value)}, expected a time such as 2026-11-16T06:00:00+01:00.")


def _moment(value: str, name: str) -> int | None:
    if not value or value.startswith(_UNSET):
        return None
    try:
        time = datetime.fromisoformat(value)
    except ValueError:
        raise Unusable(f"{name} is {shown(value)}, expected a time such as 2026-11-16T06:00:00+01:00.") from None
    if time.tzinfo is None:
        raise Unusable(f"{name} is {shown(value)}, a time without offset, expected one such as 06:00:00+01:00.")
    if not FIRST_YEAR <= time.year <= LAST_YEAR:
        raise Unusable(f"{name} is {shown(value)}, expected a time between {FIRST_YEAR} and {LAST_YEAR}.")
    found = (time - _EPOCH) // _MICROSECOND
    if parts := _TIME.fullmatch(value):
        if len(_minute) > _REMEMBERED or len(_second) > _REMEMBERED:
            _minute.clear()
            _second.clear()
        seconds = time.second * 1_000_000 + time.microsecond
        _minute[parts[1] + parts[3]] = found - seconds
        _second[parts[2]] = seconds
    return found


def last_name(kind: object) -> str | None:
    """The last name of a `$type`.

    >>> last_name("CFX.Structures.SMTPlacement.SMDTapeFeeder, CFX")
    'SMDTapeFeeder'
    """
    if not isinstance(kind, str):
        return None
    return kind.partition(",")[0].strip().rpartition(".")[2] or None


class Package(NamedTuple):
    """A reel, tray stack or tube lot unit. `leading` is the reel spliced in front of it, used up first."""

    reel: str | None
    part: str | None
    package: str | None
    lot: str | None
    leading: str | None
    quantity: object


class Location(NamedTuple):
    """Where material is: slot, feeder, its lane and how it feeds (words.FEEDER_TYPES), and the package on it."""

    slot: str | None
    feeder: str | None
    lane: str | None
    package: Package
    feeder_type: str | None = None


_NO_PACKAGE: Final = Package(None, None, None, None, None, None)


def package_of(holder: Object, name: str) -> Package:
    """The package called `name`."""
    found = obj(holder, name)
    if not found:
        return _NO_PACKAGE
    get = found.get
    return Package(
        text(get("UniqueIdentifier"), "UniqueIdentifier"),
        text(get("InternalPartNumber"), "InternalPartNumber"),
        text(get("InternalPackageName"), "InternalPackageName"),
        text(get("BatchId"), "BatchId"),
        text(obj(found, "LeadingMaterialPackage").get("UniqueIdentifier"), "UniqueIdentifier"),
        get("Quantity"),
    )


def location_of(found: Object) -> Location:
    """A location with its feeder and package; the name of a slot wins over its identifier."""
    carrier = obj(found, "CarrierInformation")
    return Location(
        slot=text(found.get("LocationName"), "LocationName")
        or text(found.get("LocationIdentifier"), "LocationIdentifier"),
        feeder=text(carrier.get("UniqueIdentifier"), "UniqueIdentifier") or text(carrier.get("Name"), "Name"),
        lane=text(carrier.get("LaneNumber"), "LaneNumber"),
        package=package_of(found, "MaterialPackage"),
        feeder_type=FEEDERS.get(last_name(carrier.get("$type")) or ""),
    )


Head = tuple[str | None, str | None, str | None, str | None]
"""Head, spindle, nozzle, nozzle type."""

_NO_HEAD: Final[Head] = (None, None, None, None)


def head_of(holder: Object) -> Head:
    """Head, spindle, nozzle and nozzle type from `HeadAndNozzle`; the nozzle's identifier wins over its name."""
    found = holder.get("HeadAndNozzle")
    if type(found) is not dict:
        if found is None:
            return _NO_HEAD
        raise Unusable(f"HeadAndNozzle is {shown(found)}, expected an object.")
    get = found.get
    head, nozzle, kind = get("HeadId"), get("UniqueIdentifier"), get("NozzleType")
    # A log has one of these for every pick: text as it should be is taken without a call.
    return (
        head if type(head) is str and head else text(head, "HeadId"),
        text(get("HeadNozzleNumber"), "HeadNozzleNumber"),
        nozzle if type(nozzle) is str and nozzle else text(nozzle, "UniqueIdentifier") or text(get("Name"), "Name"),
        kind if type(kind) is str and kind else text(kind, "NozzleType"),
    )
