"""mappings/*.toml -> `LogMapping`: how one maker's log is read into one of our tables.

In:    TOML files, written by the plant (docs/log_formats.md describes every key).
Out:   frozen `LogMapping`s, sorted by name.
After: every key is known and of its type, every required column of the table is filled from exactly one place, every
       word is in its closed list; or SettingsError named file, line and remedy.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from pipeline.errors import SettingsError
from pipeline.ingest.mapping_shifts import Shift
from pipeline.ingest.time_formats import is_absolute, of_days
from pipeline.schema import words
from pipeline.schema.table import Table
from pipeline.schema.tables import table
from pipeline.settings import read_toml

FORMAT: Final = 1
LOG_TABLES: Final = (
    "pick",
    "reel_event",
    "service",
    "measurement",
    "counter",
    "check_total",
    "fault",
    "activity",
)
"""Tables that a mapping can fill."""

INTERVALS: Final = ("counter", "check_total")
"""Tables of counts: a date without a time of day is the whole day."""
DAYS_WILL_DO: Final = (*INTERVALS, "service")
"""Tables that take a date without a time of day."""

WORDS: Final[Mapping[tuple[str, str], tuple[str, ...]]] = {
    ("reel_event", "event"): words.REEL_EVENTS,
    ("activity", "event"): ("recipe", "board_start", "board_end"),
    ("service", "action"): words.SERVICE_ACTIONS,
    ("service", "kind"): words.KINDS,
    ("counter", "grain"): words.GRAINS,
    ("pick", "outcome"): words.OUTCOMES,
    ("fault", "outcome"): words.OUTCOMES,
    ("pick", "method"): words.METHODS,
    ("counter", "method"): words.METHODS,
    ("measurement", "good"): ("true", "false"),
}
"""(table, column): the closed list of words it takes."""

UNITS: Final[Mapping[str, Mapping[str, str]]] = {
    "dx": {"mm": "{}", "um": "{} / 1000", "mil": "{} * 0.0254"},
    "dy": {"mm": "{}", "um": "{} / 1000", "mil": "{} * 0.0254"},
    "dangle": {"degree": "{}", "mdeg": "{} / 1000", "rad": "degrees({})"},
}
"""Column: unit of the log -> SQL that gives our unit. 1 mil is 0.0254 mm exactly."""

MOST: Final[Mapping[str, tuple[int, str]]] = {"dx": (10_000, "mm"), "dy": (10_000, "mm"), "dangle": (3600, "degrees")}
"""Column: what no measured value goes beyond, either way. No part is metres off its nozzle; the sums of
the roll-up hold less than 100 000."""

MOST_COUNTED: Final = 2**53
"""Largest count accepted, as in messages: one near the end of its type would stop the sums of the whole store."""

REASON_SOURCE: Final[Mapping[str, str]] = {"pick": "reason", "fault": "fault_type"}
"""Table: the column whose raw text decides reason_group."""

COUNTS: Final = ("attempts", "placed", "missed", "rejected", "dropped", "returned", "unknown", "remaining")

CONTENTS: Final = ("delimited", "workbook", "parquet", "json_lines")
"""What a log is made of: text cut at a delimiter, a sheet of an .xlsx workbook, Parquet, or a JSON object a line."""

UNFIT: Final[Mapping[str, tuple[str, ...]]] = {
    "delimited": (),
    "workbook": ("delimiter", "quote", "encoding", "comment", "section_begin", "section_end", "short_rows"),
    "parquet": (
        *("delimiter", "quote", "encoding", "comment", "section_begin", "section_end", "short_rows"),
        *("skip_lines", "skip_end", "header", "header_rows"),
    ),
    "json_lines": (
        *("delimiter", "quote", "comment", "section_begin", "section_end", "short_rows"),
        *("skip_lines", "skip_end", "header", "header_rows"),
    ),
}
"""Content: keys of [text] that mean nothing for it."""

FILTERS: Final = ("equals", "not_equals", "matches")

Place = str | int
"""A column of the log: its name in the header, its place from 1, or for JSON lines its key, nested ones with points."""


@dataclass(frozen=True, slots=True)
class TextRules:
    """[text]: how the file is cut into fields and what the fields mean."""

    delimiter: str = ","
    quote: str = '"'
    encoding: str = "auto"
    skip_lines: int = 0
    header: bool = True
    comment: str = ""
    decimal: str = "."
    thousands: str = ""
    trim: bool = False
    null: tuple[str, ...] = ()
    header_rows: int = 1
    skip_end: int = 0
    section_begin: str = ""
    section_end: str = ""
    short_rows: str = "refuse"

    @property
    def whole(self) -> bool:
        """True if all lines after the header are data."""
        return not (self.skip_end or self.section_begin or self.section_end)


@dataclass(frozen=True, slots=True)
class Filter:
    """[[filter]]: a row that does not pass holds nothing for us.

    test     equals (one of `texts`), not_equals (none of them) or matches (a regular expression is found in it)
    An empty field counts as the text "".
    """

    column: Place
    test: str
    texts: tuple[str, ...]

    def passes(self, text: str) -> bool:
        """True if a field with this text passes.

        >>> Filter("TYPE", "equals", ("PICK",)).passes("INFO"), Filter(1, "matches", ("^P",)).passes("PICK")
        (False, True)
        """
        if self.test == "matches":
            return re.search(self.texts[0], text) is not None
        return (text in self.texts) is (self.test == "equals")


@dataclass(frozen=True, slots=True)
class TimeRules:
    """[time]: where the time stands, how it is written and what clock it shows."""

    columns: tuple[Place, ...]
    format: str
    zone: str | None = None
    repeated_hour: str = "order"
    missing_hour: str = "refuse"
    shift: Place | None = None
    shifts: tuple[Shift, ...] = ()

    @property
    def places(self) -> tuple[Place, ...]:
        """All columns of the log that tell the time."""
        return self.columns if self.shift is None else (*self.columns, self.shift)

    @property
    def absolute(self) -> bool:
        """True if the text itself says the instant, so that no zone is needed."""
        return is_absolute(self.format)

    @property
    def whole_days(self) -> bool:
        """True if the text gives a date alone."""
        return of_days(self.format)


@dataclass(frozen=True, slots=True)
class LogMapping:
    """One mapping. `digest` is the SHA-256 of its text, hex; `file_part`: what it calls the part of a file it reads."""

    path: Path
    name: str
    table: str
    files: tuple[str, ...]
    digest: str
    time: TimeRules
    text: TextRules = field(default_factory=TextRules)
    columns: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)
    constants: Mapping[str, str] = field(default_factory=dict)
    file_name: str | None = None
    folder: str | None = None
    content: str = "delimited"
    sheet: Place | None = None
    file_part: str = ""
    filters: tuple[Filter, ...] = ()
    outcome: Mapping[str, str] = field(default_factory=dict)
    reason: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    @property
    def spec(self) -> Table:
        """The table that it fills."""
        return table(self.table)

    def fits(self, path: Path) -> bool:
        """True if the file's name, with or without .gz or .zst, matches one of the patterns."""
        names = {path.name, bare_name(path)}
        return any(fnmatchcase(name, pattern) for name in names for pattern in self.files)

    def from_file_name(self) -> tuple[str, ...]:
        """Our columns that the file's name and folder give."""
        patterns = [p for p in (self.file_name, self.folder) if p is not None]
        return tuple(group for p in patterns for group in re.compile(p).groupindex)

    def words_for(self, column: str) -> Mapping[str, str] | None:
        """Text of the log -> our word, for a column with a closed list; None for a free column."""
        allowed = WORDS.get((self.table, column))
        if allowed is None:
            return None
        if column == "outcome":
            return self.outcome
        return self.values.get(column) or {word: word for word in allowed}


def bare_name(path: Path) -> str:
    """The file's name without the ending of its packing.

    >>> bare_name(Path("a.csv.zst")), bare_name(Path("a.csv.gz")), bare_name(Path("a.zst.csv"))
    ('a.csv', 'a.csv', 'a.zst.csv')
    """
    return path.name.removesuffix(".gz").removesuffix(".zst")


def load_mappings(folder: Path) -> tuple[LogMapping, ...]:
    """All mappings of a folder, sorted by name; none when there is no such folder.

    Raises SettingsError when one is wrong or two have the same name.
    """
    found: dict[str, LogMapping] = {}
    for path in sorted(folder.glob("*.toml")):
        mapping = load_mapping(path)
        if mapping.name in found:
            raise SettingsError(path, 0, f'the name "{mapping.name}" is taken by {found[mapping.name].path.name}.')
        found[mapping.name] = mapping
    return tuple(found[name] for name in sorted(found))


def load_mapping(path: Path) -> LogMapping:
    """One mapping; SettingsError names file, line and remedy when it is wrong."""
    text = path.read_bytes()
    from pipeline.ingest.mapping_reader import MappingReader  # it needs the classes above

    return MappingReader(path, text, read_toml(path, text)).mapping()
