"""The SQL that turns the fields of a delimited log into one of our tables.

In:    a `LogMapping`, the layout of the file and the plant's zone.
Out:   SQL texts: the scan, the check that every line is regular, the conversion, the insert.
After: whatever stands in a log or a mapping is quoted; columns of the log are called c1, c2, ... and their names never
       reach the database. A row has a problem in words, or every value is right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path

from pipeline.ingest.delimited_lines import Layout, regular_pattern
from pipeline.ingest.local_time import FIRST_YEAR, LAST_YEAR, Pass, Span, changes_in, doubt_sql, offset_in, utc_sql
from pipeline.ingest.mapping import INTERVALS, MOST, MOST_COUNTED, REASON_SOURCE, UNITS, LogMapping, TextRules
from pipeline.ingest.quoting import literal, name, path_literal
from pipeline.ingest.time_formats import moment_sql
from pipeline.schema.table import Column

LEFT_OUT = "left out"
"""Problem of a row that a filter leaves out."""
PENDING = "repeated hour"
"""Problem of a row whose time is shown twice and that the order of the lines has to decide."""
MOST_FIELDS = 500
"""Fields up to which the regular expression of `irregular_sql` is used."""


def _read_csv(path: Path, columns: Iterable[str], options: Mapping[str, str]) -> str:
    shape = ", ".join(f"{literal(c)}: 'VARCHAR'" for c in columns)
    fixed = "auto_detect=false, header=false, compression='none', strict_mode=true, hive_partitioning=false"
    more = ", ".join(f"{key}={value}" for key, value in options.items())
    return f"read_csv({path_literal(path)}, columns={{{shape}}}, {fixed}, {more})"


def scan_sql(path: Path, rules: TextRules, fields: int, skip: int, *, numbered: bool) -> str:
    """Table function over the fields c1, c2, ..., all text; `numbered`: each record begins with line and span."""
    columns = [f"c{i}" for i in range(1, fields + 1)]
    if numbered:
        columns = ["line_text", "span_text", *columns]
    nothing = ", ".join(literal(t) for t in dict.fromkeys(("", *rules.null)) if t not in _beyond_scan(rules))
    options = {
        "delim": literal(rules.delimiter),
        "quote": literal(rules.quote),
        "escape": literal(rules.quote),
        "skip": str(skip),
        "nullstr": f"[{nothing}]",
    }
    return _read_csv(path, columns, options)


def _beyond_scan(rules: TextRules) -> tuple[str, ...]:
    """Texts for nothing that DuckDB's reader does not take: those with the quote or the delimiter in them."""
    return tuple(t for t in rules.null if (rules.quote and rules.quote in t) or rules.delimiter in t)


def irregular_sql(path: Path, rules: TextRules, fields: int, skip: int) -> str:
    """Query for the number of lines after `skip`, how many of them are not one regular record each, and their bytes.

    Regular: the right number of fields, and quotes only around whole fields. DuckDB takes a line with one empty field
    too many, and drops blanks before a quote, in silence; such lines must not reach it. `fields` is 2 or more, so
    that a blank line is never regular.
    """
    good = f"regexp_full_match(r, {literal(regular_pattern(rules, fields))})"
    if rules.comment:
        good += f" and not starts_with(r, {literal(rules.comment)})"
    options = {"delim": "'\x01'", "quote": "''", "escape": "''", "skip": str(skip)}
    lines = _read_csv(path, ["r"], options)
    return f"select count(*), count(*) filter (r is null or not ({good})), coalesce(sum(strlen(r)), 0) from {lines}"


