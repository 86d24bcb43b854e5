"""Finds out which columns of a sample hold a time, and how it is written.

In:    columns of text.
Out:   `Shape` of each column that holds dates, times of day or both.
After: a format parses nearly every value. The order of day and month is decided by values that allow only one (a part
       above 12); where there is none, the usual order of that way of writing is taken and marked as unsure.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

ENOUGH: Final = 0.97
"""Share of values that must have the shape: a log has torn lines and footers."""
_DATE: Final = r"(?P<a>\d{1,4})(?P<s>[./-])(?P<b>\d{1,2}|[A-Za-z]{3,9})(?P=s)(?P<c>\d{2,4})|(?P<compact>\d{8})"
_TIME: Final = (
    r"(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<sec>\d{2})(?:(?P<point>[.,])(?P<frac>\d{1,9}))?)?(?P<pm> ?[AaPp][Mm])?"
)
_ZONE: Final = r"(?P<zone> ?(?:[Zz]|[+-]\d{2}:?\d{2}))?"
_BOTH: Final = re.compile(rf"(?:{_DATE})(?:(?P<gap>[ T_]|, ?)(?:{_TIME}))?{_ZONE}")
_ALONE: Final = re.compile(_TIME)
_FIRST, _LAST = 631_152_000, 4_102_444_800
"""Seconds since 1970 at the begin of 1990 and at the end of 2099."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What a column of times looks like.

    format   strptime format, or epoch_s, epoch_ms
    date     it says the day; clock: it says the time of day
    doubt    what is unsure about it, or ""
    """

    format: str
    date: bool
    clock: bool
    doubt: str = ""


def shape_of(values: Sequence[str]) -> Shape | None:
    """Shape of a column, from its values that are not empty; None when they are no times.

    >>> shape_of(["16.11.2026 06:00:01"]), shape_of(["0402", "0603"])
    (Shape(format='%d.%m.%Y %H:%M:%S', date=True, clock=True, doubt=''), None)
    """
    if not values:
        return None
    return _epoch(values) or _clock(values) or _dated(values)


def _epoch(values: Sequence[str]) -> Shape | None:
    numbers = [float(v) for v in values if re.fullmatch(r"\d{9,14}(\.\d+)?", v)]
    if len(numbers) < ENOUGH * len(values):
        return None
    for form, scale in (("epoch_s", 1), ("epoch_ms", 1000)):
        if all(_FIRST <= n / scale < _LAST for n in numbers):
            return Shape(form, date=True, clock=True)
    return None


def _clock(values: Sequence[str]) -> Shape | None:
    found = [m for v in values if (m := _ALONE.fullmatch(v))]
    if len(found) < ENOUGH * len(values):
        return None
    return Shape(_usual([_clock_format(m) for m in found]), date=False, clock=True)


def _clock_format(match: re.Match[str]) -> str:
    form = "%I:%M" if match["pm"] else "%H:%M"
    if match["sec"]:
        form += ":%S" + (f"{match['point']}%f" if match["frac"] else "")
    if match["pm"]:
        form += " %p" if match["pm"].startswith(" ") else "%p"
    return form


def _usual(forms: Sequence[str]) -> str:
    return Counter(forms).most_common(1)[0][0]


def _dated(values: Sequence[str]) -> Shape | None:
    found = [m for v in values if (m := _BOTH.fullmatch(v))]
    if len(found) < ENOUGH * len(values):
        return None
    date, doubt = _date_format(found)
    if not date:
        return None
    rest = []
    for m in found:
        form = (m["gap"] + _clock_format(m)) if m["gap"] else ""
        zone = (" %z" if m["zone"].startswith(" ") else "%z") if m["zone"] else ""
        rest.append(form + zone)
    shape = Shape(date + _usual(rest), date=True, clock="%H" in _usual(rest) or "%I" in _usual(rest), doubt=doubt)
    return shape if shape.clock or "%z" not in shape.format else replace(shape, format=date)


def _date_format(found: Sequence[re.Match[str]]) -> tuple[str, str]:
    """Format of the date, and what is unsure."""
    if all(m["compact"] for m in found):
        return _compact([m["compact"] for m in found])
    if any(m["compact"] for m in found):
        return "", ""
    sign = found[0]["s"]
    first, middle, last = ([m[g] for m in found] for g in "abc")
    if any(m.isalpha() for m in middle):
        month = "%b" if all(len(m) == 3 for m in middle) else "%B"
        year = "%Y" if all(len(c) == 4 for c in last) else "%y"
        return f"%d{sign}{month}{sign}{year}", ""
    a, b, c = ([int(x) for x in part] for part in (first, middle, last))
    if all(len(x) == 4 for x in first):
        return (f"%Y{sign}%d{sign}%m" if max(b) > 12 >= max(c) else f"%Y{sign}%m{sign}%d"), ""
    if any(len(x) > 2 for x in first):
        return "", ""
    if all(len(x) == 4 for x in last):
        return _day_month(a, b, sign, "%Y")
    if max(a) > 31 >= max(c):
        return f"%y{sign}%m{sign}%d", ""
    if sign == "-":
        return f"%y{sign}%m{sign}%d", "years have two digits: year, month, day is taken; it may be day, month, year"
    form, doubt = _day_month(a, b, sign, "%y")
    return form, doubt or "years have two digits: the last part is taken for the year"


def _day_month(a: list[int], b: list[int], sign: str, year: str) -> tuple[str, str]:
    day_first, month_first = f"%d{sign}%m{sign}{year}", f"%m{sign}%d{sign}{year}"
    if max(a) > 12 and max(b) <= 12:
        return day_first, ""
    if max(b) > 12 and max(a) <= 12:
        return month_first, ""
    if max(a) > 12 and max(b) > 12:
        return day_first, "some values have a day above 12 in the first place, some in the second"
    if sign == "/":
        return month_first, f"no value tells day from month; month first is taken, else write {day_first}"
    return day_first, f"no value tells day from month; day first is taken, else write {month_first}"


def _compact(texts: Sequence[str]) -> tuple[str, str]:
    if all("1990" <= t[:4] <= "2099" and "01" <= t[4:6] <= "12" and "01" <= t[6:] <= "31" for t in texts):
        return "%Y%m%d", ""
    if all("1990" <= t[4:] <= "2099" for t in texts):
        form, doubt = _day_month([int(t[:2]) for t in texts], [int(t[2:4]) for t in texts], "", "%Y")
        return form, doubt
    return "", ""
