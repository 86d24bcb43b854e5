"""Proposes a log mapping for a file that has none.

In:    a file; the table it is to fill, where somebody says so (propose_table.py).
Out:   the text of a mapping (TOML), commented, with `# CHECK:` at everything that the file does not prove.
After: the mapping is accepted as it stands and fits this file: every line of it is loaded, or refused with a reason.
       Nothing from the file can break out of a comment or a text.

A proposal is a beginning. What a code means, and which clock the machine shows, only the plant knows.
"""

from __future__ import annotations

import contextlib
import json
import re
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Final

from pipeline.errors import UserError
from pipeline.ingest.apart import call_apart
from pipeline.ingest.mapping import INTERVALS, LOG_TABLES, UNITS, Place, TextRules, bare_name
from pipeline.ingest.propose_columns import Guess, guess, lines_for_machines
from pipeline.ingest.propose_filter import with_filters
from pipeline.ingest.propose_sample import Sample
from pipeline.ingest.propose_table import counts_instead, table_of
from pipeline.ingest.propose_text import read_sample
from pipeline.ingest.propose_totals import without_totals
from pipeline.ingest.propose_words import bare, roots_score
from pipeline.schema.tables import table as schema_of
from pipeline.settings import Limits

CHECK: Final = "# CHECK:"
WIDTH: Final = 60
"""Characters of a text of the log that a comment shows."""
_TRADE: Final = "pick picks log logs data export report line machine errors events csv txt week"


def propose_apart(path: Path, table: str | None, limits: Limits) -> str:
    """As `propose`, in a process of its own with limits on its time and memory: nobody has looked at the file yet."""
    return str(call_apart(propose, path, table, limits, limits=limits))


def propose(path: Path, table: str | None = None, limits: Limits | None = None) -> str:
    """Text of a mapping for `path`; UserError when it cannot be read, holds no time, or `table` is none of ours.

    table   what the file fills; None: what its columns and words look like
    """
    if table is not None and table not in LOG_TABLES:
        raise UserError(f"--table is {table!r}; use one of {', '.join(LOG_TABLES)}.")
    if not path.exists():
        raise UserError(f"{path} not found. Check the name.")
    limits, why = limits or Limits(), ""
    if table is None:
        sample = _sample(path, "pick", limits)
        table, why = table_of(sample)
        if _only_whole(table):
            sample = _sample(path, table, limits)
    else:
        sample = _sample(path, table, limits)
    if why:
        with contextlib.suppress(UserError):  # it looked like that table and cannot be one: what a log mostly is
            return _proposed(path, table, replace(sample, doubts={**sample.doubts, "table": why}))
        table, sample = "pick", _sample(path, "pick", limits)
    return _proposed(path, table, sample)


def _sample(path: Path, table: str, limits: Limits) -> Sample:
    with tempfile.TemporaryDirectory(prefix="pickfall-") as work:
        return read_sample(path, Path(work), limits, counts=_only_whole(table))


def _proposed(path: Path, table: str, sample: Sample) -> str:
    try:
        sample, found = with_filters(sample, guess(sample, table), table)
        if table in INTERVALS:
            sample, found = without_totals(sample, found, table)
    except UserError as error:
        raise UserError(f"{path}: {error}") from error
    if table == "pick" and "table" not in sample.doubts and (doubt := counts_instead(sample, found)):
        sample = replace(sample, doubts={**sample.doubts, "table": doubt})
    if "machine" not in found.columns and not _machine_from_name(bare_name(path))[0]:
        lines_for_machines(sample, found)
    return "\n".join(_lines(path, table, sample, found)) + "\n"


def _only_whole(table: str) -> bool:
    """True if no column of a table takes a fraction."""
    return all(c.type != "DOUBLE" for c in schema_of(table).content())