@dataclass(frozen=True, slots=True)
class Conversion:
    """Builds the SQL for one file.

    places      name of a log column -> its place from 1
    pieces      our column -> text from the file's name (None where the group matched nothing)
    zone        what the wall clock of the log is; zone_name: the same for messages
    """

    mapping: LogMapping
    layout: Layout
    places: Mapping[str, int]
    pieces: Mapping[str, str | None]
    zone: tzinfo
    zone_name: str

    def table_sql(self, scan: str, *, numbered: bool) -> str:
        """Query over `scan` with our columns, `local`, `time` and `problem`."""
        values: list[str] = []
        kept: list[str] = ["cast(line_text as bigint) as line, cast(span_text as bigint) as span"] if numbered else []
        checks: list[tuple[str, str]] = []
        for column in self.columns():
            if column.type == "TIMESTAMP":
                raw = self._joined(self.mapping.columns[column.name])
                begin = f" + {self._shift('begin')}" if self.mapping.time.shifts else ""
                values.append(f"{self._moment(raw)}{begin} as {name('l_' + column.name)}")
                kept.append(f"{name('l_' + column.name)} as {name(column.name)}")
                where, local = self._where(column.name), name("l_" + column.name)
                checks += self._time_checks(column.name, where, raw, local, required=column.required)
            else:
                value, found = self._value(column)
                values.append(f"{value} as {name('v_' + column.name)}")
                kept.append(f"{name('v_' + column.name)} as {name(column.name)}")
                checks += found
        if "machine" not in self._mapped():
            kept.append("cast(null as varchar) as machine")
        raw = self._joined(self.mapping.time.columns)
        end = ""  # of whole days and shifts `start` is read from the same columns
        if self.mapping.time.shifts:
            end = f" + {self._shift('begin')} + {self._shift('minutes')}"
        elif self.mapping.time.whole_days and self.mapping.table in INTERVALS:
            end = " + interval 1 day"
        values.append(f"{self._moment(raw)}{end} as l_time")
        where = " and ".join(f'column "{p}"' for p in self.mapping.time.columns)
        if "start" in self.mapping.columns and not self.mapping.time.whole_days:
            checks.append(self._begins_after_its_end(self._joined(self.mapping.columns["start"])))
        checks = self._shift_checks() + self._time_checks("time", where, raw, "l_time", required=True) + checks
        checks = [(f"not ({test})", literal(LEFT_OUT)) for test in self._filters()] + checks
        problem = " ".join(f"when {bad} then {text}" for bad, text in checks)
        return (
            f"select {', '.join(kept)}, l_time as local, cast(null as timestamp) as time, "
            f"case {problem} end as problem from (select *, {', '.join(values)} from {scan})"
        )

    def _begins_after_its_end(self, raw: str) -> tuple[str, str]:
        """Condition and message of an interval the wrong way round; clocks that go back may show one of an hour."""
        slack = 0 if self.mapping.time.absolute else 61
        said = literal(
            '" is after the end of its interval, the time of [time]. Line refused; check which column is which.'
        )
        return f"l_start > l_time + interval {slack} minute", f"{_shown('start', raw)} || {said}"

    def _filters(self) -> Iterator[str]:
        """SQL of what a row must fulfil to be one of ours; an empty field is the text ""."""
        for found in self.mapping.filters:
            cell = f"coalesce({self._cell(found.column)}, '')"
            if found.test == "matches":
                yield f"regexp_matches({cell}, {literal(found.texts[0])})"
            else:
                texts = ", ".join(literal(t) for t in found.texts)
                yield f"{cell} {'in' if found.test == 'equals' else 'not in'} ({texts})"

    def rows_sql(self, scan: str) -> str:
        """Query over `scan` with what `StagedFile` holds: our columns, reason_group, `local` and `problem`."""
        columns = [name(c.name) for c in self.columns()]
        if self._reason_group():
            columns.append(f"{self._reason_group()} as reason_group")
        return f"select {', '.join(columns)}, local, problem from ({self.table_sql(scan, numbered=False)})"

    def filled(self) -> tuple[str, ...]:
        """Our columns that `rows_sql` gives, without time."""
        return (*(c.name for c in self.columns()), *(["reason_group"] if self._reason_group() else []))

    def offset_us(self, span: Span) -> int | None:
        """Microseconds that the wall clock is ahead of UTC in all of `span`; None when that changes there."""
        if self.mapping.time.absolute:
            return 0
        offset = offset_in(self.zone, span)
        return None if offset is None else round(offset.total_seconds()) * 1_000_000

    def span_sql(self, table: str) -> str:
        """Query for the lowest and highest wall time in the rows without a problem."""
        times = ", ".join(["local", *(name(c.name) for c in self.columns() if c.type == "TIMESTAMP")])
        return f"select min(least({times})), max(greatest({times})) from {table} where problem is null"

    def doubts_sql(self, table: str, span: Span) -> list[str]:
        """Updates that give a problem to every row whose wall time was skipped, or shown twice and not to be taken."""
        if self.mapping.time.absolute or self.mapping.time.whole_days or not changes_in(self.zone, span):
            return []
        updates = []
        for column in ("local", *(c.name for c in self.columns() if c.type == "TIMESTAMP")):
            ours = "time" if column == "local" else column
            shown = f"{literal(ours + ' ' + chr(34))} || strftime({name(column)}, '%Y-%m-%d %H:%M:%S') || "
            skipped = (
                f'" does not exist: the clocks of {self.zone_name} skipped it. Line refused; check zone in [time].'
            )
            twice = f'" was shown twice by the clocks of {self.zone_name}, and repeated_hour in [time] is "refuse".'
            policy = self.mapping.time.repeated_hour
            choices = [f"when 'skipped' then {shown}{literal(skipped)}"]
            if policy == "refuse":
                choices.append(f"when 'repeated' then {shown}{literal(twice)}")
            elif policy == "order" and column == "local":
                choices.append(f"when 'repeated' then {literal(PENDING)}")
            doubt = doubt_sql(name(column), self.zone, span)
            updates.append(
                f"update {table} set problem = case {doubt} {' '.join(choices)} end "
                f"where problem is null and ({doubt}) is not null"  # a repeated time that is taken keeps null
            )
        return updates

    def insert_sql(self, table: str, line: str, span: Span) -> str:
        """Insert of the rows without a problem into the staging table."""
        columns = self.columns()
        group = [("reason_group", self._reason_group())] if self._reason_group() else []
        targets = [("line", line), ("time", f"coalesce(time, {self._utc('local', span)})")]
        targets += [(c.name, self._other_time(c, span) if c.type == "TIMESTAMP" else name(c.name)) for c in columns]
        targets += group
        return (
            f"insert into {name('staged_' + self.mapping.table)} ({', '.join(name(t) for t, _ in targets)}) "
            f"select {', '.join(sql for _, sql in targets)} from {table} where problem is null"
        )

    def undecided(self) -> str:
        """SQL for the problem of a row in a repeated hour that stays undecided."""
        return "'time \"' || strftime(local, '%Y-%m-%d %H:%M:%S') || " + literal(
            f'" falls into the time that the clocks of {self.zone_name} show twice, and the lines around it do not '
            "tell which of the two it is. Log in UTC, or set repeated_hour in [time] of the mapping."
        )

    def columns(self) -> list[Column]:
        """Our columns that this mapping fills, without time and reason_group, in the order of the table."""
        return [c for c in self.mapping.spec.content() if c.name in self._mapped()]

    def _mapped(self) -> set[str]:
        return {*self.mapping.columns, *self.mapping.constants, *self.pieces}

    def _cell(self, place: str | int) -> str:
        rules = self.mapping.text
        cell = f"c{place if isinstance(place, int) else self.places[place]}"
        if not rules.trim:
            odd = ", ".join(literal(t) for t in _beyond_scan(rules))
            return f"(case when {cell} in ({odd}) then null else {cell} end)" if odd else cell
        nothing = ", ".join(literal(t) for t in ("", *rules.null))
        return f"(case when trim({cell}) in ({nothing}) then null else trim({cell}) end)"

    def _raw(self, column: str) -> str:
        if column in self.mapping.columns:
            return joined_sql([self._cell(p) for p in self.mapping.columns[column]])
        text = self.pieces[column] if column in self.pieces else self.mapping.constants[column]
        return "cast(null as varchar)" if not text else literal(text)

    def _joined(self, places: Iterable[str | int]) -> str:
        return "(" + " || ' ' || ".join(self._cell(p) for p in places) + ")"

    def _where(self, column: str) -> str:
        if column in self.mapping.columns:
            return " and ".join(f'column "{p}"' for p in self.mapping.columns[column])
        return "the file name" if column in self.pieces else "[constants]"

    def _value(self, column: Column) -> tuple[str, list[tuple[str, str]]]:
        """SQL of the value, and pairs of condition and message of what can be wrong with it."""
        raw, value = self._raw(column.name), name("v_" + column.name)
        checks: list[tuple[str, str]] = []
        allowed = None if column.name in self.mapping.constants else self.mapping.words_for(column.name)
        if allowed is not None:
            section = "outcome" if column.name == "outcome" else f"values.{column.name}"
            advice = literal(f'" is not in the mapping. Add it to [{section}] to accept the line.')
            checks.append((f"{raw} is not null and {value} is null", _shown(column.name, raw) + f" || {advice}"))
            sql = _choice(raw, allowed, "null")
            if column.type == "BOOLEAN":
                sql = f"(({sql}) = 'true')"
        elif column.type == "VARCHAR":
            sql = raw
        elif column.type == "BOOLEAN":
            sql = f"({raw} = 'true')"
        else:
            whole = column.type != "DOUBLE"
            sql = _whole(raw, self.mapping.text, column.type) if whole else _decimal(raw, self.mapping.text)
            what = "a whole number of 0 or more" if whole else f'a number with decimal "{self.mapping.text.decimal}"'
            advice = literal(f'" in {self._where(column.name)} is not {what}. Line refused.')
            checks.append((f"{raw} is not null and {value} is null", _shown(column.name, raw) + f" || {advice}"))
            unit = self.mapping.units.get(column.name)
            if unit is not None:
                sql = "(" + UNITS[column.name][unit].format(f"({sql})") + ")"
            if column.type == "BIGINT":
                text = literal(f'" is more than {MOST_COUNTED}: damaged. Line refused.')
                checks.append((f"{value} > {MOST_COUNTED}", _shown(column.name, raw) + f" || {text}"))
            if column.name in MOST:
                most, measured_in = MOST[column.name]
                beyond = literal(f'" is more than {most} {measured_in}: damaged, or in another unit. Line refused.')
                checks.append((f"abs({value}) > {most}", _shown(column.name, raw) + f" || {beyond}"))
        if column.required:
            text = f"{column.name} is missing: {self._where(column.name)} is empty. Line refused."
            checks.append((f"{value} is null", literal(text)))
        return sql, checks

    def _reason_group(self) -> str:
        source = REASON_SOURCE.get(self.mapping.table)
        if source is None or source not in self._mapped():
            return ""
        group = _choice(name(source), self.mapping.reason, "'other'")
        placed = "outcome = 'placed'" if "outcome" in self._mapped() else "false"
        return f"case when {name(source)} is null or coalesce({placed}, false) then null else {group} end"

    def _moment(self, raw: str) -> str:
        """Wall time (or UTC, where the text says the instant) of a text; null when it is not one."""
        return moment_sql(raw, self.mapping.time.format, self.mapping.text.decimal)

    def _shift(self, what: str) -> str:
        """SQL of an interval: from midnight to the shift's `begin`, or the `minutes` that it has; null if unknown."""
        assert self.mapping.time.shift is not None
        spans = " ".join(
            f"when {literal(s.text)} then interval {getattr(s, what)} minute" for s in self.mapping.time.shifts
        )
        return f"(case {self._cell(self.mapping.time.shift)} {spans} end)"

    def _shift_checks(self) -> list[tuple[str, str]]:
        place = self.mapping.time.shift
        if place is None:
            return []
        cell = self._cell(place)
        unknown = literal('" is not in [time.shifts] of the mapping. Add it there to accept the line.')
        return [
            (f"{cell} is null", literal(f'shift is missing: column "{place}" is empty. Line refused.')),
            (f"{self._shift('begin')} is null", f"{_shown('shift', cell)} || {unknown}"),
        ]

    def _utc(self, local: str, span: Span, repeated: Pass | None = None) -> str:
        if self.mapping.time.absolute:
            return local
        if self.mapping.time.whole_days:
            return utc_sql(local, self.zone, "first", span, midnights=True)
        policy = self.mapping.time.repeated_hour
        if repeated is None and policy in ("first", "second"):
            repeated = "first" if policy == "first" else "second"
        return utc_sql(local, self.zone, repeated, span)

    def _time_checks(self, column: str, where: str, raw: str, local: str, *, required: bool) -> list[tuple[str, str]]:
        form = literal(f'" does not match the format "{self.mapping.time.format}" of [time]. Line refused.')
        years = literal(f'" lies outside the years {FIRST_YEAR} to {LAST_YEAR}. Line refused; check format in [time].')
        outside = f"{local} < timestamp '{FIRST_YEAR}-01-01' or {local} >= timestamp '{LAST_YEAR + 1}-01-01'"
        missing = [(f"{raw} is null", literal(f"{column} is missing: {where} is empty. Line refused."))]
        return [
            *(missing if required else []),
            (f"{raw} is not null and {local} is null", f"{_shown(column, raw)} || {form}"),
            (outside, f"{_shown(column, raw)} || {years}"),
        ]

    def _other_time(self, column: Column, span: Span) -> str:
        """UTC of the begin of an interval: of two possible ones the later that is not after the row's own time."""
        local = name(column.name)
        time = self.mapping.time
        if time.absolute or time.whole_days or time.repeated_hour != "order":
            return self._utc(local, span)
        own, second = f"coalesce(time, {self._utc('local', span)})", self._utc(local, span, "second")
        return f"case when ({second}) <= ({own}) then {second} else {self._utc(local, span, 'first')} end"


