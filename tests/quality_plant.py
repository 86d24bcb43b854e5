"""A small made-up line with two weeks of picks, to plant one fault of the data at a time.

Three machines of one line work Monday to Friday, 06:00 to 14:00 UTC, on a board every six minutes, eight picks a board
and machine, six picks in 100 lost; the second machine gets a board a minute after the first, the third a minute later.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline import settings
from pipeline.analysis.quality import lines
from pipeline.checking import collect
from pipeline.findings.model import QualityLine
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.staging import Staging
from pipeline.store import frames
from pipeline.store.database import open_store
from pipeline.store.loading import load_staged
from pipeline.store.masters import load_masters
from tests.plants import make_plant

BEFORE, WEEK = "2026-W46", "2026-W47"
MONDAY = {BEFORE: datetime(2026, 11, 9), WEEK: datetime(2026, 11, 16)}  # noqa: DTZ001
MACHINES = ("M1", "M2", "M3")
BOARDS = 80
PLACES = 8
MACHINE_TABLE = "machine,line,machine_type,rated_picks_per_hour\n" + "".join(f"{m},A,T,2000\n" for m in MACHINES)

Change = Callable[[pl.DataFrame], pl.DataFrame]


def picks(week: str, machine: str) -> pl.DataFrame:
    """One machine's picks of a week in order of time, without a fault."""
    number = MACHINES.index(machine)
    rng = np.random.default_rng([int(week[6:]), number])
    day, board, place = (a.ravel() for a in np.mgrid[0:5, 0:BOARDS, 0:PLACES])
    seconds = day * 86_400 + 6 * 3600 + board * 360 + number * 60 + place * 5
    kinds = np.array(["missed", "rejected", "dropped"])
    outcome = np.where(rng.random(len(day)) < 0.06, kinds[rng.integers(0, 3, len(day))], "placed")
    reason = {"missed": "V1", "rejected": "S1", "dropped": "D1"}
    return pl.DataFrame(
        {
            "line": np.arange(1, len(day) + 1),
            "time": [MONDAY[week] + timedelta(seconds=int(s)) for s in seconds],
            "machine": machine,
            "head": "H1",
            "spindle": [str(p % 4) for p in place],
            "nozzle": [f"{machine}-N{p % 4}" for p in place],
            "feeder": [f"{machine}-F{p}" for p in place],
            "slot": [str(p) for p in place],
            "part": [f"P{p}" for p in place],
            "reel": [f"{machine}-R{p}-{week}" for p in place],
            "lot": [f"L{p}" for p in place],
            "recipe": "B1",
            "board": [f"{week}-{d}-{b}" for d, b in zip(day, board, strict=True)],
            "designator": [f"{machine}-C{p}" for p in place],
            "outcome": outcome,
            "reason": [reason.get(str(o)) for o in outcome],
            "reason_group": [None if o == "placed" else "other" for o in outcome],
            "try_number": 1,
        }
    )


class SmallPlant:
    """The plant in a folder. `extra` goes behind the [plant] section of plant.toml."""

    def __init__(self, folder: Path, extra: str = "", masters: str = MACHINE_TABLE) -> None:
        make_plant(folder, extra)
        (folder / "masters" / "machines.csv").write_text(masters, encoding="utf-8")
        self.plant = settings.load(folder)
        with open_store(self.plant, write=True) as con:
            load_masters(con, self.plant)

    def load(self, file: str, **tables: pl.DataFrame | list[dict[str, object]]) -> None:
        """Load rows as one file, by the loader that real files go through."""
        with open_store(self.plant, write=True) as con:
            staging = Staging(con)
            numbers: set[int] = set()
            for name, rows in tables.items():
                frame = rows if isinstance(rows, pl.DataFrame) else pl.DataFrame(rows, infer_schema_length=None)
                frame = frame if "line" in frame.columns else frame.with_row_index("line", 1)
                numbers.update(frame["line"].to_list())
                staging.add(name, frame)
            staging.records_read = len(numbers)
            path = Path(file)
            load_staged(con, staging, SourceFile(path, path, file, 1, "utf-8", ""), file, "delimited", None)

    def run(self, week: str, change: dict[str, Change] | None = None) -> None:
        """Load one file a machine for a week; `change` alters the picks of single machines first."""
        for machine in MACHINES:
            frame = picks(week, machine)
            frame = change[machine](frame) if change and machine in change else frame
            if not frame.is_empty():
                self.load(f"{machine}_{week}.csv", pick=frame)

    def lines(self, week: str = WEEK, *, over: bool = True) -> tuple[QualityLine, ...]:
        """What is said about the data of a week."""
        plant = settings.load(self.plant.folder)
        with open_store(plant, write=False) as con:
            found = frames.iso_week(week, ZoneInfo(plant.zone))
            return lines(collect(con, plant, found, over=over), plant)

    def only(self, what: str, week: str = WEEK) -> QualityLine:
        """The one line of that name; fails when there is none, more than one, or any other line besides notes."""
        found = self.lines(week)
        others = [q for q in found if q.what != what and q.level != "note"]
        assert not others, others
        (line,) = [q for q in found if q.what == what]
        return line
