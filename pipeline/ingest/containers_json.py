"""JSON lines that are no IPC-2591 messages -> numbered records of text cells.

In:    UTF-8 text with one JSON object a line, and a mapping with content = "json_lines".
Out:   `Cut`.
After: text is as it stands, numbers exactly as written; true, false as such; null and a missing key are empty. Records
       have the numbers of their lines. A key given twice refuses the line: which of the two holds cannot be known.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any, NoReturn

from pipeline.errors import FileRefused
from pipeline.ingest.containers_cut import Cut, Refuse, scan_records, write_records
from pipeline.ingest.delimited_lines import LONGEST, Layout, RawLines, physical_lines
from pipeline.ingest.mapping import LogMapping
from pipeline.settings import Limits


class Unfit(Exception):
    """A line that cannot be loaded; the text says why."""


def cut_json_lines(path: Path, mapping: LogMapping, work: Path, refuse: Refuse, limits: Limits) -> Cut:  # noqa: ARG001
    """Cut the keys that the mapping names; FileRefused when one of them is in no line at all, or no line is JSON."""
    wanted = [*mapping.time.places, *(p for places in mapping.columns.values() for p in places)]
    keys = tuple(dict.fromkeys(str(p) for p in (*wanted, *(f.column for f in mapping.filters))))
    copy = work / "records.txt"
    refused, good = 0, 0

    def rows() -> Iterator[tuple[int, list[str]]]:
        nonlocal refused, good
        for line in physical_lines(path):
            if not line.text.strip():
                continue
            try:
                if not line.whole:
                    raise Unfit(f"the line is longer than {LONGEST} characters.")
                record = read_object(line.text)
                cells = [text_at(record, key) for key in keys]
            except Unfit as wrong:
                refuse(line.number, line.text, f"{wrong} Line refused.")
                refused += 1
                continue
            good += 1
            yield line.number, cells

    too_long = write_records(copy, rows(), refuse)
    if not good and is_array(line.text for line in physical_lines(path)):
        raise FileRefused(ARRAY)
    if not good:
        raise FileRefused("holds no line that is one JSON object. Check content in the mapping.")
    layout = Layout(keys, len(keys), 0, regular=False)
    return Cut(layout, scan_records(copy, mapping.text, len(keys)), refused + too_long, RawLines(path))


ARRAY = (
    "holds one JSON array. Write each object of it on a line of its own, without the brackets around and the commas "
    "between them: JSON lines are read."
)


def is_array(lines: Iterable[str]) -> bool:
    """True if the text begins as an array of objects does.

    >>> is_array(["", "[", ' {"a": 1},']), is_array(['[{"a": 1}]']), is_array(["[Picks]", "{x"])
    (True, True, False)
    """
    begin = "".join(islice((text.strip()[:80] for text in lines if text.strip()), 2))
    return re.match(r"\[\s*\{", begin) is not None


def read_object(text: str) -> dict[str, Any]:
    """The object of a line, numbers as text; Unfit when it is none or has a key twice."""
    try:
        found = json.loads(text, object_pairs_hook=_once, parse_int=str, parse_float=str, parse_constant=_no_number)
    except RecursionError as error:
        raise Unfit("it is nested too deep.") from error
    except json.JSONDecodeError as error:
        raise Unfit(f"not valid JSON: {error.msg} at column {error.colno}.") from error
    if not isinstance(found, dict):
        raise Unfit("one JSON object a line is expected.")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [k for k, _ in pairs]
        twice = next(k for k in names if names.count(k) > 1)
        raise Unfit(f'the key "{twice[:80]}" is given twice.')
    return found


def _no_number(text: str) -> NoReturn:
    raise Unfit(f"{text} is no JSON number.")


def text_at(record: Any, path: str) -> str:
    """Text at a key; nested ones with points, places in a list from 0; "" where there is nothing.

    A key that itself holds points is found as it stands. Raises Unfit when there is no single value.

    >>> text_at({"a": {"b.c": ["x", "1.50"]}}, "a.b.c.1"), text_at({}, "a.b")
    ('1.50', '')
    """
    value = _at(record, path)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if not isinstance(value, str):
        raise Unfit(f'"{path}" is no single value.')
    if "\0" in value:
        raise Unfit(f'"{path}" holds a NUL.')
    try:
        value.encode("utf-8")
    except UnicodeEncodeError as error:
        raise Unfit(f'"{path}" holds half a character.') from error
    return value


def _at(value: Any, path: str) -> Any:
    if isinstance(value, list):
        first, _, rest = path.partition(".")
        if not first.isascii() or not first.isdigit() or int(first) >= len(value):
            return None
        return _at(value[int(first)], rest) if rest else value[int(first)]
    if not isinstance(value, dict):
        return None
    if path in value:
        return value[path]
    cut = path.find(".")
    while cut > 0:
        if path[:cut] in value:
            return _at(value[path[:cut]], path[cut + 1 :])
        cut = path.find(".", cut + 1)
    return None
