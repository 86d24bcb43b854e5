"""MaterialsInstalled. Field names and lists of words: IPC-2591 (CFX), versions 1.0 to 2.1."""

# ruff: noqa: DTZ001 - the store keeps UTC without a zone
from __future__ import annotations

from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.fixtures_ipc2591 import PACKAGE, PLACE, Staged, failed, installed, material, placed, stage, write


def test_installed_component_gives_all_keys(tmp_path: Path) -> None:
    got = stage(write(tmp_path / "a.ndjson", [installed(material([placed("C1", 1.25)]))]))
    assert got.rows(
        "pick", "line", "time", "machine", "head", "spindle", "nozzle", "nozzle_type", "feeder", "slot", "lane", "part",
        "package", "reel", "lot", "board", "designator", "outcome", "reason", "reason_group", "try_number", "recipe",
        "work_order", "method", "dx",
    ) == [
        (1, datetime(2026, 11, 16, 5, 0, 1, 250_000), "M1", "H1", "3", "NZ9", "S", "FD1", "17", "2", "0402",
         "01005", "R1", "LOT7", "B1", "C1", "placed", None, None, 1, None, None, None, None),
    ]  # fmt: skip
    assert got.count("counter") == 0
    assert got.rows("message", "line")[0] == (1,)


@pytest.mark.parametrize(
    ("reason", "location", "outcome", "group"),
    [
        ("BadPressureTestAfterPickup", None, "missed", "vacuum"),
        ("BadVisionTestBeforePickup", None, "missed", "pickup"),
        ("BadVisionTestAfterPickup", "RejectionBox", "rejected", "other"),
        ("BadOpticalTestAfterPickup", None, "rejected", "other"),
        ("BadElectricalTest", "RejectionBox", "rejected", "electrical"),
        ("BadVisionTestAfterElectricalTest", None, "rejected", "electrical"),
        ("ErrorAfterPickUp", "Lost", "dropped", "mechanical"),
        ("ErrorAfterPickUp", "RejectionBox", "rejected", "mechanical"),
        ("ErrorAfterPickUp", "MaterialCarrier", "returned", "mechanical"),
        ("ErrorAfterPickUp", None, "unknown", "mechanical"),
        ("ErrorAfterPlacement", None, "dropped", "mechanical"),
        ("BadVisionTestAfterPlacement", "RejectionBox", "dropped", "mechanical"),
        ("BadPressureTestAfterPlacement", None, "dropped", "mechanical"),
        ("BadOpticalTestAfterPlacement", None, "dropped", "mechanical"),
        ("MechanicalError", "Lost", "dropped", "mechanical"),
        ("ElectricalError", "RejectionBox", "rejected", "other"),
        ("SoftwareError", None, "unknown", "other"),
        ("ExternalDeviceError", "Elsewhere", "unknown", "other"),
        ("Unknown", "Lost", "dropped", "other"),
        (None, None, "unknown", "other"),
        ("SomethingNew", None, "unknown", "other"),
        ("BadPressureTestAfterPickup", "MaterialCarrier", "returned", "vacuum"),
        ("BadVisionTestAfterPickup", "MaterialCarrier", "returned", "other"),
    ],
)
def test_rejection(tmp_path: Path, reason: str | None, location: str | None, outcome: str, group: str) -> None:
    message = installed(material([], [failed(reason, Location=location)]))
    got = stage(write(tmp_path / "a.ndjson", [message]))
    assert got.rows("pick", "outcome", "reason", "reason_group") == [(outcome, reason, group)]


def _test(name: str, *, result: Any = False, **figures: Any) -> dict[str, Any]:
    return {"InformationId": name, "Result": result, **figures}


