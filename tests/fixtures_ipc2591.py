"""Hand-written IPC-2591 messages and a staging area to read them into. Field names are the standard's (1.0 to 2.1)."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import duckdb

from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.ipc2591 import Ipc2591
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant, Service

INSTALLED = "CFX.Production.Assembly.MaterialsInstalled"
CONSUMED = "CFX.Materials.Management.MaterialsConsumed"
TOTALS = "CFX.ResourcePerformance.SMTPlacement.ComponentsPlaced"
FAULT = "CFX.ResourcePerformance.FaultOccurred"
LOADED = "CFX.Materials.Storage.MaterialsLoaded"
UNLOADED = "CFX.Materials.Storage.MaterialsUnloaded"
SPLICED = "CFX.Materials.Storage.SplicePointDetected"
RECIPE = "CFX.Production.RecipeActivated"
STARTED = "CFX.Production.WorkStarted"
COMPLETED = "CFX.Production.WorkCompleted"
MAINTAINED = "CFX.ResourcePerformance.MaintenancePerformed"

TIME = "2026-11-16T06:00:00+01:00"
TAPE = {
    "$type": "CFX.Structures.SMTPlacement.SMDTapeFeeder, CFX",
    "UniqueIdentifier": "FD1",
    "Name": "feeder one",
    "LaneNumber": 2,
}
PACKAGE = {"UniqueIdentifier": "R1", "InternalPartNumber": "0402", "InternalPackageName": "01005", "BatchId": "LOT7"}
PLACE = {"LocationIdentifier": "id17", "LocationName": "17", "CarrierInformation": TAPE}
HEAD = {"HeadId": "H1", "HeadNozzleNumber": 3, "NozzleType": "S", "UniqueIdentifier": "NZ9", "Name": "nozzle nine"}


def envelope(name: str, body: Any, **other: Any) -> dict[str, Any]:
    """An envelope of machine M1; `UniqueID` only when it is given."""
    return {
        "MessageName": name, "Version": "1.7", "TimeStamp": TIME, "Source": "M1", "Target": None, "RequestID": None,
        "MessageBody": body, **other,
    }  # fmt: skip


def placed(designator: str | None = "C1", second: float = 0, **other: Any) -> dict[str, Any]:
    """An installed component."""
    time = f"2026-11-16T06:00:{second:06.3f}+01:00"
    return {"ReferenceDesignator": designator, "InstallationTime": time, "HeadAndNozzle": HEAD, **other}


def failed(reason: str | None, designator: str | None = "C1", second: float = 0, **other: Any) -> dict[str, Any]:
    """A component that was not installed."""
    time = f"2026-11-16T06:00:{second:06.3f}+01:00"
    found = {"ReferenceDesignator": designator, "NonInstallationTime": time, "HeadAndNozzle": HEAD, **other}
    return found if reason is None else {**found, "RejectionReason": reason}


def material(good: list[Any] | None = None, bad: list[Any] | None = None, **other: Any) -> dict[str, Any]:
    """One entry of InstalledMaterials, its quantities those of its lists."""
    return {
        "UnitIdentifier": "B1", "UnitPositionNumber": 1, "QuantityInstalled": len(good or []),
        "QuantityNonInstalled": len(bad or []), "Material": PACKAGE, "CarrierLocation": PLACE,
        "InstalledComponents": good, "NonInstalledComponents": bad, **other,
    }  # fmt: skip


def installed(*entries: dict[str, Any], **other: Any) -> dict[str, Any]:
    """A MaterialsInstalled envelope."""
    return envelope(INSTALLED, {"TransactionId": "T1", "InstalledMaterials": list(entries)}, **other)


@dataclass(frozen=True, slots=True)
class Staged:
    """What a file gave."""

    con: duckdb.DuckDBPyConnection
    read: int
    ignored: int

    def rows(self, table: str, *columns: str) -> list[tuple[Any, ...]]:
        """The columns of a table's staged rows, in the order of their lines."""
        names = ", ".join(f'"{c}"' for c in columns)
        return self.con.execute(f"select {names} from staged_{table} order by line, rowid").fetchall()

    def count(self, table: str) -> int:
        """How many rows were staged."""
        ((rows,),) = self.con.execute(f"select count(*) from staged_{table}").fetchall()
        return int(rows)

    def reasons(self) -> list[str]:
        """Why lines were refused."""
        return [row[0] for row in self.rows("refused", "reason")]


def write(path: Path, messages: Iterable[Any]) -> Path:
    """One envelope a line; a text is written as it is."""
    path.write_text("".join(f"{m if isinstance(m, str) else json.dumps(m)}\n" for m in messages), encoding="utf-8")
    return path


def source(path: Path) -> SourceFile:
    """The file as the reader gets it."""
    content = path.read_text(encoding="utf-8")
    return SourceFile(path, path, "0" * 64, path.stat().st_size, "utf-8", content[:65536])


@cache
def _memory() -> duckdb.DuckDBPyConnection:
    return duckdb.connect()


def stage(path: Path, maintenance: tuple[Service, ...] = (), con: duckdb.DuckDBPyConnection | None = None) -> Staged:
    """Read a file into a staging area; without a connection in the one in memory, which the next file overwrites."""
    con = con if con is not None else _memory()
    staging = Staging(con)
    Ipc2591().stage(source(path), staging, Plant(path.parent, maintenance=maintenance))
    staging.flush()
    return Staged(con, staging.records_read, staging.records_ignored)
