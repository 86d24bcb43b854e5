"""Write runs of line 1 as IPC-2591 messages: one envelope a line, one file a machine and week.

In:    `Run`s of line 1 in time order.
Out:   NDJSON files, one file with a JSON array, one with a single envelope.
After: each file is in order of time stamps; every attempt stands once as an installed or a not installed component;
       MaterialsConsumed and ComponentsPlaced repeat the same picks as totals; a few envelopes stand in two files.

The three machines leave out different fields, as real senders do: L1M2 and L1M3 give no picking time, only L1M1
gives the package name and wraps its list of tests.
"""

from __future__ import annotations

import json
import uuid
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np

from sample_logs.generator import faults
from sample_logs.generator.calendar import to_utc_ms, utc_offset_ms, week_label
from sample_logs.generator.files import Shelf
from sample_logs.generator.plant import WRONG_SIZE_PART, Works, machines_of
from sample_logs.generator.simulate import (
    DROPPED,
    MISSED,
    PLACED,
    REASONS,
    REJECTED,
    RETURNED,
    UNKNOWN,
    Run,
)
from sample_logs.generator.write_delimited import measurement

_VERSION: Final = {"L1M1": "2.0", "L1M2": "1.7", "L1M3": "1.7"}
_CARRIER: Final = {"tube": "SMDTubeFeeder", "tray": "SMDTrayFeeder"}
_FAULT_SHARE: Final = 5
"""All losses but one in this many come with a fault message."""
_REPEATED: Final = 12
"""Envelopes at the end of a file that stand at the begin of the machine's next file too."""
_REPEATED_WEEK: Final = ("L1M1", "2026-W41")
ARRAY_DAY: Final = date(2026, 10, 10)
"""Day whose messages of L1M2 come as one JSON array."""
_TASKS: Final = {
    "cleaned": ("Preventive", "Clean"),
    "replaced": ("Repair", "Replace"),
    "adjusted": ("Repair", "Adjust"),
    "calibrated": ("Preventive", "Calibrate"),
    "inspected": ("Inspection", "Inspect"),
}


