"""What a table of a page is made of: cells with a main figure, a small line under it and a key to sort by.

In:    items of the bundle and functions that turn one into a cell.
Out:   `PageTable`, the same for PDF and HTML.
After: `rows` holds at most `limit` rows and `more` says how many were left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from markupsafe import Markup

from pipeline.findings.model import Rate
from reports import words

NO_DRAWING = Markup("")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell. `small` stands under `text`; `sort` is what a browser sorts by (text sorts by `text` if it is None)."""

    text: str
    small: str = ""
    sort: float | None = None
    drawing: Markup = NO_DRAWING


@dataclass(frozen=True, slots=True)
class Head:
    """One column of a page table: heading, share of the width in per cent, and on which side its cells stand."""

    title: str
    width: int
    side: Literal["left", "right"] = "left"
    sortable: bool = True


@dataclass(frozen=True, slots=True)
class PageTable:
    """A table ready for a template; `empty` is said when there are no rows at all."""

    name: str
    caption: str
    heads: tuple[Head, ...]
    rows: tuple[tuple[Cell, ...], ...]
    more: int
    empty: str

    @property
    def compact(self) -> bool:
        """True when every row is a single line, which then needs less room around it."""
        return not any(cell.small or cell.drawing for row in self.rows for cell in row)


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of a card: a name and what there is to say."""

    name: str
    text: str


def build(
    name: str,
    caption: str,
    items: Sequence[T],
    columns: Sequence[tuple[Head, Callable[[T], Cell]]],
    *,
    limit: int | None,
    empty: str,
) -> PageTable:
    """The first `limit` items (all for None) as rows."""
    shown = items if limit is None else items[:limit]
    rows = tuple(tuple(make(item) for _, make in columns) for item in shown)
    return PageTable(name, caption, tuple(head for head, _ in columns), rows, len(items) - len(shown), empty)


def left(title: str, width: int) -> Head:
    """A column of text."""
    return Head(title, width)


def right(title: str, width: int) -> Head:
    """A column of figures."""
    return Head(title, width, "right")


def text(content: str | None, small: str = "") -> Cell:
    """Words; `not known` for None."""
    return Cell(words.NOT_KNOWN if content is None else words.with_ends(content), small)


def figure(shown: str, sort: float | None, small: str = "") -> Cell:
    """A figure as it is shown, with the number to sort by."""
    return Cell(shown, small, sort)


def picture(title: str, width: int) -> Head:
    """A column of drawings, which nobody can sort by."""
    return Head(title, width, sortable=False)


def day(value: str | None, *, about: bool = False) -> Cell:
    """A day, sorted by time; about: it is not sure."""
    return Cell(words.day(value, about=about), "", words.seconds(value))


def count(value: int | None) -> Cell:
    """A whole number."""
    return Cell(words.count(value), "", value)


def lines(*parts: str) -> str:
    """The parts that are not empty, one below the other."""
    return "\n".join(part for part in parts if part)


def rate_cell(rate: Rate | None, what: str) -> Cell:
    """A rate with its interval and counts; `what` names the denominator."""
    if rate is None:
        return Cell(words.NOT_KNOWN)
    shown = words.ppm(rate.rate) if rate.attempts else f"no {what}"
    small = lines(words.ppm_interval(rate.low, rate.high), words.of(rate.losses, rate.attempts, what))
    return Cell(shown, small if rate.attempts else "", rate.rate)


def rate_words(rate: Rate, what: str) -> str:
    """The same in one line."""
    if not rate.attempts:
        return f"no {what}"
    span = words.ppm_interval(rate.low, rate.high)
    return f"{words.ppm(rate.rate)}{f' ({span})' if span else ''}, {words.of(rate.losses, rate.attempts, what)}"
