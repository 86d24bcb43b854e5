"""Limits that a process sets itself before it touches untrusted bytes.

In:    megabytes, seconds.
Out:   nothing.
After: where the system can, this process gets no more memory and processor time than that, ends when the one that
       started it ends, and leaves no image of its memory. Where the system cannot, nothing happens.
"""

from __future__ import annotations

import contextlib
import ctypes
import re
import resource
import signal
import subprocess
from pathlib import Path
from typing import Final

FEW_THREADS: Final = {"OPENBLAS_NUM_THREADS": "1"}
"""For the environment of such a process: the reader of workbooks imports numpy, whose library of linear algebra
would take memory for every core of the machine and break down where it does not get it."""


def limit_memory(megabytes: int) -> None:
    """Let this process take so much beyond what it has now."""
    with contextlib.suppress(OSError, ValueError):
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
        held = re.search(r"^VmData:\s+(\d+) kB", status, re.MULTILINE)
        if held:
            limit = int(held[1]) * 1024 + megabytes * 1_000_000
            _, hard = resource.getrlimit(resource.RLIMIT_DATA)
            resource.setrlimit(resource.RLIMIT_DATA, (limit if hard < 0 else min(limit, hard), hard))


def limit_cpu(seconds: int, threads: int) -> None:
    """Let this process use so many threads for so many seconds from now on."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    limit = int(used.ru_utime + used.ru_stime) + seconds * (threads + 1) + 5
    with contextlib.suppress(OSError, ValueError):
        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        resource.setrlimit(resource.RLIMIT_CPU, (limit if hard < 0 else min(limit, hard), hard))


def end_with_parent() -> None:
    """Where the system can: end this process when the one that started it ends, however that happens."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(1, signal.SIGKILL, 0, 0, 0)  # PR_SET_PDEATHSIG, prctl(2)


def leave_no_core() -> None:
    """Let this process leave no image of its memory when it breaks down."""
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def end_process(process: subprocess.Popen[bytes]) -> None:
    """From outside: end such a process at once, wait for it, and close its pipes."""
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