class MessageWriter:
    """Writes the messages of line 1."""

    def __init__(self, shelf: Shelf, works: Works) -> None:
        self._shelf, self._works = shelf, works
        self._count = 0
        self._tail: dict[str, list[str]] = {}
        self._week = ""
        self._services = [s for s in sorted(faults.SERVICES) if s[1].startswith("L1")]

    def write(self, run: Run) -> None:
        """Write one run of line 1; runs must come in time order."""
        if run.shift.line != 1:
            raise ValueError("messages are written for line 1 only")
        for place, machine in enumerate(machines_of(1)):
            found = self._due_services(run, machine.id)
            if run.changeover:
                found += self._setup(run, machine.id)
            found += self._splices(run, machine.id)
            rows = np.nonzero(run.machine == place)[0]
            found += self._boards(run, machine.id, rows)
            found += self._faults(run, machine.id, rows)
            found += self._totals(run, machine.id, rows)
            if machine.id == "L1M3":
                found += self._windows(run, machine.id, rows)
            self._put(run, machine.id, [text for _, text in sorted(found, key=lambda m: m[0])])

    def _put(self, run: Run, machine: str, texts: list[str]) -> None:
        if machine == "L1M2" and run.shift.local.date() == ARRAY_DAY:
            self._shelf.write(f"L1M2_{ARRAY_DAY}.json", "[" + ",\n".join(texts) + "]\n")
            return
        name = f"{machine}_{run.shift.week}.ndjson.gz"
        if machine == _REPEATED_WEEK[0]:
            if run.shift.week == _REPEATED_WEEK[1]:
                self._tail[machine] = texts[-_REPEATED:]
            elif machine in self._tail:
                texts = [*self._tail.pop(machine), *texts]
        self._shelf.write(name, "".join(f"{t}\n" for t in texts))

    def _envelope(self, machine: str, name: str, ms: int, body: str) -> str:
        self._count += 1
        identity = uuid.uuid5(uuid.NAMESPACE_URL, f"lindenbrook/{self._works.seed}/{self._count}")
        return (
            f'{{"MessageName":"{name}","Version":"{_VERSION[machine]}","TimeStamp":"{iso(ms)}",'
            f'"UniqueID":"{identity}","Source":"{machine}","Target":null,"RequestID":null,"MessageBody":{body}}}'
        )

    def _head_and_nozzle(self, run: Run, row: int) -> str:
        station = run.program.stations[run.program.station[row]]
        nozzle = self._works.nozzles[run.nozzles[run.program.station[row]]]
        return (
            f'"HeadAndNozzle":{{"HeadId":"{station.head}","HeadNozzleNumber":{station.spindle},'
            f'"NozzleType":"{nozzle[1]}","UniqueIdentifier":"{nozzle[0]}"}}'
        )

    def _package(self, machine: str, run: Run, reel: int, quantity: int | None = None) -> str:
        found = run.reels[reel]
        part = self._works.parts[found.part]
        text = f'{{"UniqueIdentifier":"{found.id}","InternalPartNumber":"{part.id}"'
        if machine == "L1M1":
            text += f',"InternalPackageName":"{part.package.name}"'
        if quantity is not None:
            text += f',"Quantity":{quantity}'
        return text + (f',"BatchId":"{found.lot}"}}' if part.package.name != "CONN10" else ',"BatchId":null}')

    def _location(self, slot: str, feeder: int, package: str = "") -> str:
        name, kind, _ = self._works.feeders[feeder]
        inside = f'"MaterialPackage":{package},' if package else ""
        carrier = _CARRIER.get(kind, "SMDTapeFeeder")
        tape = ""
        if carrier == "SMDTapeFeeder":
            width, pitch = kind.split("/")
            tape = f',"TapeWidth":{width},"TapePitch":{pitch}'
        return (
            f'{{"LocationName":"{slot}",{inside}"CarrierInformation":{{"$type":"CFX.Structures.SMTPlacement.{carrier},'
            f' CFX","UniqueIdentifier":"{name}"{tape}}}}}'
        )

    def _boards(
        self, run: Run, machine: str, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
    ) -> list[tuple[int, str]]:
        """One MaterialsInstalled a board, its attempts gathered by slot and reel."""
        program = run.program
        where = [self._head_and_nozzle(run, row) for row in range(len(program.part))]
        boards: dict[int, dict[tuple[int, int], tuple[list[str], list[str]]]] = {}
        last: dict[int, int] = {}
        texts = iso_all(run.time[rows])
        early = iso_all(run.time[rows] - 1_200) if machine == "L1M1" else texts
        for n, board, row, reel, outcome, reason, measured, ms, text, picked in zip(
            rows, run.board[rows].tolist(), run.placement[rows].tolist(), run.reel[rows].tolist(),
            run.outcome[rows].tolist(), run.reason[rows].tolist(), run.measured[rows].tolist(),
            run.time[rows].tolist(), texts, early, strict=True,
        ):  # fmt: skip
            key = (int(program.slot[row]), reel)
            good, bad = boards.setdefault(board, {}).setdefault(key, ([], []))
            picking = f'"PickingTime":"{picked}",' if machine == "L1M1" else ""
            name = f'{{"ReferenceDesignator":"{program.designators[row]}",'
            if outcome == PLACED:
                good.append(f'{name}"InstallationTime":"{text}",{picking}{where[row]}}}')
            else:
                why = self._rejection(machine, int(program.part[row]), outcome, reason, measured, int(n))
                bad.append(f'{name}"NonInstallationTime":"{text}",{picking}{where[row]},{why}}}')
            last[board] = ms
        found = []
        for board, materials in boards.items():
            unit = f"{run.board_prefix}{board:06d}"
            entries = []
            for (slot, reel), (good, bad) in sorted(materials.items()):
                location = self._location(program.slots[slot].name, int(run.feeders[slot]))
                entry = (
                    f'{{"UnitIdentifier":"{unit}","UnitPositionNumber":1,"QuantityInstalled":{len(good)},'
                    f'"QuantityNonInstalled":{len(bad)},"Material":{self._package(machine, run, reel)},'
                    f'"CarrierLocation":{location},"InstalledComponents":[{",".join(good)}]'
                )
                entries.append(entry + (f',"NonInstalledComponents":[{",".join(bad)}]}}' if bad else "}"))
            body = f'{{"TransactionId":"{machine}-{unit}","InstalledMaterials":[{",".join(entries)}]}}'
            at = last[board] + 500
            found.append((at, self._envelope(machine, "CFX.Production.Assembly.MaterialsInstalled", at, body)))
            if machine == "L1M1":
                begin = int(run.board_starts[board - run.first_board])
                body = f'{{"TransactionID":"{machine}-{unit}","Lane":1,"UnitCount":1}}'
                found.append((begin, self._envelope(machine, "CFX.Production.WorkStarted", begin, body)))
        return found

    def _rejection(self, machine: str, part: int, outcome: int, reason: int, measured: float, n: int) -> str:
        group = REASONS[reason]
        if outcome == MISSED:
            kind = "BadPressureTestAfterPickup" if group == "vacuum" else "BadVisionTestBeforePickup"
            return f'"RejectionReason":"{kind}"'
        if outcome == DROPPED:
            return '"Location":"Lost","RejectionReason":"ErrorAfterPickUp"'
        if outcome == UNKNOWN:
            return '"RejectionReason":"Unknown"'
        place = "MaterialCarrier" if outcome == RETURNED else "RejectionBox"
        head = f'"Location":"{place}","RejectionReason":"BadVisionTestAfterPickup"'
        if group in ("size", "lead_or_ball"):
            what, taught, value, low, high = measurement(self._works.parts[part].package.size[0], reason, measured)
            figure = f'"{value:.3f}"' if n % 3 == 0 else f"{value:.3f}"
            test = (
                f'{{"InformationId":"{what}","ExpectedValue":{taught:.3f},"MeasuredValue":{figure},'
                f'"ToleranceMin":{low:.3f},"ToleranceMax":{high:.3f},"Unit":"mm","Result":false}}'
            )
        elif group in ("shape", "orientation"):
            test = f'{{"InformationId":"{"BodyOutline" if group == "shape" else "Polarity"}","Result":false}}'
        else:
            return head
        if machine == "L1M1":
            kind = "CFX.Structures.BadVisionTestRejectionDetails, CFX"
            return f'{head},"RejectionDetails":{{"$type":"{kind}","Tests":[{test}]}}'
        return f'{head},"RejectionDetails":[{test}]'

    def _faults(
        self, run: Run, machine: str, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
    ) -> list[tuple[int, str]]:
        kinds = {MISSED: "PickupError", REJECTED: "RecognitionError", DROPPED: "ComponentDropped"}
        found = []
        program = run.program
        for n in rows[(run.outcome[rows] != PLACED) & (rows % _FAULT_SHARE != 0)].tolist():
            outcome = int(run.outcome[n])
            if outcome not in kinds:
                continue
            kind, group = kinds[outcome], REASONS[run.reason[n]]
            if group == "vacuum":
                kind = "VacuumError"
            elif group == "lighting":
                kind = "LightingError"
            row, ms = int(run.placement[n]), int(run.time[n])
            slot = int(program.slot[row])
            location = self._location(program.slots[slot].name, int(run.feeders[slot]))
            part = self._works.parts[program.part[row]].id
            body = (
                '{"Fault":{"$type":"CFX.Structures.SMTPlacement.SMTPlacementFault, CFX",'
                f'"PlacementFaultType":"{kind}",'
                f'"Designator":{{"ReferenceDesignator":"{program.designators[row]}","PartNumber":"{part}"}},'
                f'"MaterialLocation":{location},{self._head_and_nozzle(run, row)},"FaultCode":"{kind[:3].upper()}",'
                f'"FaultOccurrenceId":"{machine}-{run.shift.number}-{n}","OccurredAt":"{iso(ms)}"}}}}'
            )
            found.append((ms, self._envelope(machine, "CFX.ResourcePerformance.FaultOccurred", ms, body)))
        return found

    def _totals(
        self, run: Run, machine: str, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
    ) -> list[tuple[int, str]]:
        """MaterialsConsumed for the whole run: the same picks once more, as totals by feeder."""
        if not len(rows):
            return []
        program = run.program
        slots = program.slot[run.placement[rows]].astype(np.int64)
        keys, back = np.unique(slots * 2**32 + run.reel[rows], return_inverse=True)
        placed = np.bincount(back, run.outcome[rows] == PLACED).astype(int)
        lost = np.bincount(back, np.isin(run.outcome[rows], (MISSED, REJECTED, DROPPED, UNKNOWN))).astype(int)
        entries = []
        for key, used, spoiled in zip(keys.tolist(), placed.tolist(), lost.tolist(), strict=True):
            slot, reel = divmod(key, 2**32)
            location = self._location(
                program.slots[slot].name, int(run.feeders[slot]), self._package(machine, run, reel)
            )
            entries.append(f'{{"MaterialLocation":{location},"QuantityUsed":{used},"QuantitySpoiled":{spoiled}}}')
        at = int(run.time[rows].max()) + 2_000
        body = f'{{"ConsumedMaterials":[{",".join(entries)}]}}'
        return [(at, self._envelope(machine, "CFX.Materials.Management.MaterialsConsumed", at, body))]

    def _windows(
        self, run: Run, machine: str, rows: np.ndarray[tuple[int], np.dtype[np.int64]]
    ) -> list[tuple[int, str]]:
        """ComponentsPlaced: machine totals in windows of ten minutes."""
        found = []
        window = run.time[rows] // 600_000
        for which in np.unique(window).tolist():
            inside = rows[window == which]
            placed = int((run.outcome[inside] == PLACED).sum())
            body = (
                f'{{"StartTime":"{iso(which * 600_000)}","EndTime":"{iso((which + 1) * 600_000)}",'
                f'"TotalComponentsPlaced":{placed},"TotalComponentsNotPlaced":{len(inside) - placed}}}'
            )
            at = (which + 1) * 600_000
            name = "CFX.ResourcePerformance.SMTPlacement.ComponentsPlaced"
            found.append((at, self._envelope(machine, name, at, body)))
        return found

    def _setup(self, run: Run, machine: str) -> list[tuple[int, str]]:
        """Unloads, loads and the recipe of a changeover, and messages that say nothing about picks."""
        found = []
        for event, name in (("unload", "MaterialsUnloaded"), ("load", "MaterialsLoaded")):
            mine = [e for e in run.events if e.event == event and e.machine == machine]
            if not mine:
                continue
            at = max(e.time for e in mine)
            if event == "unload":
                body = '{"MaterialPackageIdentifiers":[' + ",".join(f'"{run.reels[e.reel].id}"' for e in mine) + "]}"
            else:
                places = (
                    self._location(e.slot, e.feeder, self._package(machine, run, e.reel, e.quantity)) for e in mine
                )
                body = '{"Materials":[' + ",".join(places) + "]}"
            found.append((at, self._envelope(machine, f"CFX.Materials.Storage.{name}", at, body)))
        wrong = next(f for f in faults.FAULTS if f.id == WRONG_SIZE_PART)
        revision = 5 if wrong.strength(run.shift.local) else 4
        at = run.shift.start - 60_000
        body = (
            f'{{"RecipeName":"{run.program.name}","Revision":"{revision}","Lane":1,'
            f'"WorkOrderIdentifier":{{"WorkOrderId":"{run.shift.work_order}","Batch":null}}}}'
        )
        found.append((at, self._envelope(machine, "CFX.Production.RecipeActivated", at, body)))
        body = '{"OldState":"SetupTime","NewState":"ProductiveTime","RelatedFault":null}'
        name = "CFX.ResourcePerformance.StationStateChanged"
        found.append((at + 30_000, self._envelope(machine, name, at + 30_000, body)))
        if run.shift.number % 5 == 0:
            at -= 45_000
            body = '{"Fault":{"$type":"CFX.Structures.Fault, CFX","FaultCode":"COVER","OccurredAt":"' + iso(at) + '"}}'
            found.append((at, self._envelope(machine, "CFX.ResourcePerformance.FaultOccurred", at, body)))
        return found

    def _splices(self, run: Run, machine: str) -> list[tuple[int, str]]:
        found = []
        for event in run.events:
            if event.machine != machine or event.event != "splice":
                continue
            old = self._location(event.slot, event.feeder, self._package(machine, run, event.previous, 0))
            new = self._location(event.slot, event.feeder, self._package(machine, run, event.reel, event.quantity))
            body = f'{{"DepletedMaterial":{old},"NewlyActiveMaterial":{new}}}'
            name = "CFX.Materials.Storage.SplicePointDetected"
            found.append((event.time, self._envelope(machine, name, event.time, body)))
            if event.reel % 4 == 0:
                # An empty feeder is a fault, but no lost part.
                body = (
                    '{"Fault":{"$type":"CFX.Structures.SMTPlacement.SMTPlacementFault, CFX",'
                    f'"PlacementFaultType":"PartsExhaust","MaterialLocation":{old},"FaultCode":"EMP",'
                    f'"FaultOccurrenceId":"{machine}-E{event.reel}","OccurredAt":"{iso(event.time - 10)}"}}}}'
                )
                name = "CFX.ResourcePerformance.FaultOccurred"
                found.append((event.time - 10, self._envelope(machine, name, event.time - 10, body)))
        return found

    def _due_services(self, run: Run, machine: str) -> list[tuple[int, str]]:
        due = [
            s for s in self._services
            if s[1] == machine and s[0] < run.shift.local and week_label(s[0].date()) == run.shift.week
        ]  # fmt: skip
        found = []
        for service in due:
            self._services.remove(service)
            when, _, kind, name, action, note = service
            at = to_utc_ms(when)
            task = f"{_TASKS[action][1]} {kind} {name}"
            message = self._service(machine, at, _TASKS[action][0], task, note)
            if kind == "head":
                single = json.dumps(json.loads(message), indent=1)
                self._shelf.write(f"{machine}_maintenance.json", single + "\n")
            else:
                found.append((at, message))
        return found

    def _service(self, machine: str, ms: int, kind: str, task: str, note: str) -> str:
        order = f"MO{ms // 60_000 % 100_000}"
        body = (
            f'{{"MaintenanceType":"{kind}","MaintenanceJobCode":"{note}","MaintenanceOrderNumber":"{order}",'
            f'"Tasks":[{{"Task":"{task}","TaskId":"1","ManHoursConsumed":0.25}}]}}'
        )
        return self._envelope(machine, "CFX.ResourcePerformance.MaintenancePerformed", ms, body)


def iso(ms: int) -> str:
    """ISO 8601 with the plant's offset, to the millisecond."""
    offset = utc_offset_ms(ms)
    moment = datetime(1970, 1, 1) + timedelta(milliseconds=ms + offset)  # noqa: DTZ001
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}+{offset // 3_600_000:02d}:00"


def iso_all(ms: np.ndarray[tuple[int], np.dtype[np.int64]]) -> list[str]:
    """`iso` of many moments."""
    hours, back = np.unique(ms // 3_600_000, return_inverse=True)
    offset = np.array([utc_offset_ms(int(h) * 3_600_000) for h in hours], np.int64)[back]
    texts = np.datetime_as_string((ms + offset).astype("datetime64[ms]"), unit="ms").tolist()
    return [f"{t}+{o:02d}:00" for t, o in zip(texts, (offset // 3_600_000).tolist(), strict=True)]