def joined_sql(cells: Sequence[str]) -> str:
    """SQL of an id in several cells with "/" between them; null without the first. Empty ones at the end are left off.

    >>> joined_sql(["c1"])
    'c1'
    >>> joined_sql(["c1", "c2"])
    "(c1 || case when coalesce(c2) is null then '' else '/' || coalesce(c2, '') end)"
    """
    first, *others = cells
    tails = [
        f"case when coalesce({', '.join(others[i:])}) is null then '' else '/' || coalesce({cell}, '') end"
        for i, cell in enumerate(others)
    ]
    return f"({' || '.join([first, *tails])})" if tails else first


def _shown(column: str, raw: str) -> str:
    """SQL of the begin of a message: our column and the text of the log, cut at 80 characters."""
    return f"{literal(column + ' ' + chr(34))} || left({raw}, 80)"


def _choice(raw: str, choices: Mapping[str, str], otherwise: str) -> str:
    """CASE from a text of the log to a word; the text "" stands for nothing."""
    pairs = " ".join(f"when {literal(k)} then {literal(v)}" for k, v in choices.items() if k)
    chosen = f"case {raw} {pairs} else {otherwise} end" if pairs else f"case when true then {otherwise} end"
    empty = literal(choices[""]) if "" in choices else "null"
    return f"case when {raw} is null then {empty} else {chosen} end"


