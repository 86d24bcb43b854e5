"""Unpacks zstd, whole or not at all.

In:    an open file that begins with a zstd frame.
Out:   its content in pieces.
After: every frame was complete and every checksum that is there was right.

The library gives what it has of a frame that was cut off, without a word. So the frames are walked through first, by
their headers alone. Source: RFC 8878, section 3.1. A frame written without a checksum (an option of the writer) cannot
be proved whole inside its blocks.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import BinaryIO

import zstandard

from pipeline.errors import FileRefused

MAGIC = b"\x28\xb5\x2f\xfd"
_SKIPPED = range(0x184D2A50, 0x184D2A60)
LARGEST_WINDOW = 1 << 27
"""Bytes that a frame may ask to be held in memory: what the writers' default and their long mode take."""
PIECE = 1 << 20

_CUT_OFF = "is a zstd file that ends too early: it was cut off. Copy it again."


def is_zstd(head: bytes) -> bool:
    """True if the first bytes are those of a zstd frame, or of one to be skipped in front of it.

    >>> is_zstd(MAGIC + b"more"), is_zstd(bytes([0x50, 0x2A, 0x4D, 0x18])), is_zstd(b"text")
    (True, True, False)
    """
    return head.startswith(MAGIC) or int.from_bytes(head[:4], "little") in _SKIPPED


def unpack_zstd(file: BinaryIO) -> Iterator[bytes]:
    """Content of all frames, in pieces of at most 1 MB; FileRefused when one is damaged or cut off."""
    _walk(file)
    file.seek(0)
    unpacker = zstandard.ZstdDecompressor(max_window_size=LARGEST_WINDOW)
    with unpacker.stream_reader(file, read_across_frames=True, closefd=False) as unpacked:
        while True:
            try:
                piece = unpacked.read(PIECE)
            except zstandard.ZstdError as error:
                raise FileRefused(f"is a zstd file that cannot be unpacked ({error}). Copy it again.") from error
            except OSError as error:
                raise FileRefused(f"cannot be read: {error.strerror}.") from error
            if not piece:
                return
            yield piece


def _walk(file: BinaryIO) -> None:
    """Go from frame to frame and from block to block; FileRefused when the file does not end with a frame."""
    end = os.fstat(file.fileno()).st_size
    file.seek(0)
    while file.tell() < end:
        magic = _take(file, 4)
        if int.from_bytes(magic, "little") in _SKIPPED:
            _skip(file, int.from_bytes(_take(file, 4), "little"), end)
            continue
        if magic != MAGIC:
            raise FileRefused("is a damaged zstd file: something else follows its content. Copy it again.")
        descriptor = _take(file, 1)[0]
        single, checksum = descriptor >> 5 & 1, descriptor >> 2 & 1
        content_size = (1 if single else 0, 2, 4, 8)[descriptor >> 6]
        _skip(file, (0 if single else 1) + (0, 1, 2, 4)[descriptor & 3] + content_size, end)
        last = False
        while not last:
            block = int.from_bytes(_take(file, 3), "little")
            last, kind, size = bool(block & 1), block >> 1 & 3, block >> 3
            if kind == 3:
                raise FileRefused("is a damaged zstd file: it has a block of no known kind. Copy it again.")
            _skip(file, 1 if kind == 1 else size, end)
        _skip(file, 4 * checksum, end)


def _take(file: BinaryIO, count: int) -> bytes:
    found = file.read(count)
    if len(found) < count:
        raise FileRefused(_CUT_OFF)
    return found


def _skip(file: BinaryIO, count: int, end: int) -> None:
    if file.seek(count, os.SEEK_CUR) > end:
        raise FileRefused(_CUT_OFF)
