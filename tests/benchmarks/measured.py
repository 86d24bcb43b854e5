"""Run a command to its end and measure it."""

from __future__ import annotations

import os
import subprocess
import tempfile
import time
from dataclasses import dataclass


@dataclass(frozen=True)
class Measured:
    """One child process: seconds of wall clock and CPU, peak memory in MB, what it printed."""

    wall: float
    cpu: float
    peak: float
    out: str


def run(command: list[str], threads: int = 1) -> Measured:
    """Run a command to its end and measure it; SystemExit with its words when it fails."""
    with tempfile.TemporaryFile("w+") as out:
        begin = time.monotonic()
        process = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, "OPENBLAS_NUM_THREADS": str(threads)}
        )
        _, status, usage = os.wait4(process.pid, 0)
        wall = time.monotonic() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
    if process.returncode not in (0, 3):
        raise SystemExit(f"{' '.join(command[:5])} ended with {process.returncode}:\n{text[-2000:]}")
    return Measured(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, text)


def table(rows: dict[str, Measured], ratio: tuple[str, str]) -> str:
    """The rows as a Markdown table, with the ratio of the first to the second named."""
    lines = ["| what | wall s | CPU s | peak MB |", "|---|---|---|---|"]
    lines += [f"| {name} | {m.wall:.1f} | {m.cpu:.1f} | {m.peak:.0f} |" for name, m in rows.items()]
    one, other = (rows[name] for name in ratio)
    lines.append(f"| ratio | {one.wall / other.wall:.2f} | {one.cpu / other.cpu:.2f} | {one.peak / other.peak:.2f} |")
    return "\n".join(lines)
