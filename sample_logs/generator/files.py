"""Write logs so that the same content gives the same bytes, and many files can be open in turn.

In:    text, piece by piece, for named files.
Out:   the files below one folder, gzip'd where the name ends in .gz.
After: gzip headers carry no time and no name.
"""

from __future__ import annotations

import gzip
from pathlib import Path
from types import TracebackType
from typing import IO


class Shelf:
    """Open log files by name. `write` opens a file at its first use; `close_all` lets go of those that are done."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._open: dict[str, tuple[IO[bytes], IO[bytes], str]] = {}
        self._done: set[str] = set()

    def __enter__(self) -> Shelf:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close_all()

    def write(self, name: str, text: str, encoding: str = "utf-8", head: str = "") -> None:
        """Append `text` to the file; `head` comes first in a new file, after a BOM if the encoding is utf-16."""
        if name not in self._open:
            if name in self._done:
                raise ValueError(f"{name} was closed already")
            self._done.add(name)
            raw: IO[bytes] = (self.folder / name).open("wb")
            packed: IO[bytes] = raw
            if name.endswith(".gz"):
                packed = gzip.GzipFile(filename="", mode="wb", fileobj=raw, compresslevel=9, mtime=0)  # type: ignore[assignment]
            codec = "utf-16-le" if encoding == "utf-16" else encoding
            if encoding == "utf-16":
                packed.write(b"\xff\xfe")
            packed.write(head.encode(codec))
            self._open[name] = (raw, packed, codec)
        _, packed, codec = self._open[name]
        packed.write(text.encode(codec))

    def close_all(self, but: tuple[str, ...] = ()) -> None:
        """Close every open file whose name holds none of `but`. A closed file must not be written again."""
        for name in [n for n in self._open if not any(kept in n for kept in but)]:
            raw, packed, _ = self._open.pop(name)
            packed.close()
            raw.close()
