"""Recognition rejects and offset drifts as the engineer reads them.

In:    recognition findings, drifts and the flagged parts, lots, reels and packages of a bundle.
Out:   page tables, cards with measured sizes against taught limits, drift charts.
After: a mean outside its limits is said in words, not only drawn; parts whose rejects follow the same thing, which is
       none of them, share one card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.findings.model import Measured, OffsetDrift, Rate, RecognitionFinding
from pipeline.findings.names import of_machine
from reports import charts, words
from reports.cells import Cell, Fact, PageTable, build, day, figure, left, lines, rate_cell, rate_words, right, text

DRIFT_CHARTS = 8
"""Drift charts in the PDF."""
STEADY_SHOWN = 4
"""Drifts in the PDF that are not flagged."""
OTHERS_SHOWN = 12
"""Parts listed on the card of another one that their rejects follow the same thing with."""
SPLIT_ROWS = 8
"""Lots or heads listed on one card."""


@dataclass(frozen=True, slots=True)
class Strip:
    """One measured size: its chart and the same in words."""

    words: str
    drawing: Markup


@dataclass(frozen=True, slots=True)
class RecognitionCard:
    """Everything known about the rejects of one part."""

    title: str
    facts: tuple[Fact, ...]
    strips: tuple[Strip, ...]
    splits: tuple[tuple[str, tuple[Fact, ...], int], ...]
    advice: str
    drawing: Markup


def optics(finding: RecognitionFinding) -> str:
    """Method and lighting in one phrase."""
    if finding.method is None and finding.lighting is None:
        return f"method and light {words.NOT_KNOWN}"
    method = words.NOT_KNOWN if finding.method is None else finding.method.replace("_", " ")
    return f"{method}, light {words.NOT_KNOWN if finding.lighting is None else finding.lighting}"


def _reasons(finding: RecognitionFinding) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {words.count(n)}" for name, n in finding.reasons) or "no reason logged"


def _expected_rate(finding: RecognitionFinding) -> float | None:
    attempts = finding.rejects.attempts
    return finding.expected / attempts if finding.expected is not None and attempts else None


def _expected(finding: RecognitionFinding) -> Cell:
    rate = _expected_rate(finding)
    if rate is None:
        return text(None)
    with_it = "with what it follows" if _followed(finding) else ""
    return figure(words.ppm(rate), rate, lines(f"{words.number(finding.expected)} rejects", with_it))


def _followed(finding: RecognitionFinding) -> str:
    """What a part's rejects follow where it is not the part; empty for all others."""
    return finding.follows if finding.flagged and not finding.by_itself else ""


def _verdict(finding: RecognitionFinding) -> str:
    if not finding.flagged:
        return finding.follows.rsplit("; ", 1)[-1] if finding.stands_out else "no clear difference"
    return "▲ flagged" if finding.by_itself else "explained"


def recognition(findings: Sequence[RecognitionFinding], *, limit: int | None) -> PageTable:
    """Rejects by part."""
    return build(
        "recognition",
        "Recognition rejects by part",
        findings,
        (
            (left("Part", 17), lambda f: text(f.part, lines(f.package or "", optics(f)))),
            (left("Verdict", 10), lambda f: text(_verdict(f))),
            (right("Rejects", 16), lambda f: rate_cell(f.rejects, "parts held")),
            (right("Expected", 10), _expected),
            (left("Reasons", 22), lambda f: text(_reasons(f))),
            (left("Follows", 14), lambda f: text(f.follows or words.NOT_KNOWN)),
            (left("Since", 11), lambda f: day(f.since, about=f.since_about)),
        ),
        limit=limit,
        empty="No part had enough recognition rejects to ask what they follow, or the logs do not name parts or do not "
        "tell refused parts from missed picks.",
    )


def against_words(item: Measured) -> str:
    """One sentence on where the mean lies against the taught limits."""
    unit = f" {item.unit}" if item.unit else ""
    mean = f"{item.what}: mean {words.measured(item.mean)}{unit}"
    if item.mean_low is not None and item.mean_high is not None:
        mean += f" ({words.measured(item.mean_low)} to {words.measured(item.mean_high)})"
    mean += f" of {words.plural(item.count, 'refused part')}"
    if item.taught is not None:
        mean += f", taught {words.measured(item.taught)}"
    if item.limit_low is None or item.limit_high is None:
        return f"{mean}; limits not known."
    place = "inside"
    if item.mean > item.limit_high:
        place = "▲ above"
    elif item.mean < item.limit_low:
        place = "▼ below"
    return f"{mean}; {place} the limits {words.measured(item.limit_low)} to {words.measured(item.limit_high)}."


