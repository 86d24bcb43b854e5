"""Tell by counting bytes that every line of a log is one regular record: the fast half of the check of irregular_sql.

In:    UTF-8 text on disk, its delimiter, quote and comment sign, and where its data begin.
Out:   how many data lines it has, or None where counting cannot tell.
After: with a number n, the file is regular if a strict reader finds n records in it. Such a reader takes no line with
       too few fields, so no line has fewer delimiters than it should; and as there are just enough of them in the whole
       file, none has more.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.ingest.byte_counts import count_byte, count_pair
from pipeline.ingest.mapping import TextRules

PIECE = 1 << 20
"""Bytes read at once."""


def countable_lines(path: Path, rules: TextRules, fields: int, first: int) -> int | None:
    """Lines after the first `first` ones, if none of them holds a quote or comment sign and the delimiters add up.

    fields   how many a record has, 2 or more
    None also for a delimiter that is not one byte and for a file whose line ends differ or that ends in a blank line.
    """
    delimiter, *signs = (s.encode() for s in (rules.delimiter, rules.quote, rules.comment or "") if s)
    if len(delimiter) != 1:
        return None
    delimiters = ends = returns = pairs = 0
    last, end = b"", b""
    reach = max((len(s) for s in signs), default=1) - 1
    with path.open("rb") as file:
        for _ in range(first):
            if b"\r" in file.readline().removesuffix(b"\r\n"):
                return None
        while piece := file.read(PIECE):
            edge = end + piece[:reach]  # a sign of several bytes may lie across two pieces
            if any(sign in piece or sign in edge for sign in signs):
                return None
            end = piece[-reach:] if reach else b""
            delimiters += count_byte(piece, delimiter)
            ends += count_byte(piece, b"\n")
            returns += count_byte(piece, b"\r")
            pairs += count_pair(piece, b"\r\n") + (last == b"\r" and piece.startswith(b"\n"))
            last = piece[-1:]
    if returns and not returns == pairs == ends:
        return None
    lines = ends + (last not in (b"\n", b""))
    return lines if delimiters == lines * (fields - 1) else None
