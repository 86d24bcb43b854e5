"""`pickfall overage`: what to buy or kit, for builds of builds.csv or a list of the buyer's own.

In:    the plant, the findings of the week, what was asked for.
Out:   `Answer`: rows to show, words beside them, lines of the list that are wrong.
After: the store is only read. Without options the figures are those of the week's report.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipeline import buying
from pipeline.analysis.overage import Lines
from pipeline.analysis.overage_builds import MOST_NEEDED, check_builds
from pipeline.analysis.overage_cost import findings_by_cost, findings_with
from pipeline.analysis.overage_counts import moved, recovered
from pipeline.analysis.overage_kit import kit_extras, whole_kits
from pipeline.analysis.overage_lines import findings, suffices
from pipeline.analysis.overage_names import said as said_of
from pipeline.analysis.overage_words import THIN, count, sure
from pipeline.buying import Ground
from pipeline.commands.build_list import BuildList, is_file, read_build_list, read_moves
from pipeline.errors import NotEstimable, UserError
from pipeline.findings.buying import WholeKit
from pipeline.findings.model import Bundle, Overage
from pipeline.findings.to_json import rounded
from pipeline.settings import Plant

Rows = list[dict[str, Any]]

BY: Final = ("line", "kit", "cost")
"""What decides the extras: each line's service level, the whole kit's, or the costs."""
SHOW: Final = ("lines", "kits", "standing", "losses", "counts", "past")
"""What can be shown."""
NO_BUILDS: Final = "No builds: fill in masters/builds.csv and run `pickfall ingest`, or name a build list."


@dataclass(frozen=True, slots=True)
class Call:
    """What was asked for.

    build            build of builds.csv, or file; None: all builds
    by, show         one of BY, of SHOW
    level            service level in the place of the settings
    boards           boards of a list that has no such column
    leave_out        lots to leave out, besides the flagged ones and those of the settings
    part, need, have one part: do `have` pieces suffice for `need` placements?
    moves            list of what the store room issued and got back, to hold against the logs
    """

    build: str | None = None
    by: str = "line"
    show: str = "lines"
    level: float | None = None
    boards: int | None = None
    leave_out: tuple[str, ...] = ()
    part: str | None = None
    need: int | None = None
    have: int | None = None
    moves: str | None = None

    @property
    def plain(self) -> bool:
        """Whether the week's findings hold the answer already."""
        default = Call(build=self.build, show=self.show)
        return self == default and not (self.build is not None and is_file(self.build))


@dataclass(frozen=True, slots=True)
class Answer:
    """What to show: rows in short and in full, words beside them, wrong lines, and the findings for the workbook."""

    short: Rows
    full: Rows
    notes: tuple[str, ...]
    wrong: tuple[str, ...]
    refused: bool
    bundle: Bundle
    empty: str = "Nothing to show."


def check(call: Call) -> Call:
    """The call itself, or UserError for what does not go together."""
    for name, value, allowed in (("--by", call.by, BY), ("--show", call.show, SHOW)):
        if value not in allowed:
            raise UserError(f"{name} is {value!r}; use one of {', '.join(allowed)}.")
    if call.level is not None and not 0.5 <= call.level <= 0.99999:
        raise UserError(f"--level is {call.level:g}; it must lie between 0.5 and 0.99999, such as 0.95.")
    asked = [call.part is not None, call.need is not None]
    if any(asked) != all(asked) or (call.have is not None and not all(asked)):
        raise UserError("a question about one part needs --part and --need, and --have for what is there.")
    if call.part is not None and not call.part.strip():
        raise UserError("--part is empty; name the part.")
    if call.part is not None and call.build is not None:
        raise UserError("--part asks about one part alone; leave the build out.")
    if call.moves is not None and (call.part is not None or call.build is not None):
        raise UserError("--moves holds a list against the logs; leave the build and --part out.")
    for name, number, least in (("--boards", call.boards, 1), ("--need", call.need, 1), ("--have", call.have, 0)):
        if number is not None and number < least:
            raise UserError(f"{name} is {number}; expected {least} or more.")
        if number is not None and number > MOST_NEEDED:
            raise UserError(f"{name} is {number}, more than {count(MOST_NEEDED)} parts. Correct it.".replace(THIN, " "))
    _without_effect(call)
    return call


