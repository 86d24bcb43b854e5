"""What plant.toml lists: [[maintenance]], [[known_fault]] and [[part_class]].

In:    one entry of the file, with its place.
Out:   frozen dataclasses.
After: every key is known and of its type, every word of its closed list, or SettingsError named file, line and remedy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from datetime import date
from typing import Any, Final

from pipeline.schema.words import FEEDER_TYPES, KINDS, SERVICE_ACTIONS
from pipeline.settings_buying import BUYING_RANGES, PartClass
from pipeline.settings_toml import Entry, number, texts


@dataclass(frozen=True, slots=True)
class Service:
    """How a maintenance message names what it was done to: patterns tried in order.

    pattern  regular expression with one group called `id`
    kind     what the id names, words.KINDS: nozzle, head, feeder, machine, ...
    action   words.SERVICE_ACTIONS
    """

    pattern: str
    kind: str
    action: str


FAULT_KINDS: Final = (
    *("too fast", "silent", "clock step", "clock drift", "balance", "reel count", "totals", "feeder counters"),
    *("nozzle counters", "machine counters", "no losses", "kinds not told", "only losses", "unnamed counts"),
    *("reason change", "unknown keys"),
    *("duplicate log", "missing file"),
)
"""Faults of a source that can be declared as known: docs/data_quality.md explains each."""


@dataclass(frozen=True, slots=True)
class KnownFault:
    """A fault of a source that the plant knows of: it is shown as known while it lasts, and missed when it is gone.

    machine  as the logs name it; None for a file that belongs to no single machine (missing file)
    kind     one of FAULT_KINDS
    begin    first local day, ISO 8601
    end      last local day, ISO 8601; None while nobody knows
    reason   in the plant's own words
    line     where it stands in plant.toml, from 1
    """

    machine: str | None
    kind: str
    begin: str
    end: str | None
    reason: str
    line: int


def _text(entry: Entry, key: str) -> str:
    value = entry.content[key]
    if not (isinstance(value, str) and value.strip()):
        raise entry.wrong(f'"{key}" must be text in quotes.', key)
    return value


def _word(entry: Entry, key: str, allowed: tuple[str, ...]) -> str:
    value = _text(entry, key)
    if value not in allowed:
        raise entry.wrong(f'unknown {key} "{value}". Known: {", ".join(allowed)}.', key)
    return value


def service_of(entry: Entry) -> Service:
    """One [[maintenance]]."""
    names = ("pattern", "kind", "action")
    entry.check_keys(names, names)
    kind, action = _word(entry, "kind", KINDS), _word(entry, "action", SERVICE_ACTIONS)
    pattern = _text(entry, "pattern")
    try:
        named = re.compile(pattern).groupindex
    except re.error as error:
        raise entry.wrong(f"not a regular expression: {error}.", "pattern") from error
    if "id" not in named and kind != "machine":
        raise entry.wrong(f'pattern "{pattern}" needs a group (?P<id>...) that finds which one.', "pattern")
    return Service(pattern, kind, action)


def known_fault_of(entry: Entry) -> KnownFault:
    """One [[known_fault]]."""
    entry.check_keys(("machine", "kind", "from", "to", "reason"), ("kind", "from", "reason"))
    kind, reason = _word(entry, "kind", FAULT_KINDS), _text(entry, "reason")
    machine = _text(entry, "machine") if "machine" in entry.content else None
    if machine is None and kind != "missing file":
        raise entry.wrong(f'a [[known_fault]] of kind "{kind}" lacks "machine".')
    days = {}
    for key in ("from", "to"):
        try:
            written = str(entry.content[key]) if key in entry.content else None
            days[key] = None if written is None else date.fromisoformat(written).isoformat()
        except ValueError as error:
            raise entry.wrong(
                f'"{key}" is {str(entry.content[key])!r}; write a date such as 2026-11-16.', key
            ) from error
    begin, end = str(days["from"]), days["to"]
    if end is not None and end < begin:
        raise entry.wrong(f'"to" is {end}, before "from", {begin}.', "to")
    return KnownFault(machine, kind, begin, end, reason, entry.line)


def part_class_of(entry: Entry) -> PartClass:
    """One [[part_class]]."""
    entry.check_keys([f.name for f in fields(PartClass)], ["name"])
    values: dict[str, Any] = {"name": _text(entry, "name")}
    for key, value in entry.content.items():
        if key == "whole_packs":
            if not isinstance(value, bool):
                raise entry.wrong(f'"whole_packs" is {value!r}; write true or false.', key)
            values[key] = value
        elif key in ("feeder_type", "package"):
            values[key] = texts(entry.path, entry.line_of(key), key, value)
        elif key != "name":
            values[key] = float(number(entry.path, entry.line_of(key), key, value, BUYING_RANGES[key]))
    found = PartClass(**values)
    if odd := [f for f in found.feeder_type if f not in FEEDER_TYPES]:
        raise entry.wrong(f'unknown feeder_type "{odd[0]}". Known: {", ".join(FEEDER_TYPES)}.', "feeder_type")
    if found.price_from >= found.price_to:
        key = "price_to" if "price_to" in entry.content else "price_from"
        raise entry.wrong(
            f'"price_from" is {found.price_from:g} and "price_to" {found.price_to:g}: no price lies between.', key
        )
    return found
