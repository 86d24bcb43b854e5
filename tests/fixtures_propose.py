"""Proposes a mapping for a small log, and loads that log with it: by the reader alone, and into a real store."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import random
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import duckdb

from pipeline import settings
from pipeline.cli import app
from pipeline.ingest.propose import propose
from tests.fixtures_delimited import Result, stage

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


def proposed(folder: Path, data: str | bytes, name: str, table: str = "pick") -> tuple[str, Result]:
    """Propose a mapping, then load the same file with it, unchanged."""
    source = folder / "sample"
    source.mkdir(exist_ok=True)
    path = source / name
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    text = propose(path, table)
    into_a_store(folder / "plant", path, text, table)
    return text, stage(folder, path.read_bytes(), text, name=name)


def into_a_store(plant: Path, log: Path, mapping: str, table: str) -> None:
    """`pickfall ingest` of the log with the proposal as it stands: it ends well, and every row is in the store."""
    for folder in ("mappings", "inbox", "masters"):
        (plant / folder).mkdir(parents=True)
    (plant / "plant.toml").write_text('[plant]\nzone = "UTC"\n', encoding="utf-8")
    (plant / "mappings" / "m.toml").write_text(mapping, encoding="utf-8")
    (plant / "inbox" / log.name).write_bytes(log.read_bytes())
    assert app(["ingest", "--plant", str(plant), "--quiet"], standalone_mode=False) in (None, 0)
    with duckdb.connect(str(settings.load(plant).database), read_only=True) as con:
        ((loaded, refused),) = con.execute(
            "select sum(rows_loaded - rows_ignored), sum(rows_refused) from load"
        ).fetchall()
        ((rows,),) = con.execute(f"select count(*) from {table}").fetchall()
    assert rows == loaded > 100 * refused


def checked(text: str) -> dict[str, str]:
    """Key -> what the CHECK beside it says."""
    return dict(re.findall(r"^([^\n]*?) =[^\n]*# CHECK: ([^\n]*)$", text, re.MULTILINE))


ENGLISH = {"placed": "OK", "missed": "NO PICK", "rejected": "REJECT", "dropped": "LOST"}
GERMAN = {"placed": "Bestückt", "missed": "Fehlgriff", "rejected": "Abgelehnt", "dropped": "Verloren"}
JAPANESE = {"placed": "正常", "missed": "吸着エラー", "rejected": "認識エラー", "dropped": "落下"}
