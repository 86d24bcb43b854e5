"""Checks one mapping key by key.

In:    the text of a mapping and the data that TOML made of it.
Out:   `LogMapping` (pipeline/ingest/mapping.py).
After: as mapping.py says; every SettingsError names the line of the key, or of its section.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb

from pipeline.connections import connect
from pipeline.errors import SettingsError
from pipeline.ingest.encoding import is_text_codec
from pipeline.ingest.local_time import zone_of
from pipeline.ingest.mapping import (
    CONTENTS,
    COUNTS,
    DAYS_WILL_DO,
    FILTERS,
    FORMAT,
    INTERVALS,
    LOG_TABLES,
    REASON_SOURCE,
    UNFIT,
    UNITS,
    WORDS,
    Filter,
    LogMapping,
    Place,
    TextRules,
    TimeRules,
)
from pipeline.ingest.mapping_constants import constant_of
from pipeline.ingest.mapping_shifts import shifts_of
from pipeline.ingest.time_formats import check_format
from pipeline.schema import words
from pipeline.schema.table import Column, Table
from pipeline.schema.tables import table
from pipeline.settings import line_of, unknown_key


def _is_place(value: Any) -> bool:
    """True for a name or a place from 1."""
    return isinstance(value, str) or (isinstance(value, int) and not isinstance(value, bool) and value >= 1)


class MappingReader:
    """Reads one mapping and knows where in the file it is."""

    def __init__(self, path: Path, text: bytes, data: dict[str, Any]) -> None:
        self.path = path
        self.data = data
        self.digest = hashlib.sha256(text).hexdigest()
        self.lines = text.decode("utf-8-sig").splitlines()
        self.content = "delimited"

    def _fail(self, message: str, key: str = "", section: str = "") -> SettingsError:
        """The error, with the line of `key` in `section`, else of the section, else 0."""
        line = line_of(self.lines, key, section) if key else 0
        if not line and section:
            head = re.compile(rf"\s*\[\s*{re.escape(section)}\s*\]")
            line = next((n for n, text in enumerate(self.lines, 1) if head.match(text)), 0)
        return SettingsError(self.path, line, message)

    def _known(self, content: Mapping[str, Any], known: set[str], section: str = "") -> None:
        for key in content:
            if key not in known:
                raise self._fail(unknown_key(key, known), key, section)

    def _section(self, name: str) -> dict[str, Any]:
        content = self.data.get(name, {})
        if not isinstance(content, dict):
            raise self._fail(f'"{name}" is a section: write [{name}] above its keys.', name)
        return content

    def _take(self, content: Mapping[str, Any], key: str, kind: type, what: str, default: Any, section: str) -> Any:
        value = content.get(key, default)
        if value is None:
            raise self._fail(f'"{key}" is missing: {what}.', "", section)
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            raise self._fail(f'"{key}" must be {what}, found {value!r}.', key, section)
        return value

    def _texts(self, content: Mapping[str, Any], key: str, section: str, *, needed: bool) -> tuple[str, ...]:
        value = self._take(content, key, list, "a list of texts in quotes", None if needed else [], section)
        if not all(isinstance(v, str) for v in value) or (needed and not all(value)) or (needed and not value):
            raise self._fail(f'"{key}" must be a list of texts in quotes, found {value!r}.', key, section)
        return tuple(value)

    def _file_part(self) -> str:
        part = str(self._take(self.data, "file_part", str, "a text in quotes", "", ""))
        if part and re.fullmatch(r"\w([\w .-]{0,38}\w)?", part) is None:
            raise self._fail(
                '"file_part" is a name of at most 40 letters, digits, blanks, points, "-" and "_".', "file_part"
            )
        return part

    def mapping(self) -> LogMapping:
        """The mapping; SettingsError when something in it is wrong."""
        sections = {"text", "time", "columns", "constants", "file_name", "outcome", "reason", "values", "units"}
        self._known(
            self.data, {"format", "name", "table", "files", "file_part", "content", "workbook", "filter", *sections}
        )
        if self._take(self.data, "format", int, "format = 1", None, "") != FORMAT:
            raise self._fail(f"this version reads format = {FORMAT}.", "format")
        name = self._take(self.data, "name", str, "a text in quotes", None, "")
        where = self._take(self.data, "table", str, "a text in quotes", None, "")
        if not name or "\n" in name:
            raise self._fail('"name" must be one line of text.', "name")
        self.content = self._take(self.data, "content", str, "a text in quotes", "delimited", "")
        if self.content not in CONTENTS:
            raise self._fail(f'content is "{self.content}"; use one of {", ".join(CONTENTS)}.', "content")
        if where not in LOG_TABLES:
            raise self._fail(f'table is "{where}"; use one of {", ".join(LOG_TABLES)}.', "table")
        spec = table(where)
        text = self._text()
        time = self._time(text, where)
        columns = self._columns(spec, text)
        if time.whole_days and where in INTERVALS:
            if "start" in columns:
                raise self._fail('the format in [time] gives whole days: leave "start" out.', "start", "columns")
            columns["start"] = time.columns
        constants = self._constants(spec, where)
        patterns, groups = self._file_name(spec)
        self._once(columns, constants, groups)
        for column in spec.content():
            if column.required and column.name not in {"time", *columns, *constants, *groups}:
                raise self._fail(
                    f'table {where} needs "{column.name}": name its column in [columns], '
                    "or give it in [constants] or [file_name].",
                    section="columns",
                )
        if where == "counter" and not set(COUNTS) & set(columns):
            raise self._fail(f"a counter log needs at least one count: {', '.join(COUNTS)}.", section="columns")
        by_log = {*columns, *groups}
        return LogMapping(
            path=self.path,
            name=name,
            table=where,
            files=self._files(),
            digest=self.digest,
            time=time,
            text=text,
            columns=columns,
            constants=constants,
            file_name=patterns.get("pattern"),
            folder=patterns.get("folder"),
            content=self.content,
            sheet=self._sheet(),
            file_part=self._file_part(),
            filters=self._filters(text),
            outcome=self._outcome(by_log, text),
            reason=self._reason(where, by_log),
            values=self._values(where, by_log),
            units=self._units(by_log),
        )

    def _files(self) -> tuple[str, ...]:
        found = self._texts(self.data, "files", "", needed=True)
        for pattern in found:
            if "/" in pattern:
                raise self._fail(
                    f'"{pattern}" in files holds a /: a pattern is for the name of a file alone, whatever its folder. '
                    "Leave the folders out; what the folder tells is taken by folder in [file_name].",
                    "files",
                )
        return found

    def _text(self) -> TextRules:
        content, section = self._section("text"), "text"
        self._known(content, set(TextRules.__dataclass_fields__), section)
        for key in UNFIT[self.content]:
            if key in content:
                raise self._fail(f'content = "{self.content}" has no "{key}": leave it out.', key, section)
        default = TextRules()
        made: dict[str, Any] = {"null": self._texts(content, "null", section, needed=False)}
        for key in (
            *("delimiter", "quote", "encoding", "comment", "decimal", "thousands"),
            *("section_begin", "section_end", "short_rows"),
        ):
            made[key] = self._take(content, key, str, "a text in quotes", getattr(default, key), section)
        for key in ("header", "trim"):
            made[key] = self._take(content, key, bool, "true or false", getattr(default, key), section)
        for key in ("skip_lines", "header_rows", "skip_end"):
            made[key] = self._take(content, key, int, "a whole number", getattr(default, key), section)
        rules = TextRules(**made)
        forbidden = set("\r\n\0") | ({rules.quote} if rules.quote else set())
        checks = (
            ("delimiter", len(rules.delimiter) == 1 and rules.delimiter.isascii(), "one ASCII character"),
            ("delimiter", rules.delimiter not in forbidden, "another character than the quote or a line end"),
            ("delimiter", not rules.delimiter.isalnum(), "no letter or digit"),
            ("quote", rules.quote in ("", *"\"'`|"), "\", ', `, | or nothing"),
            ("short_rows", rules.short_rows in ("refuse", "fill"), '"refuse" or "fill"'),
            (
                "encoding",
                rules.encoding == "auto" or is_text_codec(rules.encoding),
                '"auto" or a Python codec for text of logs',
            ),
            ("skip_lines", 0 <= rules.skip_lines <= 10_000, "between 0 and 10000"),
            ("header_rows", 1 <= rules.header_rows <= 20, "between 1 and 20"),
            ("header_rows", rules.header or "header_rows" not in content, "left out: header is false"),
            ("skip_end", 0 <= rules.skip_end <= 10_000, "between 0 and 10000"),
            ("skip_end", not (rules.skip_end and rules.section_begin), "left out: the sections tell where data end"),
            ("section_end", bool(rules.section_begin) or not rules.section_end, "left out without section_begin"),
            ("comment", not set(rules.comment) & set("\r\n\0"), "without line ends"),
            ("decimal", rules.decimal in (".", ","), '"." or ","'),
            (
                "thousands",
                rules.thousands in ("", ".", ",", "'", "\u2019", " ", "\u00a0", "\u202f"),
                "a point, comma, apostrophe or blank",
            ),
            ("thousands", rules.thousands != rules.decimal, "another character than decimal"),
        )
        for key, good, expected in checks:
            if not good:
                raise self._fail(f'"{key}" is {getattr(rules, key)!r}; it must be {expected}.', key, section)
        for key in ("section_begin", "section_end"):
            self._expression(getattr(rules, key), key, section)
        return rules

    def _expression(self, pattern: str, key: str, section: str, line: int = 0) -> re.Pattern[str]:
        try:
            return re.compile(pattern)
        except re.error as error:
            wrong = self._fail(f"not a regular expression: {error}.", key, section)
            raise SettingsError(self.path, line or wrong.line, f"not a regular expression: {error}.") from error

    def _sheet(self) -> Place | None:
        section = "workbook"
        content = self._section(section)
        if section not in self.data:
            return None
        if self.content != section:
            raise self._fail('[workbook] is there, but not content = "workbook" at the top.', section=section)
        self._known(content, {"sheet"}, section)
        sheet = content.get("sheet")
        if not _is_place(sheet):
            raise self._fail('"sheet" must be the sheet\'s name or its place from 1.', "sheet", section)
        return sheet

    def _filters(self, text: TextRules) -> tuple[Filter, ...]:
        found = self.data.get("filter", [])
        heads = [n for n, line in enumerate(self.lines, 1) if re.match(r"\s*\[\[\s*filter\s*\]\]", line)]
        if not isinstance(found, list) or not all(isinstance(f, dict) for f in found):
            raise self._fail("write [[filter]] above the keys of each filter.", "filter")
        filters = []
        for number, content in enumerate(found):
            head = heads[number] if number < len(heads) else 0

            inline = 0 if head else self._inline_filter(number)

            def fail(message: str, key: str = "", head: int = head, inline: int = inline) -> SettingsError:
                if inline:
                    return SettingsError(self.path, self._inline_key(inline, key), message)
                line = line_of(self.lines[head:], key) if key and head else 0
                return SettingsError(self.path, head + line, message)

            for key in content:
                if key not in ("column", *FILTERS):
                    raise fail(unknown_key(key, {"column", *FILTERS}), key)
            tests = [t for t in FILTERS if t in content]
            if "column" not in content or len(tests) != 1:
                raise fail(f"a filter has a column and one of {', '.join(FILTERS)}.")
            (test,) = tests
            place, value = content["column"], content[test]
            if not _is_place(place):
                raise fail('"column" must be the name of the log\'s column or its place from 1.', "column")
            self._place_fits(place, text, lambda message: fail(message, "column"))
            texts = value if isinstance(value, list) and test != "matches" else [value]
            if not texts or not all(isinstance(t, str) for t in texts):
                raise fail(f'"{test}" must be a text in quotes, found {value!r}.', test)
            if test == "matches":
                self._re2(self._expression(value, test, "filter", fail("", test).line), fail)
            filters.append(Filter(self._trimmed(place, text), test, tuple(texts)))
        return tuple(filters)

    def _inline_filter(self, number: int) -> int:
        """Line on which the filter of that place, from 0, opens in `filter = [{...}, ...]`."""
        first = line_of(self.lines, "filter")
        opened = 0
        for line, text in enumerate(self.lines[max(first - 1, 0) :], max(first, 1)):
            opened += text.count("{")
            if opened > number:
                return line
        return first

    def _inline_key(self, first: int, key: str) -> int:
        """Line of a key of the filter that opens on line `first`."""
        wanted = re.compile(rf"(^|[\s{{,\"'])({re.escape(key)})[\"']?\s*=") if key else None
        for line, text in enumerate(self.lines[first - 1 :], first):
            if wanted is not None and wanted.search(text):
                return line
            if "}" in text:
                break
        return first

    def _re2(self, pattern: re.Pattern[str], fail: Callable[[str, str], SettingsError]) -> None:
        """The database must know the expression too; it has no look-around and no back references."""
        try:
            with connect(memory_mb=100, threads=1) as con:
                con.execute("select regexp_matches('', $1)", [pattern.pattern]).fetchall()
        except duckdb.Error as error:
            raise fail(
                "the expression holds a look-around or a back reference; write it without.", "matches"
            ) from error

    def _place_fits(self, place: Place, text: TextRules, fail: Callable[[str], SettingsError]) -> None:
        if isinstance(place, int) and self.content == "json_lines":
            raise fail(f"JSON lines have no column {place}: give the key.")
        if isinstance(place, str) and not text.header:
            raise fail(f'the column "{place}" is named, but the log has no header: give its place from 1.')

    def _time(self, text: TextRules, where: str) -> TimeRules:
        content, section = self._section("time"), "time"
        self._known(content, set(TimeRules.__dataclass_fields__), section)
        columns = self._places(content.get("columns"), "columns", section, text)
        form = self._take(content, "format", str, 'such as "%Y-%m-%d %H:%M:%S"', None, section)
        zone = content.get("zone")
        rules = TimeRules(
            columns=columns,
            format=form,
            zone=None if zone is None else self._take(content, "zone", str, "a text in quotes", None, section),
            repeated_hour=self._take(content, "repeated_hour", str, "a text in quotes", "order", section),
            missing_hour=self._take(content, "missing_hour", str, "a text in quotes", "refuse", section),
        )
        try:
            check_format(form, days=where in DAYS_WILL_DO)
        except ValueError as error:
            raise self._fail(str(error), "format", section) from error
        if "shift" in content or "shifts" in content:
            rules = self._with_shifts(rules, content, text, counts=where in INTERVALS)
        if rules.zone is not None:
            if rules.absolute:
                raise self._fail(f'the format "{form}" gives the instant itself: leave out zone.', "zone", section)
            try:
                zone_of(rules.zone)
            except ValueError as error:
                raise self._fail(
                    f'{error}. Use a name such as "Europe/Berlin" or an offset such as "+01:00".', "zone", section
                ) from error
        for key, allowed in (("repeated_hour", ("order", "first", "second", "refuse")), ("missing_hour", ("refuse",))):
            if getattr(rules, key) not in allowed:
                raise self._fail(f'"{key}" is {getattr(rules, key)!r}; use one of {", ".join(allowed)}.', key, section)
        return rules

    def _with_shifts(self, rules: TimeRules, content: Mapping[str, Any], text: TextRules, *, counts: bool) -> TimeRules:
        if not (counts and rules.whole_days) or isinstance(content.get("shift"), list):
            message = '"shift" takes one column of a log of counts whose format gives the date alone.'
            raise self._fail(message, "shift", "time")
        (shift,) = self._places(content.get("shift"), "shift", "time", text)
        try:
            return replace(rules, shift=shift, shifts=shifts_of(content.get("shifts")))
        except ValueError as error:
            raise self._fail(str(error), section="time.shifts") from error

    def _places(self, value: Any, key: str, section: str, text: TextRules) -> tuple[Place, ...]:
        found = value if isinstance(value, list) else [value]
        for place in found:
            if not _is_place(place):
                raise self._fail(f'"{key}" must be the name of the log\'s column or its place from 1.', key, section)
            self._place_fits(place, text, lambda message: self._fail(f'"{key}": {message}', key, section))
        if not found:
            raise self._fail(f'"{key}" names no column.', key, section)
        return tuple(self._trimmed(place, text) for place in found)

    def _trimmed(self, place: Place, text: TextRules) -> Place:
        """A column as the header has it once its blanks are off; a key of JSON has none taken off."""
        plain = isinstance(place, int) or not text.trim or self.content == "json_lines"
        return place if plain else str(place).strip()

    def _ours(self, spec: Table, key: str, section: str) -> Column:
        columns = {c.name: c for c in spec.content() if c.name not in ("time", "reason_group")}
        if key == "time":
            raise self._fail("the time is described in [time].", key, section)
        if key == "reason_group":
            raise self._fail("reason_group is made from the raw reason: list it in [reason].", key, section)
        if key not in columns:
            raise self._fail(f"table {spec.name}: {unknown_key(key, set(columns))}", key, section)
        return columns[key]

    def _columns(self, spec: Table, text: TextRules) -> dict[str, tuple[Place, ...]]:
        found = {}
        for key, value in self._section("columns").items():
            column = self._ours(spec, key, "columns")
            is_text = column.type == "VARCHAR" and (spec.name, key) not in WORDS
            if isinstance(value, list) and column.type != "TIMESTAMP" and not is_text:
                message = f'"{key}" takes one column of the log; only a time or an id may be joined from several.'
                raise self._fail(message, key, "columns")
            found[key] = self._places(value, key, "columns", text)
        return found

    def _constants(self, spec: Table, where: str) -> dict[str, str]:
        found = {}
        for key, value in self._section("constants").items():
            column = self._ours(spec, key, "constants")
            try:
                found[key] = constant_of(where, column, value)
            except ValueError as error:
                raise self._fail(str(error), key, "constants") from error
        return found

    def _file_name(self, spec: Table) -> tuple[dict[str, str], tuple[str, ...]]:
        section = "file_name"
        content = self._section(section)
        self._known(content, {"pattern", "folder"}, section)
        if section in self.data and not content:
            raise self._fail('"pattern" is missing: a regular expression in quotes.', section=section)
        groups: list[str] = []
        for key in content:
            pattern = self._take(content, key, str, "a regular expression in quotes", None, section)
            names = tuple(self._expression(pattern, key, section).groupindex)
            if not names:
                raise self._fail("the pattern has no group such as (?P<machine>...).", key, section)
            for group in names:
                if group == "time" or self._ours(spec, group, section).type == "TIMESTAMP":
                    raise self._fail(f'"{group}" is a time and cannot come from the file name.', key, section)
                if group in groups:
                    raise self._fail(f'"{group}" is given twice: keep one of its places.', key, section)
            groups += names
        return dict(content), tuple(groups)

    def _once(self, columns: Mapping[str, Any], constants: Mapping[str, Any], groups: tuple[str, ...]) -> None:
        for first, second, section in (
            (columns, constants, "constants"),
            (columns, groups, "file_name"),
            (constants, groups, "file_name"),
        ):
            for twice in sorted(set(first) & set(second)):
                raise self._fail(f'"{twice}" is given twice: keep one of its places.', twice, section)

    def _words(self, content: Mapping[str, Any], section: str, allowed: tuple[str, ...]) -> dict[str, str]:
        for key, value in content.items():
            if value not in allowed:
                raise self._fail(f'"{key}" is mapped to {value!r}; use one of {", ".join(allowed)}.', key, section)
        return dict(content)

    def _outcome(self, by_log: set[str], text: TextRules) -> dict[str, str]:
        content = self._words(self._section("outcome"), "outcome", words.OUTCOMES)
        if content and "outcome" not in by_log:
            raise self._fail('[outcome] is there, but [columns] has no "outcome".', section="outcome")
        if "outcome" in by_log and not content:
            raise self._fail(
                'say in [outcome] what each text of the log means, such as "OK" = "placed".', section="columns"
            )
        for key in content:
            if key in text.null and key:
                raise self._fail(f'"{key}" means nothing by null in [text]: write "" instead.', key, "outcome")
        return content

    def _reason(self, where: str, by_log: set[str]) -> dict[str, str]:
        content = self._words(self._section("reason"), "reason", words.REASON_GROUPS)
        source = REASON_SOURCE.get(where)
        if content and source not in by_log:
            raise self._fail(f'[reason] is there, but [columns] has no "{source or "reason"}".', section="reason")
        return content

    def _values(self, where: str, by_log: set[str]) -> dict[str, dict[str, str]]:
        closed = {c: allowed for (t, c), allowed in WORDS.items() if t == where and c != "outcome"}
        found = {}
        for column, content in self._section("values").items():
            section = f"values.{column}"
            if column not in closed:
                raise self._fail(
                    unknown_key(column, set(closed)) if closed else f"{where} has no such list.", section=section
                )
            if not isinstance(content, dict):
                raise self._fail(f"write [{section}] above its keys.", column, "values")
            if column not in by_log:
                raise self._fail(f'[{section}] is there, but [columns] has no "{column}".', section=section)
            found[column] = self._words(content, section, closed[column])
        return found

    def _units(self, by_log: set[str]) -> dict[str, str]:
        content = self._section("units")
        self._known(content, set(UNITS), "units")
        for key, value in content.items():
            if value not in UNITS[key]:
                raise self._fail(f'"{key}" is {value!r}; use one of {", ".join(UNITS[key])}.', key, "units")
            if key not in by_log:
                raise self._fail(f'[units] has "{key}", but [columns] has not.', key, "units")
        return dict(content)
