"""One week, top to bottom, readable as a table of contents.

In:    an open store, the plant's settings, the week.
Out:   a `Bundle`; and from `publish`, the folder of the week with all its pages.
After: the same store and settings give the same bundle, byte for byte; the folder is complete or not there.
"""

from __future__ import annotations

import errno
import hashlib
import shutil
import tempfile
from dataclasses import replace
from datetime import UTC, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline import __version__, buying
from pipeline.analysis.actions import actions
from pipeline.analysis.drift import drifts
from pipeline.analysis.overage_builds import check_builds
from pipeline.analysis.quality import quality
from pipeline.analysis.ranking import Counted, rank
from pipeline.analysis.recognition import recognition
from pipeline.analysis.services import after_services, mended_in_week, outcomes, without_outcome
from pipeline.analysis.summary import summaries
from pipeline.checking import collect
from pipeline.errors import UserError
from pipeline.findings.model import Bundle
from pipeline.findings.to_json import from_json, rounded, to_json
from pipeline.settings import Plant
from pipeline.store import frames
from pipeline.store import quality as facts
from pipeline.store.migrations import CURRENT
from reports import write_all

RECOGNITION_PARTS = 12
"""Parts with most rejects that the engineer's page shows besides the flagged ones."""

MOST_CELLS = 2_500_000
"""Rows of CELLS of earlier weeks that are held in memory (about 450 MB, reckoned)."""

LIBRARIES = ("polars", "duckdb", "numpy", "scipy", "jinja2", "weasyprint", "xlsxwriter")


def analyse(con: duckdb.DuckDBPyConnection, plant: Plant, label: str) -> Bundle:
    """Everything there is to say about one ISO week; UserError when the store has no picks in it."""
    zone = ZoneInfo(plant.zone)
    week = frames.iso_week(label, zone)
    history = frames.weeks_before(week, plant.buying.history_weeks, zone)

    earlier = _earlier(con, plant, week)
    frames.set_clock(con, plant, history[0].start, week.end)
    cells = frames.cells(con, week)
    if cells.is_empty():
        raise UserError(f"no picks in week {week.label}. `pickfall status` shows which weeks the store holds.")
    days = frames.days(con)
    reasons = frames.reasons(con)
    parts = frames.master(con, "part")
    last_day = (week.end.replace(tzinfo=UTC).astimezone(zone) - timedelta(days=1)).date().isoformat()

    counted = _counted(con, week, earlier)
    by_kind = {kind: c.days for c in counted for kind in c.kinds}
    logged = frames.services(con, plant, history[0].start, week.end)
    monday = week.start.replace(tzinfo=UTC).astimezone(zone).date().isoformat()
    mended = mended_in_week(logged, days, plant.statistics, last_day, monday, by_kind)
    ranked = rank(cells, days, reasons, parts, plant, week.label, counted, earlier["total"], mended)
    dispersions = ranked.dispersions
    services = outcomes(logged, days, dispersions, plant.statistics, last_day, by_kind)
    suspects = after_services(ranked.suspects, services, monday)
    walks = drifts(frames.offsets(con), plant.statistics)
    measured = frames.measurements(con, week)
    refused_parts = recognition(
        suspects,
        days,
        reasons,
        measured,
        week.label,
        dispersions["rejected"],
        plant.statistics,
        RECOGNITION_PARTS,
    )
    ground = buying.gather(con, plant, history, buying.bad_lots(suspects))
    bought = buying.advise(ground, plant)

    _, bad_lines = check_builds(ground.builds, parts)
    bad_lines = (*ground.renamed, *bad_lines)
    unsaid = without_outcome(logged, days, by_kind)
    trust = quality(collect(con, plant, week), plant, dispersions["all"], ranked.notes, bad_lines, unsaid)
    todo = actions(suspects, services, walks, bought.overage, trust, plant.lists.worklist, refused_parts, week.label)

    joint = cells.select("attempts", "placed").sum()
    bundle = Bundle(
        week=week.label,
        plant=plant.name,
        zone=plant.zone,
        currency=plant.currency,
        start=week.start.replace(tzinfo=UTC).astimezone(zone).isoformat(),
        end=week.end.replace(tzinfo=UTC).astimezone(zone).isoformat(),
        picks=int(joint["attempts"][0]),
        placed=int(joint["placed"][0]),
        boards=facts.boards(con, week),
        losses=summaries(days, week.label, dispersions, plant.statistics),
        actions=todo,
        suspects=suspects,
        services=services,
        recognition=refused_parts,
        drifts=walks,
        overage=bought.overage,
        quality=trust,
        settings=plant.for_report(),
        versions=versions(),
        looked_at=ranked.looked_at,
        spread_weeks=ranked.spread_weeks,
        basis=basis(con, plant, week.label),
        kits=bought.kits,
        standing=bought.standing,
        loss_figures=bought.loss_figures,
        unexplained=bought.unexplained,
        past_test=bought.past_test,
    )
    made: Bundle = rounded(bundle)
    return made


