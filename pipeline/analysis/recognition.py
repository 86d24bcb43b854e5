"""Why parts are refused by recognition: part data, lot, light, camera, nozzle or feeder.

In:    the week's suspects, DAYS, REASONS and MEASUREMENTS.
Out:   findings.model.RecognitionFinding a part with rejects, flagged ones first, then by losses.
After: what the rejects follow is what the ranking flagged for rejects (or for all losses, most of them rejects, and
       nothing more precise) among the things that handled this part, with what that cannot be told from; when it
       flagged nothing, what stands out there and is only too small or not sure enough to flag; without that, nothing
       is claimed. A part has one finding, whichever methods looked at it.

Rules of thumb behind the advice (common practice, no source): a reject that follows the part over machines is its part
data or the lot; one that follows one lot is the lot; one that stays with a nozzle, feeder or head is that. Measured
values of refused parts are a sample of the refused only: their mean against the taught value tells which side of the
limits they fall off, not the mean of all parts.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from scipy import stats

from pipeline.analysis import items
from pipeline.analysis.actions import advice
from pipeline.analysis.losses import with_chances
from pipeline.analysis.rates import rate, trend
from pipeline.analysis.standardise import item_days
from pipeline.findings.model import Measured, Rate, RecognitionFinding, Suspect
from pipeline.findings.names import of_machine
from pipeline.schema.words import several
from pipeline.settings import Statistics

LEAST_REJECTS: Final = 5
NOT_ALIKE: Final = 0.001
APART: Final = 1.5
MOST: Final = 0.6
"""A part's rejects come with some nozzles if a test of all being alike has a p below the first, and those that refuse
it so many times as often as all do have this share of them. Common practice, no source."""
SHOWN: Final = 4

LEAST_MEASURED: Final = 5
"""Measured values below which no mean is given."""


def recognition(
    suspects: tuple[Suspect, ...],
    days: pl.DataFrame,
    reasons: pl.DataFrame,
    measurements: pl.DataFrame,
    week: str,
    dispersion: float,
    settings: Statistics,
    most: int,
) -> tuple[RecognitionFinding, ...]:
    """Findings on the `most` parts with most rejects this week, and on every part that is flagged for rejects."""
    this_week = with_chances(days.filter(pl.col("week") == week), "rejected")
    by_part = (
        this_week.group_by("part")
        .agg(
            pl.col("losses").sum(), pl.col("package").drop_nulls().min(), pl.col("method").drop_nulls().unique().sort()
        )
        .drop_nulls("part")
        .filter(pl.col("losses") > 0)
        .sort(["losses", "part"], descending=[True, False])
    )
    flagged = _for_rejects([s for s in suspects if s.flagged], suspects)
    told = [s for s in suspects if s.flagged or s.stands_out or s.suspected]
    small = [s for s in _for_rejects(told, suspects) if not s.flagged]
    named = {s.id for s in suspects if s.flagged and s.kind == "part" and s.loss == "rejected"}
    found = []
    for place, row in enumerate(by_part.iter_rows(named=True)):
        if row["part"] not in named and (place >= most or row["losses"] < LEAST_REJECTS):
            continue
        found.append(
            _finding(row, flagged, small, suspects, days, this_week, reasons, measurements, week, dispersion, settings)
        )
    return tuple(sorted(found, key=lambda f: (not f.flagged, not f.stands_out, -f.rejects.losses, f.part)))


def _for_rejects(chosen: list[Suspect], suspects: tuple[Suspect, ...]) -> list[Suspect]:
    """Those that stand there for rejects, or for all losses, most of them rejects, and nothing more precise."""
    precise = {(s.kind, s.machine, s.id) for s in chosen if s.loss != "all"}
    most: dict[tuple[str, str | None, str], Suspect] = {}
    for s in suspects:
        known = most.get((s.kind, s.machine, s.id))
        if s.loss != "all" and (known is None or s.losses > known.losses):
            most[s.kind, s.machine, s.id] = s
    other = {item for item, s in most.items() if s.loss != "rejected"}
    return [
        s
        for s in chosen
        if s.loss == "rejected" or (s.loss == "all" and (s.kind, s.machine, s.id) not in precise | other)
    ]


def _finding(
    row: dict[str, object],
    flagged: list[Suspect],
    small: list[Suspect],
    suspects: tuple[Suspect, ...],
    days: pl.DataFrame,
    this_week: pl.DataFrame,
    reasons: pl.DataFrame,
    measurements: pl.DataFrame,
    week: str,
    dispersion: float,
    settings: Statistics,
) -> RecognitionFinding:
    part = str(row["part"])
    mine = this_week.filter(pl.col("part") == part)
    own = reasons.filter((pl.col("week") == week) & (pl.col("part") == part) & (pl.col("outcome") == "rejected"))
    culprit = _culprit(part, mine, own, flagged)
    minor = _culprit(part, mine, own, small) if culprit is None else None
    counts = own.group_by("reason_group").agg(pl.col("losses").sum())
    counts = counts.sort(["losses", "reason_group"], descending=[True, False])
    own_suspect = next((s for s in suspects if s.kind == "part" and s.id == part and s.loss == "rejected"), None)
    measured = _measured(measurements.filter(pl.col("part") == part), settings.confidence)
    main = str(counts["reason_group"][0]) if len(counts) else "other"
    weekly = item_days(days, "part", part, "rejected", "week")
    mostly = _mostly(mine, dispersion)
    methods = row["method"]
    lights = own["lighting"].drop_nulls().unique().sort().to_list()
    return RecognitionFinding(
        part=part,
        package=_text(row["package"]),
        method=", ".join(map(str, methods)) if isinstance(methods, list) and methods else None,
        lighting=", ".join(lights) if lights else None,
        rejects=rate(int(mine["losses"].sum()), int(mine["chances"].sum()), settings, dispersion),
        expected=_expected(own_suspect, mine, weekly, week),
        flagged=culprit is not None,
        by_itself=culprit is not None and (culprit.kind == "part" or f"part {part}" in culprit.not_separable_from),
        reasons=tuple((str(r[0]), int(r[1])) for r in counts.iter_rows()),
        follows=_follows(culprit, mostly) if minor is None else f"{_follows(minor, mostly)}; {_why_not(minor)}",
        since=culprit.since if culprit else None,
        since_about=culprit is not None and culprit.since_about,
        measured=measured,
        lots=_split(mine, "lot", settings, dispersion),
        heads=_split(mine, "head", settings, dispersion),
        advice=_advice(culprit or minor, main, measured),
        history=trend(weekly, "week", settings, dispersion, expected=True),
        stands_out=minor is not None,
    )


def _expected(own: Suspect | None, mine: pl.DataFrame, weekly: pl.DataFrame, week: str) -> float | None:
    """Rejects that a healthy part would have had: by the model where it saw all of the part's picks, else by peers.

    Where some machines log single picks and others count, the model of the former knows a part of them only.
    """
    if own is None or own.attempts == int(mine["chances"].sum()):
        return own.expected if own else None
    this = weekly.filter(pl.col("week") == week)
    return float(this["expected"][0]) if len(this) else None


def _text(value: object) -> str | None:
    return None if value is None else str(value)


def _culprit(part: str, mine: pl.DataFrame, own: pl.DataFrame, flagged: list[Suspect]) -> Suspect | None:
    """The flagged item that handled most of this part's rejects; the part itself goes first.

    own  the part's rejects by reason, which know the reel as well
    """
    total = int(mine["losses"].sum())
    best: tuple[int, Suspect] | None = None
    for suspect in flagged:
        if suspect.kind == "part":
            if suspect.id == part:
                return suspect
            continue
        known = mine if all(c in mine.columns for c in items.COLUMNS[suspect.kind]) else own
        wanted = items.key_of(suspect.kind, suspect.machine, suspect.id)
        share = int(known.filter(items.key(suspect.kind) == wanted)["losses"].sum())
        if share * 3 >= total and (best is None or share > best[0]):
            best = (share, suspect)
    return best[1] if best else None


def _mostly(mine: pl.DataFrame, dispersion: float) -> str | None:
    """The nozzles, or spindles, that a part's rejects come with, where its rate differs between them beyond chance."""
    for by in ("nozzle", "spindle"):
        keyed = mine.with_columns(items.key(by).alias("_key")).drop_nulls("_key")
        table = keyed.group_by("_key").agg(pl.col("losses").sum(), pl.col("chances").sum())
        table = table.filter(pl.col("chances") > 0).sort("_key")
        losses, chances = table["losses"].to_numpy(), table["chances"].to_numpy()
        total = losses.sum()
        if len(table) < 2 or total < LEAST_REJECTS or total == chances.sum():
            continue
        expected = total * chances / chances.sum()
        chi2 = float((((losses - expected) ** 2) / expected).sum()) / max(dispersion, 1.0)
        worse = losses >= APART * expected
        if stats.chi2.sf(chi2, len(table) - 1) > NOT_ALIKE or losses[worse].sum() < MOST * total:
            continue
        order = sorted(np.flatnonzero(worse), key=lambda i: (-losses[i], i))
        names = [items.label(by, table["_key"][int(i)]).removeprefix(f"{by} ") for i in order]
        more = f" and {len(names) - SHOWN} more" if len(names) > SHOWN else ""
        return f"{several(by) if len(names) > 1 else by} {', '.join(names[:SHOWN])}{more}"
    return None


