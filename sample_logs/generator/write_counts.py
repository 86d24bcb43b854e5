"""Write what the store room knows of line 2: parts left on reels that came off, and what it issued and got back.

In:    `Run`s of the line in time order.
Out:   one log with a line a counted reel; one list with a line a part that runs on no other line.
After: a reel holds what its label said less the parts placed and lost, a share of the missed picks, and what each load
       and splice took; a count is off by one part at times. Of one part somebody takes some without a log. All of it is
       drawn from a random stream of its own, so that no pick changes.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Final

import numpy as np

from sample_logs.generator import faults
from sample_logs.generator.files import Shelf
from sample_logs.generator.plant import Works
from sample_logs.generator.simulate import MISSED, RETURNED, Run
from sample_logs.generator.write_delimited import stamp

HEAD: Final = "DATE;TIME;ITEM;REEL;WHAT;PIECES\n"
NAME: Final = "store_counts.csv.gz"
HEAD_MOVES: Final = "part,issued,returned\n"
NAME_MOVES: Final = "store_moves.csv"
_ISSUE: Final = 200
"""The store room issues parts by so many."""
_SHARE: Final = 0.15
"""Share of the reels that come off the line that are counted."""
_LEAST: Final = 30
"""Parts that the machine's book must have left on a reel that is worth counting."""
_OFF_BY_ONE: Final = 0.2


class CountWriter:
    """Follows the reels of one line and writes the counts."""

    def __init__(self, shelf: Shelf, works: Works) -> None:
        self._shelf, self._works = shelf, works
        self._rng = np.random.default_rng([works.seed, 9])
        self._left: dict[int, int] = {}
        self._used: Counter[int] = Counter()

    def write(self, run: Run) -> None:
        """Write the counts of the reels that came off before this run, then take from the reels what the run takes."""
        rows = []
        for event in sorted(run.events, key=lambda e: (e.time, e.reel)):
            if event.event == "unload":
                rows += self._counted(run, event.reel, event.time, event.quantity)
                continue
            if event.reel not in self._left:
                self._left[event.reel] = event.quantity
            self._take(run, event.reel, self._taken(event.event, self._feeder(run, event.reel)))
        used = (run.outcome != MISSED) & (run.outcome != RETURNED)
        gone = np.bincount(run.reel[used], minlength=len(run.reels))
        missed = np.bincount(run.reel[run.outcome == MISSED], minlength=len(run.reels))
        for reel in np.nonzero(gone + missed)[0].tolist():
            share = 0.0 if self._feeder(run, reel) == "tray" else faults.MISS_TAKES
            self._take(run, reel, int(gone[reel]) + int(self._rng.binomial(missed[reel], share)))
        if rows:
            self._shelf.write(NAME, "".join(rows), head=HEAD)

    def moves(self, folder: Path) -> None:
        """Write what was issued and got back, once all runs are written. Nothing that was left over is lost."""
        lines = {line: {p for (on, _), g in self._works.programs.items() if on == line for p in g.part.tolist()}
                 for line in (1, 2)}  # fmt: skip
        rows = []
        for part in sorted(lines[2] - lines[1], key=lambda p: self._works.parts[p].id):
            used = self._used[part]
            issued = -(-(used + _ISSUE // 4) // _ISSUE) * _ISSUE
            rows.append(f"{self._works.parts[part].id},{issued},{issued - used}\n")
        (folder / NAME_MOVES).write_text(HEAD_MOVES + "".join(rows), encoding="utf-8")

    def _take(self, run: Run, reel: int, pieces: int) -> None:
        self._left[reel] -= pieces
        self._used[run.reels[reel].part] += pieces

    def _feeder(self, run: Run, reel: int) -> str:
        """How the parts of a reel are fed; a class of tape names its width."""
        kind = self._works.parts[run.reels[reel].part].package.feeder
        return kind if kind in ("tray", "tube") else "tape"

    def _taken(self, event: str, feeder: str) -> int:
        """Parts that a load or a splice takes: gamma-Poisson."""
        if feeder != "tape":
            return 0
        mean, scatter = faults.LOAD_TAKES if event == "load" else faults.SPLICE_TAKES, faults.TAKES_SCATTER
        return int(self._rng.poisson(self._rng.gamma(mean / (scatter - 1), scatter - 1)))

    def _counted(self, run: Run, reel: int, time: int, book: int) -> list[str]:
        """The line of a reel that is counted when it has come off, if it is."""
        part = self._works.parts[run.reels[reel].part].id
        chosen, off = self._rng.random() < _SHARE, self._rng.random()
        helped = part == faults.HELPED_PART
        if book < _LEAST or not (chosen or helped) or self._left.get(reel, 0) < _LEAST:
            return []
        if helped:
            self._take(run, reel, faults.HELPED_PIECES)
        found = self._left[reel] + (0 if off > _OFF_BY_ONE else 1 if off < _OFF_BY_ONE / 2 else -1)
        return [f"{stamp(time + 45_000)};{part};{run.reels[reel].id};COUNTED;{found}\n"]
