"""Small made-up plants for tests: folders with settings, masters, a mapping and logs."""

from __future__ import annotations

import gzip
import hashlib
import random
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import zstandard

from pipeline.ingest.registry import dialects
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant
from pipeline.store.loading import LoadResult, load_staged

MAPPING = """
format = 1
name = "picks"
table = "pick"
files = ["*picks*"]

[text]
delimiter = ";"
header = true

[time]
columns = ["when"]
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"

[columns]
machine = "machine"
head = "head"
spindle = "spindle"
nozzle = "nozzle"
feeder = "feeder"
slot = "slot"
part = "part"
reel = "reel"
lot = "lot"
outcome = "result"
reason = "code"

[outcome]
"OK" = "placed"
"MISS" = "missed"
"BAD" = "rejected"
"LOST" = "dropped"

[reason]
"V" = "vacuum"
"S" = "size"
"""

HEADER = "when;machine;head;spindle;nozzle;feeder;slot;part;reel;lot;result;code"


@dataclass(frozen=True)
class PickLine:
    """One line of a pick log."""

    when: datetime
    machine: str = "M1"
    head: str = "H1"
    spindle: str = "1"
    nozzle: str = "N1"
    feeder: str = "F1"
    slot: str = "1"
    part: str = "P1"
    reel: str = "R1"
    lot: str = "L1"
    result: str = "OK"
    code: str = ""

    def text(self) -> str:
        """As the log writes it."""
        fields = (self.machine, self.head, self.spindle, self.nozzle, self.feeder, self.slot, self.part, self.reel)
        return ";".join([f"{self.when:%Y-%m-%d %H:%M:%S}", *fields, self.lot, self.result, self.code])


def make_plant(folder: Path, settings: str = "") -> Path:
    """A plant folder with the mapping above and an empty inbox."""
    for name in ("inbox", "mappings", "masters"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text(f'[plant]\nname = "test plant"\nzone = "UTC"\n{settings}', encoding="utf-8")
    (folder / "mappings" / "picks.toml").write_text(MAPPING, encoding="utf-8")
    return folder


def write_picks(path: Path, lines: list[PickLine]) -> Path:
    """A pick log; gzip or zstd when its name says so."""
    text = ("\n".join([HEADER, *(line.text() for line in lines)]) + "\n").encode()
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        text = gzip.compress(text, mtime=0)
    elif path.suffix == ".zst":
        text = zstandard.ZstdCompressor().compress(text)
    path.write_bytes(text)
    return path


def some_picks(count: int, seed: int = 1, begin: datetime = datetime(2026, 11, 16, 6)) -> list[PickLine]:  # noqa: DTZ001
    """`count` picks over some machines, nozzles and feeders, one every seven seconds, one in fifty lost."""
    rng = random.Random(seed)
    lines = []
    for i in range(count):
        spindle = 1 + i % 6
        result = rng.choice(["MISS", "BAD", "LOST"]) if rng.random() < 0.02 else "OK"
        feeder = rng.randrange(8)
        lines.append(
            PickLine(
                begin + timedelta(seconds=7 * i),
                machine=f"M{1 + i // 6 % 2}",
                spindle=str(spindle),
                nozzle=f"N{spindle}{i // 600 % 2}",
                feeder=f"F{feeder}",
                slot=str(feeder),
                part=f"P{feeder % 5}",
                reel=f"R{feeder}-{i // 900}",
                lot=f"L{feeder % 5}",
                result=result,
                code={"MISS": "V", "BAD": "S"}.get(result, ""),
            )
        )
    return lines


def pickfall(*args: object, **kwargs: object) -> subprocess.CompletedProcess[str]:
    """Run the command as a user would; output is captured as text."""
    command = [sys.executable, "-m", "pipeline.cli", *(str(a) for a in args)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=600, **kwargs)  # type: ignore[call-overload,no-any-return]


def tally_digest(plant: Path) -> str:
    """A digest of all tallies and picks' content, whatever file and line they came from."""
    con = duckdb.connect(str(plant / "store" / "pickfall.duckdb"), read_only=True)
    try:
        sha = hashlib.sha256()
        for table, leave in (("tally", ""), ("reason_tally", ""), ("pick", "exclude (load_id, line)")):
            for row in con.execute(f"select * {leave} from {table} order by all").fetchall():
                sha.update(repr(row).encode())
        return sha.hexdigest()
    finally:
        con.close()


def query(plant: Path, sql: str) -> list[tuple[object, ...]]:
    """Rows of a query on the plant's store."""
    con = duckdb.connect(str(plant / "store" / "pickfall.duckdb"), read_only=True)
    try:
        return con.execute(sql).fetchall()
    finally:
        con.close()


def load_here(con: duckdb.DuckDBPyConnection, plant: Plant, path: Path) -> LoadResult:
    """Load one file without the process that a run reads logs in: what is tested lies behind it."""
    readers = dialects(plant)
    declared = next((e for e in (r.encoding(path) for r in readers) if e), None)
    with tempfile.TemporaryDirectory() as work:
        source = open_source(path, Path(work), plant.limits, encoding=declared)
        reader = next(r for r in readers if r.recognises(source))
        staging = Staging(con)
        reader.stage(source, staging, plant)
        return load_staged(con, staging, source, path.name, reader.name, reader.describe(source))