def check_workbook(path: Path | None) -> None:
    """UserError when no workbook can be written to that name: it is said before the figures are reckoned."""
    if path is None:
        return
    if path.suffix.lower() != ".xlsx":
        raise UserError(f"--write is {str(path)!r}; give the workbook a name that ends in .xlsx.")
    if path.is_dir() or not path.parent.is_dir():
        where = f"{path} is a folder" if path.is_dir() else f"there is no folder {path.parent}"
        raise UserError(f"--write: {where}. Name a file in a folder that is there.")


def _without_effect(call: Call) -> None:
    """UserError for options that would change nothing: who gives one expects that it does something."""
    a_list = call.build is not None and is_file(call.build)
    plantwide = call.show in ("standing", "losses", "counts", "past")
    reckoned_on = {"--level": call.level is not None, "--leave-out": bool(call.leave_out)}
    if call.moves is not None:
        others = reckoned_on | {"--by": call.by != "line", "--show": call.show not in ("lines", "counts")}
        what = "--moves holds a list against the logs"
    elif call.part is not None:
        others = {"--by": call.by != "line", "--show": call.show != "lines"}
        what = "--part asks about one part by its service level"
    elif plantwide:
        others = {"the build": call.build is not None, "--by": call.by != "line"}
        others |= reckoned_on if call.show in ("losses", "counts") else {}
        what = f"--show {call.show} is about the whole plant"
    else:
        others = {"--by": call.show == "kits" and call.by == "cost"}
        what = "--show kits is about whole kits"
    if idle := [name for name, given in others.items() if given]:
        raise UserError(
            f"{what}: {' and '.join(idle)} would change nothing. Leave {'it' if len(idle) == 1 else 'them'} out."
        )
    if call.boards is not None and not a_list:
        raise UserError("--boards is for a list without a column boards, and no list is named. Leave it out.")


def from_findings(bundle: Bundle, call: Call) -> Answer:
    """The answer that the week's findings hold."""
    known = list(dict.fromkeys(o.build for o in bundle.overage))
    if call.build is not None and call.build not in known:
        raise UserError(
            f"build {call.build!r} is not in masters/builds.csv, and no such file. Known: {', '.join(known) or 'none'}."
        )
    return _about_builds(_answer(bundle, call, ()), [q.text for q in bundle.quality.lines if q.what == "build list"])


def _about_builds(answer: Answer, wrong: Sequence[str]) -> Answer:
    """The answer with what is wrong with builds.csv and parts.csv beside it."""
    if not wrong:
        return answer
    empty = answer.empty
    if empty == NO_BUILDS:
        empty = "No figures: no line of masters/builds.csv can be used, or no part has any history. See above."
    return replace(answer, wrong=tuple(wrong), empty=empty)


def from_store(con: duckdb.DuckDBPyConnection, plant: Plant, bundle: Bundle, call: Call) -> Answer:
    """The answer reckoned anew from the store; `bundle` tells the week and its flagged lots."""
    plant = plant if call.level is None else _at_level(plant, call.level)
    listed: BuildList | None = None
    history = buying.clock(con, plant, bundle.week)
    ground = buying.gather(con, plant, history, (*buying.bad_lots(bundle.suspects), *call.leave_out))
    _, wrong = check_builds(ground.builds, ground.parts)
    wrong = (*ground.renamed, *wrong)
    if call.part is not None:
        return _one_part(ground, bundle, call)
    if call.moves is not None:
        return _moves(ground, plant, bundle, call)
    if call.build is not None and is_file(call.build):
        known = set(ground.parts["part"].to_list())
        listed = read_build_list(Path(call.build), known, plant.limits, boards=call.boards, names=ground.names)
        ground = replace(ground, builds=listed.builds, parts=listed.parts(ground.parts))
    elif call.build is not None and call.build not in ground.builds["build"].to_list():
        return from_findings(bundle, call)
    lines = ground.lines()
    made = bundle
    if lines is not None:
        overage, kits = _by(lines, ground.plant, call)
        made = rounded(replace(bundle, overage=overage, kits=kits))
    if call.level is not None or call.leave_out:
        advice = buying.advise(ground, plant)
        made = rounded(replace(made, standing=advice.standing, past_test=advice.past_test))
    answer = _answer(
        made, replace(call, build=None) if listed is not None else call, _notes(lines, ground, bundle, call)
    )
    if listed is None:
        return _about_builds(answer, wrong)
    over = listed.refused > plant.limits.refused_share * listed.read
    told = f"{call.build}: {listed.read} lines read, {listed.refused} refused."
    return replace(answer, wrong=listed.said, refused=over, notes=(told, *answer.notes))


