"""Seeded mutations of small good logs through every reader and container, with a real database.

For each case: no error but FileRefused, no hang, and read = loaded + duplicate + refused once it is in the store. After
every group of cases: the tallies equal a fresh count of the picks (the roll-up checks that itself).
A case is (sample, number): `_mutate(sample, number)` gives the same bytes again.
"""

from __future__ import annotations

import gzip
import random
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import FrameType

import duckdb
import pytest

from pipeline import settings
from pipeline.errors import FileRefused
from pipeline.ingest.dialect import Dialect
from pipeline.ingest.registry import dialects
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant
from pipeline.store import loading, migrations
from pipeline.store.database import connect
from tests.faults.runs import ROOT
from tests.plants import MAPPING, make_plant

CASES = 80
LONG = 20_000
PARTS = 20
"""Tests that the long set is divided into, so that several processes can share it."""
GROUP = 20
"""Cases that are rolled up together, as small files are."""
SECONDS = 20
"""No case takes longer; a good one takes some hundredths of a second."""

ODD_MAPPING = """format = 1
name = "odd"
table = "pick"
files = ["odd*"]
[text]
delimiter = ","
encoding = "cp1252"
skip_lines = 1
header = false
comment = "#"
decimal = ","
thousands = "."
trim = true
null = ["-", "n/a"]
[time]
columns = [1]
format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Berlin"
[columns]
machine = 2
nozzle = 3
part = 4
outcome = 5
dx = 6
[outcome]
"OK" = "placed"
"NG" = "missed"
"""
ODD = (
    'made by hand\n25.10.2026 01:59:58,M1,N1,"P,1",OK,"1.234,5"\n# a remark\n'
    '25.10.2026 02:30:00,M1,N2,"two\nlines",NG,-\n'
    '25.10.2026 02:10:00,M1,N1,"Gr\u00f6\u00dfe ""7""",OK,"0,5"\n25.10.2026 03:00:01,M1, N1 ,P1,OK,n/a\n'
)


@dataclass(frozen=True)
class Sample:
    """A good log: the name decides its mapping; `container` how it is packed."""

    name: str
    text: bytes
    container: str

    def packed(self, content: bytes) -> bytes:
        """`content` in the container; content that is no text any more stays as it is."""
        if self.container in ("utf-16", "utf-8-sig"):
            return content.decode("utf-8", "replace").encode(self.container)
        return gzip.compress(content, mtime=0) if self.container == "gzip" else content


@cache
def _samples() -> tuple[Sample, ...]:
    """Every dialect of the sample plant and two more, each in every container."""
    inbox = ROOT / "sample_logs" / "plant" / "inbox"
    plain: dict[str, bytes] = {"odd.csv": ODD.encode("cp1252")}
    for path in sorted(inbox.iterdir()):
        kind = path.name.split("2026")[0] if "2026" in path.name else path.name.split(".")[0]
        name = path.name.removesuffix(".gz")
        if kind in {n.split("2026")[0] if "2026" in n else n.split(".")[0] for n in plain}:
            continue
        data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
        plain[name] = _head(data)
    samples = []
    for name, text in plain.items():
        for container in ("plain", "gzip", "utf-16", "utf-8-sig"):
            whole = text.decode("cp1252").encode() if name == "odd.csv" and container != "plain" else text
            samples.append(Sample(name + (".gz" if container == "gzip" else ""), whole, container))
    return tuple(samples)


def _head(data: bytes) -> bytes:
    """Some whole lines, about 3 kB; of messages the shortest of every name."""
    lines = data.rstrip(b"\n").split(b"\n")
    if all(line.startswith(b'{"MessageName"') for line in lines):
        shortest: dict[str, bytes] = {}
        for line in lines:
            name = line.split(b'"', 4)[3].decode()
            shortest[name] = min(shortest.get(name, line), line, key=len)
        return b"\n".join(shortest.values()) + b"\n"
    kept: list[bytes] = []
    for line in lines:
        if kept and sum(map(len, kept)) + len(line) > 3_000:
            break
        kept.append(line)
    whole = b"\n".join(kept)
    return whole.removesuffix(b",") + b"\n]\n" if data.startswith(b"[") else whole + b"\n"