ASKED: dict[frames.Question, tuple[str, ...]] = {
    "nozzle": ("nozzle", "spindle", "head"),
    "feeder": ("machine", "feeder", "slot"),
    "part": ("machine", "package", "part", "lot", "reel"),
}
"""Which kinds of item each question is about."""


def _earlier(
    con: duckdb.DuckDBPyConnection, plant: Plant, week: frames.Week
) -> dict[frames.Question, tuple[pl.DataFrame, ...]]:
    """CELLS of the weeks before that tell how far healthy items differ, oldest first, by question.

    "total" holds single picks, the others counters. Weeks are left out, oldest first, beyond `MOST_CELLS` rows.
    """
    weeks = frames.weeks_before(week, plant.statistics.spread_weeks + 1, ZoneInfo(plant.zone))[:-1]
    found: dict[frames.Question, tuple[pl.DataFrame, ...]] = dict.fromkeys(frames.GRAINS_FOR, ())
    if not weeks:
        return found
    frames.set_clock(con, plant, weeks[0].start, weeks[-1].end)
    for question in found:
        single, rows = question == "total", 0
        for before in reversed(weeks):
            cells = frames.cells(con, before, question, single=single)
            cells = cells.with_columns(pl.col(pl.String).cast(pl.Categorical))  # a quarter of an id's memory
            rows += len(cells)
            if rows > MOST_CELLS:
                break
            found[question] = (cells, *found[question])
    return found


def _counted(
    con: duckdb.DuckDBPyConnection, week: frames.Week, earlier: dict[frames.Question, tuple[pl.DataFrame, ...]]
) -> tuple[Counted, ...]:
    """What machines without single picks counted this week, and in the weeks before."""
    found: list[Counted] = []
    for question, kinds in ASKED.items():
        cells = frames.cells(con, week, question, single=False)
        if cells.is_empty():
            continue
        if found and cells.equals(found[-1].cells):  # feeder counters that name their parts
            both = tuple(dict.fromkeys((*found[-1].kinds, *kinds)))
            found[-1] = replace(found[-1], kinds=both)
        else:
            found.append(Counted(kinds, cells, frames.days(con, question), earlier[question]))
    return tuple(found)


def basis(con: duckdb.DuckDBPyConnection, plant: Plant, label: str) -> str:
    """Digest of what the figures of a week come from: the same digest means the same findings."""
    settings = repr((__version__, CURRENT, label, sorted(plant.for_report().items())))
    return hashlib.sha256((settings + facts.content_digest(con)).encode()).hexdigest()


def published(con: duckdb.DuckDBPyConnection, plant: Plant, label: str) -> Bundle | None:
    """The findings in the week's output folder, if they are still what the store would give; None otherwise."""
    path = plant.out / label / "findings.json"
    try:
        found = from_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return found if found.basis == basis(con, plant, label) else None


def versions() -> dict[str, str]:
    """This program and the libraries that the figures depend on."""
    found = {"pickfall": __version__}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def publish(bundle: Bundle, out: Path) -> dict[str, Path]:
    """Write findings.json and all pages to `out`/<week>; the folder appears under its name only when complete."""
    out.mkdir(parents=True, exist_ok=True)
    final = out / bundle.week
    work = Path(tempfile.mkdtemp(prefix=f".{bundle.week}-", dir=out))
    try:
        work.chmod(0o755)
        (work / "findings.json").write_text(to_json(bundle), encoding="utf-8")
        write_all(bundle, work)
        names = sorted(path.name for path in work.iterdir())
        _replace(work, final)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return {name: final / name for name in names}


def _replace(work: Path, final: Path) -> None:
    """Put the finished folder in the place of the old one; what else somebody put into that one stays in it."""
    if not final.exists():
        work.rename(final)
        return
    if not final.is_dir():
        raise FileExistsError(errno.EEXIST, "is no folder: move it away, the report goes there", str(final))
    old = Path(tempfile.mkdtemp(prefix=f".{final.name}-old-", dir=final.parent))
    final.rename(old / final.name)
    try:
        work.rename(final)
    except OSError:
        (old / final.name).rename(final)
        raise
    else:
        for other in sorted((old / final.name).iterdir()):
            if not (final / other.name).exists():
                other.rename(final / other.name)
    finally:
        shutil.rmtree(old, ignore_errors=True)
