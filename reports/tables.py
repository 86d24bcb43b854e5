"""Every flat table of a week: column, title, unit, kind, meaning. Workbook and CSV files are made from these.

In:    a `Bundle`.
Out:   `TABLES`, each with columns and a function that gives its rows.
After: a row has exactly one raw value per column: text, int, float, bool or None, still as a fraction, never rounded.

The tables of the pages, with interval and count in one cell, are in page_*.py.
"""

from __future__ import annotations

from typing import Final

from pipeline.findings.model import Swap
from reports import fields
from reports.columns import (
    Row,
    Table,
    column,
    picked,
    plain_table,
    rate_columns,
    rate_values,
    settings_rows,
    trend_values,
    week_rows,
)

_TREND: Final = (column("period", "period", "text", "ISO week or local day"), *rate_columns("", "in the period"))
_TREND_EXPECTED: Final = column("expected", "healthy rate", "ppm", "rate of healthy peers on the same mix")


def _suspect_row(item: object) -> Row:
    row = (getattr(item, one.field) for one in fields.SUSPECT)
    return tuple(_one_text(value) for value in row)


def _one_text(value: object) -> str | int | float | None:
    if isinstance(value, Swap):
        return f"{value.what} {value.reads} About {value.picks} picks of each."
    if isinstance(value, tuple):
        return "; ".join(value)
    assert value is None or isinstance(value, (str, int, float))
    return value


_S, _R = "no item was looked at this week", "no recognition finding this week"
_O, _D = "no open build with parts to kit", "no pick offsets in the logs, or too few to follow"