def _at_level(plant: Plant, level: float) -> Plant:
    """The settings with one service level for all parts."""
    return replace(
        plant,
        buying=replace(plant.buying, service_level=level),
        part_class=tuple(replace(c, service_level=None) for c in plant.part_class),
    )


def _by(lines: Lines, plant: Plant, call: Call) -> tuple[tuple[Overage, ...], tuple[WholeKit, ...]]:
    kits = whole_kits(lines, plant)
    if call.by == "cost":
        return buying.with_kits(findings_by_cost(lines, plant), kits), kits
    if call.by == "kit":
        return buying.with_kits(findings_with(lines, plant, kit_extras(lines, kits, lines.extra()[0])), kits), kits
    return buying.with_kits(findings(lines, plant), kits), kits


def _notes(lines: Lines | None, ground: Ground, bundle: Bundle, call: Call) -> tuple[str, ...]:
    said = []
    lots = ground.usage.select("part", "lot").unique().drop_nulls().rows()
    known = {name for part, lot in lots for name in (lot, lot.removeprefix(f"{part}/"))}
    for lot in call.leave_out:
        if lot not in known:
            said.append(f'Lot "{lot}" is in no log of these weeks: leaving it out changes nothing.')
    if lines is None and ground.usage["part"].is_null().all():
        said.append(f"No part has any history up to {bundle.week}: there is nothing to reckon from.")
    return tuple(said)


def _moves(ground: Ground, plant: Plant, bundle: Bundle, call: Call) -> Answer:
    """Issues and returns of the store room against the logs."""
    known = set(ground.parts["part"].to_list())
    moves, refused, said = read_moves(Path(str(call.moves)), known, plant.limits, names=ground.names)
    found = moved(moves, ground.usage, ground.loads, ground.counts, ground.parts, plant)
    answer = _answer(rounded(replace(bundle, unexplained=found)), replace(call, build=None, show="counts"), ())
    note = f"Issues and returns of {moves.height} parts; they must be those of the same weeks as the logs."
    share = recovered(moves, ground.usage, ground.loads, ground.counts, ground.parts, plant)
    over = refused > plant.limits.refused_share * max(1, refused + moves.height)
    return replace(answer, wrong=said, refused=over, notes=(note, share.text))


def _one_part(ground: Ground, bundle: Bundle, call: Call) -> Answer:
    """Do the pieces that are there suffice?"""
    asked, need = str(call.part), int(call.need or 0)
    part = ground.names.counted(asked)
    builds = pl.DataFrame({"build": ["asked"], "part": [part], "quantity_per_board": [1], "boards": [need]})
    lines = ground.lines(builds.with_columns(due=pl.lit(None, pl.String)))
    if lines is None:
        raise NotEstimable(f"no part has any history up to {bundle.week}: there is nothing to reckon from.")
    (found,) = findings(lines, ground.plant)
    row: dict[str, Any] = {"part": part, "need": need, "extra": found.extra, "kit": need + found.extra}
    notes: tuple[str, ...] = ()
    if part != asked:
        notes = (f"P{said_of(asked, part)[1:]}",)
    if part not in ground.parts["part"].to_list():
        run = part in ground.usage["part"].cast(pl.String).to_list()
        what = "price and pack size are not known" if run else "and in no log of these weeks: check its name"
        notes = (*notes, f'Part "{part}" is not in parts.csv{":" if run else ""} {what}.')
    if call.have is not None:
        likely = suffices(lines, 0, call.have)
        enough = likely >= found.service_level
        row |= {"have": call.have, "enough": rounded(likely), "answer": "yes" if enough else "no"}
        missing = max(0, need + found.extra - call.have)
        rest = "" if enough else f" {count(missing)} more make it {sure(suffices(lines, 0, need + found.extra))}."
        notes = (
            *notes,
            f"{count(call.have)} pieces for {count(need)} placements of {part}: "
            f"{'yes' if enough else 'no'}, {sure(likely)}.{rest}",
        )
    row |= {"reason": found.reason, "basis": found.basis}
    made: Bundle = rounded(replace(bundle, overage=(replace(found, build="asked"),), kits=()))
    return Answer([_typed(row)], [row], notes, (), False, made)


