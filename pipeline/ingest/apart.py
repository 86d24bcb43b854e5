"""Calls one function on one untrusted file in a process of its own, for commands that only look at a file.

In:    a function of ours that is given a path, its arguments, limits on time and memory.
Out:   what it returns: texts, numbers and lists of them, handed over as JSON.
After: whatever the file does, this process goes on: the other one ended, and no file of its own is left. What a user
       can mend comes back as UserError; so does a file that takes too long or too much memory, or breaks that process.

The run that loads many logs has a reader of its own that stays alive between them: child.py and reading_process.py.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import signal
import subprocess
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Final, TextIO

import duckdb

from pipeline.errors import PickfallError, UserError
from pipeline.ingest.process_limits import (
    FEW_THREADS,
    end_process,
    end_with_parent,
    leave_no_core,
    limit_cpu,
    limit_memory,
)
from pipeline.settings import Limits

MOST_SAID: Final = 1_000_000_000
"""Bytes of the longest answer that is taken."""
_THREADS: Final = 2
_PROGRAM: Final = "import sys; sys.path.append(sys.argv[1]); from pipeline.ingest.apart import main; main()"
_ROOT: Final = Path(__file__).parents[2]


def call_apart(function: Callable[..., Any], path: Path, *more: object, limits: Limits) -> Any:
    """`function(path, *more)`, called in a process of its own.

    function   a function of a module, which the other process imports; its UserErrors and OSErrors come through
    limits     `file_seconds` and `file_memory_mb` hold for the other process
    """
    with tempfile.TemporaryDirectory(prefix="pickfall-") as work:
        process = subprocess.Popen(
            [sys.executable, "-P", "-c", _PROGRAM, str(_ROOT)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **FEW_THREADS},
        )
        late = threading.Event()

        def end() -> None:
            late.set()
            process.kill()

        clock = threading.Timer(limits.file_seconds, end)
        clock.daemon = True
        clock.start()
        try:
            answer = _asked(process, (function, path.absolute(), work, more, limits))
        finally:
            clock.cancel()
            end_process(process)
    if answer is None:
        raise UserError(f"{path}: {_last_words(process.returncode, limits, late=late.is_set())}")
    if answer["is"] == "done":
        return answer["value"]
    if answer["is"] == "full":
        raise OSError(int(answer["errno"]), os.strerror(int(answer["errno"])), tempfile.gettempdir())
    if answer["is"] == "large":
        raise UserError(f"{path}: {_too_large(limits)}")
    if answer["is"] == "wrong":
        raise UserError(str(answer["reason"]).replace(str(path.absolute()), str(path)))
    raise PickfallError(f"{path}: {answer['reason']}")


def _asked(process: subprocess.Popen[bytes], message: object) -> dict[str, Any] | None:
    """Send the message; the answer, or None when the process ended without one."""
    if process.stdin is None or process.stdout is None:
        raise RuntimeError("the process has no pipes")
    with contextlib.suppress(BrokenPipeError):
        pickle.dump(message, process.stdin)
        process.stdin.flush()
    line = process.stdout.readline(MOST_SAID)
    if not line.endswith(b"\n"):
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(5)
        return None
    found: dict[str, Any] = json.loads(line)
    return found


def _last_words(code: int, limits: Limits, *, late: bool) -> str:
    if late or code == -signal.SIGXCPU:
        return (
            f"reading it takes longer than {limits.file_seconds} seconds. Split it, or raise file_seconds in [limits]."
        )
    if code in (-signal.SIGABRT, -signal.SIGKILL):  # how a library or the system ends a process without memory
        return _too_large(limits)
    end = signal.Signals(-code).name if code < 0 else f"exit code {code}"
    return f"the process that read it broke down ({end}). The file may be damaged: copy it again."


def _too_large(limits: Limits) -> str:
    most = limits.file_memory_mb
    return f"reading it takes more than {most} MB of memory. Split it, or raise file_memory_mb in [limits]."


def serve(incoming: BinaryIO, outgoing: TextIO) -> None:
    """Take the one message, call its function, say what came of it."""
    function, path, work, more, limits = pickle.load(incoming)
    tempfile.tempdir = work
    large = json.dumps({"is": "large"})  # made now: later there may be no memory for it
    limit_memory(limits.file_memory_mb)
    limit_cpu(limits.file_seconds, _THREADS)
    try:
        text = json.dumps(_answer(function, path, more))
    except (MemoryError, duckdb.OutOfMemoryException):
        text = large
    outgoing.write(text + "\n")
    outgoing.flush()


def _answer(function: Callable[..., Any], path: Path, more: tuple[object, ...]) -> dict[str, Any]:
    try:
        return {"is": "done", "value": function(path, *more)}
    except (MemoryError, duckdb.OutOfMemoryException):
        raise
    except UserError as error:
        return {"is": "wrong", "reason": str(error)}
    except OSError as error:
        return {"is": "full", "errno": error.errno or 5}
    except Exception as error:
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(last.filename).name} line {last.lineno}"
        words = " ".join(str(error).split())[:200]
        reason = f"the reader failed on it ({type(error).__name__}: {words}; {where}). This is a fault of the program: "
        return {"is": "failed", "reason": reason + "please report it."}


def main() -> None:
    """Entry point of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the command decides when to stop
    end_with_parent()
    leave_no_core()
    with os.fdopen(os.dup(1), "w", encoding="ascii") as outgoing:
        os.dup2(2, 1)  # nothing that a library prints gets between the answer
        with contextlib.suppress(BrokenPipeError):
            serve(sys.stdin.buffer, outgoing)
