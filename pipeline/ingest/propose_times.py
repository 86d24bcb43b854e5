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
from datetime import datetime
from typing import Final

ENOUGH: Final = 0.97
"""Share of values that must have the shape: a log has torn lines and footers."""
_MONTH: Final = (
    "jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec|january|february|march|april|june|july|august|september|october"
    "|november|december"
)
_WEEKDAY: Final = (
    "(?P<weekday>mon|tue|wed|thu|fri|sat|sun|monday|tuesday|wednesday|thursday|friday|saturday|sunday)(?P<after>,? +)"
)
_DATE: Final = (
    rf"(?P<a>\d{{1,4}})(?P<s>[./ -])(?P<b>\d{{1,2}}|{_MONTH})(?P=s)(?P<c>\d{{2,4}})|(?P<compact>\d{{8}})"
    r"|(?P<year>\d{4})(?P<daygap>[./ -]?)(?P<day>\d{3})"
    rf"|(?P<name>{_MONTH})(?P<namegap> +)(?P<nameday>\d{{1,2}})(?:(?P<comma>,? )(?P<nameyear>\d{{4}}))?"
)
_TIME: Final = (
    r"(?P<h>\d{1,2}):(?P<min>\d{2})(?::(?P<sec>\d{2})(?:(?P<point>[.,:])(?P<frac>\d{1,9}))?)?(?P<pm> ?[ap]m)?"
)
_TIGHT: Final = r"(?P<tight>([01]\d|2[0-3])[0-5]\d[0-5]\d)(?:(?P<tightpoint>[.,]?)(?P<tightfrac>\d{1,6}))?"
_ZONE: Final = r"(?P<zone> ?(?:z|[+-]\d{2}:?\d{2}))?"
_BOTH: Final = re.compile(
    rf"(?:{_WEEKDAY})?(?:{_DATE})(?:(?P<gap>[ T_:]|, ?|)(?:{_TIME}|{_TIGHT})(?P<lastyear> \d{{4}})?)?{_ZONE}",
    re.IGNORECASE,
)
_ALONE: Final = re.compile(_TIME + _ZONE, re.IGNORECASE)
_TIGHT_ALONE: Final = re.compile(_TIGHT)
_SERIAL: Final = re.compile(r"\d{5}(\.\d+)?")
_SERIAL_DAYS: Final = (32_874, 73_051)
"""Days since 1899-12-30 at the begin of 1990 and at the end of 2099."""
_FIRST, _LAST = 631_152_000, 4_102_444_800
"""Seconds since 1970 at the begin of 1990 and at the end of 2099."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What a column of times looks like.

    format   strptime format, or a count (time_formats.py)
    date     it says the day; clock: it says the time of day
    doubt    what is unsure about it, or ""
    """

    format: str
    date: bool
    clock: bool
    doubt: str = ""


def shape_of(values: Sequence[str], *, cells: bool = False) -> Shape | None:
    """Shape of a column, from its values that are not empty; None when they are no times.

    cells   they are cells of a workbook, where a number can be a day

    >>> shape_of(["16.11.2026 06:00:01"]), shape_of(["0402", "0603"])
    (Shape(format='%d.%m.%Y %H:%M:%S', date=True, clock=True, doubt=''), None)
    >>> shape_of(["Mon Nov 16 06:00:00 2026"]).format, shape_of(["20261116060000"]).format
    ('%a %b %d %H:%M:%S %Y', '%Y%m%d%H%M%S')
    """
    if not values:
        return None
    return _dated(values) or _epoch(values) or _clock(values) or (_serial(values) if cells else None)


def tight_clock(values: Sequence[str]) -> Shape | None:
    """Shape of times of day without signs, such as 060000: six digits that only count beside a column of dates."""
    found = [m for v in values if (m := _TIGHT_ALONE.fullmatch(v))]
    if not values or len(found) < ENOUGH * len(values):
        return None
    return Shape(_usual([_tight_format(m) for m in found]), date=False, clock=True, doubt="six digits are taken for it")


def tight_day(values: Sequence[str]) -> Shape | None:
    """Shape of days such as 2026320, year and day of the year: seven digits that only count beside a time of day."""
    if not values or not all(re.fullmatch(r"(199|20\d)\d[0-3]\d\d", v) and "001" <= v[4:] <= "366" for v in values):
        return None
    return Shape("%Y%j", date=True, clock=False, doubt="seven digits are taken for the year and the day of it")


def unread_dates(columns: Sequence[Sequence[str]]) -> str:
    """What keeps dates from being read, where a person sees some; a sentence for the end of a message, or ""."""
    first = [values[0] for values in columns if values]
    if any(re.match(rf"(?:{_MONTH}) +\d{{1,2}} \d\d:\d\d", v, re.IGNORECASE) for v in first):
        return " The dates have no year: log them with it."
    if any(re.match(r"\d{1,2}[./ -]+[^\W\d_]{3,9}[./ -]+\d{2,4}", v) for v in first):
        return " Names of months are read in English only: log them as numbers."
    if any(re.match(r"[^\W\d_]{2,10}[., ]+\d{1,4}[./-]\d{1,2}[./-]\d{2,4}", v) for v in first):
        return " Names of days are read in English only: log dates without them."
    return ""


