"""Can the week's figures be trusted? What was not read, what is missing, what does not agree.

In:    facts of the store (store/quality.py hands them over as frames and counts).
Out:   findings.model.Quality.
After: every line carries its figures; nothing is repaired in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from pipeline.analysis import quality_clocks, quality_content, quality_flow, quality_sources, quality_totals
from pipeline.analysis.quality_known import Finding, settle
from pipeline.analysis.rates import rate
from pipeline.findings.model import MachineWeek, Quality, QualityLine, RefusalGroup
from pipeline.schema.words import LOSS_OUTCOMES
from pipeline.settings import Plant

MOST_REFUSALS: Final = 200
"""Groups of refused lines that the bundle carries."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What analysis needs to know about the store; frames as the modules store/quality*.py document them.

    week   ISO week, 2026-W47
    over   False while the week still runs
    """

    week: str
    over: bool
    files: int
    read: int
    loaded: int
    duplicate: int
    refused: int
    refused_files: int
    machines: pl.DataFrame
    refusals: pl.DataFrame
    paces: pl.DataFrame
    presence: pl.DataFrame
    passages: pl.DataFrame
    line_order: pl.DataFrame
    jumps: pl.DataFrame
    zone_changes: list[datetime]
    check_totals: pl.DataFrame
    consumption: pl.DataFrame
    uneven_counters: pl.DataFrame
    reel_counts: pl.DataFrame
    faults: pl.DataFrame
    loss_kinds: pl.DataFrame
    counted_kinds: pl.DataFrame
    unnamed_counts: pl.DataFrame
    reason_codes: pl.DataFrame
    key_shares: pl.DataFrame
    twins: pl.DataFrame
    named_files: pl.DataFrame
    days: pl.DataFrame
    days_worked: pl.DataFrame
    worked_out: tuple[QualityLine, ...] = ()
    settled: int = 0


def quality(
    facts: Facts,
    plant: Plant,
    dispersion: float,
    fits: tuple[str, ...] = (),
    builds: tuple[str, ...] = (),
    services: tuple[QualityLine, ...] = (),
) -> Quality:
    """The data-quality page.

    fits      what the ranking left out or what did not converge, in words
    builds    build lines that were left out, in words
    services  what to know of services that nothing can be said of
    """
    return Quality(
        files=facts.files,
        rows_read=facts.read,
        rows_loaded=facts.loaded,
        rows_duplicate=facts.duplicate,
        rows_refused=facts.refused,
        machines=_machines(facts.machines, plant, dispersion),
        lines=lines(facts, plant, fits, builds, services),
        refusals=tuple(
            RefusalGroup(r["file"], r["reason"], r["lines"], r["first_line"], r["example"])
            for r in facts.refusals.head(MOST_REFUSALS).iter_rows(named=True)
        ),
    )


def lines(
    facts: Facts,
    plant: Plant,
    fits: tuple[str, ...] = (),
    builds: tuple[str, ...] = (),
    services: tuple[QualityLine, ...] = (),
) -> tuple[QualityLine, ...]:
    """Everything that a reader should know about the data of the week, problems first."""
    found = [
        *(QualityLine("warning", "model", f"{text}.") for text in fits),
        *(QualityLine("warning", "build list", text) for text in builds),
        *_refused(facts, plant),
        *_faults(facts.faults),
        *facts.worked_out,
        *(quality_flow.little_work(facts.days_worked) if facts.over else []),
        *services,
        *settle(
            plausibility(facts, plant),
            plant.known_fault,
            facts.week,
            set(facts.machines.filter(pl.col("attempts") > 0)["machine"]),
            over=facts.over,
        ),
    ]
    order = {"problem": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda q: (order[q.level], q.what, q.machine or "", q.text)))


def plausibility(facts: Facts, plant: Plant) -> list[Finding]:
    """All checks that can be declared as known faults (docs/data_quality.md), in the order of that page."""
    return [
        *quality_flow.too_fast(facts.paces, plant.zone),
        *quality_flow.silent(facts.presence, facts.passages, plant.zone),
        *quality_clocks.steps(facts.line_order, facts.jumps, facts.zone_changes, plant.zone),
        *quality_clocks.drift(facts.passages),
        *quality_totals.balance(facts.uneven_counters),
        *quality_totals.reel_counts(facts.reel_counts, plant.buying),
        *quality_totals.totals(facts.check_totals),
        *quality_totals.consumption(facts.consumption),
        *quality_content.no_losses(facts.loss_kinds),
        *quality_content.not_counted(facts.counted_kinds),
        *quality_content.kinds_not_told(facts.loss_kinds),
        *quality_content.only_losses(facts.loss_kinds),
        *quality_content.unnamed_counts(facts.unnamed_counts),
        *quality_content.reason_change(facts.reason_codes),
        *quality_content.unknown_keys(facts.machines, facts.key_shares),
        *quality_sources.duplicate_logs(facts.twins),
        *quality_sources.missing_files(facts.named_files, facts.days, facts.week, over=facts.over),
    ]


def _machines(frame: pl.DataFrame, plant: Plant, dispersion: float) -> tuple[MachineWeek, ...]:
    found = []
    for r in frame.iter_rows(named=True):
        picks = int(r["attempts"])
        losses = sum(r[kind] or 0 for kind in (*LOSS_OUTCOMES, "unknown"))
        found.append(
            MachineWeek(
                machine=r["machine"],
                line=r["line"],
                grain=r["grain"],
                picks=picks,
                placed=r["placed"],
                missed=r["missed"],
                rejected=r["rejected"],
                dropped=r["dropped"],
                returned=r["returned"],
                unknown=r["unknown"],
                loss=rate(losses, picks, plant.statistics, dispersion),
                hours_with_picks=r["hours"],
                unknown_nozzle=r["without_nozzle"] / picks if picks else None,
                unknown_feeder=r["without_feeder"] / picks if picks else None,
                unknown_part=r["without_part"] / picks if picks else None,
            )
        )
    return tuple(found)


def _refused(facts: Facts, plant: Plant) -> list[QualityLine]:
    lines = []
    if facts.refused_files:
        text = f"{facts.refused_files} file(s) could not be read at all; the list of refusals names them."
        lines.append(QualityLine("problem", "files refused", text, value=float(facts.refused_files), expected=0.0))
    if facts.refused:
        share = (facts.refused - facts.settled) / facts.read if facts.read else 0.0
        level = "warning" if share > plant.limits.refused_share else "note"
        text = f"{facts.refused} of {facts.read} lines and messages were refused"
        if facts.settled:
            text += f", {facts.settled} of them mended in a later file or given up; the others are {share:.3%} of all."
        else:
            text += f" ({share:.3%})."
        lines.append(
            QualityLine(
                "warning" if level == "warning" else "note",
                "lines refused",
                text,
                value=share,
                expected=plant.limits.refused_share,
            )
        )
    if facts.duplicate:
        text = f"{facts.duplicate} lines and messages stood in more than one file and count once."
        lines.append(QualityLine("note", "duplicates", text, value=float(facts.duplicate)))
    return lines


def _faults(frame: pl.DataFrame) -> list[QualityLine]:
    lines = []
    for r in frame.filter(pl.col("unmatched") > 0).iter_rows(named=True):
        text = (
            f"{r['unmatched']} of {r['faults']} fault messages have no lost part beside them; they are not counted."
            if r["picks"]
            else f"There are no single picks to which its {r['faults']} fault messages could belong; they do not count."
        )
        lines.append(QualityLine("note", "faults without a loss", text, r["machine"], float(r["unmatched"]), 0.0))
    return lines
