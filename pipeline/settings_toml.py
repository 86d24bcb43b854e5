"""TOML files of the plant: parsed, and where in them a key stands.

In:    the bytes of plant.toml or of a log mapping.
Out:   plain data; line numbers and sentences for what is wrong.
After: what is not TOML is a SettingsError with file, line and remedy.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Collection
from pathlib import Path
from typing import Any

from pipeline.errors import SettingsError


def read_toml(path: Path, text: bytes) -> dict[str, Any]:
    """Parse TOML; SettingsError with the line when it is not TOML."""
    try:
        return tomllib.loads(text.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise SettingsError(path, 0, "not UTF-8 text. Save it as UTF-8.") from error
    except RecursionError as error:
        raise SettingsError(path, 0, "not valid TOML: its brackets are nested too deep.") from error
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        message = re.sub(r" \(at .*\)$", "", str(error))
        raise SettingsError(path, int(found[1]) if found else 0, f"not valid TOML: {message}.") from error


def line_of(lines: list[str], key: str, section: str = "") -> int:
    """Line (from 1) on which `key` stands, below `[section]` if given, else that of the section; 0 if there is none.

    >>> line_of(["[costs]", "# machine_hour", "machine_hour = 1"], "machine_hour", "costs")
    3
    >>> line_of(["", "costs = { machine_hour = 1 }"], "machine_hour", "costs"), line_of(["[costs]"], "machine_hour")
    (2, 0)
    """
    inside = not section
    head = re.compile(rf"^\s*\[\[?\s*[\"']?{re.escape(section)}[\"']?\s*\]\]?")
    wanted = re.compile(rf"^\s*(\[\[?\s*)?[\"']?{re.escape(key)}[\"']?\s*(\.|=|\])")
    for number, line in enumerate(lines, 1):
        if section and head.match(line):
            inside = True
        elif section and re.match(r"^\s*\[", line) and inside:
            inside = False
        if inside and wanted.match(line):
            return number
    return line_of(lines, section) if section else 0


def unknown_key(key: str, known: Collection[str]) -> str:
    """One sentence on an unknown key, with the nearest known one."""
    near = difflib.get_close_matches(key, sorted(known), 1)
    hint = f'Did you mean "{near[0]}"?' if near else f"Known: {', '.join(sorted(known))}."
    return f'unknown key "{key}". {hint}'


class Entry:
    """One [[section]]: its keys, and where they stand."""

    def __init__(self, path: Path, lines: list[str], section: str, place: int, content: dict[str, Any]) -> None:
        self.path, self.content = path, content
        self._lines, self._section, self._place = lines, section, place

    @property
    def line(self) -> int:
        """Where it begins, from 1; 0 where it is not found."""
        return self._place

    def wrong(self, message: str, key: str = "") -> SettingsError:
        """The error, with the line of `key`, else of the entry."""
        found = line_of(self._lines[self._place :], key) if key and self._place else 0
        return SettingsError(self.path, self._place + found, message)

    def line_of(self, key: str) -> int:
        """Line of a key."""
        return self.wrong("", key).line

    def check_keys(self, known: Collection[str], needed: Collection[str] = ()) -> None:
        """SettingsError for a key that is not known, and for one that is needed and not there."""
        for key in self.content:
            if key not in known:
                raise self.wrong(unknown_key(key, known), key)
        for key in needed:
            if key not in self.content:
                raise self.wrong(f'a [[{self._section}]] lacks "{key}".')


def entries(path: Path, lines: list[str], section: str, content: Any) -> tuple[Entry, ...]:
    """Every [[section]] of the file; SettingsError when it is written in another way."""
    first = line_of(lines, section)
    if not isinstance(content, list) or not all(isinstance(entry, dict) for entry in content):
        raise SettingsError(path, first, f"write each under its own [[{section}]].")
    heads = [n for n, text in enumerate(lines, 1) if re.match(rf"\s*\[\[\s*{section}\s*\]\]", text)]
    places = heads if len(heads) == len(content) else [first] * len(content)
    return tuple(Entry(path, lines, section, place, entry) for place, entry in zip(places, content, strict=True))


def texts(path: Path, line: int, key: str, value: Any) -> tuple[str, ...]:
    """A list of texts, or SettingsError."""
    if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
        raise SettingsError(path, line, f'"{key}" must be a list of texts in quotes, such as ["A", "B"].')
    return tuple(value)


def number(
    path: Path, line: int, key: str, value: Any, limits: tuple[float, float], *, whole: bool = False
) -> int | float:
    """A number within limits, or SettingsError."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SettingsError(path, line, f'"{key}" must be a number, found {value!r}.')
    if whole and not isinstance(value, int):
        raise SettingsError(path, line, f'"{key}" must be a whole number, found {value!r}.')
    low, high = limits
    if not low <= value <= high:
        raise SettingsError(path, line, f'"{key}" is {value}; it must lie between {low:g} and {high:g}.')
    return value