def _serial(values: Sequence[str]) -> Shape | None:
    numbers = [float(v) for v in values if _SERIAL.fullmatch(v)]
    within = [n for n in numbers if _SERIAL_DAYS[0] <= n < _SERIAL_DAYS[1]]
    if len(within) < ENOUGH * len(values) or sum(n % 1 > 0 for n in within) < 0.5 * len(within):
        return None
    return Shape("serial_days", date=True, clock=True, doubt="numbers are taken for days since 1899-12-30")


def _epoch(values: Sequence[str]) -> Shape | None:
    numbers = [float(v.replace(",", ".")) for v in values if re.fullmatch(r"\d{9,19}([.,]\d+)?", v)]
    if len(numbers) < ENOUGH * len(values):
        return None
    for form, scale in (("epoch_s", 1), ("epoch_ms", 1e3), ("epoch_us", 1e6), ("epoch_ns", 1e9)):
        if all(_FIRST <= n / scale < _LAST for n in numbers):
            return Shape(form, date=True, clock=True)
    return None


def _clock(values: Sequence[str]) -> Shape | None:
    found = [m for v in values if (m := _ALONE.fullmatch(v))]
    if len(found) < ENOUGH * len(values):
        return None
    return Shape(_fullest([_clock_format(m) + _zone_format(m) for m in found]), date=False, clock=True)


def _clock_format(match: re.Match[str]) -> str:
    form = "%I:%M" if match["pm"] else "%H:%M"
    if match["sec"]:
        form += ":%S" + (f"{match['point']}%f" if match["frac"] else "")
    if match["pm"]:
        form += " %p" if match["pm"].startswith(" ") else "%p"
    return form


def _zone_format(match: re.Match[str]) -> str:
    return (" %z" if match["zone"].startswith(" ") else "%z") if match["zone"] else ""


def _tight_format(match: re.Match[str]) -> str:
    return "%H%M%S" + (f"{match['tightpoint']}%f" if match["tightfrac"] else "")


def _fullest(forms: Sequence[str]) -> str:
    """The usual form; if some values have a fraction and others none, the one with it, which reads both."""
    usual = _usual(forms)
    longer = [f for f in forms if re.sub(r"[.,:]%f", "", f) == usual]
    return _usual([f for f in longer if f != usual] or [usual])


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
        clock = _tight_format(m) if m["tight"] else _clock_format(m) if m["h"] else ""
        form = (m["gap"] or "") + clock if clock else ""
        rest.append(form + (" %Y" if m["lastyear"] else "") + _zone_format(m))
    last = _fullest(rest)
    if ("%Y" in last) == ("%Y" in date or "%y" in date):
        return None
    if any(m["weekday"] for m in found):
        name = "%a" if all(len(m["weekday"] or "") == 3 for m in found) else "%A"
        date = f"{name}{(found[0]['after'] or '').strip()} {date}"
    shape = Shape(date + last, date=True, clock="%H" in last or "%I" in last, doubt=doubt)
    shape = shape if shape.clock or "%z" not in shape.format else replace(shape, format=date)
    return shape if doubt or _reads(shape.format, values) else None


def _reads(form: str, values: Sequence[str]) -> bool:
    """True if the format reads nearly all values, as far as Python tells: a month 13 is none."""
    plain = re.sub(r"[.,:]%f", "", form)
    good = 0
    for value in values:
        text = re.sub(r"([.,:]\d{6})\d{1,3}(?!\d)", r"\1", value)
        for one in (form, plain):
            try:
                datetime.strptime(text, one)  # noqa: DTZ007 - only whether it reads
            except ValueError:
                continue
            good += 1
            break
    return good >= ENOUGH * len(values)


def _date_format(found: Sequence[re.Match[str]]) -> tuple[str, str]:
    """Format of the date, and what is unsure."""
    for group in ("compact", "day", "name"):
        if all(m[group] for m in found):
            break
        if any(m[group] for m in found):
            return "", ""
    else:
        return _split_format(found)
    if group == "compact":
        return _compact([m["compact"] for m in found])
    if group == "day":
        good = all("1990" <= m["year"] <= "2099" and "001" <= m["day"] <= "366" for m in found)
        doubt = "seven digits are taken for the year and the day of it" if not found[0]["daygap"] else ""
        return (f"%Y{found[0]['daygap']}%j", doubt) if good and (not doubt or found[0]["gap"] is not None) else ("", "")
    month = "%b" if all(len(m["name"]) == 3 for m in found) else "%B"
    return f"{month} %d" + (f"{found[0]['comma']}%Y" if found[0]["comma"] else ""), ""


def _split_format(found: Sequence[re.Match[str]]) -> tuple[str, str]:
    """Format of a date in three parts."""
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
