"""The sample plant's data is sound: no check cries wolf in any of its weeks, and all of them take little time."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipeline import settings
from pipeline.analysis.quality import lines, plausibility
from pipeline.checking import collect
from pipeline.store import frames
from pipeline.store.database import open_store
from tests.plants import pickfall

WEEKS = tuple(f"2026-W{n}" for n in range(40, 48))


@pytest.mark.parametrize("week", WEEKS)
def test_no_check_finds_a_fault_that_was_not_planted(demo: Path, week: str) -> None:
    """The head that loses vacuum in W47 moves the share of its reason: a note that says that it may be real."""
    plant = settings.load(demo)
    with open_store(plant, write=False) as con:
        facts = collect(con, plant, frames.iso_week(week, ZoneInfo(plant.zone)))
    found = [(f.kind, f.line.machine, f.line.level) for f in plausibility(facts, plant) if f.kind]
    assert found == ([("reason change", "L1M3", "note")] if week == "2026-W47" else [])


def test_the_checks_of_a_week_take_less_than_three_seconds(demo: Path) -> None:
    """Processor time, so that a busy machine does not decide."""
    plant = settings.load(demo)
    with open_store(plant, write=False) as con:
        begin = time.process_time()
        made = lines(collect(con, plant, frames.iso_week("2026-W47", ZoneInfo(plant.zone))), plant)
        took = time.process_time() - begin
    assert made
    assert took < 3.0


def test_status_shows_what_the_page_shows(demo: Path, findings: dict[str, Any]) -> None:
    done = pickfall("status", "--plant", demo, "--format", "json")
    assert done.returncode == 0, done.stderr
    shown = json.loads(done.stdout)
    assert shown["data_week"] == "2026-W47"
    page = {(q["level"], q["machine"], q["what"], q["text"]) for q in findings["quality"]["lines"]}
    assert {(q["level"], q["machine"], q["what"], q["text"]) for q in shown["data"]} == {
        q for q in page if q[2] not in ("model", "build list")
    }
