"""Small charts as SVG text: interval plot, trend, offset drift, measured sizes against limits.

In:    numbers as the bundle carries them, labels of any content.
Out:   `Markup` of one <svg> each, drawn in grey and one dark ink, readable without colour.
After: every label is escaped; nothing is drawn for a figure that is None; the same call gives the same text; the
       <title> says in words what the picture shows.

Only presentation attributes, no style: the HTML page forbids inline styles, and WeasyPrint does not carry page styles
into a drawing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup, escape

from pipeline.findings.model import Measured, OffsetDrift, TrendPoint
from reports import words

INK: Final = "#1d3540"
GREY: Final = "#777777"
BAND: Final = "#d9dee0"
LINE: Final = "#b5bcbf"
FONT: Final = "DejaVu Sans, sans-serif"


@dataclass(frozen=True, slots=True)
class Interval:
    """One row of an interval plot; any figure may be None."""

    label: str
    value: float | None
    low: float | None
    high: float | None
    expected: float | None = None


@dataclass(frozen=True, slots=True)
class Axis:
    """Value -> place on paper; values beyond the ends are drawn at the ends."""

    low: float
    high: float
    left: float
    right: float
    log: bool = False

    def at(self, value: float) -> float:
        """Place of `value` in drawing units."""
        value = min(max(value, self.low), self.high)
        low, high = self.low, self.high
        if self.log:
            value, low, high = math.log(value), math.log(low), math.log(high)
        return self.left + (value - low) / (high - low) * (self.right - self.left)


def _text(x: float, y: float, content: str, *, anchor: str = "start", size: float = 7.5, fill: str = INK) -> str:
    pieces = words.leftward_names(words.visible(content))
    apart = "".join(f"\u2068{piece}\u2069" if place % 2 else piece for place, piece in enumerate(pieces))
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="{FONT}" font-size="{size}" fill="{fill}" '
        f'text-anchor="{anchor}">{escape(apart)}</text>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, *, ink: str = INK, width: float = 1.0, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{ink}" stroke-width="{width}"{dashed}/>'
    )


def _svg(width: float, height: float, title: str, parts: Sequence[str]) -> Markup:
    shown = escape(words.visible(title))
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" aria-label="{shown}"><title>{shown}</title>{"".join(parts)}</svg>'
    )


def wrap(label: str, width: int) -> list[str]:
    """`label` in pieces of at most `width` characters, broken at blanks where there are any; nothing is lost.

    >>> wrap("nozzle N1 on M1", 10), wrap("ABCDEFGHIJKL", 5)
    (['nozzle N1', 'on M1'], ['ABCDE', 'FGHIJ', 'KL'])
    """
    lines: list[str] = []
    current = ""
    for word in label.split():
        while len(word) > width:
            if current:
                lines.append(current)
                current = ""
            lines.append(word[:width])
            word = word[width:]
        if current and len(current) + 1 + len(word) > width:
            lines.append(current)
            current = word
        else:
            current = f"{current} {word}".strip()
    return [*lines, current] if current or not lines else lines


def _width(text: str) -> float:
    """Width of a label in drawing units, rather too wide than too narrow; DejaVu Sans, seen on its glyphs."""
    widths = (1.0 if c in "MWm@%w" or ord(c) > 0x2E7F else 0.4 if c in " .,:;'|!ijl()[]/" else 0.7 for c in text)
    return 7.5 * sum(widths)


def _fitting(label: str, room: float) -> list[str]:
    """`label` in as few lines as fit into `room` drawing units."""
    for characters in range(40, 8, -1):
        pieces = wrap(label, characters)
        if all(_width(piece) <= room for piece in pieces):
            return pieces
    return wrap(label, 8)


def ticks(low: float, high: float, *, log: bool = False) -> list[float]:
    """Round values between `low` and `high` (both included if round), few enough to read.

    >>> ticks(0, 0.004)
    [0.0, 0.001, 0.002, 0.003, 0.004]
    >>> [round(t * 1e6) for t in ticks(0.00008, 0.012, log=True)]
    [100, 200, 500, 1000, 2000, 5000, 10000]
    """
    if log:
        first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
        for marks in ((1.0, 2.0, 5.0), (1.0,)):
            found = [mark * 10.0**power for power in range(first, last + 1) for mark in marks]
            found = [value for value in found if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
            if len(found) <= 7:
                break
        return found
    rough = (high - low) / 4
    unit = 10.0 ** math.floor(math.log10(rough))
    step = next(unit * factor for factor in (1, 2, 2.5, 5, 10) if unit * factor >= rough * (1 - 1e-9))
    first_step = math.ceil(low / step - 1e-9)
    return [float(f"{step * n:.10g}") for n in range(first_step, math.floor(high / step + 1e-9) + 1)]


def interval_plot(rows: Sequence[Interval], *, title: str, log: bool = True, width: float = 640.0) -> Markup:
    """Dot and whisker a row, in ppm, with a diamond at the expected rate.

    rows   rates as fractions; a row without a rate says "not enough picks"
    log    logarithmic axis; a lower end of 0 then runs off at the left with an arrow
    """
    left, right, top, step = 190.0, width - 62.0, 16.0, 9.5
    figures = [f for r in rows for f in (r.value, r.low, r.high, r.expected) if f is not None and math.isfinite(f)]
    positive = [f for f in figures if f > 0]
    if not positive:
        return Markup("")
    log = log and max(positive) / min(positive) > 3
    low = min(positive) * 0.8 if log else 0.0
    axis = Axis(low, max(positive) * (1.25 if log else 1.06), left, right, log)
    labels = [_fitting(words.visible(row.label), left - 10.0) for row in rows]
    body, y = [], top
    for row, label in zip(rows, labels, strict=True):
        height = max(2, len(label)) * step + 2
        middle = y + height / 2
        first = middle - (len(label) - 1) * step / 2 + 2.6
        body += [_text(left - 8, first + i * step, line, anchor="end") for i, line in enumerate(label)]
        body.append(_line(left, y + height, right, y + height, ink="#e6e9ea", width=0.5))
        body += _whisker(row, axis, middle)
        y += height
    grid = []
    for tick in ticks(axis.low, axis.high, log=log):
        grid.append(_line(axis.at(tick), top - 2, axis.at(tick), y, ink="#e0e4e6", width=0.6))
        grid.append(_text(axis.at(tick), top - 6, words.ppm(tick, unit=False), anchor="middle", size=7, fill=GREY))
    grid.append(_text(width - 2, top - 6, "ppm", anchor="end", size=7, fill=GREY))
    return _svg(width, y + 3, title, [*grid, *body])


def _whisker(row: Interval, axis: Axis, y: float) -> list[str]:
    if row.value is None or row.low is None or row.high is None:
        return [_text(axis.left + 4, y + 2.6, words.NOT_ENOUGH, fill=GREY)]
    parts = [_line(axis.at(row.low), y, axis.at(row.high), y, width=1.4)]
    if row.low < axis.low:
        parts.append(f'<path d="M{axis.left - 1:.1f} {y:.1f} l4 -2.5 l0 5 z" fill="{INK}"/>')
    parts.append(f'<circle cx="{axis.at(row.value):.1f}" cy="{y:.1f}" r="3" fill="{INK}"/>')
    if row.expected is not None and math.isfinite(row.expected):
        x = axis.at(row.expected)
        parts.append(
            f'<path d="M{x:.1f} {y - 4:.1f} l4 4 l-4 4 l-4 -4 z" fill="#ffffff" stroke="{INK}" stroke-width="1"/>'
        )
    parts.append(_text(axis.right + 4, y + 2.6, words.ppm(row.value)))
    return parts


def trend(points: Sequence[TrendPoint], *, title: str, width: float = 230.0, height: float = 62.0) -> Markup:
    """Rate by period with its interval as a grey band and the healthy rate dashed; a gap where there are no picks."""
    figures = [f for p in points for f in (p.rate, p.high, p.expected) if f is not None and math.isfinite(f)]
    if not figures or len(points) < 2:
        return Markup("")
    left, right, top, bottom = 40.0, width - 6.0, 6.0, height - 13.0
    high = max(figures) * 1.05 or 1e-6
    x = Axis(0, len(points) - 1, left, right)
    y = Axis(0, high, bottom, top)
    parts = [_line(left, bottom, right, bottom, ink=LINE)]
    for tick in ticks(0, high)[::2] if height < 90 else ticks(0, high):
        parts.append(_line(left, y.at(tick), right, y.at(tick), ink="#e3e6e8", width=0.5))
        parts.append(_text(left - 4, y.at(tick) + 2.5, words.ppm(tick, unit=False), anchor="end", size=6.5, fill=GREY))
    for run in _runs([i for i, p in enumerate(points) if p.rate is not None]):
        parts += _band(points, run, x, y)
        line = " ".join(f"{x.at(i):.1f},{y.at(points[i].rate or 0.0):.1f}" for i in run)
        parts.append(f'<polyline points="{line}" fill="none" stroke="{INK}" stroke-width="1.3"/>')
        parts += [
            f'<circle cx="{x.at(i):.1f}" cy="{y.at(points[i].rate or 0.0):.1f}" r="1.7" fill="{INK}"/>' for i in run
        ]
    for run in _runs([i for i, p in enumerate(points) if p.expected is not None]):
        line = " ".join(f"{x.at(i):.1f},{y.at(points[i].expected or 0.0):.1f}" for i in run)
        parts.append(f'<polyline points="{line}" fill="none" stroke="{GREY}" stroke-width="1" stroke-dasharray="3 2"/>')
    parts += _ends(points[0].label, points[-1].label, left, right, height - 3)
    return _svg(width, height, title, parts)


def _ends(first: str, last: str, left: float, right: float, y: float) -> list[str]:
    """First and last period under a chart; none where they would run into each other."""
    if (len(first) + len(last) + 2) * 4.1 > right - left:
        return []
    return [_text(left, y, first, size=6.5, fill=GREY), _text(right, y, last, anchor="end", size=6.5, fill=GREY)]


def _runs(places: list[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for place in places:
        if runs and runs[-1][-1] == place - 1:
            runs[-1].append(place)
        else:
            runs.append([place])
    return runs


def _band(points: Sequence[TrendPoint], run: list[int], x: Axis, y: Axis) -> list[str]:
    known = [(i, low, high) for i in run if (low := points[i].low) is not None and (high := points[i].high) is not None]
    if len(known) == 1:
        i, low, high = known[0]
        return [_line(x.at(i), y.at(low), x.at(i), y.at(high), ink=LINE, width=3)]
    upper = [f"{x.at(i):.1f},{y.at(high):.1f}" for i, _, high in known]
    lower = [f"{x.at(i):.1f},{y.at(low):.1f}" for i, low, _ in reversed(known)]
    return [f'<polygon points="{" ".join(upper + lower)}" fill="{BAND}"/>'] if known else []


def drift(item: OffsetDrift, *, title: str, width: float = 245.0, height: float = 84.0) -> Markup:
    """Mean offset by day as dots, the fitted line through them, and the pocket's centre at 0, in mm."""
    values = [v for _, v, _ in item.days if math.isfinite(v)]
    if len(values) < 2:
        return Markup("")
    left, right, top, bottom = 40.0, width - 8.0, 6.0, height - 14.0
    low, high = min(0.0, item.start, item.end, *values), max(0.0, item.start, item.end, *values)
    room = (high - low) * 0.08 or 0.001
    x, y = Axis(0, len(item.days) - 1, left, right), Axis(low - room, high + room, bottom, top)
    parts = []
    for tick in ticks(y.low, y.high)[::2]:
        parts.append(_line(left, y.at(tick), right, y.at(tick), ink="#e3e6e8", width=0.5))
        label = words.significant(tick, 2)
        parts.append(_text(left - 4, y.at(tick) + 2.5, label, anchor="end", size=6.5, fill=GREY))
    parts.append(_line(left, y.at(0), right, y.at(0), ink=GREY, width=0.8, dash="3 2"))
    parts.append(_line(left, y.at(item.start), right, y.at(item.end), width=1.4))
    for place, (_, value, _) in enumerate(item.days):
        if math.isfinite(value):
            parts.append(
                f'<circle cx="{x.at(place):.1f}" cy="{y.at(value):.1f}" r="2" fill="#ffffff" stroke="{INK}" '
                f'stroke-width="1"/>'
            )
    parts += _ends(item.days[0][0], item.days[-1][0], left, right, height - 3)
    return _svg(width, height, title, parts)


