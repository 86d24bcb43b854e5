"""Every other message. Field names and lists of words: IPC-2591 (CFX), versions 1.0 to 2.1."""

# ruff: noqa: DTZ001 - the store keeps UTC without a zone
from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.settings import Service
from tests.fixtures_ipc2591 import (
    COMPLETED,
    CONSUMED,
    FAULT,
    HEAD,
    LOADED,
    MAINTAINED,
    PACKAGE,
    PLACE,
    RECIPE,
    SPLICED,
    STARTED,
    TOTALS,
    UNLOADED,
    envelope,
    installed,
    material,
    placed,
    stage,
    write,
)

FIVE = datetime(2026, 11, 16, 5)
FULL_PLACE = {**PLACE, "MaterialPackage": {**PACKAGE, "Quantity": 4000.0, "LeadingMaterialPackage": None}}


def test_consumed_is_a_feeder_counter(tmp_path: Path) -> None:
    entries = [
        {"MaterialLocation": FULL_PLACE, "QuantityUsed": 100, "QuantitySpoiled": "2.0", "RemainingQuantity": -3},
        {"MaterialLocation": FULL_PLACE, "RemainingQuantity": 17},
        {"MaterialLocation": FULL_PLACE},
    ]
    got = stage(write(tmp_path / "a.ndjson", [envelope(CONSUMED, {"ConsumedMaterials": entries})]))
    assert got.rows(
        "counter", "start", "time", "machine", "grain", "feeder", "slot", "lane", "part", "package", "reel", "lot",
        "attempts", "placed", "missed", "unknown", "remaining",
    ) == [
        (None, FIVE, "M1", "feeder", "FD1", "17", "2", "0402", "01005", "R1", "LOT7", 102, 100, None, 2, -3),
        (None, FIVE, "M1", "feeder", "FD1", "17", "2", "0402", "01005", "R1", "LOT7", None, None, None, None, 17),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("structure", "feeds"),
    [
        ("SMDTapeFeeder", "tape"),
        ("SMDTubeFeeder", "tube"),
        ("SMDTrayFeeder", "tray"),
        ("SMDMultiTrayFeeder", "tray"),
        ("SMDBulkCaseFeeder", "bulk"),
        ("SomethingNew", None),
        (None, None),
    ],
)
def test_how_a_feeder_feeds_is_told_by_its_structure(tmp_path: Path, structure: str | None, feeds: str | None) -> None:
    kind = None if structure is None else f"CFX.Structures.SMTPlacement.{structure}, CFX"
    place = {**FULL_PLACE, "CarrierInformation": {"$type": kind, "UniqueIdentifier": "FD7"}}
    messages = [
        installed(material([placed()], CarrierLocation=place), material([placed("C2")], CarrierLocation=place)),
        envelope(CONSUMED, {"ConsumedMaterials": [{"MaterialLocation": place, "QuantityUsed": 1}]}),
        envelope(LOADED, {"Materials": [place]}),
        envelope(SPLICED, {"DepletedMaterial": place, "NewlyActiveMaterial": place}),
    ]
    for message in messages:
        got = stage(write(tmp_path / "a.ndjson", [message, {**message, "UniqueID": "2"}]))
        once = [(1, FIVE, "FD7", feeds)] if feeds else []
        assert got.rows("carrier", "line", "time", "feeder", "feeder_type") == once, "the first of a file"


def test_a_splice_that_names_the_old_feeder_only_tells_how_that_one_feeds(tmp_path: Path) -> None:
    tray = {"$type": "CFX.Structures.SMTPlacement.SMDTrayFeeder, CFX", "UniqueIdentifier": "FD7"}
    body = {
        "DepletedMaterial": {**FULL_PLACE, "CarrierInformation": tray},
        "NewlyActiveMaterial": {"MaterialPackage": {**PACKAGE, "UniqueIdentifier": "R2"}},
    }
    got = stage(write(tmp_path / "a.ndjson", [envelope(SPLICED, body)]))
    assert got.rows("carrier", "feeder", "feeder_type") == [("FD7", "tray")]


def test_a_message_that_only_names_a_feeder_is_passed_over(tmp_path: Path) -> None:
    got = stage(write(tmp_path / "a.ndjson", [installed(material()), envelope(LOADED, {"Materials": [PLACE]})]))
    assert (got.read, got.ignored, got.count("carrier")) == (2, 2, 0)


