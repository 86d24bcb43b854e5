"""New log files -> store, one by one.

In:    an open store, the plant and the files (or the inbox).
Out:   an `Intake`: what became of every file.
After: each file is loaded whole, known already, or refused with its reason in table `refused`; one bad file does not
       stop the others. Files are taken in the order of their names, so that two runs do the same.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.errors import FileRefused, UserError
from pipeline.ingest.dialect import Dialect
from pipeline.ingest.registry import dialects
from pipeline.ingest.source import open_source
from pipeline.ingest.staging import Staging
from pipeline.settings import Plant
from pipeline.store import loading
from pipeline.store.loading import LoadResult

UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", ".swp")
"""Endings of files that are still being written: they are left for the next run."""


@dataclass(frozen=True, slots=True)
class RefusedFile:
    """A file of which nothing was loaded."""

    file: str
    line: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class Intake:
    """What became of the files of one run."""

    loaded: tuple[LoadResult, ...]
    known: tuple[str, ...]
    refused: tuple[RefusedFile, ...]

    def over_limit(self, share: float) -> tuple[str, ...]:
        """Files with more than `share` of their lines refused, and files refused as a whole."""
        partly = tuple(r.file for r in self.loaded if r.read and r.refused / r.read > share)
        return partly + tuple(r.file for r in self.refused)


def find_files(plant: Plant, paths: Iterable[Path]) -> tuple[Path, ...]:
    """The files to take: those given, those below folders given, or those below the inbox; sorted, hidden ones left
    out.

    Raises UserError when a path or the inbox does not exist.
    """
    wanted = list(paths)
    for path in wanted:
        if not path.exists():
            raise UserError(f"{path} not found. Check the name.")
    if not wanted:
        if not plant.inbox.is_dir():
            raise UserError(f"{plant.inbox} not found. Make it and put the logs there, or name files.")
        wanted = [plant.inbox]
    found: set[Path] = set()
    for path in wanted:
        inside = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
        found.update(p for p in inside if path == p or not _left_out(p.relative_to(path)))
    return tuple(sorted(found))


def _left_out(below: Path) -> bool:
    return any(part.startswith(".") for part in below.parts) or below.suffix in UNFINISHED


def take_in(
    con: duckdb.DuckDBPyConnection, plant: Plant, paths: tuple[Path, ...], step: Callable[[str], None] = lambda _: None
) -> Intake:
    """Load all files. `step` is called with each file's name before it is read (for a progress bar)."""
    readers = dialects(plant)
    loaded: list[LoadResult] = []
    known: list[str] = []
    refused: list[RefusedFile] = []
    for path in paths:
        name = display_name(plant, path)
        step(name)
        try:
            result = _take_file(con, plant, path, name, readers)
        except FileRefused as error:
            loading.refuse_file(con, name, error.line, error.reason)
            refused.append(RefusedFile(name, error.line, error.reason))
            continue
        if result is None:
            known.append(name)
        else:
            loaded.append(result)
    return Intake(tuple(loaded), tuple(known), tuple(refused))


def display_name(plant: Plant, path: Path) -> str:
    """The file's path below the plant folder where it lies there, else as it was given."""
    try:
        return path.resolve().relative_to(plant.folder.resolve()).as_posix()
    except ValueError:
        return str(path)


def _take_file(
    con: duckdb.DuckDBPyConnection, plant: Plant, path: Path, name: str, readers: tuple[Dialect, ...]
) -> LoadResult | None:
    """Load one file; None when its content is in the store already."""
    with tempfile.TemporaryDirectory(prefix="pickfall-") as work:
        declared = next((e for e in (r.encoding(path) for r in readers) if e), None)
        source = open_source(path, Path(work), plant.limits, encoding=declared)
        if loading.known_content(con, source.content_hash):
            loading.forget_refused_file(con, name)
            return None
        reader = next((r for r in readers if r.recognises(source)), None)
        if reader is None:
            raise FileRefused("no reader knows this file. Write a log mapping whose `files` patterns fit its name.")
        staging = Staging(con)
        reader.stage(source, staging, plant)
        result = loading.load_staged(con, staging, source, name, reader.name, reader.describe(source))
        loading.forget_refused_file(con, name)
        return result
