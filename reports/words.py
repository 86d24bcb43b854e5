"""Numbers, dates and short keys -> the words that stand on a page.

In:    fractions, counts, amounts, ISO 8601 times, the model's short keys; None where the data cannot carry a figure.
Out:   text, British style, thin no-break space between groups of three digits, true minus sign.
After: at most three significant digits for a rate; None never turns into a number; control characters are visible.

Nothing is computed here but units (fraction -> ppm) and rounding.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

THIN: Final = "\u202f"
MINUS: Final = "\u2212"
NOT_ENOUGH: Final = "not enough picks"
NOT_KNOWN: Final = "not known"

LOSS_NAMES: Final = {
    "missed": "missed picks",
    "rejected": "recognition rejects",
    "dropped": "drops",
    "all": "all losses",
}
DENOMINATORS: Final = {
    "missed": "picks",
    "rejected": "parts held",
    "dropped": "parts accepted",
    "all": "picks",
}
VERDICT_MARKS: Final = {"worked": "✓", "did not work": "✗", "got worse": "▲", "cannot say yet": "?"}
LEVEL_MARKS: Final = {"problem": "▲", "warning": "●", "note": "○"}
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_STEERING: Final = re.compile("[\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069]")
_LEFTWARD: Final = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefe\U00010800-\U00010fff\U0001e800-\U0001efff]"
_NAME: Final = rf"(?<![^\s,;:()])[^\s,;:()]*{_LEFTWARD}(?:[^\s,;:()]*[^\s,;:().])?"
_LEFTWARD_NAMES: Final = re.compile(f"({_NAME}(?: {_NAME})*)")


def visible(text: str) -> str:
    """`text` with characters that a page cannot show, or that reorder it, made visible; the rest byte for byte.

    >>> visible("N1") == "N1", visible("a\\x00b"), visible("a\\u202eb")
    (True, 'a␀b', 'a[U+202E]b')
    """
    if text.isascii() and text.isprintable():
        return text
    shown = []
    for letter in text:
        code = ord(letter)
        if code < 0x20 and letter not in "\n\t":
            shown.append(chr(0x2400 + code))
        elif 0x7F <= code < 0xA0:
            shown.append("␡" if code == 0x7F else f"[U+{code:04X}]")
        elif 0xD800 <= code <= 0xDFFF or code in (0xFFFE, 0xFFFF):
            shown.append("\ufffd")
        elif _STEERING.match(letter):
            shown.append(f"[U+{code:04X}]")
        else:
            shown.append(letter)
    return "".join(shown)


def with_ends(text: str) -> str:
    """`text` with blanks at its ends made visible: to the logs `0402` and `0402 ` are two parts.

    >>> with_ends("0402 "), with_ends("a b")
    ('0402␣', 'a b')
    """
    inner = text.strip(" ")
    before = len(text) - len(text.lstrip(" "))
    return text if inner == text else "␣" * before + inner + "␣" * (len(text) - len(inner) - before)


def leftward_names(text: str) -> list[str]:
    """`text` in pieces, every second of which is a name written from right to left, to be set apart from its figures.

    Unless it is, a figure beside such a name moves to its other side on the page.

    >>> leftward_names("Build \u05d0-2: 5 lines"), leftward_names("N1")
    (['Build ', '\u05d0-2', ': 5 lines'], ['N1'])
    """
    return [text] if text.isascii() else _LEFTWARD_NAMES.split(text)


def is_figure(value: float | None) -> bool:
    """True for a finite number."""
    return value is not None and math.isfinite(value)


def _grouped(value: float, decimals: int) -> str:
    text = f"{abs(value):,.{decimals}f}".replace(",", THIN)
    return MINUS + text if value < 0 and float(f"{value:.{decimals}f}") != 0 else text


def significant(value: float, digits: int = 3) -> str:
    """`value` rounded to `digits` significant digits, without an exponent.

    >>> significant(9.996), significant(0.0123456), significant(2344.9).replace(THIN, " "), significant(0.0)
    ('10.0', '0.0123', '2 340', '0')
    """
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    exponent = math.floor(math.log10(abs(rounded)) + 1e-12)
    return _grouped(rounded, max(0, digits - 1 - exponent))


def count(value: int | None) -> str:
    """A whole number with thin groups.

    >>> count(1234567).split(THIN), count(None)
    (['1', '234', '567'], 'not known')
    """
    return NOT_KNOWN if value is None else _grouped(value, 0)


def plural(number: int, one: str, many: str = "") -> str:
    """`1 pick`, `2 picks`."""
    return f"{count(number)} {one if number == 1 else many or one + 's'}"


def number(value: float | None, digits: int = 3) -> str:
    """Any figure with `digits` significant digits."""
    return NOT_KNOWN if value is None or not math.isfinite(value) else significant(value, digits)


def ppm(rate: float | None, *, unit: bool = True) -> str:
    """A fraction as parts per million with three significant digits.

    >>> [ppm(rate).replace(THIN, " ") for rate in (0.0021, None, 0.0, 3e-10)]
    ['2 100 ppm', 'not enough picks', '0 ppm', '< 0.001 ppm']
    """
    if rate is None or not math.isfinite(rate):
        return NOT_ENOUGH
    millionths = rate * 1e6
    if 0 < abs(millionths) < 0.001:
        text = "< 0.001" if rate > 0 else f"> {MINUS}0.001"
    else:
        text = significant(millionths)
    return f"{text}{THIN}ppm" if unit else text


def ppm_interval(low: float | None, high: float | None) -> str:
    """`1 980 to 2 760`, in ppm; empty when either end is missing."""
    if not is_figure(low) or not is_figure(high):
        return ""
    return f"{ppm(low, unit=False)} to {ppm(high, unit=False)}"


def ppm_short(rate: float | None, low: float | None, high: float | None) -> str:
    """A rate and its interval in ppm without the unit: `3 710 (2 320 to 5 420)`."""
    span = ppm_interval(low, high)
    return f"{ppm(rate, unit=False)}{f' ({span})' if span else ''}"


def signed_ppm(difference: float | None, *, unit: bool = True) -> str:
    """A difference of two rates in ppm, always with its sign.

    >>> signed_ppm(0.0005), signed_ppm(-0.0005)
    ('+500\u202fppm', '−500\u202fppm')
    """
    text = ppm(difference, unit=unit)
    return "+" + text if is_figure(difference) and (difference or 0.0) > 0 else text


def signed_interval(low: float | None, high: float | None) -> str:
    """Interval of a difference in ppm, both ends with their sign."""
    if not is_figure(low) or not is_figure(high):
        return ""
    return f"{signed_ppm(low, unit=False)} to {signed_ppm(high, unit=False)}"


def of(losses: int, attempts: int, what: str = "") -> str:
    """`123 of 52 400 picks`: the counts behind a rate."""
    return f"{count(losses)} of {count(attempts)} {what}".rstrip()


def share(fraction: float | None) -> str:
    """A fraction as per cent; never rounds up to 100 or down to 0.

    >>> share(0.953), share(0.99999), share(None)
    ('95.3\u202f%', '> 99.9\u202f%', 'not known')
    """
    if fraction is None or not math.isfinite(fraction):
        return NOT_KNOWN
    if 0.999 < fraction < 1:
        return f"> 99.9{THIN}%"
    if 0 < fraction < 0.001:
        return f"< 0.1{THIN}%"
    return f"{_trim(f'{fraction * 100:.1f}')}{THIN}%"


def small_share(fraction: float) -> str:
    """A fraction as per cent with two significant digits, however small.

    >>> small_share(0.0000336), small_share(0.01), small_share(0.0), small_share(1.0)
    ('0.0034\u202f%', '1\u202f%', '0\u202f%', '100\u202f%')
    """
    if not math.isfinite(fraction):
        return NOT_KNOWN
    return share(fraction) if abs(fraction) >= 0.001 else f"{_trim(significant(fraction * 100, 2))}{THIN}%"


def shortened(text: str, most: int) -> str:
    """`text` cut to `most` characters, the last one an ellipsis where something is missing.

    >>> shortened("06.10.2026;L2M1", 10), shortened("L2M1", 10)
    ('06.10.202…', 'L2M1')
    """
    return text if len(text) <= most else f"{text[: most - 1]}…"


def _trim(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def amount(value: float | None) -> str:
    """An amount of money without its currency: two decimals below 100, none above."""
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if 0 < abs(value) < 0.005:
        return "under 0.01"
    return _grouped(value, 2 if abs(value) < 99.995 else 0)


def money(value: float | None, currency: str) -> str:
    """An amount with its currency.

    >>> money(12.5, "EUR"), money(1234.56, "EUR").replace(THIN, " "), money(None, "EUR")
    ('EUR 12.50', 'EUR 1 235', 'not known')
    """
    text = amount(value)
    return text if text == NOT_KNOWN else f"{currency} {text}"


def price(value: float | None, currency: str) -> str:
    """The price of one piece, which may be a small part of a cent: three significant digits below 1.

    >>> price(0.0049, "EUR"), price(4.2, "EUR"), price(0.0, "EUR"), price(None, "EUR")
    ('EUR 0.0049', 'EUR 4.20', 'EUR 0.00', 'not known')
    """
    if value is None or not 0 < value < 1:
        return money(value, currency)
    return f"{currency} {_trim(significant(value))}"


def money_interval(low: float | None, high: float | None) -> str:
    """`10.00 to 25.00`; `at least 10.00` when only the lower end is known; empty when neither is."""
    if is_figure(low) and is_figure(high):
        return f"{amount(low)} to {amount(high)}"
    if is_figure(low):
        return f"at least {amount(low)}"
    return f"at most {amount(high)}" if is_figure(high) else ""


def odds(effect: float | None) -> str:
    """An odds ratio with three significant digits.

    >>> odds(3.4159), odds(None)
    ('3.42', 'not enough picks')
    """
    if effect is None or not math.isfinite(effect):
        return NOT_ENOUGH
    return "< 0.001" if 0 < effect < 0.001 else significant(effect)


def odds_interval(low: float | None, high: float | None) -> str:
    """`1.80 to 4.10`; empty when either end is missing."""
    return f"{odds(low)} to {odds(high)}" if is_figure(low) and is_figure(high) else ""


def q_value(q: float | None) -> str:
    """A false-discovery-adjusted p-value.

    >>> q_value(0.00004), q_value(0.0312)
    ('< 0.001', '0.031')
    """
    if q is None or not math.isfinite(q):
        return NOT_ENOUGH
    return "< 0.001" if q < 0.001 else f"{q:.3f}"


def mm(value: float | None) -> str:
    """A length in mm, to the micrometre."""
    return NOT_KNOWN if value is None or not math.isfinite(value) else f"{_grouped(value, 3)}{THIN}mm"


def _parsed(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def day(text: str | None, *, about: bool = False) -> str:
    """An ISO 8601 date or time as a day; text that is neither comes back as it is. about: it is not sure.

    >>> day("2026-11-23", about=True)
    'about Mon 23 Nov 2026'
    >>> day("2026-11-23"), day("2026-11-23T14:05:00+01:00"), day("about then"), day(None)
    ('Mon 23 Nov 2026', 'Mon 23 Nov 2026', 'about then', 'not known')
    """
    if text is None:
        return NOT_KNOWN
    found = _parsed(text)
    if found is None or len(text) < 10:
        return text
    return f"{'about ' if about else ''}{_DAYS[found.weekday()]} {found.day} {_MONTHS[found.month - 1]} {found.year}"


def moment(text: str | None) -> str:
    """An ISO 8601 time as day and minute.

    >>> moment("2026-11-23T14:05:00+01:00"), moment("2026-11-23")
    ('Mon 23 Nov 2026 14:05', 'Mon 23 Nov 2026')
    """
    shown = day(text)
    found = _parsed(text) if text else None
    return f"{shown} {found:%H:%M}" if found and text and len(text) > 10 else shown


def seconds(text: str | None) -> float | None:
    """An ISO 8601 time as seconds from a fixed day, to sort by; a time without zone counts as UTC. None if it is none.

    >>> seconds("1970-01-02"), seconds("1970-01-01T01:00:00+01:00"), seconds("about then")
    (86400.0, 0.0, None)
    """
    found = _parsed(text) if text else None
    if found is None:
        return None
    return (found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp()


def week(text: str) -> str:
    """`2026-W47` as `week 47 of 2026`; other text as it is."""
    found = re.fullmatch(r"(\d{4})-W(\d{2})", text)
    return f"week {int(found[2])} of {found[1]}" if found else text


def loss_name(loss: str) -> str:
    """`missed` as `missed picks`; an unknown key as it is."""
    return LOSS_NAMES.get(loss, loss)


def denominator(loss: str) -> str:
    """What a rate of this kind of loss is counted per."""
    return DENOMINATORS.get(loss, "picks")


def per(loss: str) -> str:
    """One of what a rate of this kind of loss is counted per."""
    return {"rejected": "part held", "dropped": "part accepted"}.get(loss, "pick")


def measured(value: float | None) -> str:
    """A measured size: four significant digits, without zeros that say nothing.

    >>> measured(0.9), measured(1.1049)
    ('0.9', '1.105')
    """
    return NOT_KNOWN if value is None or not math.isfinite(value) else _trim(significant(value, 4))


def yes_no(value: bool | None) -> str:
    """`yes` or `no`."""
    return NOT_KNOWN if value is None else "yes" if value else "no"


def cut_list(items: Sequence[str], most: int) -> str:
    """At most `most` items with commas, and how many more there are.

    >>> cut_list(["a", "b", "c"], 2), cut_list(["a", "b"], 2)
    ('a, b and 1 more', 'a, b')
    """
    more = len(items) - most
    return ", ".join(items[:most]) + (f" and {count(more)} more" if more > 0 else "")


def listed(items: tuple[str, ...] | list[str]) -> str:
    """Items with commas; `nothing` for none."""
    return ", ".join(items) if items else "nothing"
