"""Benchmarks: ratios beside a bare run of the same work in the same call. Nothing here passes or fails by the clock.

    python -m tests.benchmarks ingest [--scale 10] [--keep DIR]
    python -m tests.benchmarks events [--rows 10000000] [--times 3] [--keep DIR]
    python -m tests.benchmarks messages [--scale 10] [--keep DIR]
    python -m tests.benchmarks known [--files 5000]
    python -m tests.benchmarks week
    python -m tests.benchmarks crossed [--threads 2] [--cases small,middle,10k,10k-wide,40k]
    python -m tests.benchmarks overage

`ingest` writes the sample plant's delimited logs at a multiple of the committed size, loads them with the command,
and loads the same files with bare DuckDB into a file; it prints seconds, peak memory of each process, and the ratios.
CPU and peak memory of `ingest` include the process that reads the logs.
`events` does the same with one file of so many picks, several times by turns, since a machine that others share is not
always as fast; `messages` with IPC-2591 messages beside DuckDB's own JSON read.
`known` times a run over files that are all in the store already: with --check, which reads them, and without.
`week` times the whole demo and the week alone.
`crossed` fits the crossed model on made-up cells (crossed.py) by its routes, and a small one by plain statsmodels.
`overage` times the buyer's figures for 10 000 parts in 50 builds, and a kit of 400 lines (overage.py).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import duckdb

from tests.benchmarks.crossed import CASES
from tests.benchmarks.events import events, messages
from tests.benchmarks.measured import run, table
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
        print(table({"pickfall ingest": ours, "bare DuckDB load": bare}, ("pickfall ingest", "bare DuckDB load")))
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


ROUTES = {
    "small": ["statsmodels", "dense", "iterative"],
    "middle": ["dense", "iterative"],
    "10k": ["iterative", "check"],
    "10k-wide": ["iterative"],
    "40k": ["iterative"],
}


def crossed(names: list[str], threads: int) -> None:
    """Fits of the crossed model, each in a process of its own; `check` adds the dense likelihood at the same spreads."""
    print("| case | effects | cells | route | fit, s | CPU, s | peak MB | -2 log L | sampling | against dense |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name in names:
        case, dense = CASES[name], None
        for route in ROUTES[name]:
            done = run([sys.executable, "-W", "ignore", "-m", "tests.benchmarks.crossed", name, route], threads)
            found = json.loads(done.out.strip().splitlines()[-1])
            value = found.get("minus2loglik")
            dense = value if route == "dense" else found.get("dense", dense)
            cells = [name, case.effects, case.cells, route, f"{found['seconds']:.1f}", f"{found['cpu']:.1f}"]
            cells += [f"{done.peak:.0f}", "" if value is None else f"{value:.3f}"]
            cells.append("" if value is None else f"{found['loglik_error']:.2f}")
            cells.append("" if value is None or dense is None else f"{value - dense:+.4f}")
            print("| " + " | ".join(str(c) for c in cells) + " |", flush=True)
            print(f"  {route}: spreads {found['sigmas']}", file=sys.stderr)


def main() -> None:
    """Parse the call and run one benchmark."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("what", choices=["ingest", "events", "messages", "known", "week", "crossed", "overage"])
    parser.add_argument("--scale", type=float, default=10.0)
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--times", type=int, default=3, help="how often each loads the file of `events`")
    parser.add_argument("--keep", type=Path, default=None, help="folder with room for the logs")
    parser.add_argument("--files", type=int, default=5000)
    parser.add_argument("--threads", type=int, default=2, help="threads of the linear algebra in `crossed`")
    parser.add_argument("--cases", default=",".join(CASES), help="cases of `crossed`")
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    if args.what == "ingest":
        ingest(args.scale, args.keep)
    elif args.what == "events":
        events(args.rows, args.keep, args.times)
    elif args.what == "messages":
        messages(args.scale, args.keep)
    elif args.what == "known":
        known(args.files)
    elif args.what == "crossed":
        crossed(args.cases.split(","), args.threads)
    elif args.what == "overage":
        overage()
    else:
        week()


if __name__ == "__main__":
    main()
