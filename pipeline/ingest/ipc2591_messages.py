"""One message -> rows, for every message that this project has a use for.

In:    an `Envelope`, sound JSON.
Out:   rows (tuples in the order of COLUMNS) of our tables.
After: all rows of an envelope are there, or `Unusable` was raised and none counts. A message without anything for us
       gives no rows.

One lost part may show up in several messages. Each kind goes to its own table (`pick`, `counter`, `check_total`,
`fault`); which of them counts is decided in rollup/, never here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from pipeline.ingest.ipc2591_installed import installed
from pipeline.ingest.ipc2591_rows import Envelope, Rows, add, add_carrier
from pipeline.ingest.ipc2591_structures import (
    Location,
    Unusable,
    count,
    head_of,
    items,
    last_name,
    location_of,
    moment,
    obj,
    text,
    texts,
)
from pipeline.ingest.ipc2591_words import FAULTS, MAINTENANCE
from pipeline.settings import Service


@dataclass(frozen=True, slots=True)
class Context:
    """What reading a message takes besides the message: how the plant names services."""

    patterns: tuple[tuple[re.Pattern[str], Service], ...]


def read(envelope: Envelope, context: Context) -> Rows:
    """The rows of one envelope, none when there is nothing in it for us; Unusable when it cannot be loaded."""
    rows: Rows = {}
    handler = _HANDLERS.get(envelope.name)
    if handler is not None:
        handler(envelope, context, rows)
    return rows


def _installed(envelope: Envelope, _: Context, rows: Rows) -> None:
    installed(envelope, rows)


def _consumed(envelope: Envelope, _: Context, rows: Rows) -> None:
    """Counts of feeders since the last message: used = placed, spoiled = lost without a reason."""
    for entry in items(envelope.body, "ConsumedMaterials"):
        used, spoiled = count(entry, "QuantityUsed"), count(entry, "QuantitySpoiled")
        remaining = count(entry, "RemainingQuantity", signed=True)
        if used is None and spoiled is None and remaining is None:
            continue
        place = location_of(obj(entry, "MaterialLocation"))
        add_carrier(envelope, rows, place)
        attempts = None if used is None and spoiled is None else (used or 0) + (spoiled or 0)
        add(
            rows, "counter",
            (envelope.line, envelope.time, envelope.machine, "feeder", *_feeder(place),
             attempts, used, None, None, None, None, spoiled, remaining),
        )  # fmt: skip


def _feeder(place: Location) -> tuple[str | None, ...]:
    """Feeder, slot, lane, part, package, reel, lot."""
    package = place.package
    return place.feeder, place.slot, place.lane, package.part, package.package, package.reel, package.lot


def _placed_totals(envelope: Envelope, _: Context, rows: Rows) -> None:
    placed = count(envelope.body, "TotalComponentsPlaced")
    if placed is None:
        return
    begin = moment(envelope.body.get("StartTime"), "StartTime")
    end = moment(envelope.body.get("EndTime"), "EndTime")
    if end is None:
        end = envelope.time
    if begin is None:
        raise Unusable("StartTime is missing, expected the begin of the window that the totals are of.")
    if end < begin:
        raise Unusable("EndTime lies before StartTime, expected a window of time.")
    lost = count(envelope.body, "TotalComponentsNotPlaced")
    add(rows, "check_total", (envelope.line, begin, end, envelope.machine, placed, lost))


def _fault(envelope: Envelope, _: Context, rows: Rows) -> None:
    """One fault. It points to a loss only when it is a placement fault of a kind that loses a part."""
    fault = obj(envelope.body, "Fault")
    if not fault:
        return
    time = moment(fault.get("OccurredAt"), "OccurredAt")
    place = location_of(obj(fault, "MaterialLocation"))
    designator = obj(fault, "Designator")
    head, spindle, nozzle, _type = head_of(fault)
    kind = text(fault.get("PlacementFaultType"), "PlacementFaultType")
    outcome, group = FAULTS.get(kind or "", (None, None))
    add(
        rows, "fault",
        (
            envelope.line,
            envelope.time if time is None else time,
            envelope.machine, head, spindle, nozzle, place.feeder, place.slot,
            text(designator.get("PartNumber"), "PartNumber") or place.package.part,
            text(designator.get("ReferenceDesignator"), "ReferenceDesignator"),
            kind or last_name(fault.get("$type")) or "Fault",
            text(fault.get("FaultCode"), "FaultCode"),
            text(fault.get("FaultOccurrenceId"), "FaultOccurrenceId"),
            outcome, group,
        ),
    )  # fmt: skip


def _loaded(envelope: Envelope, _: Context, rows: Rows) -> None:
    for entry in items(envelope.body, "Materials"):
        place = location_of(entry)
        _reel(envelope, rows, "load", place, place.package.leading)


def _unloaded(envelope: Envelope, _: Context, rows: Rows) -> None:
    for reel in texts(envelope.body, "MaterialPackageIdentifiers"):
        add(
            rows, "reel_event",
            (envelope.line, envelope.time, "unload", envelope.machine, None, None, None, reel, None, None, None, None),
        )  # fmt: skip


def _spliced(envelope: Envelope, _: Context, rows: Rows) -> None:
    """One reel ran into the next. Where the new one's place is not given, it is the old one's."""
    old = location_of(obj(envelope.body, "DepletedMaterial"))
    new = location_of(obj(envelope.body, "NewlyActiveMaterial"))
    feeds = new.feeder_type if new.feeder else old.feeder_type
    place = Location(new.slot or old.slot, new.feeder or old.feeder, new.lane or old.lane, new.package, feeds)
    _reel(envelope, rows, "splice", place, old.package.reel or new.package.leading)


def _reel(envelope: Envelope, rows: Rows, event: str, place: Location, previous: str | None) -> None:
    """One reel event; a location without a reel is none."""
    package = place.package
    quantity = count({"Quantity": package.quantity}, "Quantity", signed=True)
    if package.reel is not None:
        add_carrier(envelope, rows, place)
        add(
            rows, "reel_event",
            (envelope.line, envelope.time, event, envelope.machine, place.slot, place.feeder, place.lane,
             package.reel, previous, package.part, package.lot, quantity),
        )  # fmt: skip


def _activity(envelope: Envelope, rows: Rows, event: str, board: str | None) -> None:
    """What runs on the machine; which picks it goes to is decided in rollup/, from all files."""
    body = envelope.body
    order = text(obj(body, "WorkOrderIdentifier").get("WorkOrderId"), "WorkOrderId")
    recipe, lane = text(body.get("RecipeName"), "RecipeName"), text(body.get("Lane"), "Lane")
    add(rows, "activity", (envelope.line, envelope.time, envelope.machine, event, lane, recipe, order, board))


def _recipe(envelope: Envelope, _: Context, rows: Rows) -> None:
    _activity(envelope, rows, "recipe", None)


def _started(envelope: Envelope, _: Context, rows: Rows) -> None:
    _activity(envelope, rows, "board_start", envelope.transaction)


def _completed(envelope: Envelope, _: Context, rows: Rows) -> None:
    _activity(envelope, rows, "board_end", envelope.transaction)


def _maintained(envelope: Envelope, context: Context, rows: Rows) -> None:
    """What was serviced, by the plant's own patterns; else the machine as a whole."""
    job = text(envelope.body.get("MaintenanceJobCode"), "MaintenanceJobCode")
    tasks = [text(task.get("Task"), "Task") for task in items(envelope.body, "Tasks")]
    said = [words for words in (job, *tasks) if words is not None]
    kind = text(envelope.body.get("MaintenanceType"), "MaintenanceType")
    note = "; ".join(said) or kind
    done: dict[tuple[str, str, str], None] = {}
    for words in said:
        if (found := _service(words, context, envelope.machine)) is not None:
            done[found] = None
    if not done:
        done["machine", envelope.machine, MAINTENANCE.get(kind or "", "inspected")] = None
    for what in done:
        add(rows, "service", (envelope.line, envelope.time, envelope.machine, *what, note))


def _service(words: str, context: Context, machine: str) -> tuple[str, str, str] | None:
    """Kind, id and action by the first pattern that is found in `words`."""
    for pattern, service in context.patterns:
        if (match := pattern.search(words)) is None:
            continue
        name = match.groupdict().get("id") or (machine if service.kind == "machine" else None)
        if name is not None:
            return service.kind, name, service.action
    return None


_HANDLERS: Final[dict[str, Callable[[Envelope, Context, Rows], None]]] = {
    "CFX.Production.Assembly.MaterialsInstalled": _installed,
    "CFX.Materials.Management.MaterialsConsumed": _consumed,
    "CFX.ResourcePerformance.SMTPlacement.ComponentsPlaced": _placed_totals,
    "CFX.ResourcePerformance.FaultOccurred": _fault,
    "CFX.Materials.Storage.MaterialsLoaded": _loaded,
    "CFX.Materials.Storage.MaterialsUnloaded": _unloaded,
    "CFX.Materials.Storage.SplicePointDetected": _spliced,
    "CFX.Production.WorkStarted": _started,
    "CFX.Production.WorkCompleted": _completed,
    "CFX.Production.RecipeActivated": _recipe,
    "CFX.ResourcePerformance.MaintenancePerformed": _maintained,
}
