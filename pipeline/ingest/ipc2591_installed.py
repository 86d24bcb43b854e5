"""MaterialsInstalled -> picks: each part placed, and each part that was not.

In:    a MaterialsInstalled envelope.
Out:   `pick` rows, and `measurement` rows of refused parts.
After: picks = installed + not installed, by list or quantity, whichever is more.

Where the lists hold fewer parts than the quantities say, or are absent, the difference is written as picks too: real
attempts of which the log gives feeder, part and reel but no nozzle, designator or time of their own. They have the time
of the message, and ended as placed (installed) or unknown (not installed).
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

from pipeline.ingest.ipc2591_rows import Envelope, Row, Rows, add_carrier
from pipeline.ingest.ipc2591_structures import (
    Object,
    Unusable,
    count,
    figure,
    head_of,
    items,
    location_of,
    moment,
    obj,
    package_of,
    text,
    truth,
)
from pipeline.ingest.ipc2591_words import LOOKED_AT, rejection, tested

_TIME, _BOARD, _DESIGNATOR, _OUTCOME = 1, 14, 15, 16
"""Places in a row of `pick` (ipc2591_rows.COLUMNS)."""

MOST_PARTS: Final = 100_000
"""Largest quantity accepted in one message. It tells of one board or panel, which holds far fewer placements: more is a
damaged figure or a total that was never set back, and each part would become a pick."""


def installed(envelope: Envelope, rows: Rows) -> None:
    """Add the rows of one MaterialsInstalled message."""
    transaction = envelope.transaction
    picks: list[Row] = []
    unlisted: list[tuple[Row, int]] = []
    for entry in items(envelope.body, "InstalledMaterials"):
        place = _place(envelope, entry, rows)
        board = text(entry.get("UnitIdentifier"), "UnitIdentifier") or transaction
        good = _placed(envelope, entry, place, board)
        bad = _not_placed(envelope, entry, place, board, rows)
        for name, listed, outcome in (("QuantityInstalled", good, "placed"), ("QuantityNonInstalled", bad, "unknown")):
            missing = _quantity(entry, name) - len(listed)
            if missing > 0:
                unlisted.append((_unlisted(envelope, place, board, outcome), missing))
        picks += good
        picks += bad
    if (total := sum(missing for _, missing in unlisted)) > MOST_PARTS:
        raise _too_many("the quantities without a list add up to", total)
    found = [(*row, number) for row, number in zip(picks, _tries(picks), strict=True)]
    for row, missing in unlisted:
        found += [row] * missing
    if found:
        rows["pick"] = found
    else:
        rows.pop("carrier", None)  # nothing in it for us


def _quantity(entry: Object, name: str) -> int:
    """A quantity of one entry, 0 when missing; Unusable when it is more than a board can hold."""
    quantity = count(entry, name) or 0
    if quantity > MOST_PARTS:
        raise _too_many(f"{name} is", quantity)
    return quantity


def _too_many(said: str, quantity: int) -> Unusable:
    return Unusable(
        f"{said} {quantity}, expected at most {MOST_PARTS} parts in one message: it tells of one board or panel, "
        "and more is a damaged figure or a total that was never set back."
    )


def _unlisted(envelope: Envelope, place: Row, board: str | None, outcome: str) -> Row:
    """A pick that only a quantity tells of, with its try number (none)."""
    nowhere = (None, None, None, None)
    return (
        envelope.line, envelope.time, envelope.machine, *nowhere, *place,
        board, None, outcome, None, None, None,
    )  # fmt: skip


def _place(envelope: Envelope, entry: Object, rows: Rows) -> tuple[str | None, ...]:
    """Feeder, slot, lane, part, package, reel, lot. The package is named by `Material`, else by the location."""
    location = location_of(obj(entry, "CarrierLocation"))
    add_carrier(envelope, rows, location)
    package = package_of(entry, "Material") if entry.get("Material") is not None else location.package
    return (
        location.feeder, location.slot, location.lane,
        package.part, package.package, package.reel, package.lot,
    )  # fmt: skip


def _time(envelope: Envelope, component: Object, name: str) -> int:
    """When the attempt was decided: its own time, else when the part was picked, else when the message was sent."""
    time = moment(component.get(name), name)
    if time is None:
        time = moment(component.get("PickingTime"), "PickingTime")
    return envelope.time if time is None else time


def _placed(envelope: Envelope, entry: Object, place: Row, board: str | None) -> list[Row]:
    line, machine = envelope.line, envelope.machine
    picks: list[Row] = []
    for found in items(entry, "InstalledComponents"):
        time = moment(found.get("InstallationTime"), "InstallationTime")
        if time is None:
            time = _time(envelope, found, "PickingTime")
        name = found.get("ReferenceDesignator")
        designator = name if type(name) is str and name else text(name, "ReferenceDesignator")
        picks.append((line, time, machine, *head_of(found), *place, board, designator, "placed", None, None))
    return picks


def _not_placed(envelope: Envelope, entry: Object, place: Row, board: str | None, rows: Rows) -> list[Row]:
    line, machine = envelope.line, envelope.machine
    feeder, _, _, part, _, reel, lot = place
    picks: list[Row] = []
    for found in items(entry, "NonInstalledComponents"):
        time = _time(envelope, found, "NonInstallationTime")
        head = head_of(found)
        reason = text(found.get("RejectionReason"), "RejectionReason")
        outcome, group = rejection(reason, text(found.get("Location"), "Location"))
        failed = None
        for test in _tests(found.get("RejectionDetails")):
            what = text(test.get("InformationId"), "InformationId")
            if what is None:
                continue
            result = truth(test.get("Result"))
            if result is False and failed is None:
                failed = what
            rows.setdefault("measurement", []).append(
                (
                    line, time, machine, head[0], head[2], feeder, part, reel, lot,
                    what, *_figures(test), text(test.get("Unit"), "Unit"), result,
                )
            )  # fmt: skip
        if failed is not None and reason in LOOKED_AT:
            group = tested(failed)
        designator = text(found.get("ReferenceDesignator"), "ReferenceDesignator")
        picks.append((line, time, machine, *head, *place, board, designator, outcome, reason, group))
    return picks


def _tests(details: Any) -> list[Object]:
    """The vision tests in `RejectionDetails`: a list of them, one alone, or either wrapped in an object."""
    if isinstance(details, list):
        return [test for item in details for test in _tests(item)]
    if isinstance(details, dict):
        if "InformationId" in details:
            return [details]
        return [test for value in details.values() for test in _tests(value)]
    return []


def _figures(test: Object) -> tuple[float | None, float | None, float | None, float | None]:
    """Expected, measured, lower and upper limit.

    The standard does not say whether the tolerances are limits or distances. A taught value lies within its own limits:
    where it does not, they are taken for distances from it; two zeros are taken for "not set".
    """
    expected, measured = figure(test.get("ExpectedValue")), figure(test.get("MeasuredValue"))
    low, high = figure(test.get("ToleranceMin")), figure(test.get("ToleranceMax"))
    if low == 0 and high == 0:
        return expected, measured, None, None
    if expected is not None and low is not None and high is not None and not low <= expected <= high:
        low, high = expected - abs(low), expected + abs(high)
    return expected, measured, low, high


def _tries(picks: list[Row]) -> list[int | None]:
    """Number of the try: 1 and up for a placement whose failed attempts all came before its one good one, else None."""
    keys = [(row[_BOARD], row[_DESIGNATOR]) for row in picks]
    repeated = {key for key, times in Counter(keys).items() if times > 1 and key[1] is not None}
    tries = [1 if row[_OUTCOME] == "placed" and row[_DESIGNATOR] is not None else None for row in picks]
    attempts: dict[tuple[object, object], list[int]] = {}
    if repeated:
        for place, key in enumerate(keys):
            if key in repeated:
                tries[place] = None
                attempts.setdefault(key, []).append(place)
    for places in attempts.values():
        # At the same time (a clock of whole seconds) the good one comes last; else in the order of the message.
        places.sort(key=lambda p: (picks[p][_TIME], picks[p][_OUTCOME] == "placed"))
        outcomes = [picks[p][_OUTCOME] for p in places]
        if outcomes[-1] == "placed" and "placed" not in outcomes[:-1]:
            for number, place in enumerate(places, 1):
                tries[place] = number
    return tries
