"""One file -> its envelopes, one after the other, each with its number and its own text.

In:    UTF-8 text: one envelope a line (NDJSON), a JSON array of envelopes, or one envelope over many lines.
Out:   (number from 1, raw text, parsed object or why it is unusable).
After: every envelope of the file was given, good or bad; or FileRefused said where no boundary could be found.

Never more than one envelope and one piece of the file is held. A number with a fraction stays the text that it was, so
that an identifier such as 1E5 is kept; NaN and Infinity are no JSON (RFC 8259) and refused; so are keys that stand
twice, of which readers disagree which one counts (RFC 8259, section 4).
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Any, Final, TextIO

from pipeline.errors import FileRefused
from pipeline.ingest.ipc2591_structures import Object, Unusable, shown

LIMIT: Final = 64 * 1024 * 1024
"""Characters of the largest envelope that is read."""
DEEPEST: Final = 200
"""Levels of nesting accepted; the standard's own messages use about ten."""
PIECE: Final = 1 << 20
"""Characters read at once."""
_LOOK: Final = 20
"""Lines looked at to tell one envelope a line from one over many lines."""

Found = tuple[int, str, Object | Unusable]

_BLANK: Final = re.compile(r"[ \t\r\n]*")
_TOKEN: Final = re.compile(r'"[^"\\]*+(?:\\.[^"\\]*+)*+"|["{}\[\],]', re.DOTALL)
_ODD: Final = re.compile(r"\\u(?:0000|[dD][89a-fA-F])")
"""Escapes that can stand for text that is none: NUL and half characters."""


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is no JSON number")


def _no_repeats(pairs: list[tuple[str, Any]]) -> Object:
    made = dict(pairs)
    if len(made) != len(pairs):
        seen: set[str] = set()
        for key, _ in pairs:
            if key in seen:
                raise Unusable(f"the key {shown(key)} stands twice in one object, expected once.")
            seen.add(key)
    return made


_DECODER: Final = json.JSONDecoder(parse_float=str, parse_constant=_no_constant)
_STRICT: Final = json.JSONDecoder(parse_float=str, parse_constant=_no_constant, object_pairs_hook=_no_repeats)


def envelopes(path: Path) -> Iterator[Found]:
    """All envelopes of a file in order. The number is the line in NDJSON, else the place of the envelope in the file.

    Raises FileRefused when the file is cut off or holds something between envelopes.
    """
    with path.open(encoding="utf-8", newline="\n") as file:
        by_line = _one_a_line(file)
        file.seek(0)
        yield from _lines(file) if by_line else _stream(file)


def decode(raw: str) -> Object:
    """The object in `raw`; Unusable when it is not exactly one good JSON object."""
    try:
        found = _DECODER.decode(raw)
    except RecursionError:
        raise _too_deep() from None
    except ValueError as error:
        raise _invalid(error) from None
    return _checked(raw, found)


def _invalid(error: ValueError) -> Unusable:
    said = f"{error.msg}, character {error.pos + 1}" if isinstance(error, json.JSONDecodeError) else str(error)
    if "integer string conversion" in said:  # Python's own words tell a programmer what to do
        said = f"a whole number has more than {sys.get_int_max_str_digits()} digits"
    return Unusable(f"not valid JSON ({said}), expected one envelope.")


def _too_deep() -> Unusable:
    return Unusable(f"nested deeper than {DEEPEST} levels, expected a plain message.")


def _checked(raw: str, found: object) -> Object:
    """`found`, parsed from `raw`, if it is a sound object.

    Repeated keys: the parser keeps one of each, so that fewer keys than `":` in the text mean a repeat, or a text that
    looks like a key. Only then the slow parser, which sees every key, decides.
    """
    if not isinstance(found, dict):
        raise Unusable(f"holds {shown(found)}, expected an object with MessageName and MessageBody.")
    keys, depth = 0, 0
    level: list[Any] = [found]
    while level:
        depth += 1
        if depth > DEEPEST:
            raise _too_deep()
        keys += sum([len(holder) for holder in level if type(holder) is dict])
        level = [
            value
            for holder in level
            for value in (holder.values() if type(holder) is dict else holder)
            if type(value) is dict or type(value) is list
        ]
    if keys != raw.count('":') or " :" in raw or any(blank in raw and f"{blank}:" in raw for blank in "\t\n\r"):
        _STRICT.decode(raw)
    if "\\" in raw and _ODD.search(raw):
        _check_text(found)
    return found


def _check_text(found: Object) -> None:
    """Unusable when a text holds a NUL or half a character: no store can keep it."""
    left: list[Any] = [found]
    while left:
        item = left.pop()
        if isinstance(item, dict):
            left += item.keys()
            left += item.values()
        elif isinstance(item, list):
            left += item
        elif isinstance(item, str) and ("\0" in item or any("\ud800" <= c <= "\udfff" for c in item)):
            raise Unusable("holds a text with a NUL or half a character, expected plain text.")


