"""Text events and IPC-2591 messages, each beside a bare DuckDB load of the same file.

A full ingest hashes, parses, maps, checks, removes repeats, stores and rolls up; the bare load only parses and stores.
"""

from __future__ import annotations

import gzip
import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median

from tests.benchmarks.measured import run, table

PLANT = """\
[plant]
name = "benchmark"
zone = "UTC"
[limits]
file_seconds = 7200
unpacked_bytes = 30000000000
"""

MAPPING = """\
format = 1
name = "benchmark picks"
table = "pick"
files = ["*.csv"]
[text]
delimiter = ";"
header = true
encoding = "utf-8"
[time]
columns = ["time"]
format = "%Y-%m-%d %H:%M:%S.%f"
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
board = "board"
designator = "ref"
outcome = "result"
reason = "cause"
[outcome]
"OK" = "placed"
"NOPICK" = "missed"
"REFUSED" = "rejected"
"FELL" = "dropped"
[reason]
"VAC" = "vacuum"
"SIZE" = "size"
"""

WRITE = """
copy (
    with n as (select range as i, hash(range) as h from range({rows})),
    w as (select i, h, i % 10 as m, h % 100 as f, (h // 1000) % 2000 as u from n),
    p as (select *, (f + (h // 7000000) % 3) % 12 as s from w)
    select strftime(timestamp '2026-11-16 00:00:00' + interval (i * {step} // 1000) millisecond, '%Y-%m-%d %H:%M:%S.%g') as time,
        'M' || m as machine, 'H' || (s // 6 + 1) as head, s % 6 + 1 as spindle, 'NZ' || (m * 12 + s) as nozzle,
        'FD' || (m * 100 + f) as feeder, f as slot, 'C' || (m * 40 + f // 2) as part, 'R' || (m * 100 + f) as reel,
        'LOT-' || (m * 100 + f) // 2 as lot, 'CARRIER-TOP' as program,
        'B' || (i // 4000) as board, 'C' || (i // 10 % 400) as ref,
        case when u < 6 then 'NOPICK' when u < 16 then 'REFUSED' when u < 17 then 'FELL' else 'OK' end as result,
        case when u < 6 then 'VAC' when u < 16 then 'SIZE' end as cause
    from p order by i
) to '{path}' (delimiter ';', header)
"""
"""Ten machines with 12 nozzles and 100 feeders each; the parts of a feeder go to three of the nozzles. One week, whatever the
number of rows, 90 bytes a line; the column `program` is not mapped, as logs have such. 10 million give about 23 picks a tally row, where the sample plant has 13."""

WRITE_LOG = """
import sys, duckdb
duckdb.connect(config={"threads": 2, "memory_limit": "1000MB"}).execute(sys.argv[1])
"""

BARE_CSV = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], config={"threads": 2, "memory_limit": "1000MB"})
con.execute("create table bare as select * from read_csv(?, delim = ';', header = true)", [sys.argv[2]])
print(con.execute("select count(*) from bare").fetchall()[0][0])
"""

BARE_JSON = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], config={"threads": 2, "memory_limit": "1000MB"})
con.execute("create table bare as select * from read_json(?, format = 'newline_delimited', union_by_name = true, "
            "ignore_errors = true)", [sys.argv[2]])
print(con.execute("select count(*) from bare").fetchall()[0][0])
"""
"""Errors are passed over because DuckDB stops at a message that has a key twice, and the sample holds one."""


def events(rows: int, keep: Path | None, times: int) -> None:
    """One CSV file of `rows` picks, loaded `times` times by each in turn; the ratio is the middle one of the pairs."""
    with tempfile.TemporaryDirectory(dir=keep) as work:
        plant, bare_file = Path(work) / "plant", Path(work) / "bare.duckdb"
        for name in ("inbox", "mappings", "masters"):
            (plant / name).mkdir(parents=True)
        (plant / "plant.toml").write_text(PLANT)
        (plant / "mappings" / "picks.toml").write_text(MAPPING)
        log = plant / "inbox" / "picks.csv"
        step = 6 * 86_400_000_000 // rows
        run([sys.executable, "-c", WRITE_LOG, WRITE.format(rows=rows, step=step, path=log)])
        print(f"{rows} picks, {log.stat().st_size / 1e6:.0f} MB")
        pairs = []
        for number in range(1, times + 1):
            shutil.rmtree(plant / "store", ignore_errors=True)
            bare_file.unlink(missing_ok=True)
            ours = run([sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)])
            bare = run([sys.executable, "-c", BARE_CSV, str(bare_file), str(log)])
            print(f"{number}: {ours.out.strip().splitlines()[0]} bare DuckDB rows: {bare.out.split()[-1]}")
            names = ("pickfall ingest", "bare DuckDB load")
            print(table(dict(zip(names, (ours, bare), strict=True)), names), flush=True)
            pairs.append((ours, bare))
        walls, cpus = ([getattr(a, what) / getattr(b, what) for a, b in pairs] for what in ("wall", "cpu"))
        print(f"middle ratio of {times}: {median(walls):.2f} of the seconds, {median(cpus):.2f} of the processor time")


def messages(scale: float, keep: Path | None) -> None:
    """The sample's IPC-2591 messages at `scale` times their number."""
    with tempfile.TemporaryDirectory(dir=keep) as work:
        made = [sys.executable, "-m", "sample_logs.generator", "--out", work, "--plain", "--scale", str(scale)]
        run(made)
        plant = Path(work) / "plant"
        for path in list((plant / "inbox").iterdir()):
            if path.name.endswith(".ndjson.gz"):
                with gzip.open(path) as packed, path.with_suffix("").open("wb") as plain:
                    shutil.copyfileobj(packed, plain)
            if path.suffix != ".ndjson":
                path.unlink()
        size = sum(p.stat().st_size for p in (plant / "inbox").iterdir()) / 1e6
        print(f"scale {scale:g}: {size:.0f} MB of messages")
        ours = run([sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)])
        print(next(line for line in ours.out.splitlines() if "new file" in line))
        bare = run(
            [sys.executable, "-c", BARE_JSON, str(Path(work) / "bare.duckdb"), str(plant / "inbox" / "*.ndjson")]
        )
        print(f"bare DuckDB rows: {bare.out.split()[-1]}")
        names = ("pickfall ingest", "DuckDB JSON read")
        print(table(dict(zip(names, (ours, bare), strict=True)), names))