def _answer(bundle: Bundle, call: Call, notes: Sequence[str]) -> Answer:
    """Rows and words of what is to be shown."""
    wanted = [o for o in bundle.overage if call.build in (None, o.build)]
    kits = [k for k in bundle.kits if call.build in (None, k.build)]
    made = replace(bundle, overage=tuple(wanted), kits=tuple(kits))
    found: Sequence[Any]
    empty = "Nothing to show."
    said = list(notes)
    if call.show == "lines":
        found, short = wanted, [_line(o) for o in wanted]
        empty = NO_BUILDS
        said += [k.text for k in kits]
    elif call.show == "kits":
        found = kits
        short = [{"build": k.build, "lines": k.lines, "sure": k.joint, "line by line": k.single, "cost": k.cost}
                 | {"weakest": k.weakest, "best next": k.marginal} for k in kits]  # fmt: skip
        said += [k.text for k in kits]
    elif call.show == "standing":
        found = bundle.standing
        short = [{"part": s.part, "fixed": s.fixed, "percent": round(100 * s.share, 3), "pieces wasted": s.waste}
                 | {"their value": s.waste_cost, "reason": s.text} for s in found]  # fmt: skip
        empty = "No part has a rule: masters/parts.csv is empty, or its parts have no history."
    elif call.show == "losses":
        found = bundle.loss_figures
        short = [{"feeder": f.feeder_type, "what": f.what, "value": f.value, "low": f.low, "high": f.high}
                 | {"from": f"{f.reels} reels" if f.source == "counted" else "plant.toml"} for f in found]  # fmt: skip
    elif call.show == "counts":
        found = bundle.unexplained
        short = [{"part": u.part, "reels": u.reels, "gone": u.gone, "logged": u.logged, "unexplained": u.difference}
                 | {"low": u.low, "high": u.high, "value": u.value, "in words": u.text} for u in found]  # fmt: skip
        empty = "No reel counts that are more than a machine's own books."
    else:
        found = [] if bundle.past_test is None else bundle.past_test.rules
        short = [{"rule": r.name, "enough": r.enough, "low": r.low, "high": r.high, "short": r.short}
                 | {"surplus": r.surplus, "its value": r.surplus_cost, "cost": r.cost} for r in found]  # fmt: skip
        empty = "Not enough weeks of history to try the advice on past builds."
        said += [bundle.past_test.text] if bundle.past_test is not None else []
    full = [_plain(x) for x in found]
    if call.show == "past" and bundle.past_test is not None:
        full = [_plain(bundle.past_test)]
    return Answer([_typed(r) for r in short], full, tuple(said), (), False, made, empty)


def _chance(share: float) -> str:
    """A probability in whole per cent; next to certain it is not called so.

    >>> _chance(0.884), _chance(0.996), _chance(1.0), _chance(0.002), _chance(0.0)
    ('88%', 'over 99%', 'over 99%', 'under 1%', '0%')
    """
    if share >= 0.995:
        return "over 99%"
    return "under 1%" if 0 < share < 0.005 else f"{share:.0%}"


def _line(o: Overage) -> dict[str, Any]:
    return {
        "build": o.build,
        "part": o.part,
        "need": o.need,
        "extra": o.extra,
        "kit": o.kit,
        "stock does": None if o.enough is None else _chance(o.enough),
        "buy": o.buy,
        "order value": o.buy_cost,
        "reason": o.reason,
    }


def _typed(row: dict[str, Any]) -> dict[str, Any]:
    """A row for a terminal: thin spaces are blanks there."""
    return {k: v.replace(THIN, " ") if isinstance(v, str) else v for k, v in row.items()}


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    return [_plain(v) for v in value] if isinstance(value, (tuple, list)) else value
