"""kill -9 before the statements of `ingest --again`, and of the export and removal of old picks.

After each: nothing is partial, no total has moved, and the same command again gives a run's result that nobody killed.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from tests.faults.runs import ROOT, check, nothing_partial, overlapping_plant, store_digest
from tests.plants import pickfall, query, some_picks, write_picks

KEEP = '[retention]\npick_weeks = 1\nexport = "kept"\n'
LATER = datetime(2026, 12, 14, 6)  # noqa: DTZ001


def _killed(plant: Path, how: str, number: int, what: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.faults.killed_run", str(plant), how, str(number), what]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, timeout=300)


def _statements(template: Path, plant: Path, what: str) -> int:
    """How many there are in a run that nobody kills, which is left in `plant`."""
    shutil.copytree(template, plant)
    done = _killed(plant, "count", 0, what)
    assert done.returncode == 0, done.stderr
    return int(done.stdout.split()[-1])


def _chosen(statements: int, count: int | None) -> list[int]:
    """All of them, or some and the last, which is the end of the transaction or after it."""
    every = range(1, statements + 1)
    return list(every) if count is None else [*random.Random(statements).sample(every, count - 1), statements]


SOME = pytest.mark.parametrize("count", [1, pytest.param(None, marks=pytest.mark.long)])


@SOME
def test_while_refused_lines_are_read_again(tmp_path: Path, count: int | None) -> None:
    template = overlapping_plant(tmp_path / "template", picks=1_500, count=2)
    mapping = template / "mappings" / "picks.toml"
    whole = mapping.read_text(encoding="utf-8")
    mapping.write_text(whole.replace('"OK" = "placed"\n', ""), encoding="utf-8")
    assert pickfall("ingest", "--plant", template).returncode == 3
    mapping.write_text(whole, encoding="utf-8")
    ((refused,),) = query(template, "select count(*) from refused")
    assert refused > 1_000
    statements = _statements(template, tmp_path / "clean", "again")
    assert query(tmp_path / "clean", "select count(*) from refused") == [(0,)]
    digest = store_digest(tmp_path / "clean")
    for number in _chosen(statements, count):
        plant = tmp_path / str(number)
        shutil.copytree(template, plant)
        done = _killed(plant, "statement", number, "again")
        assert done.returncode == -signal.SIGKILL, f"{number} of {statements}: {done.returncode} {done.stderr}"
        nothing_partial(plant)
        left = query(
            plant,
            "select file from load left join (select load_id, count(*) as n from refused group by load_id) using (load_id) "
            "where rows_refused <> coalesce(n, 0)",
        )
        assert left == []
        check(pickfall("ingest", "--again", "--plant", plant), 0)
        assert store_digest(plant) == digest, f"another result after a kill before statement {number} of {statements}"
        shutil.rmtree(plant)


def _exported(plant: Path) -> list[tuple[object, ...]]:
    """All rows of the export; every file of it must be whole. Parts that a run left stand in folders of their own."""
    files = sorted(str(p) for p in (plant / "kept").glob("machine=*/day=*/*.parquet"))
    if not files:
        return []
    with duckdb.connect() as con:
        return con.execute(
            "select machine, time, nozzle, outcome, load_id, line from read_parquet(?, hive_partitioning = false) order by all",
            [files],
        ).fetchall()


PICKS = "select machine, time, nozzle, outcome, load_id, line from pick order by all"
TOTALS = "select * from tally order by all"


@SOME
def test_while_old_picks_are_exported_and_removed(tmp_path: Path, count: int | None) -> None:
    template = overlapping_plant(tmp_path / "template", picks=1_500, count=2)
    write_picks(template / "inbox" / "9_picks.csv", some_picks(300, seed=9, begin=LATER))
    check(pickfall("ingest", "--plant", template), 0)
    settings = template / "plant.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + KEEP, encoding="utf-8")
    before, totals = query(template, PICKS), query(template, TOTALS)
    statements = _statements(template, tmp_path / "clean", "retain")
    kept, old = query(tmp_path / "clean", PICKS), _exported(tmp_path / "clean")
    assert len(kept) == 300
    assert sorted(map(repr, [*kept, *old])) == sorted(map(repr, before))
    for number in _chosen(statements, count):
        plant = tmp_path / str(number)
        shutil.copytree(template, plant)
        done = _killed(plant, "statement", number, "retain")
        assert done.returncode == -signal.SIGKILL, f"{number} of {statements}: {done.returncode} {done.stderr}"
        assert query(plant, TOTALS) == totals
        now, exported = query(plant, PICKS), _exported(plant)
        assert now in (before, kept)
        assert set(map(repr, exported)) <= set(map(repr, old))
        if now == kept:
            assert exported == old, "removed before it was exported"
        check(pickfall("ingest", "--plant", plant), 0)
        assert (query(plant, PICKS), _exported(plant), query(plant, TOTALS)) == (kept, old, totals)
        assert [p.name for p in (plant / "kept").iterdir() if p.name.startswith(".")] == [], "left by the killed run"
        shutil.rmtree(plant)