def cards(findings: Sequence[RecognitionFinding], limit: int | None) -> list[RecognitionCard]:
    """A card for each flagged part, and one for each thing that others follow: that of the first of them."""
    shared: dict[str, list[RecognitionFinding]] = {}
    for finding in findings:
        if finding.flagged:
            shared.setdefault(_followed(finding) or f"\n{finding.part}", []).append(finding)
    return [card(first, [f.part for f in others]) for first, *others in list(shared.values())[:limit]]


def card(finding: RecognitionFinding, others: Sequence[str] = ()) -> RecognitionCard:
    """What is known about the rejects of one part; `others`: parts whose rejects follow the same."""
    expected = _expected(finding)
    facts = (
        Fact("Rejects", rate_words(finding.rejects, "parts held")),
        Fact("Expected", lines(expected.text, expected.small).replace("\n", ", ")),
        Fact("Reasons", _reasons(finding)),
        Fact("Follows", finding.follows or words.NOT_KNOWN),
        *([Fact("Also follow it", words.cut_list(others, OTHERS_SHOWN))] if others else []),
        Fact("Since", words.day(finding.since, about=finding.since_about)),
        Fact("Seen by", optics(finding)),
    )
    strips = tuple(
        Strip(against_words(m), charts.against_limits(m, title=f"{finding.part}, {against_words(m)}"))
        for m in finding.measured
    )
    splits = tuple(
        _split(name, pairs) for name, pairs in (("By lot", finding.lots), ("By head", finding.heads)) if pairs
    )
    title = f"{finding.part}{f' ({finding.package})' if finding.package is not None else ''}"
    drawing = charts.trend(finding.history, title=f"Reject rate by period of {finding.part}, with interval", width=210)
    return RecognitionCard(title, facts, strips, splits, finding.advice, drawing)


def _split(name: str, pairs: tuple[tuple[str, Rate], ...]) -> tuple[str, tuple[Fact, ...], int]:
    shown = tuple(Fact(key, rate_words(rate, "parts held")) for key, rate in pairs[:SPLIT_ROWS])
    return name, shown, len(pairs) - len(shown)


def _drift_words(item: OffsetDrift) -> str:
    return f"feeder {item.feeder}{of_machine('feeder', item.machine, item.feeder)}" + (
        f", slot {item.slot}" if item.slot is not None else ""
    )


def drift_table(drifts: Sequence[OffsetDrift], *, limit: int | None) -> PageTable:
    """Offsets that walk away from the pocket's centre: flagged ones, then at most `STEADY_SHOWN` others on paper."""
    flagged = [d for d in drifts if d.flagged]
    return build(
        "drift",
        "Pick offsets by feeder: where the part sits under the nozzle, and whether it walks",
        [*flagged, *(d for d in drifts if not d.flagged)],
        (
            (left("Feeder", 24), lambda d: text(_drift_words(d))),
            (left("Axis", 7), lambda d: text(d.axis)),
            (left("Verdict", 14), lambda d: text("▲ drifts" if d.flagged else "steady")),
            (right("First day", 13), lambda d: figure(words.mm(d.start), d.start)),
            (right("Last day", 13), lambda d: figure(words.mm(d.end), d.end)),
            (right("Drift a day", 17), _slope),
            (right("Picks", 12), lambda d: figure(words.count(d.picks), d.picks)),
        ),
        limit=min(limit, len(flagged) + STEADY_SHOWN) if limit is not None else None,
        empty="No drift can be shown: the logs carry no pick offsets, or too few days of them.",
    )


def _slope(item: OffsetDrift) -> Cell:
    return figure(
        micrometres(item.slope), item.slope, f"{micrometres(item.low, False)} to {micrometres(item.high, False)}"
    )


def micrometres(value: float, unit: bool = True) -> str:
    """A length in mm shown in µm, with its sign."""
    shown = words.significant(value * 1000)
    return ("+" if value > 0 else "") + shown + (f"{words.THIN}µm" if unit else "")


def drift_charts(drifts: Sequence[OffsetDrift], *, limit: int | None) -> tuple[tuple[str, Markup], ...]:
    """A chart for each drift that is flagged."""
    flagged = [d for d in drifts if d.flagged]
    drawn = []
    for item in flagged if limit is None else flagged[:DRIFT_CHARTS]:
        caption = f"{_drift_words(item)}, axis {item.axis}, mm by day"
        drawing = charts.drift(item, title=f"Mean pick offset of {caption}")
        if drawing:
            drawn.append((caption, drawing))
    return tuple(drawn)