def against_limits(item: Measured, *, title: str, width: float = 420.0) -> Markup:
    """Mean (dot), its interval (thick) and one standard deviation each way (thin) on the taught limits (grey)."""
    known = [v for v in (item.taught, item.limit_low, item.limit_high, item.mean_low, item.mean_high) if v is not None]
    spread = item.spread or 0.0
    low, high = min(item.mean - spread, *known, item.mean), max(item.mean + spread, *known, item.mean)
    if not math.isfinite(low) or not math.isfinite(high):
        return Markup("")
    room = (high - low) * 0.12 or abs(high) * 0.1 or 1.0
    axis, y = Axis(low - room, high + room, 6.0, width - 6.0), 24.0
    parts = [_line(axis.left, y, axis.right, y, ink=LINE, width=0.6)]
    if item.limit_low is not None and item.limit_high is not None:
        start, end = axis.at(item.limit_low), axis.at(item.limit_high)
        parts.append(
            f'<rect x="{start:.1f}" y="{y - 7}" width="{max(0.0, end - start):.1f}" height="14" fill="{BAND}"/>'
        )
    for value, name in _marks(item):
        parts.append(_line(axis.at(value), y - 9, axis.at(value), y + 7, dash="2 2" if name == "taught" else ""))
        parts.append(_text(axis.at(value), y - 12, f"{name} {words.measured(value)}", anchor="middle", size=6.5))
    if spread:
        parts.append(_line(axis.at(item.mean - spread), y, axis.at(item.mean + spread), y))
    if item.mean_low is not None and item.mean_high is not None:
        parts.append(_line(axis.at(item.mean_low), y, axis.at(item.mean_high), y, width=3.4))
    parts.append(f'<circle cx="{axis.at(item.mean):.1f}" cy="{y}" r="3" fill="{INK}"/>')
    middle = min(max(axis.at(item.mean), 30.0), width - 30.0)
    parts.append(_text(middle, y + 17, f"mean {words.measured(item.mean)}", anchor="middle", size=6.5))
    return _svg(width, 46, title, parts)


