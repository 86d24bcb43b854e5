"""plant.toml -> frozen settings, each with its unit and reason.

In:    the path of a plant folder with `plant.toml`.
Out:   `Plant`, a frozen dataclass.
After: every key is known and of its type and range, or SettingsError named file, line and remedy.
"""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from dataclasses import asdict, dataclass, field, fields
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.errors import SettingsError, UserError
from pipeline.settings_buying import BUYING_RANGES, Buying, PartClass

__all__ = [
    "Buying", "Costs", "KnownFault", "Limits", "Lists", "PartClass", "Plant", "Retention", "Service", "ShiftClock",
    "Statistics", "check_zone", "line_of", "load", "read_toml", "shift_hours", "unknown_key",
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
    """Share of refused lines in a file above which `ingest` and `week` end with exit code 3, a fraction."""
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
class Service:
    """How a maintenance message names what it was done to: patterns tried in order.

    pattern  regular expression with one group called `id`
    kind     what the id names: nozzle, head, feeder, machine, ...
    action   words.SERVICE_ACTIONS
    """

    pattern: str
    kind: str
    action: str


FAULT_KINDS = (
    *("too fast", "silent", "clock step", "clock drift", "balance", "reel count", "totals", "feeder counters"),
    *("nozzle counters", "machine counters", "no losses", "kinds not told", "only losses", "unnamed counts"),
    *("reason change", "unknown keys"),
    *("duplicate log", "missing file"),
)
"""Faults of a source that can be declared as known: docs/data_quality.md explains each."""


@dataclass(frozen=True, slots=True)
class KnownFault:
    """A fault of a source that the plant knows of: it is shown as known while it lasts, and missed when it is gone.

    machine  as the logs name it; None for a file that belongs to no single machine (missing file)
    kind     one of FAULT_KINDS
    begin    first local day, ISO 8601
    end      last local day, ISO 8601; None while nobody knows
    reason   in the plant's own words
    line     where it stands in plant.toml, from 1
    """

    machine: str | None
    kind: str
    begin: str
    end: str | None
    reason: str
    line: int


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
    known = {"plant", "maintenance", "known_fault", "part_class", *_SECTIONS}
    for section, content in data.items():
        if section not in known:
            raise SettingsError(path, line_of(lines, section), unknown_key(section, known))
        if section == "maintenance":
            values["maintenance"] = _maintenance(path, lines, content)
        elif section == "known_fault":
            values["known_fault"] = _known_faults(path, lines, content)
        elif section == "part_class":
            values["part_class"] = _part_classes(path, lines, content)
        elif not isinstance(content, dict):
            raise SettingsError(
                path, line_of(lines, section), f'"{section}" is a section: write [{section}] above its keys.'
            )
        elif section == "plant":
            values.update(_plain(path, lines, content))
        else:
            values[section] = _section(path, lines, section, content)
    return Plant(**values)


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
    """Line (from 1) on which `key` stands, below `[section]` if given; 0 if it is not found."""
    inside = not section
    head = re.compile(rf"^\s*\[\[?\s*{re.escape(section)}\s*\]\]?")
    wanted = re.compile(rf"^\s*(\[\[?\s*)?[\"']?{re.escape(key)}[\"']?\s*(\.|=|\])")
    for number, line in enumerate(lines, 1):
        if section and head.match(line):
            inside = True
        elif section and re.match(r"^\s*\[", line) and inside:
            inside = False
        if inside and wanted.match(line):
            return number
    return 0


def unknown_key(key: str, known: set[str]) -> str:
    """One sentence on an unknown key, with the nearest known one."""
    near = difflib.get_close_matches(key, sorted(known), 1)
    hint = f'Did you mean "{near[0]}"?' if near else f"Known: {', '.join(sorted(known))}."
    return f'unknown key "{key}". {hint}'


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
        return _texts(path, line, key, value)
    if key == "export":
        if not isinstance(value, str):
            raise SettingsError(path, line, f'"export" must be the name of a folder in quotes, found {value!r}.')
        return value
    if key == "interval":
        allowed = ("wilson", "clopper-pearson", "jeffreys")
        if value not in allowed:
            raise SettingsError(path, line, f'"interval" is {value!r}; use one of {", ".join(allowed)}.')
        return value
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise SettingsError(path, line, f'"{key}" must be a number, found {value!r}.')
    if isinstance(default, int) and not isinstance(value, int):
        raise SettingsError(path, line, f'"{key}" must be a whole number, found {value!r}.')
    low, high = _RANGES[key]
    if not low <= value <= high:
        raise SettingsError(path, line, f'"{key}" is {value}; it must lie between {low:g} and {high:g}.')
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


def _texts(path: Path, line: int, key: str, value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
        raise SettingsError(path, line, f'"{key}" must be a list of texts in quotes, such as ["A", "B"].')
    return tuple(value)


def _part_classes(path: Path, lines: list[str], content: Any) -> tuple[PartClass, ...]:
    """Each entry with its keys, types and ranges checked."""
    head = line_of(lines, "part_class")
    if not isinstance(content, list):
        raise SettingsError(path, head, "write each class of parts under its own [[part_class]].")
    heads = [n for n, text in enumerate(lines, 1) if re.match(r"\s*\[\[\s*part_class\s*\]\]", text)]
    places = heads if len(heads) == len(content) else [head] * len(content)
    found = []
    for place, entry in zip(places, content, strict=True):
        values: dict[str, Any] = {}
        known = {f.name for f in fields(PartClass)}
        for key, value in entry.items():
            line = place + line_of(lines[place:], key)
            if key not in known:
                raise SettingsError(path, line, unknown_key(key, known))
            if key == "name" and not (isinstance(value, str) and value.strip()):
                raise SettingsError(path, line, '"name" must be text in quotes.')
            if key == "whole_packs" and not isinstance(value, bool):
                raise SettingsError(path, line, f'"whole_packs" is {value!r}; write true or false.')
            if key in ("feeder_type", "package"):
                values[key] = _texts(path, line, key, value)
            else:
                values[key] = value if key in ("name", "whole_packs") else _value(path, line, key, value, 0.0)
        if "name" not in values:
            raise SettingsError(path, place, 'a [[part_class]] lacks "name".')
        found.append(PartClass(**values))
    return tuple(found)


def _maintenance(path: Path, lines: list[str], content: Any) -> tuple[Service, ...]:
    line = line_of(lines, "maintenance")
    if not isinstance(content, list):
        raise SettingsError(path, line, "write each maintenance pattern under its own [[maintenance]].")
    found = []
    for entry in content:
        if not isinstance(entry, dict):
            raise SettingsError(path, line, "write each maintenance pattern under its own [[maintenance]].")
        unknown = sorted(set(entry) - {"pattern", "kind", "action"})
        if unknown:
            raise SettingsError(
                path, line_of(lines, unknown[0]), unknown_key(unknown[0], {"pattern", "kind", "action"})
            )
        try:
            service = Service(str(entry["pattern"]), str(entry["kind"]), str(entry["action"]))
            named = re.compile(service.pattern).groupindex
        except KeyError as error:
            raise SettingsError(path, line, f"a [[maintenance]] entry lacks {error}.") from error
        except re.error as error:
            raise SettingsError(path, line_of(lines, "pattern"), f"not a regular expression: {error}.") from error
        if "id" not in named and service.kind != "machine":
            raise SettingsError(
                path, line, f'pattern "{service.pattern}" needs a group (?P<id>...) that finds which one.'
            )
        found.append(service)
    return tuple(found)


def _known_faults(path: Path, lines: list[str], content: Any) -> tuple[KnownFault, ...]:
    if not isinstance(content, list):
        raise SettingsError(path, line_of(lines, "known_fault"), "write each under its own [[known_fault]].")
    heads = [n for n, text in enumerate(lines, 1) if re.match(r"\s*\[\[\s*known_fault\s*\]\]", text)]
    places = heads if len(heads) == len(content) else [line_of(lines, "known_fault")] * len(content)
    return tuple(_known_fault(path, lines, place, entry) for place, entry in zip(places, content, strict=True))


def _known_fault(path: Path, lines: list[str], place: int, entry: dict[str, Any]) -> KnownFault:
    """One entry whose head stands on line `place`."""
    known = {"machine", "kind", "from", "to", "reason"}

    def wrong(key: str, message: str) -> SettingsError:
        found = line_of(lines[place:], key) if place else 0
        return SettingsError(path, place + found, message)

    for key, value in entry.items():
        if key not in known:
            raise wrong(key, unknown_key(key, known))
        if key in ("machine", "kind", "reason") and not (isinstance(value, str) and value.strip()):
            raise wrong(key, f'"{key}" must be text in quotes.')
    if lacking := sorted({"kind", "from", "reason"} - set(entry)):
        raise SettingsError(path, place, f'a [[known_fault]] lacks "{lacking[0]}".')
    kind, machine = entry["kind"], entry.get("machine")
    if kind not in FAULT_KINDS:
        raise wrong("kind", f'unknown kind "{kind}". Known: {", ".join(FAULT_KINDS)}.')
    if machine is None and kind != "missing file":
        raise SettingsError(path, place, f'a [[known_fault]] of kind "{kind}" lacks "machine".')
    days = {}
    for key in ("from", "to"):
        try:
            days[key] = date.fromisoformat(str(entry[key])).isoformat() if key in entry else None
        except ValueError as error:
            raise wrong(key, f'"{key}" is {str(entry[key])!r}; write a date such as 2026-11-16.') from error
    begin, end = str(days["from"]), days["to"]
    if end is not None and end < begin:
        raise wrong("to", f'"to" is {end}, before "from", {begin}.')
    return KnownFault(machine, kind, begin, end, entry["reason"], place)


def shift_hours(clock: ShiftClock) -> tuple[timedelta, ...]:
    """Begin of each shift as time since local midnight."""
    return tuple(timedelta(hours=int(b[:2]), minutes=int(b[3:])) for b in clock.begins)