PIECES = (
    b"\0", b"\n", b"\r", b"\r\n", b";", b",", b'"', b'""', b"'", b"\\", b"\\u0000", b"\\ud800", b"{", b"}", b"[", b"]",
    b"[[", b":", b"null", b"true", b"NaN", b"1e999", b"-1", b"99999999999999999999999", b"0x10", b"1E5", b"\xff",
    b"\xfe\xff", b"\xef\xbb\xbf", b"\xc3", b"\xed\xa0\x80", b"\xf0\x9f\x92\xa9", b"\x1f\x8b", b"\x1b[31m",
    b"2026-13-45", b"9999-12-31",
    b"0001-01-01", b"24:00:00", b"+99:99", b"1e308", b"9223372036854775807", b"9223372036854775808",
    b"\t", b" " * 50, b"%s", b"${x}", b"'; drop table pick; --", b"\xe2\x80\xae", b"\x7f", b"\xc2\x85",
    b"\xe2\x80\xa8", b"=1+1", b"#",
    b'"MessageName":', b'"MessageBody":{', b"-9223372036854775808", b"2026-10-25T02:30:00", b"1970-01-01T00:00:00Z",
    b".", b"-",
)  # fmt: skip


def _mutate(sample: Sample, number: int) -> bytes:
    """The sample after one to six changes of its bytes, inside or outside its container."""
    rng = random.Random(f"{sample.name} {sample.container} {number}")
    outside = sample.container == "plain" or rng.random() < 0.3
    data = bytearray(sample.packed(sample.text) if outside else sample.text)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1) if data else 0
        end = min(len(data), at + rng.choice((1, 1, 2, 5, 20, 200)))
        how = rng.choice(("flip", "insert", "insert", "replace", "delete", "repeat", "splice", "truncate", "swap"))
        if how == "flip" and at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        elif how == "insert":
            data[at:at] = rng.choice(PIECES)
        elif how == "replace":
            data[at:end] = rng.choice(PIECES)
        elif how == "delete":
            del data[at:end]
        elif how == "repeat":
            data[at:at] = data[at:end] * rng.choice((1, 2, 30))
        elif how == "splice":
            other = rng.choice(_samples())
            begin = rng.randrange(len(other.text))
            data[at:end] = other.text[begin : begin + rng.choice((3, 30, 300))]
        elif how == "truncate" and rng.random() < 0.3:
            del data[at:]
        elif how == "swap":
            data[at:end] = data[at:end][::-1]
    return bytes(data) if outside else sample.packed(bytes(data))


@contextmanager
def _clock(seconds: int) -> Iterator[None]:
    """Fails a case that takes longer."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise TimeoutError(f"a case took more than {seconds} seconds")

    old = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, old)


class _Bench:
    """A plant with all mappings and a store that is emptied now and then."""

    def __init__(self, folder: Path) -> None:
        self.folder = make_plant(folder)
        for path in (ROOT / "sample_logs" / "plant" / "mappings").glob("*.toml"):
            shutil.copy(path, folder / "mappings")
        shutil.copy(ROOT / "sample_logs" / "plant" / "plant.toml", folder / "plant.toml")
        (folder / "mappings" / "odd.toml").write_text(ODD_MAPPING, encoding="utf-8")
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
    samples = _samples()
    failures: list[str] = []
    for i in range(cases):
        sample, number = samples[i % len(samples)], first + i // len(samples)
        try:
            bench.case(sample, _mutate(sample, number))
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
    for sample in _samples():
        bench.case(sample, sample.packed(sample.text))
    assert bench.refused == 0
    bench.close()
    for table in ("pick", "reel_event", "service", "measurement", "message", "activity"):
        ((filled,),) = bench.con.execute(f"select count(*) > 0 from {table}").fetchall()
        assert filled, f"no sample fills {table}"
    bench.con.close()


def test_mutated_logs(tmp_path: Path) -> None:
    _fuzz(tmp_path, CASES, 0)


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_twenty_thousand_mutated_logs(tmp_path: Path, part: int) -> None:
    _fuzz(tmp_path, LONG // PARTS, 1_000 * (part + 1))


def test_cases_are_the_same_every_time() -> None:
    sample = _samples()[0]
    assert _mutate(sample, 7) == _mutate(sample, 7) != _mutate(sample, 8)
