"""Proposes a mapping for a small log, and loads that log with it: by the reader alone, and into a real store."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import random
import re
import tempfile
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from pipeline import settings
from pipeline.cli import app
from pipeline.ingest.propose import propose
from pipeline.store.database import open_store
from tests.fixtures_delimited import Result, stage
from tests.plants import load_here

BEGIN = datetime(2026, 11, 16, 6)


@dataclass(frozen=True)
class Pick:
    at: datetime
    machine: str
    nozzle: str
    feeder: str
    part: str
    outcome: str
    reason: str
    dx: float


def picks(count: int = 400, step: timedelta = timedelta(minutes=37)) -> list[Pick]:
    """Made-up picks over some days; one in ten is lost."""
    rng = random.Random(5)
    made = []
    for i in range(count):
        outcome = "placed" if i % 10 else ("missed", "rejected", "dropped")[i // 10 % 3]
        reason = {"missed": "10", "rejected": "20"}.get(outcome, "")
        at = BEGIN + i * step + timedelta(milliseconds=7 * i)
        part = ("0402-10K", "01005", "1E5")[i % 3]
        made.append(
            Pick(at, f"L1M{1 + i % 2}", f"N{i % 6}", f"F{i % 9:02d}", part, outcome, reason, rng.gauss(0, 0.02))
        )
    return made


def proposed(
    folder: Path, data: str | bytes, name: str, table: str = "pick", *, command: bool = False
) -> tuple[str, Result]:
    """Propose a mapping, then load the same file with it, unchanged: into a store, and by the reader alone.

    command   into the store by `pickfall ingest`, with its reading process; else without that process, which is quicker
    """
    source = folder / "sample"
    source.mkdir(exist_ok=True)
    path = source / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    text = propose(path, table)
    into_a_store(Path(tempfile.mkdtemp(prefix="plant-", dir=folder)), path, text, table, command=command)
    return text, stage(folder, path.read_bytes(), text, name=name)


def into_a_store(plant: Path, log: Path, mapping: str, table: str, *, command: bool) -> None:
    """Load the log with the proposal as it stands: every row is in the store, and its tallies agree."""
    for folder in ("mappings", "inbox", "masters"):
        (plant / folder).mkdir()
    (plant / "plant.toml").write_text('[plant]\nzone = "UTC"\n', encoding="utf-8")
    (plant / "mappings" / "m.toml").write_text(mapping, encoding="utf-8")
    path = plant / "inbox" / log.name
    path.write_bytes(log.read_bytes())
    of = settings.load(plant)
    if command:
        assert app(["ingest", "--plant", str(plant), "--quiet"], standalone_mode=False) in (None, 0)
    with open_store(of, write=True) as con:
        if not command:
            load_here(con, of, path)
        counts = "sum(rows_loaded - rows_ignored), sum(rows_refused)"
        ((loaded, refused),) = con.execute(f"select {counts} from load").fetchall()
        ((rows,),) = con.execute(f"select count(*) from {table}").fetchall()
    assert rows == loaded > 100 * refused


def checked(text: str) -> dict[str, str]:
    """Key -> what the CHECK beside it says."""
    return dict(re.findall(r"^([^\n]*?) =[^\n]*# CHECK: ([^\n]*)$", text, re.MULTILINE))


ENGLISH = {"placed": "OK", "missed": "NO PICK", "rejected": "REJECT", "dropped": "LOST"}
GERMAN = {"placed": "Bestückt", "missed": "Fehlgriff", "rejected": "Abgelehnt", "dropped": "Verloren"}
JAPANESE = {"placed": "正常", "missed": "吸着エラー", "rejected": "認識エラー", "dropped": "落下"}
