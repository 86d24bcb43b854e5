"""New log files -> store, one by one.

In:    an open store, the plant and the files (or the inbox).
Out:   an `Intake`: what became of every file.
After: each file is loaded whole, known already, or refused with its reason in table `refused`; one bad file does not
       stop the others. Files are taken in the order of their names, so that two runs do the same.

Files are opened and parsed in a process of its own, within [limits]: this one only takes over typed tables.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipeline.errors import FileRefused, UserError
from pipeline.ingest.child_reader import ChildReader
from pipeline.ingest.dialect import Dialect, Log
from pipeline.ingest.known_files import KnownFiles
from pipeline.ingest.reading_process import Answer, Known
from pipeline.ingest.registry import dialects
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
    found: dict[str, Path] = {}
    for path in wanted:
        inside = _files_below(str(path)) if path.is_dir() else [str(path)]
        found.update((name, Path(name)) for name in inside)
    in_order = sorted(found, key=lambda name: name.split(os.sep))  # noqa: PTH206
    return tuple(found[name] for name in in_order)


def _files_below(folder: str) -> list[str]:
    """All files, also linked ones, but for hidden and unfinished ones; and linked and closed folders, to be refused.

    Plain text all the way: thousands of files are looked at in every run.
    """
    found: list[str] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.startswith("."):
                    continue
                with suppress(OSError):  # a link that leads round in a circle
                    if entry.is_dir(follow_symlinks=False):
                        found += _files_below(entry.path)
                    elif entry.is_dir() or (entry.is_file() and not entry.name.endswith(UNFINISHED)):
                        found.append(entry.path)
    except FileNotFoundError:  # gone in the meantime
        return []
    except OSError:
        return [folder]
    return found


def take_in(
    con: duckdb.DuckDBPyConnection,
    plant: Plant,
    paths: tuple[Path, ...],
    step: Callable[[str], None] = lambda _: None,
    *,
    check: bool = False,
    before_writing: Callable[[], None] = lambda: None,
) -> Intake:
    """Load all files. `step` is called with each file's name when its turn comes (for a progress bar).

    before_writing  called once, before the first file is stored, if there is one
    check   read every file, also those that look as they did when they were loaded (ingest/known_files.py)
    """
    readers = dialects(plant)
    hashes = {h for (h,) in con.execute("select content_hash from load").fetchall()}
    spoilt = {f for (f,) in con.execute("select file from refused where load_id is null").fetchall()}
    seen = KnownFiles(plant.database.parent, hashes, use=not check)
    logs = logs_of(readers, paths, display_names(plant, paths))
    passed = [seen.knows(log) for log, _, _ in logs]
    taker = _Taker(con, seen, spoilt, before_writing)
    try:
        with ChildReader(plant, readers, hashes) as child:
            answers = child.read(log for (log, _, _), known in zip(logs, passed, strict=True) if not known)
            for (_, name, file), known in zip(logs, passed, strict=True):
                step(name)
                if known:
                    taker.known_already(name, file)
                else:
                    taker.take(name, file, *next(answers))
        taker.group.commit()
    except BaseException:
        taker.group.undo()
        raise
    finally:
        seen.save()
    return Intake(tuple(taker.loaded), tuple(taker.known), tuple(taker.refused))


class _Taker:
    """Puts one answer after the other into the store and keeps the account."""

    def __init__(
        self, con: duckdb.DuckDBPyConnection, seen: KnownFiles, spoilt: set[str], before_writing: Callable[[], None]
    ) -> None:
        self._con, self._seen, self._spoilt, self._before_writing = con, seen, spoilt, before_writing
        self.group = loading.LoadGroup(con)
        self.loaded: list[LoadResult] = []
        self.known: list[str] = []
        self.refused: list[RefusedFile] = []

    def take(self, name: str, file: str, log: Log, answer: Answer) -> None:
        """Take over one log; `name` and `file`: how it and its file are called in lists."""
        if isinstance(answer, FileRefused):
            reason = _printable(answer.reason)  # it may quote the file
            loading.refuse_file(self._con, name, answer.line, reason)
            self.refused.append(RefusedFile(name, answer.line, reason))
        elif isinstance(answer, Known):
            self._seen.remember(log, answer.content_hash, answer.state)
            self.known_already(name, file)
        else:
            if not self.loaded:
                self._before_writing()
            staging = answer.into(self._con)
            result = self.group.add(staging, answer.source, name, answer.dialect, answer.mapping)
            self._seen.remember(log, answer.source.content_hash, answer.state)
            self.loaded.append(result)
            self._mended(name, file)
            if self.group.is_full:
                self.group.commit()

    def known_already(self, name: str, file: str) -> None:
        self.known.append(name)
        self._mended(name, file)

    def _mended(self, name: str, file: str) -> None:
        for refused in {name, file} & self._spoilt:
            loading.forget_refused_file(self._con, refused)


def logs_of(readers: tuple[Dialect, ...], paths: tuple[Path, ...], names: list[str]) -> list[tuple[Log, str, str]]:
    """What there is to read in each file, with its name in lists and that of the file: the parts that mappings read,
    else all of it.

    names   of the files in lists, one for each path
    """
    found = []
    for path, name in zip(paths, names, strict=True):
        parts = next((p for reader in readers if (p := reader.parts(path))), ("",))
        found += [(log, log.named(name), name) for log in (Log(path, part) for part in parts)]
    return found


def display_names(plant: Plant, paths: tuple[Path, ...]) -> list[str]:
    """Each file's path below the plant folder where it lies there, else as it was given; always printable text."""
    home = plant.folder.resolve()
    folders: dict[str, str | None] = {}
    found = []
    for path in map(str, paths):
        above, _, name = path.rpartition(os.sep)
        if above not in folders:
            there = Path(above or os.sep if path.startswith(os.sep) else above).resolve()
            below = there.relative_to(home).as_posix() if there.is_relative_to(home) else None
            folders[above] = None if below is None else "" if below == "." else below + "/"
        prefix = folders[above]
        found.append(_printable(path if prefix is None else prefix + name))
    return found


def _printable(name: str) -> str:
    """A text with bytes that are no text, and signs that cannot be seen, written as escapes.

    >>> _printable("a\\nb"), _printable("Größe")
    ('a\\\\nb', 'Größe')
    """
    if name.isascii() and name.isprintable():
        return name
    text = os.fsencode(name).decode("utf-8", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
