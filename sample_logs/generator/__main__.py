"""Write the sample plant: `python -m sample_logs.generator --out DIR [--seed 7] [--weeks 8] [--scale 1.0]`.

In:    the options.
Out:   DIR/plant (a plant folder with an inbox full of logs) and DIR/truth.json.
After: the same options give the same bytes.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

from sample_logs.generator import faults, masters
from sample_logs.generator.calendar import week_label, weeks_before
from sample_logs.generator.files import Shelf
from sample_logs.generator.plant import build
from sample_logs.generator.simulate import simulate
from sample_logs.generator.write_counts import CountWriter
from sample_logs.generator.write_delimited import DelimitedWriter
from sample_logs.generator.write_messages import MessageWriter


@dataclass(frozen=True, slots=True)
class Written:
    """How many picks were written, in how many runs."""

    picks: int
    runs: int


def write(
    out: Path, seed: int = 7, weeks: int = 8, scale: float = 1.0, *, delimited_only: bool = False, plain: bool = False
) -> Written:
    """Write the sample below `out`.

    weeks           ISO weeks, the last one 2026-W47
    scale           factor on the number of boards, so on the number of picks
    delimited_only  line 1 logs delimited text too, and there are no messages and no oddities: for large volumes
    plain           delimited files are not packed
    Memory holds one run at a time: about 0.4 % of the picks at eight weeks.
    """
    works = build(seed)
    picks = runs = 0
    masters.write(out / "plant", works)
    labels = [week_label(day) for day in weeks_before(weeks)]
    out.joinpath("truth.json").write_text(json.dumps(faults.truth(seed, labels), indent=1) + "\n", encoding="utf-8")
    with Shelf(out / "plant" / "inbox") as shelf:
        messages = MessageWriter(shelf, works)
        delimited = {n: DelimitedWriter(shelf, works, oddities=not delimited_only, plain=plain) for n in (1, 2)}
        counts = None if delimited_only else CountWriter(shelf, works)
        week = ""
        for run in simulate(works, weeks, scale):
            if run.shift.week != week:
                week = run.shift.week
                shelf.close_all(but=("_sizes", "_counts"))
            if run.shift.line == 1 and not delimited_only:
                messages.write(run)
            else:
                delimited[run.shift.line].write(run)
                if counts is not None:
                    counts.write(run)
            picks += len(run.time)
            runs += 1
        delimited[2].services()
    if counts is not None:
        counts.moves(out / "plant")
    return Written(picks, runs)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m sample_logs.generator", description="Write the sample plant.")
    parser.add_argument("--out", type=Path, required=True, help="folder to write plant/ and truth.json into")
    parser.add_argument("--seed", type=int, default=7, help="same seed, same bytes (default 7)")
    parser.add_argument("--weeks", type=int, default=8, help="ISO weeks, the last one 2026-W47 (default 8)")
    parser.add_argument("--scale", type=float, default=1.0, help="factor on the number of picks (default 1)")
    parser.add_argument("--delimited-only", action="store_true", help="both lines as delimited text, for large volumes")
    parser.add_argument("--plain", action="store_true", help="do not pack the delimited files")
    given = parser.parse_args()
    if given.weeks < 1 or given.scale <= 0:
        parser.error("--weeks must be at least 1 and --scale above 0")
    done = write(
        given.out, given.seed, given.weeks, given.scale, delimited_only=given.delimited_only, plain=given.plain
    )
    print(f"{done.picks} picks in {done.runs} runs written to {given.out}")  # noqa: T201


if __name__ == "__main__":
    main()
