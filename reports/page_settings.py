"""Settings as they are written in plant.toml, and the versions used.

In:    settings and versions of a bundle.
Out:   lines of text.
After: numbers, lists and patterns read as a user writes them; nothing is left out without saying so.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

LINES_SHOWN: Final = 80
"""Lines of settings in the PDF; the workbook has all."""
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True)
class SettingsList:
    """`lines` to print: a heading such as `[costs]`, or `key = value`; `more` lines are left out."""

    lines: tuple[tuple[bool, str], ...]
    more: int


def written(value: object) -> str:
    """A value as TOML writes it.

    >>> written(0.95), written(True), written(("06:00", "14:00")), written(r"(?P<id>NZ\\d+)"), written("it's")
    ('0.95', 'true', '["06:00", "14:00"]', "'(?P<id>NZ\\\\d+)'", '"it\\'s"')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return f"[{', '.join(written(one) for one in value)}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{_key(k)} = {written(v)}' for k, v in value.items())} }}" if value else "{}"
    if isinstance(value, str):
        plain = "\\" not in value and '"' not in value
        if plain or "'" in value:
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        return f"'{value}'"
    return str(value)


def _key(name: object) -> str:
    return str(name) if _BARE.fullmatch(str(name)) else written(str(name))


def _lines(settings: dict[str, object]) -> Iterator[tuple[bool, str]]:
    """Single values first, as section [plant]; then each section, then each entry of a list of tables."""
    tables = {k: v for k, v in settings.items() if isinstance(v, dict)}
    arrays = {k: v for k, v in settings.items() if isinstance(v, (list, tuple)) and all(isinstance(x, dict) for x in v)}
    single = {k: v for k, v in settings.items() if k not in tables and k not in arrays}
    if single:
        tables = {"plant": single, **tables}
    for name, content in tables.items():
        yield True, f"[{_key(name)}]"
        for key, value in content.items():
            yield False, f"{_key(key)} = {written(value)}"
    for name, entries in arrays.items():
        for entry in entries or ({},):
            yield True, f"[[{_key(name)}]]{'' if entry else ' none'}"
            for key, value in entry.items():
                yield False, f"{_key(key)} = {written(value)}"


def settings(values: dict[str, object], *, cut: bool) -> SettingsList:
    """All settings, or for paper (`cut`) the first `LINES_SHOWN` lines."""
    found = tuple(_lines(values))
    shown = found[:LINES_SHOWN] if cut else found
    return SettingsList(shown, len(found) - len(shown))


def versions(values: dict[str, str]) -> str:
    """Versions in one line."""
    return ", ".join(f"{name} {version}" for name, version in values.items())