def _marks(item: Measured) -> list[tuple[float, str]]:
    """Limits and taught value with their names; one mark where they are the same."""
    limits = dict.fromkeys(v for v in (item.limit_low, item.limit_high) if v is not None)
    marks = [(v, "taught and limit" if v == item.taught else "limit") for v in limits]
    return marks if item.taught is None or item.taught in limits else [*marks, (item.taught, "taught")]


def tenths(shares: Sequence[float], chance: float, *, title: str, width: float = 330.0, height: float = 92.0) -> Markup:
    """Share of past lines in each tenth of what was predicted: bars, the tenth that each should be, and chance (band).

    shares  ten fractions; chance: how far from 0.1 one may lie by chance alone
    """
    if len(shares) != 10 or not all(math.isfinite(v) for v in shares):
        return Markup("")
    left, right, top, bottom = 34.0, width - 6.0, 6.0, height - 26.0
    y = Axis(0.0, max(0.2, max(shares) * 1.05, 0.1 + chance), bottom, top)
    step = (right - left) / 10
    parts = [
        f'<rect x="{left:.1f}" y="{y.at(0.1 + chance):.1f}" width="{right - left:.1f}" '
        f'height="{y.at(max(0.0, 0.1 - chance)) - y.at(0.1 + chance):.1f}" fill="{BAND}"/>'
    ]
    for place, share in enumerate(shares):
        x = left + place * step
        parts.append(
            f'<rect x="{x + 3:.1f}" y="{y.at(share):.1f}" width="{step - 6:.1f}" '
            f'height="{bottom - y.at(share):.1f}" fill="#ffffff" stroke="{INK}" stroke-width="1"/>'
        )
        parts.append(_text(x + step / 2, bottom + 9, str(place + 1), anchor="middle", size=6.5, fill=GREY))
    parts.append(_line(left, y.at(0.1), right, y.at(0.1), dash="3 2", width=0.8))
    for tick in (0.0, 0.1, 0.2):
        parts.append(_text(left - 4, y.at(tick) + 2.5, words.share(tick), anchor="end", size=6.5, fill=GREY))
    parts.append(_text(left, height - 4, "fewest losses", size=6.5, fill=GREY))
    parts.append(_text((left + right) / 2, height - 4, "tenth of the prediction", anchor="middle", size=6.5, fill=GREY))
    parts.append(_text(right, height - 4, "most losses", anchor="end", size=6.5, fill=GREY))
    return _svg(width, height, title, parts)
