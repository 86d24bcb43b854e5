"""Run a command to its end and measure it, with every process that it starts.

Memory is read from /proc/PID/status every 50 ms: `ru_maxrss` of a child begins with what its parent had when it was
started, and of several processes it is the largest one's, never their sum. Pages that processes share (program text) count
in each of them, so the sum is an upper bound.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

INTERVAL = 0.05
"""Seconds between two looks at the memory; a peak that is shorter shows in `each` alone."""


@dataclass(frozen=True)
class Measured:
    """A command and all that it started.

    wall, cpu  seconds; CPU of all processes that were waited for
    peak       MB: largest sum of the resident memory of all processes at one time, as seen every 50 ms
    each       MB: the most that each process ever held (VmHWM), largest first
    out        what was printed
    """

    wall: float
    cpu: float
    peak: float
    each: tuple[float, ...]
    out: str


def run(command: list[str], threads: int = 1) -> Measured:
    """Run a command to its end and measure it; SystemExit with its words when it fails.

    What was written before is brought to the disk first: it is no part of what the command costs.
    """
    os.sync()
    with tempfile.TemporaryFile("w+") as out:
        begin = time.monotonic()
        process = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env={**os.environ, "OPENBLAS_NUM_THREADS": str(threads)}
        )
        highest: dict[int, float] = {}
        peak = 0.0
        while True:
            peak = max(peak, _look(process.pid, highest))
            ended, status, usage = os.wait4(process.pid, os.WNOHANG)
            if ended:
                break
            time.sleep(INTERVAL)
        wall = time.monotonic() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        text = out.read()
    if process.returncode not in (0, 3):
        raise SystemExit(f"{' '.join(command[:5])} ended with {process.returncode}:\n{text[-2000:]}")
    each = tuple(sorted(highest.values(), reverse=True))
    return Measured(wall, usage.ru_utime + usage.ru_stime, peak, each, text)


def _look(root: int, highest: dict[int, float]) -> float:
    """Resident memory of a process and all below it now, in MB; notes the most that each ever held in `highest`."""
    total, waiting = 0.0, [root]
    while waiting:
        process = waiting.pop()
        with contextlib.suppress(OSError):  # it has just ended
            status = Path(f"/proc/{process}/status").read_text(encoding="ascii", errors="replace")
            now, most = (re.search(rf"^{name}:\s+(\d+) kB", status, re.MULTILINE) for name in ("VmRSS", "VmHWM"))
            if now and most:
                total += int(now[1]) * 1024 / 1e6
                highest[process] = max(highest.get(process, 0.0), int(most[1]) * 1024 / 1e6)
            for thread in Path(f"/proc/{process}/task").iterdir():
                waiting += map(int, (thread / "children").read_text(encoding="ascii").split())
    return total


def table(rows: dict[str, Measured], ratio: tuple[str, str]) -> str:
    """The rows as a Markdown table, with the ratio of the first to the second named."""
    lines = ["| what | wall s | CPU s | peak MB of all processes | most of each, MB |", "|---|---|---|---|---|"]
    for name, m in rows.items():
        each = " + ".join(f"{mb:.0f}" for mb in m.each)
        lines.append(f"| {name} | {m.wall:.1f} | {m.cpu:.1f} | {m.peak:.0f} | {each} |")
    one, other = (rows[name] for name in ratio)
    lines.append(f"| ratio | {one.wall / other.wall:.2f} | {one.cpu / other.cpu:.2f} | {one.peak / other.peak:.2f} | |")
    return "\n".join(lines)
