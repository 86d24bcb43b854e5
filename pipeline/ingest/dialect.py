"""What a dialect is, as the others see it. A new dialect is one module and one line in registry.py.

In:    a `SourceFile`: a log that was unpacked, checked and hashed by ingest/source.py.
Out:   rows in a `Staging`.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pipeline.ingest.staging import Staging
from pipeline.settings import Plant


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One log, ready to be read.

    path          the file as the user knows it
    text          UTF-8 text without BOM on disk, or a workbook or Parquet: the file itself or an unpacked, recoded copy
    content_hash  SHA-256 of the unpacked content as it was on disk (before recoding), hex
    size          bytes of the unpacked content
    encoding      what it was read as: a codec, "workbook" or "parquet"
    sample        the first 64 kB of the text; empty for a workbook and for Parquet
    part          what the mapping calls the part of the file that it reads; "": all of it
    """

    path: Path
    text: Path
    content_hash: str
    size: int
    encoding: str
    sample: str
    part: str = ""


@dataclass(frozen=True, slots=True)
class Log:
    """What one load reads: a file, or the part of it that one mapping reads ("": all of it)."""

    path: Path
    part: str = ""

    def named(self, name: str) -> str:
        """How it is called in lists, for a file that is called `name` there.

        >>> Log(Path("a.xlsx"), "nozzles").named("inbox/a.xlsx"), Log(Path("a.csv")).named("a.csv")
        ('inbox/a.xlsx [nozzles]', 'a.csv')
        """
        return f"{name} [{self.part}]" if self.part else name

    def content_hash(self, of_file: str) -> str:
        """Identity of its content: that of the whole file, and for a part also its name."""
        return hashlib.sha256(f"{of_file}\0{self.part}".encode()).hexdigest() if self.part else of_file


class Dialect(Protocol):
    """A reader of one family of logs."""

    name: str

    def recognises(self, source: SourceFile) -> bool:
        """True if this dialect can read the file, judged by its name and sample alone."""
        ...

    def encoding(self, path: Path) -> str | None:
        """The codec that this dialect's settings declare for a file of that name, or None."""
        ...

    def parts(self, path: Path) -> tuple[str, ...]:
        """Names of the parts that a file of that name is read in, each by itself; none where it is read as a whole."""
        ...

    def describe(self, source: SourceFile) -> str | None:
        """What besides the file decides how it is read (a mapping's name and hash), or None."""
        ...

    def stage(self, source: SourceFile, staging: Staging, plant: Plant) -> None:
        """Read the whole file into `staging`; FileRefused when it cannot be read at all."""
        ...
