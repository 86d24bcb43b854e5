"""Open one log: unpack it, check it, hash it, and give UTF-8 text on disk.

In:    a file as it lies in the inbox: plain or gzip, in any encoding that can be told.
Out:   `SourceFile`.
After: a gzip was read to its end with every checksum right; sizes are within `Limits`; the text is strict UTF-8
       without byte order mark or NUL; it is the file itself where that is so already, else a copy in `workdir`.
       Or FileRefused says why, and no copy is left.

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
from pathlib import Path
from typing import BinaryIO

from pipeline.errors import FileRefused
from pipeline.ingest.dialect import SourceFile
from pipeline.ingest.encoding import Decoder, detect
from pipeline.settings import Limits

PIECE = 1 << 20
"""Bytes read at once."""
SAMPLE = 64 * 1024
"""Characters of the sample."""
RATIO_FROM = 1 << 20
"""Unpacked size, in bytes, from which the ratio counts: below it no harm can be done and short logs pack very well."""

_GZIP = b"\x1f\x8b"
# Other packings, told by their first bytes (each format's own specification), only to name them in the message.
_PACKED = (
    (b"PK\x03\x04", "a zip archive"),
    (b"PK\x05\x06", "a zip archive"),
    (b"BZh", "packed with bzip2"),
    (b"\xfd7zXZ\x00", "packed with xz"),
    (b"\x28\xb5\x2f\xfd", "packed with zstd"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"SQLite format 3\x00", "an SQLite database"),
    (b"%PDF-", "a PDF"),
)


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
        head = _read(file, 16)
        for magic, what in _PACKED:
            if head.startswith(magic):
                raise FileRefused(f"is {what}, not a log. Unpack it and give the logs in it, plain or as gzip.")
        file.seek(0)
        packed = head.startswith(_GZIP)
        pieces = _within(_unpack(file) if packed else _plain(file), limits, before.st_size if packed else None)
        source = _through(path, pieces, workdir, encoding, packed=packed)
        after = os.fstat(file.fileno())
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        _drop(source)
        raise FileRefused("changed while it was read: it is still being written. Load it again when it is complete.")
    return source


def _open(path: Path) -> BinaryIO:
    try:
        mode = path.lstat().st_mode
        if not stat.S_ISREG(mode):
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
        if size > limits.unpacked_bytes:
            raise FileRefused(
                f"holds more than {limits.unpacked_bytes} bytes. Split it, or raise unpacked_bytes in [limits]."
            )
        if packed_size is not None and size > RATIO_FROM and size > limits.unpacked_ratio * packed_size:
            raise FileRefused(
                f"unpacks to more than {limits.unpacked_ratio} times its size, which no log does. "
                "If it is one, raise unpacked_ratio in [limits]."
            )
        yield piece


def _through(path: Path, pieces: Iterator[bytes], workdir: Path, declared: str | None, *, packed: bool) -> SourceFile:
    """Hash, decode and, where needed, write the pieces."""
    head = next(pieces, b"")
    encoding = detect(head, declared)
    decoder = Decoder(encoding)
    digest = hashlib.sha256()
    size, sample, blank = 0, "", True
    text = path
    copy: BinaryIO | None = None
    if packed or not encoding.plain:
        handle, name = tempfile.mkstemp(suffix=".txt", prefix="log-", dir=workdir)
        text, copy = Path(name), os.fdopen(handle, "wb")
    try:
        piece = head
        while True:
            digest.update(piece)
            size += len(piece)
            decoded = decoder.decode(piece, final=not piece)
            blank = blank and not decoded.strip()
            if len(sample) < SAMPLE:
                sample += decoded[: SAMPLE - len(sample)]
            if copy is not None:
                copy.write(decoded.encode("utf-8"))
            if not piece:
                break
            piece = next(pieces, b"")
        if blank:
            raise FileRefused("is empty." if size == 0 else "holds nothing but blanks.")
        if copy is not None:
            copy.close()
    except BaseException:
        if copy is not None:
            copy.close()
            text.unlink(missing_ok=True)
        raise
    return SourceFile(
        path=path, text=text, content_hash=digest.hexdigest(), size=size, encoding=encoding.name, sample=sample
    )


def _drop(source: SourceFile) -> None:
    if source.text != source.path:
        source.text.unlink(missing_ok=True)