def test_totals_are_a_check_and_nothing_else(tmp_path: Path) -> None:
    body = {
        "StartTime": "2026-11-16T05:50:00+01:00", "EndTime": "2026-11-16T06:00:00+01:00",
        "TotalComponentsPlaced": 2500, "TotalComponentsNotPlaced": "4",
    }  # fmt: skip
    got = stage(write(tmp_path / "a.ndjson", [envelope(TOTALS, body)]))
    assert got.rows("check_total", "start", "time", "machine", "placed", "not_placed") == [
        (datetime(2026, 11, 16, 4, 50), FIVE, "M1", 2500, 4)
    ]
    assert (got.count("pick"), got.count("counter")) == (0, 0)


@pytest.mark.parametrize(
    ("kind", "outcome", "group"),
    [
        ("VacuumError", "missed", "vacuum"),
        ("PickupError", "missed", "pickup"),
        ("FeederError", "missed", "pickup"),
        ("NozzleError", "missed", "pickup"),
        ("RecognitionError", "rejected", "other"),
        ("LightingError", "rejected", "lighting"),
        ("ComponentDropped", "dropped", "mechanical"),
        ("PlacementError", "dropped", "mechanical"),
        *((k, None, None) for k in ("HeadError", "PartsExhaust", "PartsPartiallyExhaust", "LowQuantity")),
        *((k, None, None) for k in ("XAxisError", "YAxisError", "ZAxisError", "FiducialError", "NewKind")),
    ],
)
def test_placement_fault(tmp_path: Path, kind: str, outcome: str | None, group: str | None) -> None:
    fault = {
        "$type": "CFX.Structures.SMTPlacement.SMTPlacementFault, CFX", "PlacementFaultType": kind,
        "Designator": {"ReferenceDesignator": "C1", "PartNumber": "P9"}, "MaterialLocation": FULL_PLACE,
        "HeadAndNozzle": HEAD, "FaultCode": 17, "FaultOccurrenceId": "F-1", "OccurredAt": "2026-11-16T05:59:00+01:00",
    }  # fmt: skip
    got = stage(write(tmp_path / "a.ndjson", [envelope(FAULT, {"Fault": fault})]))
    assert got.rows(
        "fault", "time", "machine", "head", "spindle", "nozzle", "feeder", "slot", "part", "designator", "fault_type",
        "code", "occurrence", "outcome", "reason_group",
    ) == [
        (datetime(2026, 11, 16, 4, 59), "M1", "H1", "3", "NZ9", "FD1", "17", "P9", "C1", kind,
         "17", "F-1", outcome, group),
    ]  # fmt: skip
    assert got.count("pick") == 0


def test_fault_of_another_kind_goes_by_its_type_and_takes_the_message_time(tmp_path: Path) -> None:
    fault = {"$type": "CFX.Structures.Fault, CFX", "FaultCode": "E7", "MaterialLocation": FULL_PLACE}
    got = stage(write(tmp_path / "a.ndjson", [envelope(FAULT, {"Fault": fault}), envelope(FAULT, {"Fault": None})]))
    assert got.rows("fault", "time", "fault_type", "code", "part", "outcome") == [(FIVE, "Fault", "E7", "0402", None)]
    assert got.ignored == 1


def test_reels_are_loaded_unloaded_and_spliced(tmp_path: Path) -> None:
    chained = {**PACKAGE, "UniqueIdentifier": "R2", "LeadingMaterialPackage": {"UniqueIdentifier": "R1"}}
    new = {"MaterialPackage": {**PACKAGE, "UniqueIdentifier": "R3", "Quantity": "5000"}}
    got = stage(
        write(
            tmp_path / "a.ndjson",
            [
                envelope(LOADED, {"Materials": [FULL_PLACE, {**PLACE, "MaterialPackage": chained}, PLACE]}),
                envelope(UNLOADED, {"MaterialPackageIdentifiers": ["R1", None, "", "R2"]}),
                envelope(SPLICED, {"DepletedMaterial": FULL_PLACE, "NewlyActiveMaterial": new}),
                envelope(SPLICED, {"NewlyActiveMaterial": {**PLACE, "MaterialPackage": chained}}),
                envelope(SPLICED, {"DepletedMaterial": FULL_PLACE}),
            ],
        )
    )
    assert got.rows(
        "reel_event", "line", "event", "slot", "feeder", "lane", "reel", "previous_reel", "part", "lot", "quantity"
    ) == [
        (1, "load", "17", "FD1", "2", "R1", None, "0402", "LOT7", 4000),
        (1, "load", "17", "FD1", "2", "R2", "R1", "0402", "LOT7", None),
        (2, "unload", None, None, None, "R1", None, None, None, None),
        (2, "unload", None, None, None, "R2", None, None, None, None),
        (3, "splice", "17", "FD1", "2", "R3", "R1", "0402", "LOT7", 5000),
        (4, "splice", "17", "FD1", "2", "R2", "R1", "0402", "LOT7", None),
    ]
    assert got.ignored == 1


