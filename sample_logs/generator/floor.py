"""What stands where on one line: nozzles on spindles, feeders in slots, reels in feeders.

In:    the plant and one run after another.
Out:   nozzle by station, feeder by slot, reel by placement, and the reel events.
After: a nozzle sits on one spindle and a feeder in one slot at a time; a reel is in one feeder at a time and never
       gives more first picks than its quantity; the posts that the planted faults need are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator import faults
from sample_logs.generator.plant import BAD_LOT_PART, INNOCENT_STATION, Program, Station, Works

if TYPE_CHECKING:
    from sample_logs.generator.calendar import Shift

_SWAPPED: Final = 0.30
"""Share of slots that get another feeder at a changeover."""
_REEL_BOARDS: Final = 60
"""Boards that a reel lasts, on average."""
_BAD_SHARE: Final = 0.45


@dataclass(frozen=True, slots=True)
class Reel:
    """One reel, tray stack or tube; `part` is the part's place in the plant."""

    id: str
    part: int
    lot: str
    quantity: int


@dataclass(frozen=True, slots=True)
class ReelEvent:
    """A reel was loaded, unloaded or spliced in; `time` in ms since 1970 UTC, `previous` -1 where there is none."""

    time: int
    event: str
    machine: str
    slot: str
    feeder: int
    reel: int
    previous: int
    quantity: int


class Stores:
    """The store room that both lines draw from: reels begun and new, and two open lots of each part."""

    def __init__(self, works: Works) -> None:
        self.reels: list[Reel] = []
        self._works = works
        self._rng = np.random.default_rng([works.seed, 4])
        self._open: dict[int, list[str]] = {}
        self._begun: dict[tuple[int, int], list[tuple[int, int]]] = {}
        self._lots = 0

    def take(self, line: int, part: int, quantity: int, when: datetime) -> tuple[int, int]:
        """A reel of this part and what is left on it: a begun one of this line first, else a new one."""
        begun = self._begun.get((line, part))
        if begun:
            return begun.pop()
        reel = Reel(f"R{260001 + len(self.reels)}", part, self._lot(part, when), quantity)
        self.reels.append(reel)
        return len(self.reels) - 1, quantity

    def give_back(self, line: int, reel: int, left: int) -> None:
        """Put a begun reel back."""
        self._begun.setdefault((line, self.reels[reel].part), []).append((reel, left))

    def random(self) -> float:
        """A number between 0 and 1."""
        return float(self._rng.random())

    def _lot(self, part: int, when: datetime) -> str:
        bad = next(f for f in faults.FAULTS if f.kind == "lot")
        if part == self._works.part_index(BAD_LOT_PART) and bad.strength(when) and self._rng.random() < _BAD_SHARE:
            return faults.BAD_LOT
        lots = self._open.setdefault(part, [])
        if len(lots) < 2 or self._rng.random() < 0.2:
            self._lots += 1
            lots.append(f"LT{self._lots:04d}")
            del lots[:-2]
        return lots[int(self._rng.integers(len(lots)))]