def _follows(culprit: Suspect | None, mostly: str | None = None) -> str:
    if culprit is None:
        return "nothing in particular"
    where = of_machine(culprit.kind, culprit.machine, culprit.id)
    named = "the part" if culprit.kind == "part" else f"{culprit.kind} {culprit.id}{where}"
    if culprit.not_separable_from:
        return f"{named}, or {' or '.join(culprit.not_separable_from)} (cannot tell)"
    if culprit.kind == "part":
        return f"the part, mostly with {mostly}" if mostly else "the part, whatever handles it"
    return named


def _why_not(minor: Suspect) -> str:
    return "not sure enough to flag" if minor.suspected else "too small to flag"


def _split(mine: pl.DataFrame, by: str, settings: Statistics, dispersion: float) -> tuple[tuple[str, Rate], ...]:
    keyed = mine.with_columns(items.key(by).alias("_key")).drop_nulls("_key")
    groups = keyed.group_by("_key").agg(pl.col("losses").sum(), pl.col("chances").sum())
    groups = groups.sort(["losses", "chances", "_key"], descending=[True, True, False]).head(6)
    found = []
    for item_key, losses, chances in groups.iter_rows():
        machine, item = items.name(by, item_key)
        found.append((f"{machine} {item}" if machine else item, rate(losses, chances, settings, dispersion)))
    return tuple(found)


