"""Benchmarks: ratios beside a bare run of the same work in the same call. Nothing here passes or fails by the clock.

    python -m tests.benchmarks ingest [--scale 10] [--keep DIR]
    python -m tests.benchmarks known [--files 5000]
    python -m tests.benchmarks week
    python -m tests.benchmarks overage

`ingest` writes the sample plant's delimited logs at a multiple of the committed size, loads them with the command,
and loads the same files with bare DuckDB into a file; it prints seconds, peak memory of each process, and the ratios.
CPU and peak memory of `ingest` include the process that reads the logs.
`known` times a run over files that are all in the store already: with --check, which reads them, and without.
`week` times the whole demo and the week alone.
`overage` times the buyer's figures for 10 000 parts in 50 builds, and a kit of 400 lines (overage.py).
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import duckdb

from tests.benchmarks.overage import overage
from tests.plants import make_plant, some_picks, write_picks

BARE = """
import sys, glob, duckdb
con = duckdb.connect(sys.argv[1])
con.execute("set memory_limit = '1000MB'")
files = sorted(glob.glob(sys.argv[2] + "/line2_2*.csv"))
con.execute("create table bare as select * from read_csv(?, all_varchar = true, delim = ';', header = true)", [files])
print(con.execute("select count(*) from bare").fetchall()[0][0])
"""


@dataclass(frozen=True)
class Measured:
    """One child process: seconds of wall clock and CPU, peak memory in MB, what it printed."""

    wall: float
    cpu: float
    peak: float
    out: str


def run(command: list[str]) -> Measured:
    """Run a command to its end and measure it; SystemExit with its words when it fails."""
    with tempfile.TemporaryFile("w+") as out:
        begin = time.monotonic()
        process = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.monotonic() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
    if process.returncode not in (0, 3):
        raise SystemExit(f"{' '.join(command[:5])} ended with {process.returncode}:\n{text[-2000:]}")
    return Measured(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, text)


def ingest(scale: float, keep: Path | None) -> None:
    """Load the sample at `scale` times its size, with the command and with bare DuckDB."""
    with tempfile.TemporaryDirectory(dir=keep) as work:
        folder = Path(work)
        generator = [sys.executable, "-m", "sample_logs.generator", "--out", str(folder), "--delimited-only", "--plain"]
        made = run([*generator, "--scale", str(scale)])
        plant = folder / "plant"
        size = sum(p.stat().st_size for p in (plant / "inbox").iterdir()) / 1e6
        print(f"scale {scale:g}: {size:.0f} MB of logs, written in {made.wall:.0f} s with {made.peak:.0f} MB")
        ours = run([sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)])
        bare = run([sys.executable, "-c", BARE, str(folder / "bare.duckdb"), str(plant / "inbox")])
        print(ours.out.strip().splitlines()[-1])
        print(f"bare DuckDB rows: {bare.out.strip()}")
        print("| what | wall s | CPU s | peak MB |\n|---|---|---|---|")
        print(f"| pickfall ingest | {ours.wall:.1f} | {ours.cpu:.1f} | {ours.peak:.0f} |")
        print(f"| bare DuckDB load | {bare.wall:.1f} | {bare.cpu:.1f} | {bare.peak:.0f} |")
        print(f"| ratio | {ours.wall / bare.wall:.2f} | {ours.cpu / bare.cpu:.2f} | {ours.peak / bare.peak:.2f} |")
        again = run([sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)])
        print(f"the same folder again, nothing new: {again.wall:.1f} s, {again.peak:.0f} MB")


def known(files: int) -> None:
    """A run with nothing new. The store is told that it holds the files; loading so many is not what is measured."""
    with tempfile.TemporaryDirectory() as work:
        plant = make_plant(Path(work))
        run([sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)])
        with duckdb.connect(str(plant / "store" / "pickfall.duckdb")) as con:
            rows = []
            for i in range(files):
                path = write_picks(plant / "inbox" / f"{i // 100:03}" / f"{i:05}_picks.csv", some_picks(50, seed=i))
                rows.append([i + 1, f"inbox/{i}", hashlib.sha256(path.read_bytes()).hexdigest()])
            con.execute("begin")
            con.executemany(
                "insert into load (load_id, file, content_hash, bytes, dialect, rows_read, rows_loaded, "
                "rows_duplicate, rows_refused, rows_ignored) values (?, ?, ?, 0, 'delimited', 0, 0, 0, 0, 0)",
                rows,
            )
            con.execute("commit")
        time.sleep(3)  # a file is only remembered when its last change is some seconds old
        print("| what | wall s | CPU s | peak MB |\n|---|---|---|---|")
        for what, more in (("--version: nothing but the start", None), ("first run, hashes all", []), ("next run", []),
                           ("--check", ["--check"])):  # fmt: skip
            call = ["ingest", "--plant", str(plant), *more] if more is not None else ["--version"]
            done = run([sys.executable, "-m", "pipeline.cli", *call])
            print(f"| {what} | {done.wall:.2f} | {done.cpu:.2f} | {done.peak:.0f} |")
        print(done.out.strip().splitlines()[-1])


def week() -> None:
    """Analysis and pages of the sample's last week."""
    with tempfile.TemporaryDirectory() as work:
        done = run([sys.executable, "-m", "pipeline.cli", "demo", "--out", str(Path(work) / "demo")])
        again = run([sys.executable, "-m", "pipeline.cli", "week", "2026-W47", "--plant", str(Path(work) / "demo")])
        print(f"demo: {done.wall:.1f} s, {done.peak:.0f} MB; week alone: {again.wall:.1f} s, {again.peak:.0f} MB")


def main() -> None:
    """Parse the call and run one benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("what", choices=["ingest", "known", "week", "overage"])
    parser.add_argument("--scale", type=float, default=10.0)
    parser.add_argument("--keep", type=Path, default=None, help="folder with room for the logs")
    parser.add_argument("--files", type=int, default=5000)
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if args.what == "ingest":
        ingest(args.scale, args.keep)
    elif args.what == "known":
        known(args.files)
    elif args.what == "overage":
        overage()
    else:
        week()


if __name__ == "__main__":
    main()
