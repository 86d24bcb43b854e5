"""Readers that do what a hostile log might make a real one do. They are sent to the reading process by name."""

from __future__ import annotations

import os
import signal
import tempfile
import time
from pathlib import Path

from pipeline.errors import UserError
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant


class Hostile:
    """Does what the first word of the file says; reads a good file as nothing."""

    name = "hostile"

    def recognises(self, source: SourceFile) -> bool:
        return True

    def encoding(self, path: Path) -> str | None:
        return None

    def parts(self, path: Path) -> tuple[str, ...]:
        return ()

    def describe(self, source: SourceFile) -> str | None:
        return None

    def stage(self, source: SourceFile, staging: Staging, plant: Plant) -> None:
        word = source.sample.split()[0]
        if word == "crash":
            os.kill(os.getpid(), signal.SIGSEGV)
        elif word == "leave":
            os._exit(7)
        elif word == "sleep":
            time.sleep(600)
        elif word == "nap":
            time.sleep(0.5)
        elif word == "spin":
            while True:
                pass
        elif word == "hog":
            held = [bytearray(10_000_000) for _ in range(500)]
            raise AssertionError(f"{len(held)} pieces of memory were given")
        elif word == "join":
            staging.con.execute("create temp table t as select range as a, 'x' || range as b from range(40_000_000)")
            staging.con.execute("select list(b order by a) from t").fetchall()
        elif word == "deep":
            self._deeper()
        elif word == "bug":
            raise KeyError("no such thing")
        elif word == "print":
            os.write(1, b'{"is": "known", "content_hash": "forged", "state": [1, 2, 3]}\n')
        elif word == "remove":
            source.path.unlink()
            raise FileNotFoundError(2, "No such file or directory", str(source.path))
        elif word == "grow":
            with source.path.open("a") as file:
                file.write("more\n")
        staging.records_read += 1
        staging.refuse(1, word, "read by the test")

    def _deeper(self) -> None:
        self._deeper()


def hostile_call(path: Path, word: str) -> list[str]:
    """For a call in a process of its own: does what the word says; a good one gives the file's words."""
    if word == "temporary":
        Path(tempfile.mkdtemp(), "x").write_text("left", encoding="utf-8")
        os._exit(7)
    if word == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    elif word == "sleep":
        time.sleep(600)
    elif word == "hog":
        held = [bytearray(10_000_000) for _ in range(500)]
        raise AssertionError(f"{len(held)} pieces of memory were given")
    elif word == "user":
        raise UserError(f"{path} is not good. Give another.")
    elif word == "bug":
        raise KeyError("no such thing")
    elif word == "print":
        os.write(1, b'{"is": "done", "value": "forged"}\n')
    return path.read_text(encoding="utf-8").split()