def _one_a_line(file: TextIO) -> bool:
    """True if one of the first lines is a whole envelope: a later one counts too, the first may be torn."""
    for number, line in zip(range(_LOOK), _texts(file), strict=False):
        if line is None or (number == 0 and line.startswith("[")):
            return False
        try:
            found = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(found, dict) and (number == 0 or "MessageName" in found):
            return True
    return False


def _texts(file: TextIO) -> Iterator[str | None]:
    """Lines that are not blank, stripped; None for one beyond the limit."""
    while line := file.readline(LIMIT + 1):
        if len(line) > LIMIT:
            yield None
        elif stripped := line.strip():
            yield stripped


def _lines(file: TextIO) -> Iterator[Found]:
    number = 0
    while line := file.readline(LIMIT + 1):
        number += 1
        raw = line.strip()
        if len(line) > LIMIT:
            yield number, raw[:PIECE], _too_large()
            while line and not line.endswith("\n"):
                line = file.readline(PIECE)
        elif raw:
            yield number, raw, _decoded(raw)


def _too_large() -> Unusable:
    return Unusable(f"an envelope of more than {LIMIT} characters, expected a smaller one.")


def _decoded(raw: str) -> Object | Unusable:
    try:
        return decode(raw)
    except Unusable as wrong:
        return wrong


class _Window:
    """The part of the file that is being looked at."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self.text, self.at = "", 0

    def more(self) -> bool:
        """Read on; each time at least as much as is held, so that a large envelope is not read over and over."""
        held = self.text[self.at :]
        piece = self._file.read(max(PIECE, len(held)))
        self.text, self.at = held + piece, 0
        return bool(piece)

    def peek(self) -> str:
        """The next character that is not blank; "" at the end of the file."""
        while True:
            blank = _BLANK.match(self.text, self.at)
            self.at = blank.end() if blank else self.at
            if self.at < len(self.text):
                return self.text[self.at]
            if not self.more():
                return ""


def _stream(file: TextIO) -> Iterator[Found]:
    """Envelopes one after another or in arrays, over any number of lines."""
    window, numbers = _Window(file), count(1)
    number = 1
    while character := window.peek():
        if character == "[":
            window.at += 1
            for found in _array(window, numbers):
                number = found[0] + 1
                yield found
        elif character == "{":
            number = next(numbers)
            yield _element(window, number)
            number += 1
        else:
            raise FileRefused(
                f'"{character}" stands where message {number} or the end of the file is expected. '
                "The file is damaged: copy it again.",
                number,
            )


def _array(window: _Window, numbers: count[int]) -> Iterator[Found]:
    """Envelopes up to the closing bracket."""
    number = 0
    while True:
        character = window.peek()
        if number and character == ",":
            window.at += 1
            character = window.peek()
        elif number and character not in ("]", ""):
            raise FileRefused(
                f'"{character}" stands after message {number}, expected a comma. The file is damaged: copy it again.',
                number,
            )
        if character == "]":
            window.at += 1
            return
        number = next(numbers)
        if character in ("", ",", "}"):
            raise _cut_off(number)
        yield _element(window, number)


def _element(window: _Window, number: int) -> Found:
    """The envelope that begins here."""
    if window.text[window.at] == "{":
        try:
            found, end = _DECODER.raw_decode(window.text, window.at)
        except (ValueError, RecursionError):
            pass  # not all of it is here, or it is wrong: its boundary tells
        else:
            raw, window.at = window.text[window.at : end], end
            try:
                return number, raw, _checked(raw, found)
            except Unusable as wrong:
                return number, raw, wrong
    while (boundary := _end(window.text, window.at)) is None:
        if len(window.text) - window.at > LIMIT:
            raise FileRefused(_too_large().reason, number)
        if not window.more():
            raise _cut_off(number)
    raw, window.at = window.text[window.at : boundary], boundary
    return number, raw, _decoded(raw.strip())


def _cut_off(number: int) -> FileRefused:
    return FileRefused(
        f"no end of message {number} is found: the file is cut off or damaged. Copy it again when it is complete.",
        number,
    )


def _end(content: str, start: int) -> int | None:
    """Where the JSON value that begins at `start` ends, told by the brackets outside quotes; None if incomplete."""
    depth = 0
    for token in _TOKEN.finditer(content, start):
        character = token[0]
        if character == '"':
            return None  # a text without end
        if character in "{[":
            depth += 1
        elif character in "}]":
            if depth == 0:
                return token.start()
            depth -= 1
            if depth == 0:
                return token.end()
        elif character == "," and depth == 0:
            return token.start()
    return None
