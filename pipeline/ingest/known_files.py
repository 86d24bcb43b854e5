"""Remembers files that need not be read again, so that a run with nothing new takes no time.

In:    store/known_files.json, written by the run before; the content hashes that the store holds.
Out:   for a log: its content is in the store, or nothing is known.
After: a file is passed over only if its size and both its times are what they were and its content is in the store
       now. Without the note, or with one that cannot be read, files are hashed: it is never needed.

The risk: a file whose content was changed while size, time of change and time of its entry stayed the same is not
seen; `pickfall ingest --check` reads every file.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from pipeline.ingest.child import file_state
from pipeline.ingest.dialect import Log

FILE: Final = "known_files.json"
FORMAT: Final = 1
SETTLED_NS: Final = 2_000_000_000
"""A file changed so shortly before it was read is read once more: its times may not show another change."""


def _key(log: Log) -> str:
    path = os.path.abspath(log.path)  # noqa: PTH100  (thousands of files: plain text is faster)
    return f"{path}\0{log.part}" if log.part else path


class KnownFiles:
    """The note of one store. `use` False: believe nothing, but write the note anew."""

    def __init__(self, folder: Path, hashes: Iterable[str], *, use: bool = True) -> None:
        self._path = folder / FILE
        self._hashes = set(hashes)
        self._before = self._load()
        self._use = use
        self._now: dict[str, list[object]] = {}

    def knows(self, log: Log) -> bool:
        """True if this very log was read before and its content is in the store."""
        key = _key(log)
        entry = self._before.get(key)
        if not self._use or entry is None or entry[0] not in self._hashes or entry[1:] != file_state(log.path):
            return False
        self._now[key] = entry
        return True

    def remember(self, log: Log, content_hash: str, state: tuple[int, ...]) -> None:
        """Note that the log, in that state, has this content; the store must hold it."""
        self._hashes.add(content_hash)
        if state and time.time_ns() - max(state[1:]) > SETTLED_NS:
            self._now[_key(log)] = [content_hash, *state]

    def save(self) -> None:
        """Write the note, whole or not at all. A full disk is no reason to fail: the note only saves time."""
        merged = {**self._before, **self._now}
        kept = {k: e for k, e in sorted(merged.items()) if k in self._now or Path(k.partition("\0")[0]).exists()}
        if kept == self._before:
            return
        part = self._path.with_suffix(".part")
        with contextlib.suppress(OSError):
            part.write_text(json.dumps({"format": FORMAT, "files": kept}), encoding="utf-8")
            part.replace(self._path)
        with contextlib.suppress(OSError):
            os.unlink(part)  # noqa: PTH108  (gone after a good replace)

    def _load(self) -> dict[str, list[object]]:
        try:
            data = json.loads(self._path.read_bytes())
            if data["format"] != FORMAT:
                return {}
            return {str(k): list(e) for k, e in data["files"].items() if len(e) == 4}
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return {}