def test_activity_of_all_three_kinds(tmp_path: Path) -> None:
    order = {"WorkOrderId": "WO1", "Batch": None}
    got = stage(
        write(
            tmp_path / "a.ndjson",
            [
                envelope(RECIPE, {"RecipeName": "P1", "Revision": "3", "Lane": 1, "WorkOrderIdentifier": order}),
                envelope(STARTED, {"TransactionID": "T1", "Lane": "1", "UnitCount": 1}),
                envelope(COMPLETED, {"TransactionId": "T1", "WorkOrderIdentifier": None}),
            ],
        )
    )
    assert got.rows("activity", "line", "time", "machine", "event", "lane", "recipe", "work_order", "board") == [
        (1, FIVE, "M1", "recipe", "1", "P1", "WO1", None),
        (2, FIVE, "M1", "board_start", "1", None, None, "T1"),
        (3, FIVE, "M1", "board_end", None, None, None, "T1"),
    ]


def test_recipe_is_not_written_on_picks_whose_program_may_stand_in_another_file(tmp_path: Path) -> None:
    program = {"RecipeName": "P1", "WorkOrderIdentifier": {"WorkOrderId": "WO1"}}
    messages = [envelope(RECIPE, program), envelope(STARTED, {"TransactionID": "T1", **program})]
    got = stage(write(tmp_path / "a.ndjson", [*messages, installed(material([placed("C1", 30)]))]))
    assert got.rows("pick", "recipe", "work_order") == [(None, None)]
    assert got.rows("activity", "event", "recipe", "work_order", "board") == [
        ("recipe", "P1", "WO1", None),
        ("board_start", "P1", "WO1", "T1"),
    ]


PATTERNS = (
    Service(r"[Cc]lean nozzle (?P<id>\S+)", "nozzle", "cleaned"),
    Service(r"feeder (?P<id>\w*)", "feeder", "calibrated"),
    Service(r"PM-\d+", "machine", "adjusted"),
)


@pytest.mark.parametrize(
    ("body", "services"),
    [
        (
            {"MaintenanceType": "Preventive", "Tasks": [{"Task": "Clean nozzle N<b>7"}, {"Task": "check feeder F2"}]},
            [("nozzle", "N<b>7", "cleaned"), ("feeder", "F2", "calibrated")],
        ),
        ({"MaintenanceJobCode": "PM-12", "Tasks": [{"Task": "PM-12 done"}]}, [("machine", "M1", "adjusted")]),
        ({"MaintenanceType": "Repair", "Tasks": [{"Task": "belt"}]}, [("machine", "M1", "repaired")]),
        ({"MaintenanceType": "Preventive", "Tasks": None}, [("machine", "M1", "inspected")]),
        ({"MaintenanceType": "Inspection", "Tasks": [{}]}, [("machine", "M1", "inspected")]),
        ({"MaintenanceType": "Test", "MaintenanceJobCode": "feeder "}, [("machine", "M1", "inspected")]),
        ({}, [("machine", "M1", "inspected")]),
    ],
)
def test_maintenance(tmp_path: Path, body: dict[str, Any], services: list[tuple[str, str, str]]) -> None:
    got = stage(write(tmp_path / "a.ndjson", [envelope(MAINTAINED, body)]), PATTERNS)
    assert got.rows("service", "kind", "id", "action") == services
    assert set(got.rows("service", "time", "machine")) == {(FIVE, "M1")}


def test_maintenance_keeps_the_words_of_the_log(tmp_path: Path) -> None:
    body = {"MaintenanceType": "Repair", "MaintenanceJobCode": "J1", "Tasks": [{"Task": "belt"}, {"Task": "oil"}]}
    got = stage(write(tmp_path / "a.ndjson", [envelope(MAINTAINED, body)]))
    assert got.rows("service", "note") == [("J1; belt; oil",)]


def test_on_disk_as_in_memory(tmp_path: Path) -> None:
    picks = installed(material([placed("C1", 30), placed("C2", 31)]))
    path = write(tmp_path / "a.ndjson", [picks, envelope(CONSUMED, {"ConsumedMaterials": [{"QuantityUsed": 5}]})])
    with duckdb.connect(str(tmp_path / "store.duckdb")) as con:
        on_disk = stage(path, con=con)
        found = [on_disk.rows(t, "line", "time") for t in ("pick", "counter")]
    in_memory = stage(path)
    assert found == [in_memory.rows(t, "line", "time") for t in ("pick", "counter")]
    assert len(found[0]) == 2
