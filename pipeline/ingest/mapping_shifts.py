"""The shifts of a log that gives a date and the name of a shift: when each begins, and how long it is.

In:    the table [time.shifts] of a mapping.
Out:   `Shift`s, in the order in which they begin.
After: together they are the whole day: each lasts until the next begins, the latest until the first of the next day.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

DAY: Final = 24 * 60
_BEGIN: Final = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift: what the log calls it, minutes from midnight to its begin, and its length in minutes."""

    text: str
    begin: int
    minutes: int


def shifts_of(content: object) -> tuple[Shift, ...]:
    """The shifts of a table such as {"1": "06:00", "2": "14:00", "3": "22:00"}; ValueError when it is none.

    >>> shifts_of({"N": "22:00", "D": "6:00"})
    (Shift(text='D', begin=360, minutes=960), Shift(text='N', begin=1320, minutes=480))
    """
    if not isinstance(content, dict) or not content:
        raise ValueError('[time.shifts] must give the begin of each shift, such as "1" = "06:00".')
    begins: dict[int, str] = {}
    for text, value in content.items():
        found = _BEGIN.fullmatch(value) if isinstance(value, str) else None
        if found is None:
            raise ValueError(f'shift "{text}" must begin at a time such as "06:00", found {value!r}.')
        begin = 60 * int(found[1]) + int(found[2])
        if begin in begins:
            raise ValueError(f'the shifts "{begins[begin]}" and "{text}" begin at the same time.')
        begins[begin] = str(text)
    order = sorted(begins)
    ends = [*order[1:], order[0] + DAY]
    return tuple(Shift(begins[b], b, end - b) for b, end in zip(order, ends, strict=True))
