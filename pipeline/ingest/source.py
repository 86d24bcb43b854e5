"""Open one log: unpack it, check it, hash it, and give UTF-8 text on disk.

In:    a file as it lies in the inbox: plain, gzip or zstd; text in any encoding that can be told, a workbook, Parquet.
Out:   `SourceFile`.
After: what was packed was read to its end with every checksum right; sizes are within `Limits`; the text is strict
       UTF-8 without byte order mark or NUL; it is the file itself where that is so already, else a copy in `workdir`.
       A workbook or Parquet is unpacked, not converted: `encoding` says which it is. Or FileRefused says why, and no
       copy is left.

Memory is bounded: the file passes through in pieces of 1 MB.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import stat
import tempfile
import zlib
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import FileRefused
from pipeline.ingest.containers import HEAD, check_size, kind_of, weigh_workbook
from pipeline.ingest.containers_zstd import is_zstd, unpack_zstd
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.encoding import Decoder, Encoding, detect
from pipeline.settings import Limits

PIECE = 1 << 20
"""Bytes read at once."""
SAMPLE = 64 * 1024
"""Characters of the sample."""

_GZIP = b"\x1f\x8b"


def open_source(path: Path, workdir: Path, limits: Limits, *, encoding: str | None = None) -> SourceFile:
    """Check and open one log.

    path       the file; a link, a directory or a device is refused
    workdir    where an unpacked or recoded copy may be written; the caller removes it
    limits     `unpacked_bytes` (byte) and `unpacked_ratio` (unpacked / packed) are kept
    encoding   Python codec that a mapping declares for this file; None: UTF-8, or what the file itself tells

    Raises FileRefused (with the line where there is one) when the file cannot be read as a whole, and OSError only
    when `workdir` cannot be written.
    """
    with _open(path) as file:
        before = os.fstat(file.fileno())
        head = _read(file, HEAD)
        file.seek(0)
        packed = head.startswith(_GZIP) or is_zstd(head)
        unpacked = _unpack(file) if head.startswith(_GZIP) else unpack_zstd(file) if packed else _plain(file)
        pieces = _within(unpacked, limits, before.st_size if packed else None)
        source = _through(path, pieces, workdir, encoding, packed=packed)
        if source.encoding == "workbook":
            source = _weighed(source, limits)
        after = os.fstat(file.fileno())
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        _drop(source)
        raise FileRefused("changed while it was read: it is still being written. Load it again when it is complete.")
    return source


def _open(path: Path) -> BinaryIO:
    try:
        mode = path.lstat().st_mode
        if not stat.S_ISREG(mode):
            if stat.S_ISDIR(mode) and not os.access(path, os.R_OK | os.X_OK):
                raise FileRefused("is a folder that this user may not read: permission denied. Check its rights.")
            kind = "a link" if stat.S_ISLNK(mode) else "a directory" if stat.S_ISDIR(mode) else "no regular file"
            raise FileRefused(f"is {kind}. Give the log file itself.")
        # Not through a link that was put there in between, and without waiting on a pipe.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        raise FileRefused(f"cannot be opened: {error.strerror}.") from error
    return os.fdopen(handle, "rb")


def _read(file: BinaryIO, size: int) -> bytes:
    try:
        return file.read(size)
    except OSError as error:
        raise FileRefused(f"cannot be read: {error.strerror}.") from error


def _plain(file: BinaryIO) -> Iterator[bytes]:
    while piece := _read(file, PIECE):
        yield piece


def _unpack(file: BinaryIO) -> Iterator[bytes]:
    """Content of all members. DuckDB would load a gzip with a wrong checksum in silence; Python's gzip does not."""
    with gzip.GzipFile(fileobj=file, mode="rb") as unpacked:
        while True:
            try:
                piece = unpacked.read(PIECE)
            except EOFError as error:
                raise FileRefused("is a gzip that ends too early: it was cut off. Copy it again.") from error
            except (gzip.BadGzipFile, zlib.error) as error:
                raise FileRefused(f"is a damaged gzip ({error}). Copy it again.") from error
            except OSError as error:
                raise FileRefused(f"cannot be read: {error.strerror}.") from error
            if not piece:
                return
            yield piece


def _within(pieces: Iterator[bytes], limits: Limits, packed_size: int | None) -> Iterator[bytes]:
    """The pieces, as long as their sum is within the limits."""
    size = 0
    for piece in pieces:
        size += len(piece)
        check_size(size, packed_size, limits)
        yield piece


def _through(path: Path, pieces: Iterator[bytes], workdir: Path, declared: str | None, *, packed: bool) -> SourceFile:
    """Hash, decode and, where needed, write the pieces."""
    head = next(pieces, b"")
    kind = kind_of(head[:HEAD])
    encoding = detect(head, declared) if kind == "text" else Encoding("latin-1", 0, kind)
    decoder = Decoder(encoding) if kind == "text" else None
    digest = _Digest()
    size, sample, blank = 0, "", True
    text = path
    copy: BinaryIO | None = None
    if packed or (decoder is not None and not encoding.plain):
        handle, name = tempfile.mkstemp(suffix=".txt", prefix="log-", dir=workdir)
        text, copy = Path(name), os.fdopen(handle, "wb")
    try:
        piece = head
        while True:
            digest.update(piece)
            size += len(piece)
            if decoder is not None and piece and not blank and len(sample) >= SAMPLE and decoder.passes(piece):
                if copy is not None:
                    copy.write(piece)
            elif decoder is not None:
                decoded = decoder.decode(piece, final=not piece)
                blank = blank and not decoded.strip()
                if len(sample) < SAMPLE:
                    sample += decoded[: SAMPLE - len(sample)]
                if copy is not None:
                    copy.write(decoded.encode("utf-8"))
            elif copy is not None:
                copy.write(piece)
            if not piece:
                break
            piece = next(pieces, b"")
        if blank and decoder is not None:
            raise FileRefused("is empty." if size == 0 else "holds nothing but blanks.")
        if copy is not None:
            copy.close()
    except BaseException:
        if copy is not None:
            copy.close()
            text.unlink(missing_ok=True)
        raise
    finally:
        digest.end()
    return SourceFile(
        path=path, text=text, content_hash=digest.hexdigest(), size=size, encoding=encoding.name, sample=sample
    )


class _Digest:
    """SHA-256 of pieces. Of a file of several ones a thread reckons it beside what else is done with the piece."""

    def __init__(self) -> None:
        self._digest = hashlib.sha256()
        self._beside: ThreadPoolExecutor | None = None
        self._running: Future[None] | None = None

    def update(self, piece: bytes) -> None:
        """Take in the next piece."""
        if self._running is not None:
            self._running.result()
        if len(piece) < PIECE:
            self._digest.update(piece)
            self._running = None
            return
        if self._beside is None:
            self._beside = ThreadPoolExecutor(1)
        self._running = self._beside.submit(self._digest.update, piece)

    def end(self) -> None:
        """Wait for the thread; `hexdigest` is right from then on."""
        if self._beside is not None:
            self._beside.shutdown()

    def hexdigest(self) -> str:
        """What `hashlib` calls so."""
        return self._digest.hexdigest()


def _weighed(source: SourceFile, limits: Limits) -> SourceFile:
    """A workbook is packed itself: its hash and size are those of what is in it."""
    try:
        content_hash, size = weigh_workbook(source.text, limits)
    except FileRefused:
        _drop(source)
        raise
    return replace(source, content_hash=content_hash, size=size)


def _drop(source: SourceFile) -> None:
    if source.text != source.path:
        source.text.unlink(missing_ok=True)