class Floor:
    """State of one line. `boards` counts the boards it has begun so far."""

    def __init__(self, works: Works, line: int, scale: float, stores: Stores) -> None:
        self.works, self.line, self.scale, self.stores = works, line, scale, stores
        self.boards = 0
        self.feeders: NDArray[np.int16] = np.zeros(0, np.int16)
        self.nozzles: NDArray[np.int16] = np.zeros(0, np.int16)
        self._product = ""
        self._program: Program | None = None
        self._week = ""
        self._arranged: dict[str, NDArray[np.int16]] = {}
        self._mounted: dict[int, tuple[int, int]] = {}
        self._home = {i: n[2] for i, n in enumerate(works.nozzles)}
        self._planted = {works.nozzle_index(n) for n in faults.PLANTED_NOZZLES}

    def changeover(self, shift: Shift, program: Program, rng: np.random.Generator) -> tuple[bool, list[ReelEvent]]:
        """Set up the line for this run. True, and the unloads, when the product or the week is another one."""
        if shift.week != self._week and self._week:
            self._lend(rng)
        if shift.product == self._product and shift.week == self._week:
            return False, []
        events = [
            ReelEvent(shift.start - 600_000 + 4_000 * slot, "unload", *self._place(slot), reel, -1, left)
            for slot, (reel, left) in sorted(self._mounted.items())
        ]
        for reel, left in self._mounted.values():
            if left > 0:
                self.stores.give_back(self.line, reel, left)
        self._mounted.clear()
        self._product, self._week = shift.product, shift.week
        self._program = program
        self.feeders = self._arrange(shift.product, program, rng)
        self.nozzles = self._fit(shift, program, rng)
        return True, events

    def _place(self, slot: int) -> tuple[str, str, int]:
        """Machine, slot name and feeder of a mounted slot."""
        if self._program is None:
            raise ValueError("no program is set up on this line yet")
        where = self._program.slots[slot]
        return where.machine, where.name, int(self.feeders[slot])

    def _lend(self, rng: np.random.Generator) -> None:
        """Once a week two nozzles of one type change machines within the line."""
        kinds: dict[str, list[int]] = {}
        for i, (_, kind, _) in enumerate(self.works.nozzles):
            if self._home[i][1] == str(self.line) and i not in self._planted:
                kinds.setdefault(kind, []).append(i)
        for kind in "SM":
            one, two = rng.choice(kinds[kind], 2, replace=False)
            self._home[one], self._home[two] = self._home[two], self._home[one]

    def _arrange(self, product: str, program: Program, rng: np.random.Generator) -> NDArray[np.int16]:
        """Feeder by slot: the product's last arrangement with some feeders changed, also against spare ones."""
        works = self.works
        kinds = [works.parts[s.part].package.feeder for s in program.slots]
        posts = {
            slot: works.feeder_index(feeder)
            for (feeder, machine), held in faults.FEEDER_POSTS.items()
            for slot, s in enumerate(program.slots)
            if s.machine == machine and works.parts[s.part].id == held[product]
        }
        fixed = {works.feeder_index(feeder) for feeder, _ in faults.FEEDER_POSTS}
        old = self._arranged.get(product)
        found = np.zeros(len(kinds), np.int16)
        for kind in sorted(set(kinds)):
            pool = [i for i, f in enumerate(works.feeders) if f[1:] == (kind, self.line) and i not in fixed]
            slots = [n for n, k in enumerate(kinds) if k == kind and n not in posts]
            if old is None:
                found[slots] = rng.permutation(pool)[: len(slots)]
                continue
            found[slots] = old[slots]
            moved = [n for n in slots if rng.random() < _SWAPPED]
            spare = [i for i in pool if i not in set(old[slots].tolist())]
            free = rng.permutation([*old[moved].tolist(), *spare])
            found[moved] = free[: len(moved)]
        for slot, feeder in posts.items():
            found[slot] = feeder
        self._arranged[product] = found
        return found

    def _fit(self, shift: Shift, program: Program, rng: np.random.Generator) -> NDArray[np.int16]:
        """Nozzle by station, drawn anew from each machine's changer; planted nozzles are always put on."""
        works = self.works
        innocent = works.nozzle_index(faults.INNOCENT_NOZZLE)
        last_week = shift.week == faults.LAST_WEEK
        found = np.zeros(len(program.stations), np.int16)
        groups: dict[tuple[str, str], list[int]] = {}
        for n, station in enumerate(program.stations):
            groups.setdefault((station.machine, station.nozzle_type), []).append(n)
        for (machine, kind), places in groups.items():
            pool = [i for i, n in enumerate(works.nozzles) if self._home[i] == machine and n[1] == kind]
            must = [i for i in pool if i in self._planted and i != innocent]
            if last_week:
                pool = [i for i in pool if i != innocent]
            drawn = [*must, *(int(i) for i in rng.permutation([i for i in pool if i not in must]))][: len(places)]
            found[rng.permutation(places)] = drawn
        if last_week and self.line == 1 and shift.product == "A":
            place = next(n for n, s in enumerate(program.stations) if _name(s) == INNOCENT_STATION)
            found[place] = innocent
        return found

    def draw_reels(
        self, shift: Shift, program: Program, fitted: NDArray[np.bool_], moment: NDArray[np.int64]
    ) -> tuple[NDArray[np.int32], list[ReelEvent]]:
        """Reel of each first try.

        fitted, moment  board by placement: whether it is placed, and its time in ms UTC
        Returns reels (same shape, -1 where not fitted) and loads and splices in order of slots.
        """
        reel = np.full(fitted.shape, -1, np.int32)
        events = []
        for slot, place in enumerate(program.slots):
            columns = np.nonzero(program.slot == slot)[0]
            needed = int(fitted[:, columns].sum())
            if not needed:
                continue
            size = max(30, round(_REEL_BOARDS * len(columns) * self.scale))
            if slot not in self._mounted:
                self._mounted[slot] = self.stores.take(self.line, place.part, self._size(size), shift.local)
                number, left = self._mounted[slot]
                events.append(
                    ReelEvent(shift.start - 420_000 + 4_000 * slot, "load", *self._place(slot), number, -1, left)
                )
            number, left = self._mounted[slot]
            drawn = np.empty(needed, np.int32)
            splices = []
            done = 0
            while done < needed:
                if left == 0:
                    previous = number
                    number, left = self.stores.take(self.line, place.part, self._size(size), shift.local)
                    splices.append((done, previous, number, left))
                step = min(left, needed - done)
                drawn[done : done + step] = number
                done, left = done + step, left - step
            self._mounted[slot] = (number, left)
            block, times = reel[:, columns], moment[:, columns]
            block[fitted[:, columns]] = drawn
            reel[:, columns] = block
            when = times[fitted[:, columns]]
            for at, previous, new, quantity in splices:
                events.append(ReelEvent(int(when[at]) - 90, "splice", *self._place(slot), new, previous, quantity))
        return reel, events

    def _size(self, mean: int) -> int:
        """Parts on a reel: it lasts a day or so."""
        return max(20, int(mean * (0.7 + 0.6 * self.stores.random()) / 10) * 10)


def _name(station: Station) -> tuple[str, str, str]:
    return station.machine, station.head, station.spindle