@pytest.mark.parametrize("wrapped", ["list", "alone", "tests", "values"])
def test_first_failed_test_decides_and_all_are_kept(tmp_path: Path, wrapped: str) -> None:
    tests = [
        _test("BodyLength", result=True, ExpectedValue=1, MeasuredValue=1.0, ToleranceMin=0.9, ToleranceMax=1.1),
        _test(
            "LeadPitch", ExpectedValue="0.5", MeasuredValue="0.41", ToleranceMin="0.45", ToleranceMax="0.55", Unit="mm"
        ),
        _test("Angle", result="false"),
    ]
    kind = "CFX.Structures.BadVisionTestRejectionDetails, CFX"
    details: Any = {
        "list": tests,
        "alone": tests[1],
        "tests": {"$type": kind, "Tests": tests},
        "values": {"$type": kind, "$values": tests},
    }[wrapped]
    bad = failed("BadVisionTestAfterPickup", Location="RejectionBox", RejectionDetails=details)
    got = stage(write(tmp_path / "a.ndjson", [installed(material([], [bad]))]))
    assert got.rows("pick", "reason_group") == [("lead_or_ball",)]
    rows = got.rows("measurement", "what", "expected", "measured", "low", "high", "unit", "good")
    pitch = ("LeadPitch", 0.5, 0.41, 0.45, 0.55, "mm", False)
    if wrapped == "alone":
        assert rows == [pitch]
    else:
        angle = ("Angle", None, None, None, None, None, False)
        assert rows == [("BodyLength", 1.0, 1.0, 0.9, 1.1, None, True), pitch, angle]
    keys = got.rows("measurement", "time", "machine", "head", "nozzle", "feeder", "part", "reel", "lot")
    assert set(keys) == {(datetime(2026, 11, 16, 5), "M1", "H1", "NZ9", "FD1", "0402", "R1", "LOT7")}


@pytest.mark.parametrize(
    ("figures", "expected"),
    [
        ((0.4, 0.3, -0.05, 0.05), (0.4, 0.3, 0.35, 0.45)),  # tolerances as distances
        ((0.4, 0.3, 0.05, 0.05), (0.4, 0.3, 0.35, 0.45)),
        ((0, 0.1, -0.05, 0.05), (0.0, 0.1, -0.05, 0.05)),  # both readings agree
        ((0.4, 0.3, 0, 0), (0.4, 0.3, None, None)),  # never set
        ((None, "n/a", "0,1", "1e999"), (None, None, None, None)),  # unreadable figures are not there
    ],
)
def test_tolerances(tmp_path: Path, figures: tuple[Any, ...], expected: tuple[Any, ...]) -> None:
    names = ("ExpectedValue", "MeasuredValue", "ToleranceMin", "ToleranceMax")
    bad = failed(
        "BadVisionTestAfterPickup", RejectionDetails=[_test("Width", **dict(zip(names, figures, strict=True)))]
    )
    got = stage(write(tmp_path / "a.ndjson", [installed(material([], [bad]))]))
    assert got.rows("measurement", "expected", "measured", "low", "high") == [pytest.approx(expected)]


def test_only_recognition_rejects_take_their_group_from_a_test(tmp_path: Path) -> None:
    bad = failed("BadVisionTestAfterPlacement", RejectionDetails=[_test("BodyLength")])
    got = stage(write(tmp_path / "a.ndjson", [installed(material([], [bad]))]))
    assert got.rows("pick", "reason_group") == [("mechanical",)]


def test_time_falls_back_from_decision_to_picking_to_message(tmp_path: Path) -> None:
    unset = "0001-01-01T00:00:00"
    good = [
        placed("C1", 7),
        placed("C2", InstallationTime=None, PickingTime="2026-11-16T05:00:05.1234567Z"),
        placed("C3", InstallationTime=unset, PickingTime=unset),
    ]
    got = stage(write(tmp_path / "a.ndjson", [installed(material(good))]))
    assert [row[0] for row in got.rows("pick", "time")] == [
        datetime(2026, 11, 16, 5, 0, 7),
        datetime(2026, 11, 16, 5, 0, 5, 123_456),
        datetime(2026, 11, 16, 5),
    ]


