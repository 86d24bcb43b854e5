"""Seeded mutations of small good logs through every reader and container, with a real database.

For each case: no error but FileRefused, no hang, and read = loaded + duplicate + refused once it is in the store. After
every group of cases: the tallies equal a fresh count of the picks (the roll-up checks that itself). Workbooks and Parquet
are read by others' code too, so they go through the process that a run reads logs in: whatever they do to it, one
reason comes back and the next log is read.
"""

from __future__ import annotations

import faulthandler
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import FrameType

import duckdb
import pytest

from pipeline import settings
from pipeline.errors import FileRefused
from pipeline.ingest.child_reader import ChildReader
from pipeline.ingest.dialect import Dialect, Log
from pipeline.ingest.reading_process import Known
from pipeline.ingest.registry import dialects
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant
from pipeline.store import loading, migrations
from pipeline.store.database import connect
from tests.faults.fuzz_samples import MAPPINGS, Sample, apart_samples, mutate, text_samples
from tests.faults.runs import ROOT
from tests.plants import MAPPING, make_plant

CASES = 80
LONG = 20_000
CASES_APART = 55
LONG_APART = 4_000
PARTS = 20
"""Tests that the long set is divided into, so that several processes can share it."""
GROUP = 20
"""Cases that are rolled up together, as small files are."""
SECONDS = 20
"""No case takes longer; a good one takes some hundredths of a second."""


@contextmanager
def _clock(seconds: int) -> Iterator[None]:
    """Fails a case that takes longer. Where it hangs outside of Python, which no signal ends, the whole run is ended.

    The watchdog is a thread of the interpreter's own that needs no lock of it (faulthandler).
    """

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise TimeoutError(f"a case took more than {seconds} seconds")

    old = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    faulthandler.dump_traceback_later(2 * seconds, exit=True, file=sys.__stderr__)
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)


class _Bench:
    """A plant with all mappings and a store that is emptied now and then."""

    def __init__(self, folder: Path) -> None:
        self.folder = make_plant(folder)
        for path in (ROOT / "sample_logs" / "plant" / "mappings").glob("*.toml"):
            shutil.copy(path, folder / "mappings")
        shutil.copy(ROOT / "sample_logs" / "plant" / "plant.toml", folder / "plant.toml")
        for name, text in MAPPINGS.items():
            (folder / "mappings" / f"{name}.toml").write_text(text, encoding="utf-8")
        (folder / "mappings" / "picks.toml").write_text(MAPPING.replace("*picks*", "own_*"), encoding="utf-8")
        self.plant: Plant = settings.load(folder)
        self.readers: tuple[Dialect, ...] = dialects(self.plant)
        self.tried = self.loaded = self.refused = 0
        self.renew()

    def renew(self) -> None:
        """Begin with an empty store."""
        path = self.folder / "store" / "fuzz.duckdb"
        path.unlink(missing_ok=True)
        self.con: duckdb.DuckDBPyConnection = connect(path, 500, write=True)
        migrations.migrate(self.con, migrations.version(self.con))
        self.group = loading.LoadGroup(self.con)

    def close(self) -> None:
        """Roll up what was loaded, and check that every file balances."""
        with _clock(SECONDS):
            self.group.commit()
        ((open_rows,),) = self.con.execute(
            "select count(*) from load where rows_read <> rows_loaded + rows_duplicate + rows_refused"
        ).fetchall()
        assert open_rows == 0

    def case(self, sample: Sample, content: bytes) -> None:
        """Read and load one log; raises whatever goes wrong."""
        self.tried += 1
        if self.tried % GROUP == 0:
            self.close()
        if self.tried % 500 == 0:
            self.con.close()
            self.renew()
        path = self.folder / sample.name
        path.write_bytes(content)
        work = self.folder / "work"
        work.mkdir(exist_ok=True)
        try:
            with _clock(SECONDS):
                self._take(path, work)
        except FileRefused as error:
            self.refused += 1
            reason = error.reason
        else:
            reason = "none"
        assert reason.strip()
        shutil.rmtree(work)

    def apart(self, cases: list[tuple[str, bytes]]) -> list[str]:
        """Read and load logs as a run does, each named; what went wrong with which. A hang is ended by the reader's clock."""
        wrong: list[str] = []
        logs = []
        for number, (name, content) in enumerate(cases):
            logs.append(self.folder / f"{number:05}" / name.rpartition(" ")[0])
            logs[-1].parent.mkdir()
            logs[-1].write_bytes(content)
        plant = replace(self.plant, limits=replace(self.plant.limits, file_seconds=SECONDS, file_memory_mb=600))
        with ChildReader(plant, self.readers, ()) as child:
            for (name, _), (log, answer) in zip(cases, child.read(map(Log, logs)), strict=True):
                self.tried += 1
                if isinstance(answer, FileRefused):
                    self.refused += 1
                    # too slow, a fault of ours, no sentence: the three that may not be
                    bad = "takes longer" in answer.reason or "fault of the program" in answer.reason
                    if bad or not answer.reason.strip().endswith("."):
                        wrong.append(f"{name}: {answer.reason}")
                elif not isinstance(answer, Known):
                    said = (log.path.name, answer.dialect, answer.mapping)
                    result = self.group.add(answer.into(self.con), answer.source, *said)
                    assert result.read == result.loaded + result.duplicate + result.refused
                    self.loaded += result.loaded > 0
        self.close()
        return wrong

    def _take(self, path: Path, work: Path) -> None:
        declared = next((e for e in (r.encoding(path) for r in self.readers) if e), None)
        source = open_source(path, work, self.plant.limits, encoding=declared)
        reader = next((r for r in self.readers if r.recognises(source)), None)
        if reader is None:
            raise FileRefused("no reader knows it")
        staging = Staging(self.con)
        reader.stage(source, staging, self.plant)
        result = self.group.add(staging, source, path.name, reader.name, reader.describe(source))
        assert result.read == result.loaded + result.duplicate + result.refused
        self.loaded += result.loaded > 0


