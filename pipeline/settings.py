"""plant.toml -> frozen settings, each with its unit and reason.

In:    the path of a plant folder with `plant.toml`.
Out:   `Plant`, a frozen dataclass.
After: every key is known and of its type and range, or SettingsError named file, line and remedy.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, fields
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.errors import SettingsError, UserError
from pipeline.settings_buying import BUYING_RANGES, Buying, PartClass
from pipeline.settings_entries import FAULT_KINDS, KnownFault, Service, known_fault_of, part_class_of, service_of
from pipeline.settings_toml import Entry, entries, line_of, number, read_toml, texts, unknown_key

__all__ = [
    "FAULT_KINDS", "Buying", "Costs", "KnownFault", "Limits", "Lists", "PartClass", "Plant", "Retention", "Service",
    "ShiftClock", "Statistics", "check_zone", "line_of", "load", "read_toml", "shift_hours", "unknown_key",
]  # fmt: skip

FILE = "plant.toml"


@dataclass(frozen=True, slots=True)
class Statistics:
    """How sure to be before somebody is sent to a machine."""

    confidence: float = 0.95
    """Level of every interval, a fraction."""
    interval: str = "wilson"
    """wilson, clopper-pearson or jeffreys."""
    false_discovery_rate: float = 0.05
    """Expected share of false flags among the flags of a week, a fraction."""
    smallest_effect: float = 1.5
    """Odds ratio against healthy peers below which nothing is flagged: it would not be worth a walk."""
    smallest_saving: float = 1.0
    """Expected saving per week below which nothing is flagged, in the plant's currency."""
    least_losses: int = 5
    """Below this many losses nothing is flagged."""
    least_picks: int = 200
    """Below this many picks an item is reported as "not enough picks"."""
    spread_weeks: int = 8
    """Weeks before the reported one from which it is learnt how far healthy items differ; 0: from that week alone."""


@dataclass(frozen=True, slots=True)
class Costs:
    """What a loss costs."""

    machine_hour: float = 60.0
    """One hour of a machine's time, in the plant's currency: what a retry takes away."""
    retry_seconds: float = 1.5
    """Time lost by one failed pick and its retry, in seconds."""
    default_part: float = 0.01
    """Price of a part that the part table gives no price for."""
    miss_uses_part: float = 0.3
    """Share of missed picks after which the feeder indexes past a part, a fraction: common practice, no source. Other
    feeders than tape have their own share in [buying]."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How much may go wrong before a run says so."""

    refused_share: float = 0.01
    """Share of refused lines of a log or a list above which `ingest` and `overage` end with exit code 3, a fraction."""
    unpacked_bytes: int = 8_000_000_000
    """Largest unpacked size of one log, in bytes."""
    unpacked_ratio: int = 400
    """Largest ratio of unpacked to packed size: beyond it a file is taken for a bomb."""
    memory_mb: int = 1000
    """Memory that the database may take, in MB."""
    file_seconds: int = 1800
    """Time that reading one log may take, in seconds: beyond it the log is refused and the run goes on."""
    file_memory_mb: int = 1500
    """Memory that reading one log may take, in MB, beyond that of the program itself; a log beyond it is refused."""


@dataclass(frozen=True, slots=True)
class Lists:
    """How long the lists of the report are."""

    worklist: int = 10
    """Items on the planner's list."""
    table_rows: int = 30
    """Rows of a table in the PDF; the workbook has all."""


@dataclass(frozen=True, slots=True)
class ShiftClock:
    """Begin of each shift, local time HH:MM."""

    begins: tuple[str, ...] = ("06:00", "14:00", "22:00")


@dataclass(frozen=True, slots=True)
class Retention:
    """How long single picks are kept; tallies are kept for good."""

    pick_weeks: int = 26
    """Weeks before the newest pick after which single picks and measurements are removed; 0 keeps them for ever."""
    export: str = ""
    """Folder (below the plant folder unless absolute) that gets them as Parquet before they go; empty: none."""


@dataclass(frozen=True, slots=True)
class Plant:
    """All settings of one plant. `folder` is where plant.toml lies."""

    folder: Path
    name: str = "plant"
    zone: str = "UTC"
    currency: str = "EUR"
    statistics: Statistics = field(default_factory=Statistics)
    costs: Costs = field(default_factory=Costs)
    buying: Buying = field(default_factory=Buying)
    limits: Limits = field(default_factory=Limits)
    lists: Lists = field(default_factory=Lists)
    shifts: ShiftClock = field(default_factory=ShiftClock)
    retention: Retention = field(default_factory=Retention)
    maintenance: tuple[Service, ...] = ()
    known_fault: tuple[KnownFault, ...] = ()
    part_class: tuple[PartClass, ...] = ()

    @property
    def database(self) -> Path:
        """The store's file."""
        return self.folder / "store" / "pickfall.duckdb"

    @property
    def inbox(self) -> Path:
        """Where new logs are put."""
        return self.folder / "inbox"

    @property
    def masters(self) -> Path:
        """Where the master tables lie."""
        return self.folder / "masters"

    @property
    def mappings(self) -> Path:
        """Where the log mappings lie."""
        return self.folder / "mappings"

    @property
    def out(self) -> Path:
        """Where reports go."""
        return self.folder / "out"

    def for_report(self) -> dict[str, object]:
        """The settings as plain data, without where the folder lies."""
        data = asdict(self)
        del data["folder"]
        plain: dict[str, object] = json.loads(json.dumps(data))
        return plain