def test_names_stand_in_for_identifiers_and_missing_parts_are_null(tmp_path: Path) -> None:
    by_name = material(
        [placed(HeadAndNozzle={"Name": "nozzle nine"})],
        CarrierLocation={"LocationIdentifier": "id17", "CarrierInformation": {"Name": "feeder one"}},
        UnitIdentifier=None,
    )
    bare: dict[str, Any] = {
        "InstalledComponents": [{}],
        "Material": None,
        "CarrierLocation": {"MaterialPackage": PACKAGE},
    }
    got = stage(write(tmp_path / "a.ndjson", [installed(by_name, bare)]))
    assert got.rows(
        "pick", "head", "nozzle", "feeder", "slot", "lane", "reel", "board", "designator", "try_number"
    ) == [
        (None, "nozzle nine", "feeder one", "id17", None, "R1", "T1", "C1", 1),
        (None, None, None, None, None, "R1", "T1", None, None),
    ]


def test_identifiers_stay_byte_for_byte(tmp_path: Path) -> None:
    raw = (
        '{"MessageName":"CFX.Production.Assembly.MaterialsInstalled","TimeStamp":"2026-11-16T06:00:00Z","Source":"01E5",'
        '"MessageBody":{"InstalledMaterials":[{"Material":{"InternalPartNumber":1E5,"BatchId":1.50,'
        '"UniqueIdentifier":" 007 "},"InstalledComponents":[{}]}]}}'
    )
    got = stage(write(tmp_path / "a.ndjson", [raw]))
    assert got.rows("pick", "machine", "part", "lot", "reel") == [("01E5", "1E5", "1.50", " 007 ")]


def test_tries_are_numbered_where_one_good_attempt_ends_them(tmp_path: Path) -> None:
    message = installed(
        material(
            [placed("C1", 3), placed("C2", 1), placed("C3", 4), placed("C5", 1), placed("C5", 2), placed(None)],
            [
                failed("Unknown", "C1", 2),
                failed("BadPressureTestAfterPickup", "C1", 1),
                failed("Unknown", "C3", 4),  # in the same instant: the good one was last
                failed("Unknown", "C4", 1),  # never placed
                failed("Unknown", "C2", 2),  # after the good one
            ],
        ),
        material([placed("C1", 9)], UnitIdentifier="B2"),  # the same designator on another board
    )
    got = stage(write(tmp_path / "a.ndjson", [message]))
    tries = {(d, o, t.second, b): n for d, o, t, b, n in got.rows(
        "pick", "designator", "outcome", "time", "board", "try_number"
    )}  # fmt: skip
    assert tries == {
        ("C1", "missed", 1, "B1"): 1,
        ("C1", "unknown", 2, "B1"): 2,
        ("C1", "placed", 3, "B1"): 3,
        ("C3", "unknown", 4, "B1"): 1,
        ("C3", "placed", 4, "B1"): 2,
        ("C4", "unknown", 1, "B1"): None,
        ("C2", "placed", 1, "B1"): None,
        ("C2", "unknown", 2, "B1"): None,
        ("C5", "placed", 1, "B1"): None,
        ("C5", "placed", 2, "B1"): None,
        (None, "placed", 0, "B1"): None,
        ("C1", "placed", 9, "B2"): 1,
    }


_MESSAGE_TIME = datetime(2026, 11, 16, 5)
_PLACE_KNOWN = ("M1", "FD1", "17", "2", "0402", "01005", "R1", "LOT7", "B1")


def _outcomes(got: Staged) -> Counter[tuple[Any, ...]]:
    return Counter(got.rows("pick", "outcome", "nozzle"))


def test_older_sender_with_quantities_alone_gives_picks_without_details(tmp_path: Path) -> None:
    entry = material(None, None, QuantityInstalled=12.0, QuantityNonInstalled="3")
    got = stage(write(tmp_path / "a.ndjson", [installed(entry)]))
    assert _outcomes(got) == {("placed", None): 12, ("unknown", None): 3}
    known = got.rows("pick", "machine", "feeder", "slot", "lane", "part", "package", "reel", "lot", "board")
    assert set(known) == {_PLACE_KNOWN}
    open_columns = ("head", "spindle", "nozzle_type", "designator", "reason", "reason_group", "try_number", "recipe")
    assert set(got.rows("pick", *open_columns)) == {(None,) * len(open_columns)}
    assert set(got.rows("pick", "time")) == {(_MESSAGE_TIME,)}
    assert got.count("counter") == 0


