"""Formats of times in a log mapping: which can be read rightly, and the SQL that reads them.

In:    `format` of [time], such as "%d.%m.%Y %H:%M:%S" or "epoch_ms".
Out:   ValueError with what to write instead, or SQL from a text to a wall time, or to UTC where the text says the
       instant.
After: a text that does not fit as a whole gives null; nothing is guessed. As Python's strptime reads it
       (https://docs.python.org/3/library/datetime.html#format-codes), but for what `forms` and `moment_sql` say.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from pipeline.ingest.quoting import literal

EPOCHS: Final[Mapping[str, str]] = {"epoch_s": "1000000", "epoch_ms": "1000", "epoch_us": "1", "epoch_ns": "0.001"}
"""Format: microseconds in its unit, counted since 1970-01-01 00:00 UTC."""
SERIAL: Final = "serial_days"
"""Days since 1899-12-30, the time of day as a fraction: what a workbook holds where a cell was not shown as a date
(ISO/IEC 29500-1, 18.17.4.1, date base 1900). It is a wall time."""
_SERIAL_1970: Final = 25_569
"""Serial day of 1970-01-01."""
_WRITTEN_OUT: Final[Mapping[str, str]] = {
    "F": "%Y-%m-%d",
    "T": "%H:%M:%S",
    "R": "%H:%M",
    "D": "%m/%d/%y",
    "e": "%d",
    "h": "%b",
}
"""Short directives of ISO C (7.27.3.5, strftime) that stand for others."""
_NUMBERS: Final = "YymdHIMSfj"
_KNOWN: Final = set(_NUMBERS) | set("GVupbBaAz%")
KNOWN: Final = (
    "%Y %y %m %d %j %b %B %a %A %G %V %u %H %I %p %M %S %f %z, %F %T %R %D %e, "
    + ", ".join((*EPOCHS, SERIAL))
)  # fmt: skip
_INSTEAD: Final[Mapping[str, str]] = {
    "s": 'for seconds since 1970 write format = "epoch_s"',
    "Z": "a zone's name is not read: take the column apart, or give zone in [time] and log in one zone",
    "c": "write it out, such as %a %b %d %H:%M:%S %Y",
    "x": "write the date out, such as %m/%d/%y",
    "X": "write the time of day out, such as %H:%M:%S",
    "r": "write it out: %I:%M:%S %p",
}
"""Directive: what to write in its place."""


def directives(form: str) -> list[str]:
    """The letters after the % signs, with a minus where one stands between.

    >>> directives("%Y-%-m 100%% %z")
    ['Y', '-m', '%', 'z']
    """
    return re.findall(r"%(-?.?)", form, re.DOTALL)


def is_absolute(form: str) -> bool:
    """True if a text of this format says the instant itself, so that no zone is needed."""
    return form in EPOCHS or "z" in directives(form)


def of_days(form: str) -> bool:
    """True if a text of this format gives a date without a time of day.

    >>> of_days("%d.%m.%Y"), of_days("%F"), of_days("%F %H"), of_days("epoch_s")
    (True, True, False, False)
    """
    return form not in EPOCHS and form != SERIAL and not set(directives(plain_format(form))) & set("HIpMSfz")


def plain_format(form: str) -> str:
    """The format with its short directives written out and without minus signs: one digit is read in any case.

    >>> plain_format("%F %-H:%M"), plain_format("100%%F %e")
    ('%Y-%m-%d %H:%M', '100%%F %d')
    """

    def plain(found: re.Match[str]) -> str:
        letter = found[1].removeprefix("-")
        return _WRITTEN_OUT.get(letter, "%" + letter)

    return re.sub(r"%(-?.?)", plain, form, flags=re.DOTALL)


def check_format(form: str, *, days: bool = False) -> None:
    """ValueError, with what to write instead, when times of this format cannot be read rightly.

    days   a date without a time of day will do
    """
    if form in EPOCHS or form == SERIAL:
        return
    found = directives(form)
    for one in found:
        letter = one.removeprefix("-")
        if (letter not in _KNOWN and letter not in _WRITTEN_OUT) or (one.startswith("-") and letter not in _NUMBERS):
            advice = f"; {_INSTEAD[letter]}" if letter in _INSTEAD else ""
            raise ValueError(f"the time format holds %{one}{advice}; known: {KNOWN}.")
    short = re.search(rf"%-[{_NUMBERS}]%-?[{_NUMBERS}]", form)
    if short:
        raise ValueError(
            f"{short[0]} in the time format: where a number without leading zeros meets the next one, nothing tells "
            "where it ends. Log them with zeros, or with a sign between them."
        )
    used = set(directives(plain_format(form)))
    week = {"G", "V", "u"}  # of ISO 8601; whole or not at all
    if used & week and (not week <= used or used & set("Yymdj")):
        raise ValueError(
            f'the time format "{form}" must give year, week and day of the week as %G, %V and %u, no other.'
        )
    date = used & week or (used & set("Yy") and ("j" in used or ("d" in used and used & set("mbB"))))
    if not date or not ("H" in used or {"I", "p"} <= used or (days and of_days(form))):
        raise ValueError(f'the time format "{form}" must give a whole date and the hour, such as "%Y-%m-%d %H:%M:%S".')


def forms(form: str) -> tuple[list[str], str]:
    """The formats that are tried one after the other, in the words of the database; and one for a longer fraction.

    Programs leave a fraction of zero off and write up to nine digits of it; %f alone takes one to six. Digits beyond
    the sixth are rounded.

    >>> forms("%T.%f"), forms("%H:%M")
    ((['%H:%M:%S.%f', '%H:%M:%S'], '%H:%M:%S.%n'), (['%H:%M'], ''))
    """
    plain = plain_format(form)
    found = re.search(r"(?<=%S)[.,:]%f", plain)
    if found is None:
        return [plain], ""
    before, after = plain[: found.start()], plain[found.end() :]
    return [plain, before + after], f"{before}{found[0][0]}%n{after}"


def moment_sql(raw: str, form: str, decimal: str) -> str:
    """SQL of the wall time (or UTC, where the text says the instant) that a text gives; null when it is none.

    raw       SQL of the text
    decimal   the decimal sign of the log
    """
    if form in EPOCHS or form == SERIAL:
        number = f"replace({raw}, {literal(decimal)}, '.')" if decimal != "." else raw
        whole = 20 if form in EPOCHS else 6
        pattern = f"[0-9]{{1,{whole}}}([{decimal}][0-9]+)?"
        held = f"case when regexp_full_match({raw}, {literal(pattern)}) then {number} end"
        if form in EPOCHS:
            micros = f"round(try_cast({held} as decimal(26, 6)) * {EPOCHS[form]})"
        else:  # 15 digits of a serial day are good for 10 microseconds: thousandths of a second are meant
            micros = f"round((try_cast({held} as decimal(18, 12)) - {_SERIAL_1970}) * 86400000) * 1000"
        last = "9000000000000000000"  # beyond it no moment can be made; so it is one outside all years
        return f"make_timestamp(cast(case when {micros} > {last} then {last} else {micros} end as bigint))"
    tried, longer = forms(form)
    if is_absolute(form):
        raw = f"regexp_replace({raw}, '[Zz]$', '+00:00')"
    moment = f"try_strptime({raw}, [{', '.join(map(literal, tried))}])"
    if is_absolute(form):
        moment = f"make_timestamp(epoch_us({moment}))"
    if longer:
        kind = "timestamptz" if is_absolute(form) else "timestamp"
        fine = f"cast(try_strptime({raw}, {literal(longer)}) as {kind})"
        fine = f"make_timestamp(epoch_us({fine}))" if is_absolute(form) else fine
        moment = f"coalesce({moment}, {fine})"
    return moment
