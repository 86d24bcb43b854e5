"""The buyer's part of a week, top to bottom.

In:    an open store with the clock of the history set, the plant's settings, the lots to leave out.
Out:   `Ground`, everything the figures come from; `Advice`, everything there is to say.
After: the same store and settings give the same advice, for the week's report and for the command alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.analysis.overage import Lines, prepare
from pipeline.analysis.overage_counts import Counts, read_counts, unexplained
from pipeline.analysis.overage_kit import MOST_LINES, whole_kits
from pipeline.analysis.overage_lines import findings
from pipeline.analysis.overage_names import PartNames, renamed
from pipeline.analysis.overage_past import past_test
from pipeline.analysis.overage_standing import standing_overage
from pipeline.findings.buying import LossFigure, PastTest, StandingRule, Unexplained, WholeKit
from pipeline.findings.model import Overage, Suspect
from pipeline.settings import Plant
from pipeline.store import frames, past_builds
from pipeline.store.frames import Week


@dataclass(frozen=True, slots=True)
class Ground:
    """What the figures come from. `plant` has the figures that reel counts gave in the place of the settings; `builds`
    has the parts under the names that count, and `renamed` says which were named otherwise.
    """

    usage: pl.DataFrame
    loads: pl.DataFrame
    past: pl.DataFrame
    parts: pl.DataFrame
    builds: pl.DataFrame
    counts: Counts
    left_out: tuple[str, ...]
    names: PartNames
    renamed: tuple[str, ...]

    @property
    def plant(self) -> Plant:
        """Settings with the counted figures in place."""
        return self.counts.plant

    def lines(self, builds: pl.DataFrame | None = None, parts: pl.DataFrame | None = None) -> Lines | None:
        """The lines of the planned builds, or of others with their own part table; None when nothing can be said."""
        return prepare(
            self.usage,
            self.loads,
            self.parts if parts is None else parts,
            self.builds if builds is None else builds,
            self.plant,
            leave_out_lots=self.left_out,
        )


@dataclass(frozen=True, slots=True)
class Advice:
    """All that the week says to the buyer."""

    overage: tuple[Overage, ...]
    kits: tuple[WholeKit, ...]
    standing: tuple[StandingRule, ...]
    loss_figures: tuple[LossFigure, ...]
    unexplained: tuple[Unexplained, ...]
    past_test: PastTest | None


def clock(con: duckdb.DuckDBPyConnection, plant: Plant, label: str) -> tuple[Week, ...]:
    """Set the clock to the weeks of history that end with `label`; returns them, oldest first."""
    zone = ZoneInfo(plant.zone)
    week = frames.iso_week(label, zone)
    history = frames.weeks_before(week, plant.buying.history_weeks, zone)
    frames.set_clock(con, plant, history[0].start, week.end)
    return history


def gather(
    con: duckdb.DuckDBPyConnection, plant: Plant, history: Sequence[Week], left_out: Sequence[str] = ()
) -> Ground:
    """Read everything; the clock must be set to `history`."""
    usage, parts = frames.usage(con), frames.master(con, "part")
    names = PartNames.of(frames.master(con, "alias"), history[-1].end - timedelta(seconds=1), plant.zone)
    builds, renamed_lines = renamed(frames.master(con, "build"), names)
    return Ground(
        usage=usage,
        loads=frames.loads(con),
        past=past_builds.past_builds(con),
        parts=parts,
        builds=builds,
        counts=read_counts(past_builds.counted_reels(con, history[0], history[-1]), parts, usage, plant),
        left_out=tuple(left_out),
        names=names,
        renamed=renamed_lines,
    )


def advise(ground: Ground, plant: Plant) -> Advice:
    """Everything for the buyer. `plant` is as its settings are."""
    lines = ground.lines()
    kits = () if lines is None else whole_kits(lines, ground.plant, most=MOST_LINES)
    return Advice(
        overage=() if lines is None else with_kits(findings(lines, ground.plant), kits),
        kits=kits,
        standing=standing_overage(
            ground.usage, ground.loads, ground.parts, ground.plant, leave_out_lots=ground.left_out
        ),
        loss_figures=ground.counts.figures,
        unexplained=unexplained(ground.counts, ground.parts, plant),
        past_test=tried(ground),
    )


def tried(ground: Ground) -> PastTest | None:
    """The advice on past builds."""
    return past_test(
        ground.past, ground.usage, ground.loads, ground.parts, ground.plant, leave_out_lots=ground.left_out
    )


def with_kits(overage: Sequence[Overage], kits: Sequence[WholeKit]) -> tuple[Overage, ...]:
    """The lines with the extra that each whole kit takes of them."""
    extra = {(k.build, part): n for k in kits for part, n in k.extras}
    return tuple(replace(o, kit_extra=extra[o.build, o.part]) if (o.build, o.part) in extra else o for o in overage)


def bad_lots(suspects: Sequence[Suspect]) -> tuple[str, ...]:
    """Lots that were flagged: what they lost says nothing about the next lot."""
    return tuple(s.id for s in suspects if s.flagged and s.kind == "lot")