def test_lists_shorter_than_quantities_are_filled_up(tmp_path: Path) -> None:
    entry = material([placed()], [failed("Unknown", "C2", 5)], QuantityInstalled=4, QuantityNonInstalled=2)
    got = stage(write(tmp_path / "a.ndjson", [installed(entry)]))
    assert _outcomes(got) == {("placed", "NZ9"): 1, ("placed", None): 3, ("unknown", "NZ9"): 1, ("unknown", None): 1}
    assert got.rows("pick", "try_number", "designator")[:1] == [(1, "C1")]
    assert got.count("counter") == 0


def test_sender_that_lists_failures_only_keeps_them_and_does_not_seem_to_lose_all(tmp_path: Path) -> None:
    bad = [failed("BadPressureTestAfterPickup"), failed("BadElectricalTest", "C2"), failed("ErrorAfterPlacement", "C3")]
    entry = material([], bad, QuantityInstalled=500, QuantityNonInstalled=4)
    got = stage(write(tmp_path / "a.ndjson", [installed(entry)]))
    assert Counter(got.rows("pick", "feeder", "outcome")) == {
        ("FD1", "placed"): 500,
        ("FD1", "missed"): 1,
        ("FD1", "rejected"): 1,
        ("FD1", "dropped"): 1,
        ("FD1", "unknown"): 1,
    }
    assert got.count("counter") == 0


@pytest.mark.parametrize("name", ["QuantityInstalled", "QuantityNonInstalled"])
def test_a_quantity_beyond_any_board_refuses_the_envelope(tmp_path: Path, name: str) -> None:
    most = stage(write(tmp_path / "a.ndjson", [installed(material(None, None, **{name: 100_000}))]))
    assert (most.count("pick"), most.count("refused")) == (100_000, 0)
    more = stage(
        write(tmp_path / "b.ndjson", [installed(material([placed()]), material(None, None, **{name: 100_001}))])
    )
    assert (more.count("pick"), more.count("message"), more.count("refused")) == (0, 0, 1)
    assert f"{name} is 100001, expected at most 100000 parts" in more.reasons()[0]
    assert "never set back" in more.reasons()[0]


def test_quantities_that_only_together_are_beyond_any_board_refuse_it_too(tmp_path: Path) -> None:
    entries = [material(None, None, QuantityInstalled=60_000) for _ in range(2)]
    got = stage(write(tmp_path / "a.ndjson", [installed(*entries)]))
    assert (got.count("pick"), got.count("refused")) == (0, 1)
    assert "add up to 120000" in got.reasons()[0]


def test_quantities_smaller_than_lists_change_nothing(tmp_path: Path) -> None:
    entry = material([placed(), placed("C2")], None, QuantityInstalled=0, QuantityNonInstalled=None)
    got = stage(write(tmp_path / "a.ndjson", [installed(entry)]))
    assert (got.count("pick"), got.count("counter")) == (2, 0)


def test_fields_that_are_null_or_not_there(tmp_path: Path) -> None:
    empty = {"InstalledComponents": [None], "NonInstalledComponents": None, "CarrierLocation": None}
    got = stage(write(tmp_path / "a.ndjson", [installed(empty), installed(), installed(material(), UniqueID=None)]))
    assert (got.read, got.ignored, got.count("refused"), got.count("message")) == (3, 3, 0, 3)


def test_place_of_the_list_in_the_body_may_be_wrapped(tmp_path: Path) -> None:
    message = installed()
    kind = "System.Collections.Generic.List, mscorlib"
    message["MessageBody"]["InstalledMaterials"] = {"$type": kind, "$values": [material([placed()])]}
    assert stage(write(tmp_path / "a.ndjson", [message])).count("pick") == 1


def test_carrier_location_is_read_when_material_is_elsewhere(tmp_path: Path) -> None:
    entry = material([placed()], CarrierLocation={**PLACE, "MaterialPackage": {"UniqueIdentifier": "other"}})
    assert stage(write(tmp_path / "a.ndjson", [installed(entry)])).rows("pick", "reel", "slot") == [("R1", "17")]
