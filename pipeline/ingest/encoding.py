"""Which encoding a log is in, and text out of it, without guessing.

In:    the first bytes of a log, and the encoding that a mapping declares, if any.
Out:   an `Encoding`; a `Decoder` that turns bytes into text piece by piece.
After: every byte was decoded strictly and no NUL is left, or FileRefused named the first line that is wrong.

A byte order mark wins over a declared encoding: it is part of the file itself. Nothing is guessed from letter
statistics: a log that is not UTF-8, has no mark and no declared encoding is refused.
"""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from pipeline.errors import FileRefused
from pipeline.ingest.byte_counts import count_byte

# The marks of UTF-32 begin like those of UTF-16: longest first. Source: Unicode Standard, section 23.8, table 23-5.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le", "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8", "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "utf-16-be"),
)
_HEAD = 4096
"""Bytes that the NUL pattern is looked for in."""
_MOSTLY = 0.4
"""Share of NULs at every second byte that tells UTF-16: logs are mostly ASCII, whose upper bytes are NUL."""
_HARDLY = 0.02
"""Share of NULs allowed at the other bytes."""
_LEAST = 8
"""NULs that make a pattern: no log in UTF-16 is shorter."""


@dataclass(frozen=True, slots=True)
class Encoding:
    """codec: Python codec that decodes; mark: bytes of the byte order mark; name: what it is called in the store."""

    codec: str
    mark: int
    name: str
    declared: bool = False

    @property
    def plain(self) -> bool:
        """True if the bytes can be read as they are: UTF-8 without a mark."""
        return self.codec == "utf-8" and self.mark == 0


_NO_LOG = ("charmap", "idna", "punycode", "raw_unicode_escape", "unicode_escape", "utf_7")
"""Codecs of Python that turn text into text of another notation (host names, escapes, mail): no log is written so."""


def is_text_codec(name: str) -> bool:
    """True if Python knows `name` as an encoding that a log can be in.

    >>> is_text_codec("cp1252"), is_text_codec("shift_jis"), is_text_codec("rot13"), is_text_codec("latin9000")
    (True, True, False, False)
    >>> is_text_codec("UTF7"), is_text_codec("unicode-escape"), is_text_codec("utf-8")
    (False, False, True)
    """
    try:
        if codecs.lookup(name).name.replace("-", "_") in _NO_LOG:
            return False
        return "A1;\n".encode(name).decode(name) == "A1;\n"
    except (LookupError, ValueError):
        return False


def detect(head: bytes, declared: str | None) -> Encoding:
    """Encoding of a file that begins with `head` (4 kB or more, or the whole file).

    declared   Python codec named by the mapping, or None.

    >>> detect(b"\\xff\\xfea\\x00", None).codec
    'utf-16-le'
    >>> detect("Größe;1".encode("cp1252"), "cp1252").codec
    'cp1252'
    """
    for mark, codec, name in _MARKS:
        if head.startswith(mark):
            return Encoding(codec, len(mark), name)
    if declared is not None:
        codec = codecs.lookup(declared).name
        return Encoding(codec, 0, codec, declared=True)
    part = head[:_HEAD]
    pairs = max(len(part) // 2, 1)
    even, odd = part[0::2].count(0) / pairs, part[1::2].count(0) / pairs
    if part.count(0) < _LEAST:
        return Encoding("utf-8", 0, "utf-8")
    if odd >= _MOSTLY and even <= _HARDLY:
        return Encoding("utf-16-le", 0, "utf-16-le")
    if even >= _MOSTLY and odd <= _HARDLY:
        return Encoding("utf-16-be", 0, "utf-16-be")
    return Encoding("utf-8", 0, "utf-8")


class Decoder:
    """Decodes a log piece by piece, strictly, and knows on which line it is."""

    def __init__(self, encoding: Encoding) -> None:
        self._encoding = encoding
        self._decoder = codecs.getincrementaldecoder(encoding.codec)("strict")
        self._to_skip = encoding.mark
        self._lines = 0

    def passes(self, piece: bytes) -> bool:
        """True if the next bytes are ASCII in a file of plain UTF-8: they are their own text and need no decoding.

        They are taken as read then; otherwise nothing has changed and they are still to be decoded.
        """
        if not self._encoding.plain or self._decoder.getstate()[0] or not piece.isascii() or b"\0" in piece:
            return False
        self._lines += count_byte(piece, b"\n")
        return True

    def decode(self, piece: bytes, *, final: bool = False) -> str:
        """Text of the next bytes; FileRefused with the line when they are no text of this encoding or hold a NUL."""
        if self._to_skip:
            skipped = min(self._to_skip, len(piece))
            piece, self._to_skip = piece[skipped:], self._to_skip - skipped
        try:
            text = self._decoder.decode(piece, final)
        except UnicodeDecodeError as error:
            good = error.object[: error.start].decode(self._encoding.codec, "replace")
            raise self._refuse(self._lines + good.count("\n") + 1, error) from error
        if "\0" in text:
            line = self._lines + text[: text.index("\0")].count("\n") + 1
            raise FileRefused(f"line {line} holds a NUL byte: the file is damaged or is not a text log.", line)
        self._lines += text.count("\n")
        return text

    def _refuse(self, line: int, error: UnicodeDecodeError) -> FileRefused:
        found = error.object[error.start : error.start + 1].hex()
        name = self._encoding.name
        if self._encoding.declared or not self._encoding.plain:
            advice = "Correct encoding in the mapping." if self._encoding.declared else "The file is damaged."
        else:
            name = "UTF-8, and no mapping declares another encoding"
            advice = 'Add it to the mapping, such as encoding = "cp1252" in [text].'
        return FileRefused(f"line {line} holds the byte 0x{found}, which is not {name}. {advice}", line)