def _lines(path: Path, table: str, sample: Sample, found: Guess) -> Iterable[str]:
    name = bare_name(path)
    schema = schema_of(table)
    pattern, piece = _machine_from_name(name)
    yield f"# Proposed from {len(sample.rows)} rows of {_shown(name)}."
    yield "# What stands before a CHECK mark is not proved by the file: look at each, then take the mark off."
    yield "format = 1"
    yield f"name = {_text(_plain(Path(name).stem) or 'log')}"
    yield _checked(f"table = {_text(table)}", sample.doubts.get("table", ""))
    files = files_pattern(name)
    yield _checked(f"files = [{_text(files)}]", "fits this file; exactly one mapping must fit each file")
    if sample.sheet is not None or sample.rules.section_begin or "file_part" in found.doubts:
        part = (
            f"sheet {sample.sheet}"
            if sample.sheet is not None
            else "group"
            if "file_part" in found.doubts
            else "section"
        )
        doubt = found.doubts.get("file_part", "take the # off if another mapping reads another part of the file")
        yield _checked(f"# file_part = {_text(part)}", doubt)
    if sample.content != "delimited":
        yield f"content = {_text(sample.content)}"
    if sample.sheet is not None:
        yield from ("", "[workbook]", _checked(f"sheet = {sample.sheet}", sample.doubts.get("sheet", "")))
    yield from _text_section(table, sample, found)
    yield from _time_section(found)
    yield from ("", "[columns]")
    for ours, places in sorted(found.columns.items(), key=lambda c: schema.names().index(c[0])):
        shown = _places(places) if len(places) > 1 else _place(places[0])
        yield _checked(f"{ours} = {shown}", found.doubts.get(ours, ""))
    if found.unused:
        yield "# Not used:"
    for place, texts in found.unused:
        yield _checked(f"#   {_place(place)}: {_shown(texts)}", found.doubts.get(f"unused.{place}", ""))
    constants = dict(found.constants)
    if "machine" not in found.columns and pattern:
        yield from ("", "[file_name]", _checked(f"pattern = {_text(pattern)}", f"the machine is {_shown(piece)} here"))
    elif "machine" not in found.columns and table not in ("reel_event", "service"):
        constants["machine"] = "M1"
        found.doubts["machine"] = "neither the log nor its name tells the machine: one mapping a machine, or folders"
    if constants:
        yield from ("", "[constants]")
    for ours, text in constants.items():
        value = {"good": "true", "attempts": text}.get(ours) or _text(text)
        yield _checked(f"{ours} = {value}", found.doubts.get(ours, ""))
    for column, made in found.words.items():
        yield from ("", "[outcome]" if column == "outcome" else f"[values.{column}]")
        for text, word in made.items():
            yield _checked(f"{_text(text)} = {_text(word)}", found.doubts.get(f"{column}.{text}", ""))
    if found.reason:
        yield from ("", "[reason]")
    for text, word in found.reason.items():
        yield _checked(f"{_text(text)} = {_text(word)}", found.doubts.get(f"reason.{text}", ""))
    measured = [c for c in UNITS if c in found.columns]
    if measured:
        yield from ("", "[units]")
    for column in measured:
        yield _checked(
            f"{column} = {_text(_unit(sample, found, column))}",
            f"one of {', '.join(UNITS[column])}",
        )
    for column_of, test, wanted, doubt in found.filters:
        value = _text(wanted[0]) if test == "matches" else _places(wanted)
        yield from ("", "[[filter]]", f"column = {_place(column_of)}", _checked(f"{test} = {value}", doubt))


def _text_section(table: str, sample: Sample, found: Guess) -> Iterable[str]:
    rules, default, doubts = sample.rules, TextRules(), dict(sample.doubts)
    kinds = {c.name: c.type for c in schema_of(table).content()}
    numbers = {i for ours, i in found.indexes.items() if kinds[ours] in ("BIGINT", "INTEGER", "DOUBLE")}
    if sample.unsure and not sample.unsure & numbers:  # what can be read in two ways is no number of ours
        doubts = {k: d for k, d in doubts.items() if k not in ("decimal", "thousands")}
    made = []
    keys = ("delimiter", "quote", "encoding", "short_rows") if sample.content == "delimited" else ()
    for key in (*keys, "skip_lines", "skip_end", "header", "header_rows", "section_begin", "section_end", "comment"):
        value = getattr(rules, key)
        if value != getattr(default, key) or key in ("delimiter", "encoding"):
            made.append(
                _checked(
                    f"{key} = {json.dumps(value) if not isinstance(value, str) else _text(value)}",
                    doubts.get(key, ""),
                )
            )
    for key in ("decimal", "thousands", "trim", "null"):
        value = getattr(rules, key)
        if value != getattr(default, key) or key in doubts:
            shown = _text(value) if isinstance(value, str) else "true" if value is True else _places(value)
            made.append(_checked(f"{key} = {shown}", doubts.get(key, "")))
    if made:
        yield from ("", "[text]", *made)


