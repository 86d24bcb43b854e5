"""What a column and a flat table are, and the pieces that several tables share.

In:    parts of a `Bundle`.
Out:   `Column` and `Table`, and helpers that turn rates, trends and settings into raw values.
After: a value is text, int, float, bool or None, still as a fraction, never rounded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

from pipeline.findings.model import Bundle, Rate, TrendPoint

Kind = Literal[
    "text", "date", "count", "ppm", "ppm_change", "odds", "q", "percent", "money", "mm", "mm_per_day", "number", "flag"
]
Value = str | int | float | bool | None
Row = tuple[Value, ...]

UNITS: Final[dict[str, str]] = {
    "ppm": "ppm",
    "ppm_change": "ppm",
    "percent": "%",
    "mm": "mm",
    "mm_per_day": "mm per day",
}
MACHINE_KINDS: Final = ("nozzle", "spindle", "head", "feeder", "slot", "machine")
"""Kinds of suspect that the maintenance planner can send someone to; all others go to the engineer."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column. `field` is the header in CSV files, `title` in the workbook, `note` the meaning in one sentence."""

    field: str
    title: str
    kind: Kind = "text"
    note: str = ""

    def heading(self, currency: str) -> str:
        """Title with its unit."""
        unit = currency if self.kind == "money" else UNITS.get(self.kind, "")
        return f"{self.title} ({unit})" if unit else self.title


@dataclass(frozen=True, slots=True)
class Table:
    """One table; `name` is its file name, `empty` what to say when it has no rows."""

    name: str
    title: str
    empty: str
    columns: tuple[Column, ...]
    rows: Callable[[Bundle], Iterable[Row]]


def column(field: str, title: str, kind: Kind = "text", note: str = "") -> Column:
    """A column."""
    return Column(field, title, kind, note)


def picked(columns: tuple[Column, ...], item: object) -> Row:
    """The fields of `item` that the columns name, in their order."""
    return tuple(getattr(item, one.field) for one in columns)


def plain_table(
    name: str, title: str, empty: str, columns: tuple[Column, ...], items: Callable[[Bundle], Iterable[object]]
) -> Table:
    """A table whose columns are fields of the model."""
    return Table(name, title, empty, columns, lambda bundle: (picked(columns, item) for item in items(bundle)))


def rate_columns(prefix: str, of: str) -> tuple[Column, ...]:
    """The five columns of a rate; field names begin with `prefix`, titles with `of`."""
    return (
        column(f"{prefix}attempts", f"{of}: chances", "count", "how often this loss could have happened"),
        column(f"{prefix}losses", f"{of}: losses", "count"),
        column(f"{prefix}rate", f"{of}: rate", "ppm", "losses per chance"),
        column(f"{prefix}low", f"{of}: low", "ppm", "lower end of the interval"),
        column(f"{prefix}high", f"{of}: high", "ppm", "upper end of the interval"),
    )


def rate_values(rate: Rate | None) -> Row:
    """The five values of a rate, all None for None."""
    if rate is None:
        return (None, None, None, None, None)
    return (rate.attempts, rate.losses, rate.rate, rate.low, rate.high)


def trend_values(keys: Row, points: tuple[TrendPoint, ...]) -> Iterator[Row]:
    """One row a period: keys, label, the rate and the healthy rate."""
    for p in points:
        yield (*keys, p.label, p.attempts, p.losses, p.rate, p.low, p.high, p.expected)


def settings_rows(settings: dict[str, object]) -> Iterator[tuple[str, str]]:
    """Settings as `section.key`, value; lists joined by commas, nested tables by dots."""
    for key, value in settings.items():
        if isinstance(value, dict):
            for inner, shown in settings_rows({str(k): v for k, v in value.items()}):
                yield f"{key}.{inner}", shown
        elif isinstance(value, (list, tuple)) and any(isinstance(v, dict) for v in value):
            for number, entry in enumerate(value, 1):
                yield from settings_rows({f"{key}.{number}": entry})
        elif isinstance(value, (list, tuple)):
            yield key, ", ".join(str(v) for v in value)
        else:
            yield key, str(value)


_WEEK_FIELDS: Final = (
    *("plant", "week", "start", "end", "zone", "currency"),
    *("picks", "placed", "boards", "looked_at", "spread_weeks", "format"),
)


def week_rows(bundle: Bundle) -> Iterator[tuple[str, Value]]:
    """Name and value of everything that stands once in a week."""
    for name in _WEEK_FIELDS:
        yield name, getattr(bundle, name)
    for name in ("files", "rows_read", "rows_loaded", "rows_duplicate", "rows_refused"):
        yield name, getattr(bundle.quality, name)


def list_length(bundle: Bundle, key: str, otherwise: int) -> int:
    """`settings["lists"][key]`, or `otherwise` where the bundle does not carry it."""
    lists = bundle.settings.get("lists")
    value = lists.get(key) if isinstance(lists, dict) else None
    return value if isinstance(value, int) and value > 0 else otherwise
