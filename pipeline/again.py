"""Files with refused lines, read once more after their log mapping was mended.

In:    an open store, the plant, and the files to look at (none: every file that has refused lines, where it was then).
Out:   an `Again`: what became of each.
After: lines that can be read now are loaded once; a file whose mapping did not change, or that is not there any
       more, is left as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.errors import FileRefused
from pipeline.ingest.child_reader import ChildReader
from pipeline.ingest.reading_process import Answer, Staged
from pipeline.ingest.registry import dialects
from pipeline.intake import RefusedFile, display_names, logs_of
from pipeline.settings import Plant
from pipeline.store import loading
from pipeline.store.loading import LoadResult


@dataclass(frozen=True, slots=True)
class Again:
    """What became of the files that had refused lines.

    loaded   read again; `loaded` of each counts the lines that are new
    refused  cannot be read now
    missing  not where they were when they were loaded
    """

    loaded: tuple[LoadResult, ...]
    refused: tuple[RefusedFile, ...]
    missing: tuple[str, ...]


def take_again(
    con: duckdb.DuckDBPyConnection, plant: Plant, paths: tuple[Path, ...], step: Callable[[str], None] = lambda _: None
) -> Again:
    """Read files again whose load had refused lines and whose mapping is another one now."""
    before = loading.refused_before(con)
    missing: tuple[str, ...] = ()
    if not paths:
        there = {file: _whole(plant.folder / file) for file, _ in before.values()}
        missing = tuple(sorted(file for file, path in there.items() if not path.is_file()))
        paths = tuple(sorted({path for path in there.values() if path.is_file()}))
    hashes = {h for (h,) in con.execute("select content_hash from load").fetchall()} - set(before)
    loaded: list[LoadResult] = []
    refused: list[RefusedFile] = []
    readers = dialects(plant)
    logs = logs_of(readers, paths, display_names(plant, paths))
    with ChildReader(plant, readers, hashes) as child:
        for (_, name, _), (_, answer) in zip(logs, child.read(log for log, _, _ in logs), strict=True):
            step(name)
            try:
                result = _take(con, answer, before)
            except FileRefused as error:
                refused.append(RefusedFile(name, error.line, error.reason))
                continue
            if result is not None:
                loaded.append(result)
    return Again(tuple(loaded), tuple(refused), missing)


def _whole(path: Path) -> Path:
    """The file of a log that is listed as "file [part]"."""
    if path.is_file() or not path.name.endswith("]"):
        return path
    return path.with_name(path.name.rpartition(" [")[0] or path.name)


def _take(
    con: duckdb.DuckDBPyConnection, answer: Answer, before: dict[str, tuple[str, str | None]]
) -> LoadResult | None:
    """Load one file again; None when it is not one of those, or is read as before."""
    if isinstance(answer, FileRefused):
        raise answer
    if not isinstance(answer, Staged) or answer.source.content_hash not in before:
        return None
    _, mapping = before[answer.source.content_hash]
    if answer.mapping == mapping:
        return None
    return loading.load_again(con, answer.into(con), answer.source.content_hash, answer.mapping)