TABLES: Final[tuple[Table, ...]] = (
    Table(
        "losses",
        "Loss rates of the plant",
        "no picks this week",
        (
            column("loss", "loss"),
            *rate_columns("this_week_", "this week"),
            *rate_columns("last_week_", "last week"),
            column("dispersion", "dispersion", "number", "variance against independent picks; above 1: bursts"),
        ),
        lambda b: ((x.loss, *rate_values(x.this_week), *rate_values(x.last_week), x.dispersion) for x in b.losses),
    ),
    Table(
        "loss_trend",
        "Loss rates of the plant by period",
        "no history yet",
        (column("loss", "loss"), *_TREND, _TREND_EXPECTED),
        lambda b: (row for x in b.losses for row in trend_values((x.loss,), x.trend)),
    ),
    plain_table(
        "actions",
        "What to do this week",
        "nothing to do this week",
        (
            column("owner", "for"),
            column("what", "what"),
            column("why", "why"),
            column("worth", "worth", "money"),
            column("worth_low", "worth low", "money", "lower end of its interval"),
            column("worth_high", "worth high", "money", "upper end of its interval"),
            column("unit", "per"),
            column("kind", "kind"),
            column("id", "id"),
            column("hands_in_machine", "hands in machine", "flag", "stop and lock out the machine first"),
        ),
        lambda b: b.actions,
    ),
    Table("suspects", "Everything looked at", _S, fields.SUSPECT, lambda b: map(_suspect_row, b.suspects)),
    Table(
        "suspect_evidence",
        "Evidence for and against",
        _S,
        (
            *fields.SUSPECT[:4],
            column("name", "key"),
            column("text", "evidence"),
            column("supports", "supports", "flag", "no: speaks against the claim"),
            column("value", "value", "number"),
            column("low", "low", "number"),
            column("high", "high", "number"),
            column("compared_with", "compared with"),
        ),
        lambda b: (
            (s.kind, s.id, s.machine, s.loss, e.name, e.text, e.supports, e.value, e.low, e.high, e.compared_with)
            for s in b.suspects
            for e in s.evidence
        ),
    ),
    Table(
        "suspect_trend",
        "Rates of what was looked at, by period",
        _S,
        (*fields.SUSPECT[:4], *_TREND, _TREND_EXPECTED),
        lambda b: (row for s in b.suspects for row in trend_values((s.kind, s.id, s.machine, s.loss), s.history)),
    ),
    Table(
        "services",
        "Services: did they work?",
        "no service with picks before and after",
        (
            *fields.SERVICE_HEAD,
            *rate_columns("before_", "before"),
            *rate_columns("after_", "after"),
            *fields.SERVICE_TAIL,
        ),
        lambda b: (
            (
                *picked(fields.SERVICE_HEAD, s),
                *rate_values(s.before),
                *rate_values(s.after),
                *picked(fields.SERVICE_TAIL, s),
            )
            for s in b.services
        ),
    ),
    Table(
        "service_trend",
        "Rates around each service, by period",
        "no service with picks before and after",
        (*fields.SERVICE_HEAD, *_TREND, _TREND_EXPECTED),
        lambda b: (row for s in b.services for row in trend_values(picked(fields.SERVICE_HEAD, s), s.history)),
    ),
    Table(
        "recognition",
        "Recognition rejects by part",
        _R,
        (
            *fields.RECOGNITION_HEAD,
            *rate_columns("", "rejects"),
            column("expected", "expected rejects", "number", "rejects if the part were like its healthy peers"),
            column("flagged", "flagged", "flag", "the part, or what handled most of its rejects"),
            column("by_itself", "by itself", "flag", "it is the part that is flagged"),
            column(
                "stands_out",
                "stands out",
                "flag",
                "what it follows is worse, but too small or not sure enough to be flagged",
            ),
            column("reasons", "reasons", "text", "reason groups with their counts"),
            column("follows", "follows", "text", "what the rejects go with"),
            column("since", "since", "date"),
            column("since_about", "since about", "flag", "that day is not sure: a slow rise, or one of several days"),
            column("advice", "advice"),
        ),
        lambda b: (
            (
                *picked(fields.RECOGNITION_HEAD, f),
                *rate_values(f.rejects),
                *(f.expected, f.flagged, f.flagged and f.by_itself, f.stands_out),
                *("; ".join(f"{name} {n}" for name, n in f.reasons), f.follows, f.since, f.since_about, f.advice),
            )
            for f in b.recognition
        ),
    ),
    Table(
        "recognition_measured",
        "Measured sizes of refused parts against taught limits",
        _R,
        (
            column("part", "part"),
            *fields.MEASURED,
        ),
        lambda b: ((f.part, *picked(fields.MEASURED, m)) for f in b.recognition for m in f.measured),
    ),
    Table(
        "recognition_where",
        "Recognition rejects by lot and head",
        _R,
        (column("part", "part"), column("split", "split by"), column("id", "id"), *rate_columns("", "rejects")),
        lambda b: (
            (f.part, split, name, *rate_values(rate))
            for f in b.recognition
            for split, pairs in (("lot", f.lots), ("head", f.heads))
            for name, rate in pairs
        ),
    ),
    Table(
        "recognition_trend",
        "Recognition rejects by part and period",
        _R,
        (*fields.RECOGNITION_HEAD, *_TREND, _TREND_EXPECTED),
        lambda b: (row for f in b.recognition for row in trend_values(picked(fields.RECOGNITION_HEAD, f), f.history)),
    ),
    plain_table("overage", "What to kit and buy", _O, fields.OVERAGE, lambda b: b.overage),
    plain_table("kits", "Whole kits", "no kit was made", fields.KIT, lambda b: b.kits),
    Table(
        "kit_lines",
        "Whole kits, part by part",
        "no kit was made",
        (column("build", "build"), column("part", "part"), column("extra", "extra", "count")),
        lambda b: ((k.build, part, extra) for k in b.kits for part, extra in k.extras),
    ),
    plain_table("standing", "Standing overage", "no part has a rule", fields.STANDING, lambda b: b.standing),
    plain_table(
        "unexplained",
        "Reel counts against logs",
        "no reel counts that are more than a machine's own books",
        fields.UNEXPLAINED,
        lambda b: b.unexplained,
    ),
    plain_table("loss_figures", "What no log tells", "not reckoned", fields.LOSS_FIGURE, lambda b: b.loss_figures),
    plain_table(
        "past_rules",
        "The advice tried on past builds",
        "not enough weeks of history",
        fields.PAST_RULE,
        lambda b: () if b.past_test is None else b.past_test.rules,
    ),
    Table(
        "past_tenths",
        "Where the losses of past builds fell in what was predicted",
        "not enough weeks of history",
        (column("tenth", "tenth of the prediction", "count"), column("share", "share of lines", "percent")),
        lambda b: () if b.past_test is None else enumerate(b.past_test.tenths, 1),
    ),
    plain_table("drift", "Pick offsets by feeder", _D, fields.DRIFT, lambda b: b.drifts),
    Table(
        "drift_days",
        "Mean pick offset by day",
        _D,
        (
            *fields.DRIFT[:4],
            column("day", "day", "date"),
            column("offset", "mean offset", "mm"),
            column("day_picks", "picks", "count"),
        ),
        lambda b: ((d.machine, d.feeder, d.slot, d.axis, *day) for d in b.drifts for day in d.days),
    ),
    plain_table(
        "quality",
        "What to know about the data",
        "nothing to say against the data",
        (
            column("level", "level"),
            column("what", "what"),
            column("text", "in words"),
            column("machine", "machine"),
            column("value", "value", "number"),
            column("expected", "expected", "number"),
        ),
        lambda b: b.quality.lines,
    ),
    Table(
        "machines",
        "Machines",
        "no machine sent picks this week",
        (
            column("machine", "machine"),
            column("line", "line"),
            column("grain", "grain", "text", "what its logs know: joint, nozzle, feeder or machine"),
            *(column(name, name, "count") for name in fields.MACHINE_COUNTS),
            *rate_columns("loss_", "all losses"),
            *fields.MACHINE_SHARES,
        ),
        lambda b: (
            (
                *(m.machine, m.line, m.grain, *(getattr(m, name) for name in fields.MACHINE_COUNTS)),
                *(*rate_values(m.loss), *picked(fields.MACHINE_SHARES, m)),
            )
            for m in b.quality.machines
        ),
    ),
    plain_table(
        "refused",
        "Lines that were refused",
        "no line was refused",
        (
            column("file", "file"),
            column("reason", "reason"),
            column("lines", "lines", "count"),
            column("first_line", "first line", "count"),
            column("example", "example"),
        ),
        lambda b: b.quality.refusals,
    ),
    Table(
        "week",
        "The week and its files",
        "",
        (column("name", "name"), column("value", "value")),
        week_rows,
    ),
    Table(
        "settings",
        "Settings used",
        "no settings were handed over",
        (column("setting", "setting"), column("value", "value")),
        lambda b: settings_rows(b.settings),
    ),
    Table(
        "versions",
        "Versions used",
        "no versions were handed over",
        (column("program", "program"), column("version", "version")),
        lambda b: b.versions.items(),
    ),
)


def table(name: str) -> Table:
    """The table of that name; KeyError if there is none."""
    for candidate in TABLES:
        if candidate.name == name:
            return candidate
    raise KeyError(name)