_SECTIONS: dict[str, type[Any]] = {
    "statistics": Statistics,
    "costs": Costs,
    "buying": Buying,
    "limits": Limits,
    "lists": Lists,
    "shifts": ShiftClock,
    "retention": Retention,
}
_ENTRIES: dict[str, Callable[[Entry], object]] = {
    "maintenance": service_of,
    "known_fault": known_fault_of,
    "part_class": part_class_of,
}
_RANGES: dict[str, tuple[float, float]] = {
    "confidence": (0.5, 0.9999),
    "false_discovery_rate": (1e-6, 0.5),
    "smallest_effect": (1.0, 1000.0),
    "smallest_saving": (0.0, 1e9),
    "least_losses": (1, 1_000_000),
    "least_picks": (1, 1_000_000_000),
    "spread_weeks": (0, 52),
    "machine_hour": (0.0, 1e6),
    "retry_seconds": (0.0, 3600.0),
    "default_part": (0.0, 1e6),
    "miss_uses_part": (0.0, 1.0),
    **BUYING_RANGES,
    "refused_share": (0.0, 1.0),
    "unpacked_bytes": (1, 10**13),
    "unpacked_ratio": (2, 100_000),
    "memory_mb": (100, 1_000_000),
    "file_seconds": (1, 86_400),
    "file_memory_mb": (200, 1_000_000),
    "worklist": (1, 1000),
    "table_rows": (1, 400),
    "pick_weeks": (0, 5200),
}


def load(folder: Path) -> Plant:
    """Read `folder`/plant.toml.

    Raises UserError when there is none and SettingsError (file, line, remedy) when a key is unknown, of the
    wrong type or out of range.
    """
    path = folder / FILE
    if not path.is_file():
        raise UserError(f"{path} not found. Make a plant folder with `pickfall new DIR`, or name one with --plant DIR.")
    text = path.read_bytes()
    data = read_toml(path, text)
    lines = text.decode("utf-8", "replace").splitlines()
    values: dict[str, Any] = {"folder": folder}
    known = {"plant", *_ENTRIES, *_SECTIONS}
    for section, content in data.items():
        if section not in known:
            raise SettingsError(path, line_of(lines, section), unknown_key(section, known))
        if section in _ENTRIES:
            values[section] = tuple(_ENTRIES[section](entry) for entry in entries(path, lines, section, content))
        elif not isinstance(content, dict):
            raise SettingsError(
                path, line_of(lines, section), f'"{section}" is a section: write [{section}] above its keys.'
            )
        elif section == "plant":
            values.update(_plain(path, lines, content))
        else:
            values[section] = _section(path, lines, section, content)
    return Plant(**values)


def _plain(path: Path, lines: list[str], content: dict[str, Any]) -> dict[str, Any]:
    known = {"name", "zone", "currency"}
    for key, value in content.items():
        line = line_of(lines, key, "plant")
        if key not in known:
            raise SettingsError(path, line, unknown_key(key, known))
        if not isinstance(value, str) or not value:
            raise SettingsError(path, line, f'"{key}" must be text in quotes.')
        if key == "zone":
            check_zone(path, line, value)
    return content


def check_zone(path: Path, line: int, name: str) -> ZoneInfo:
    """The zone of that name, or SettingsError."""
    try:
        return ZoneInfo(name)
    except Exception as error:
        raise SettingsError(
            path, line, f'time zone "{name}" is not known. Use a name such as "Europe/Berlin".'
        ) from error


def _section(path: Path, lines: list[str], section: str, content: dict[str, Any]) -> object:
    made = _SECTIONS[section]
    known = {f.name: f for f in fields(made)}
    values: dict[str, Any] = {}
    for key, value in content.items():
        line = line_of(lines, key, section)
        if key not in known:
            raise SettingsError(path, line, unknown_key(key, set(known)))
        values[key] = _value(path, line, key, value, getattr(made(), key))
    return made(**values)


def _value(path: Path, line: int, key: str, value: Any, default: Any) -> Any:
    if key == "begins":
        return _begins(path, line, value)
    if isinstance(default, tuple):
        return texts(path, line, key, value)
    if key == "export":
        if not isinstance(value, str):
            raise SettingsError(path, line, f'"export" must be the name of a folder in quotes, found {value!r}.')
        return value
    if key == "interval":
        allowed = ("wilson", "clopper-pearson", "jeffreys")
        if value not in allowed:
            raise SettingsError(path, line, f'"interval" is {value!r}; use one of {", ".join(allowed)}.')
        return value
    number(path, line, key, value, _RANGES[key], whole=isinstance(default, int))
    return type(default)(value)


def _begins(path: Path, line: int, value: Any) -> tuple[str, ...]:
    good = (
        isinstance(value, list)
        and value
        and all(isinstance(v, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", v) for v in value)
    )
    if not good or list(value) != sorted(set(value)):
        raise SettingsError(
            path, line, '"begins" must be a list of times in rising order, such as ["06:00", "14:00", "22:00"].'
        )
    return tuple(value)


def shift_hours(clock: ShiftClock) -> tuple[timedelta, ...]:
    """Begin of each shift as time since local midnight."""
    return tuple(timedelta(hours=int(b[:2]), minutes=int(b[3:])) for b in clock.begins)