def _grouped(rules: TextRules) -> str:
    """Regular expression of digits, with or without the thousands sign at its right places."""
    if not rules.thousands:
        return "[0-9]+"
    return f"(?:[0-9]+|[0-9]{{1,3}}(?:\\x{{{ord(rules.thousands):x}}}[0-9]{{3}})+)"


def _bare(raw: str, rules: TextRules) -> str:
    return f"replace({raw}, {literal(rules.thousands)}, '')" if rules.thousands else raw


def zeros_pattern(rules: TextRules) -> str:
    """Regular expression (Python's and RE2's) of a fraction that is none: `.0`. Three zeros may be thousands.

    >>> zeros_pattern(TextRules(decimal=","))
    '(?:[,](?:0{1,2}|0{4,}))?'
    """
    return f"(?:[{rules.decimal}](?:0{{1,2}}|0{{4,}}))?"


def _whole(raw: str, rules: TextRules, kind: str) -> str:
    """Whole number of 0 or more, also as 5.0. DuckDB alone would take 1E5 for 100000 and 1.5 for 2."""
    plain, zeros = (literal(f" *[+]?{_grouped(rules)}{tail} *") for tail in ("", zeros_pattern(rules)))
    number = _bare(raw, rules)  # nearly all counts have no zeros: those are not cut
    cut = f"split_part({number}, {literal(rules.decimal)}, 1)"
    return (
        f"case when regexp_full_match({raw}, {plain}) then try_cast({number} as {kind}) "
        f"when regexp_full_match({raw}, {zeros}) then try_cast({cut} as {kind}) end"
    )


def _decimal(raw: str, rules: TextRules) -> str:
    """Number; DuckDB alone would take 1_000, inf and nan, and refuse 1.234,5."""
    if not rules.thousands and rules.decimal == ".":
        number = f"try_cast({raw} as double)"
        return f"case when isfinite({number}) and not contains({raw}, '_') then {number} end"
    point = f"\\x{{{ord(rules.decimal):x}}}"
    form = literal(f" *[+-]?(?:{_grouped(rules)}(?:{point}[0-9]*)?|{point}[0-9]+)(?:[eE][+-]?[0-9]+)? *")
    number = f"try_cast(replace({_bare(raw, rules)}, {literal(rules.decimal)}, '.') as double)"
    return f"case when regexp_full_match({raw}, {form}) and isfinite({number}) then {number} end"