def _measured(frame: pl.DataFrame, confidence: float) -> tuple[Measured, ...]:
    """Mean of the measured values with Student's interval, the largest group of each quantity first."""
    found = []
    for row in frame.sort(["count", "what"], descending=[True, False]).iter_rows(named=True):
        count, mean, deviation = int(row["count"]), float(row["mean"]), row["deviation"]
        if count < LEAST_MEASURED:
            continue
        reach = None
        if deviation is not None and deviation > 0:
            reach = float(stats.t.ppf(0.5 + confidence / 2, count - 1)) * float(deviation) / float(np.sqrt(count))
        found.append(
            Measured(
                what=str(row["what"]),
                unit=str(row["unit"] or ""),
                count=count,
                taught=row["taught"],
                limit_low=row["limit_low"],
                limit_high=row["limit_high"],
                mean=mean,
                mean_low=mean - reach if reach is not None else None,
                mean_high=mean + reach if reach is not None else None,
                spread=deviation,
            )
        )
    return tuple(found[:4])


def _off_side(measured: tuple[Measured, ...]) -> Measured | None:
    """The first quantity whose refused parts lie clearly to one side of the taught value."""
    for m in measured:
        if m.taught is None or m.mean_low is None or m.mean_high is None:
            continue
        if m.mean_low > m.taught or m.mean_high < m.taught:
            return m
    return None


def _advice(culprit: Suspect | None, main: str, measured: tuple[Measured, ...]) -> str:
    if culprit is None:
        return "Nothing flagged: watch it."
    if any(e.name == "began together" for e in culprit.evidence):
        return culprit.advice  # which begins with what came when the rejects rose
    if culprit.kind == "lot":
        return "Compare parts of this lot with another one under the microscope; quarantine the lot until that is done."
    if culprit.kind == "reel":
        return "Check this reel: tape, cover tape, splice and the parts in it; change it if in doubt."
    if culprit.kind == "part":
        off = _off_side(measured)
        if off is not None and main in ("size", "shape", "lead_or_ball"):
            side = "above" if off.mean > (off.taught or 0.0) else "below"
            return (
                f"Measure ten parts and correct the part data: refused parts measure {off.what} "
                f"{off.mean:.3f} {off.unit}, {side} the taught {off.taught:.3f}."
            )
        if main == "lighting":
            return "Check the light setting of this part's recognition on a good part."
        return "Check the part data and the recognition settings against ten good parts."
    if culprit.kind == "feeder":
        return "Check the feeder's pick position and tape advance."
    if culprit.kind == "nozzle":
        return "Clean and inspect the nozzle tip; look at it in the camera image."
    if culprit.kind == "light":
        return "Check the brightness of this light, all its segments and its cover; look at a good part in its image."
    if culprit.kind == "optics":
        return "Clean lens, mirrors and light of this unit and check its brightness; look at a good part in its image."
    return advice(culprit.kind, "rejected")