def _time_section(found: Guess) -> Iterable[str]:
    yield from ("", "[time]")
    yield _checked(f"columns = {_places(found.time)}", found.doubts.get("time", ""))
    yield _checked(f"format = {_text(found.format)}", found.doubts.get("format", ""))
    if not found.absolute:
        yield f'# zone = "Europe/Berlin"   {CHECK} the clock of the machine; without it the zone of plant.toml holds'
    if found.shift is not None:
        place, begins = found.shift
        yield f"shift = {_place(place)}"
        yield from ("", "[time.shifts]")
        yield from (_checked(f"{_text(text)} = {_text(begin)}", "when it begins") for text, begin in begins.items())


def _unit(sample: Sample, found: Guess, column: str) -> str:
    """The unit that the column's name holds, else the usual one for figures of that size."""
    (place, *_) = found.columns[column]
    words = {bare(w) for w in re.split(r"[\s_()\[\]./-]+", str(place))} if sample.names is not None else set()
    named = next((u for u in UNITS[column] if u in words or (u == "um" and "μm" in words)), None)
    if named is not None or column == "dangle":
        return named or "degree"
    rules = sample.rules
    plain = (c.replace(rules.thousands, "") if rules.thousands else c for c in sample.column(found.indexes[column]))
    sizes = sorted(abs(float(c.replace(rules.decimal, "."))) for c in plain)
    # A part that sits millimetres beside the nozzle's centre is not picked at all (common practice, no source).
    return "um" if sizes[len(sizes) // 2] > 2 else "mm"


def files_pattern(name: str) -> str:
    """A pattern for the names of files of this family: parts with digits become *.

    >>> files_pattern("L2M3_picks_2026-W47.csv"), files_pattern("log.txt"), files_pattern("20261116.csv")
    ('*_picks_*.csv', 'log.txt', '*.csv')
    """
    stem, dot, ending = name.rpartition(".")
    if not dot:
        stem, ending = name, ""
    parts = re.split(r"([_\-. ]+)", stem)
    made = "".join("*" if any(c.isdigit() for c in p) else p for p in parts)
    made = re.sub(r"\*([_\-. ]*\*)+", "*", made) + dot + ending
    return re.sub(r"[\[\]]", "?", made)


def _machine_from_name(name: str) -> tuple[str, str]:
    """A pattern that takes the machine out of the file's name, and what it takes here; empty when there is none.

    >>> _machine_from_name("picks_L1M2_2026-11-16.csv")
    ('^picks_(?P<machine>[^_]+)_', 'L1M2')
    """
    stem = name.rpartition(".")[0] or name
    parts = re.split(r"([_\-. ]+)", stem)
    for i in range(0, len(parts), 2):
        part = parts[i]
        if not re.fullmatch(r"[A-Za-z]+\d+[A-Za-z0-9]*", part) or re.fullmatch(r"(W|KW|CW|v|V)\d+|\d*T\d+", part):
            continue
        if roots_score(re.sub(r"\d", "", part), _TRADE.replace("line", "").replace("machine", "")) >= 300:
            continue
        before = re.sub(r"\d+", r"\\d+", re.escape("".join(parts[:i])))
        after = parts[i + 1][0] if i + 1 < len(parts) else name[len(stem) : len(stem) + 1]
        if not after:
            return f"^{before}(?P<machine>.+)$", part
        return f"^{before}(?P<machine>[^{re.escape(after)}]+){re.escape(after)}", part
    return "", ""


def _checked(line: str, doubt: str) -> str:
    return f"{line}   {CHECK} {_plain(doubt)}" if doubt else line


def _places(places: Iterable[Place]) -> str:
    return "[" + ", ".join(_place(p) for p in places) + "]"


def _place(place: Place) -> str:
    return str(place) if isinstance(place, int) else _text(place)


def _text(text: str) -> str:
    """A basic string of TOML: JSON's escapes are among its own; DEL must be escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _shown(text: str) -> str:
    return _text(text[:WIDTH])


def _plain(text: str) -> str:
    """One line for a comment: TOML allows no control characters in it."""
    return "".join(c if c.isprintable() else " " for c in text)