def _fuzz(folder: Path, cases: int, first: int) -> None:
    bench = _Bench(folder)
    samples = text_samples()
    failures: list[str] = []
    for i in range(cases):
        sample, number = samples[i % len(samples)], first + i // len(samples)
        try:
            bench.case(sample, mutate(sample, number))
        except Exception as error:
            failures.append(f"{sample.name} {sample.container} {number}: {type(error).__name__}: {str(error)[:300]}")
            bench.con.close()
            bench.renew()
            if len(failures) == 20:
                break
    bench.close()
    bench.con.close()
    assert not failures, "\n".join(failures)
    assert bench.loaded > cases // 10, "hardly a case was read at all"
    assert bench.refused > cases // 20


def test_the_samples_themselves_are_good(tmp_path: Path) -> None:
    bench = _Bench(tmp_path)
    for sample in text_samples():
        bench.case(sample, sample.packed(sample.text))
    assert bench.apart([(f"{s.name} 0", s.packed(s.text)) for s in apart_samples()]) == []
    assert bench.refused == 0
    bench.close()
    for table in ("pick", "reel_event", "service", "measurement", "message", "activity"):
        ((filled,),) = bench.con.execute(f"select count(*) > 0 from {table}").fetchall()
        assert filled, f"no sample fills {table}"
    bench.con.close()


def test_mutated_logs(tmp_path: Path) -> None:
    _fuzz(tmp_path, CASES, 0)


def _fuzz_apart(folder: Path, cases: int, first: int) -> None:
    bench, samples = _Bench(folder), apart_samples()
    made = [(s, first + i // len(samples)) for i, s in zip(range(cases), samples * cases, strict=False)]
    wrong = bench.apart([(f"{s.name} {number}", mutate(s, number)) for s, number in made])
    bench.con.close()
    assert not wrong, "\n".join(wrong)
    assert bench.loaded > cases // 20, "hardly a case was read at all"
    assert bench.refused > cases // 20


def test_mutated_workbooks_and_parquet(tmp_path: Path) -> None:
    _fuzz_apart(tmp_path, CASES_APART, 0)


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_thousands_of_mutated_workbooks_and_parquet_files(tmp_path: Path, part: int) -> None:
    _fuzz_apart(tmp_path, LONG_APART // PARTS, 1_000 * (part + 1))


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_twenty_thousand_mutated_logs(tmp_path: Path, part: int) -> None:
    _fuzz(tmp_path, LONG // PARTS, 1_000 * (part + 1))


def test_cases_are_the_same_every_time() -> None:
    sample = text_samples()[0]
    assert mutate(sample, 7) == mutate(sample, 7) != mutate(sample, 8)


def test_a_hang_outside_of_python_ends_the_run() -> None:
    """A loop in C that never looks at signals: SIGALRM alone would wait for ever."""
    code = "from itertools import repeat\nfrom tests.faults.test_fuzz import _clock\nwith _clock(1):\n    sum(repeat(1, 10**13))"
    begin = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT, timeout=300
    )
    assert done.returncode == 1
    assert "Timeout (0:00:02)!" in done.stderr
    assert time.monotonic() - begin < 120
