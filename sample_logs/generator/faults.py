"""What is planted in the sample: which items are bad, since when, by how much, and how the truth is written down.

In:    the plant's make-up and the local date.
Out:   log odds added to single placements on a given day; where the planted items stand; `truth`.
After: an item that is not listed here has only its healthy effect.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

import numpy as np

from sample_logs.generator.plant import BAD_LOT_PART, DROP, MISS, REJECT, WRONG_SIZE_PART, Works

LAST_DAY: Final = date(2026, 11, 22)
LAST_WEEK: Final = "2026-W47"
WORN_NOZZLE, CLEANED_NOZZLE, INNOCENT_NOZZLE = "NZ054", "NZ062", "NZ017"
PLANTED_NOZZLES: Final = (WORN_NOZZLE, CLEANED_NOZZLE, INNOCENT_NOZZLE)
DRIFT_FEEDER, STILL_BAD_FEEDER, SPLICE_FEEDER = "FD112", "FD017", "FD055"
BAD_LOT: Final = "SL2611B"
LOW_VOLUME_PART: Final = "JMODULE-01"
VACUUM_HEAD: Final = ("L1M3", "H2")


@dataclass(frozen=True, slots=True)
class Fault:
    """One planted fault. `odds_ratio` is per kind of loss; `ramp` lets it grow over the days to full size.

    reason   reason group that its losses carry
    start    first moment it acts, local wall clock; `end` the first moment it no longer does
    """

    name: str
    kind: str
    id: str
    machine: str | None
    odds_ratio: dict[int, float]
    reason: dict[int, str]
    start: datetime
    end: datetime
    ramp_days: int
    note: str

    def strength(self, when: datetime) -> float:
        """Share of the full effect at a local time, 0 to 1."""
        if not self.start <= when < self.end:
            return 0.0
        if not self.ramp_days:
            return 1.0
        return min(1.0, (when - self.start).total_seconds() / 86_400 / self.ramp_days)


def _at(month: int, day: int, hour: int = 6, minute: int = 0) -> datetime:
    return datetime(2026, month, day, hour, minute)  # noqa: DTZ001 - wall clock of the plant


_END: Final = _at(11, 23)
FAULTS: Final = (
    Fault(
        "worn nozzle", "nozzle", WORN_NOZZLE, "L2M1", {MISS: 8.0, DROP: 8.0}, {MISS: "vacuum", DROP: "mechanical"},
        _at(11, 4, 14), _END, 0, "worn tip: misses and drops with every part, on every spindle that it is put on",
    ),
    Fault(
        "drifting feeder", "feeder", DRIFT_FEEDER, "L2M2", {MISS: 10.0, REJECT: 6.0},
        {MISS: "pickup", REJECT: "orientation"}, _at(10, 26), _END, 24,
        "pick position walks off in x, 0.15 mm at the end; misses and rejects grow with it",
    ),
    Fault(
        "bad lot", "lot", BAD_LOT, None, {REJECT: 8.0}, {REJECT: "lead_or_ball"}, _at(11, 12), _END, 0,
        f"bent leads in one lot of {BAD_LOT_PART}; its other lots are fine",
    ),
    Fault(
        "wrong taught size", "part", WRONG_SIZE_PART, None, {REJECT: 9.0}, {REJECT: "size"}, _at(10, 14), _END, 0,
        "taught length 1.60 mm, real 1.71 mm, since the program change of 14 October; the same on every machine",
    ),
    Fault(
        "head losing vacuum", "head", VACUUM_HEAD[1], VACUUM_HEAD[0], {MISS: 5.0}, {MISS: "vacuum"}, _at(11, 11, 22),
        _END, 0, "filter clogged: misses on all six spindles of this head, not on the machine's other head",
    ),
    Fault(
        "cleaned nozzle", "nozzle", CLEANED_NOZZLE, "L2M2", {MISS: 9.0}, {MISS: "vacuum"}, _at(10, 19),
        _at(11, 9, 6), 0, "clogged in W43 to W45, cleaned at the start of W46 and well since",
    ),
    Fault(
        "feeder still bad after service", "feeder", STILL_BAD_FEEDER, "L1M1", {MISS: 9.0}, {MISS: "pickup"},
        _at(10, 26), _END, 0, "bad since W44, adjusted on 10 November (W46) without success",
    ),
)  # fmt: skip
_RECOVERED: Final = ("cleaned nozzle",)
DRIFT_MM: Final = 0.150
MISS_TAKES: Final = 0.4
"""Share of missed picks from a tape that take a part, in the reels that the store room counts."""
LOAD_TAKES: Final = 5.0
SPLICE_TAKES: Final = 2.0
"""Parts that a load and a splice take on average, and below how much that scatters: variance over mean."""
TAKES_SCATTER: Final = 2.0
HELPED_PART: Final = "DQFN32-01"
"""Part of which somebody takes HELPED_PIECES from each reel that is counted, without a log."""
HELPED_PIECES: Final = 15

FEEDER_POSTS: Final = {
    (DRIFT_FEEDER, "L2M2"): {"A": "DSOT23-04", "B": "R0603-04"},
    (STILL_BAD_FEEDER, "L1M1"): {"A": "C01005-04", "B": "C01005-05"},
    (SPLICE_FEEDER, "L1M2"): {"A": "DSOT23-01", "B": "DSOT23-05"},
}
"""Where the three feeders stand all along: machine, and the part they hold by product."""

SERVICES: Final = (
    (_at(11, 9, 5, 40), "L2M2", "nozzle", CLEANED_NOZZLE, "cleaned", "blocked, ultrasonic bath"),
    (_at(11, 10, 13, 30), "L1M1", "feeder", STILL_BAD_FEEDER, "adjusted", "pick position set again"),
    (_at(10, 12, 5, 30), "L1M1", "machine", "L1M1", "inspected", "monthly round"),
    (_at(10, 12, 5, 45), "L1M2", "machine", "L1M2", "inspected", "monthly round"),
    (_at(10, 12, 5, 50), "L1M3", "head", "H1", "cleaned", "filters changed"),
    (_at(10, 21, 13, 40), "L2M1", "nozzle", "NZ052", "cleaned", "routine"),
    (_at(10, 21, 13, 45), "L2M1", "nozzle", "NZ056", "cleaned", "routine"),
    (_at(11, 3, 5, 40), "L2M2", "nozzle", "NZ066", "replaced", "chipped tip"),
    (_at(11, 9, 13, 50), "L2M3", "machine", "L2M3", "calibrated", "camera scale"),
    (_at(11, 17, 5, 45), "L1M2", "nozzle", "NZ016", "cleaned", "routine"),
    (_at(11, 18, 5, 45), "L2M1", "feeder", "FD091", "adjusted", "routine"),
)
"""Everything that was serviced: time, machine, kind, id, action, remark."""

SPLICE_BURST: Final = (_at(11, 4, 6), _at(11, 4, 14))
"""Shift in which a bad splice in SPLICE_FEEDER costs a row of parts, once."""
MODULE_BOARDS: Final = 3
"""Boards that carry the low-volume part in a run that carries it at all."""
MODULE_RUNS: Final = 3
"""Runs of a week that carry it."""


def check(works: Works) -> None:
    """Raise ValueError when the make-up no longer has the items that the faults name."""
    types = {n[0]: (n[1], n[2]) for n in works.nozzles}
    for nozzle, wanted in (
        (WORN_NOZZLE, ("M", "L2M1")), (CLEANED_NOZZLE, ("M", "L2M2")), (INNOCENT_NOZZLE, ("M", "L1M2")),
    ):  # fmt: skip
        if types[nozzle] != wanted:
            raise ValueError(f"nozzle {nozzle} is {types[nozzle]}, the faults need {wanted}")
    for (feeder, machine), posts in FEEDER_POSTS.items():
        kind, line = works.feeders[works.feeder_index(feeder)][1:]
        for product, part in posts.items():
            found = [s for s in works.programs[line, product].slots if (s.machine, works.parts[s.part].id) ==
                     (machine, part)]  # fmt: skip
            if not found or works.parts[found[0].part].package.feeder != kind:
                raise ValueError(f"feeder {feeder} ({kind}, line {line}) cannot stand at {machine} for {part}")


def quiet(works: Works) -> None:
    """Take the healthy effect off the planted items, so that their odds ratio is exactly the planted one."""
    for name in (WORN_NOZZLE, CLEANED_NOZZLE, INNOCENT_NOZZLE):
        works.nozzle_effect[works.nozzle_index(name)] = 0.0
    for name in (DRIFT_FEEDER, STILL_BAD_FEEDER, SPLICE_FEEDER):
        works.feeder_effect[works.feeder_index(name)] = 0.0
    for name in (WRONG_SIZE_PART, BAD_LOT_PART):
        works.part_effect[works.part_index(name)] = 0.0


def log_odds(fault: Fault, when: datetime) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Log odds that a fault adds at a local time: one for each of MISS, REJECT, DROP. A drift grows linearly."""
    share = fault.strength(when)
    return np.array([np.log(fault.odds_ratio[k]) * share if k in fault.odds_ratio else 0.0 for k in (0, 1, 2)])


def truth(seed: int, weeks: list[str]) -> dict[str, object]:
    """The planted truth as plain data."""
    words = {MISS: "missed", REJECT: "rejected", DROP: "dropped"}
    planted: list[dict[str, object]] = []
    recovered: list[dict[str, object]] = []
    for fault in FAULTS:
        first = next(iter(fault.odds_ratio))
        entry: dict[str, object] = {
            "name": fault.name,
            "kind": fault.kind,
            "id": fault.id,
            "machine": fault.machine,
            "loss": words[first],
            "from": fault.start.date().isoformat(),
            "to": min(fault.end.date(), LAST_DAY).isoformat(),
            "odds_ratio": fault.odds_ratio[first],
            "other_losses": {words[k]: v for k, v in fault.odds_ratio.items() if k != first},
            "note": fault.note,
        }
        (recovered if fault.name in _RECOVERED else planted).append(entry)
    recovered.append(
        {"name": "bad splice", "kind": "feeder", "id": SPLICE_FEEDER, "machine": "L1M2", "loss": "missed",
         "from": SPLICE_BURST[0].date().isoformat(), "to": SPLICE_BURST[1].date().isoformat(), "odds_ratio": None,
         "other_losses": {}, "note": "one row of misses at one splice in W45; fine before and since"}
    )  # fmt: skip
    return {
        "seed": seed,
        "weeks": weeks,
        "planted": planted,
        "innocent": [
            {"name": "nozzle that ran mostly the wrongly taught part", "kind": "nozzle", "id": INNOCENT_NOZZLE,
             "machine": "L1M2", "loss": "rejected", "from": "2026-11-16", "to": LAST_DAY.isoformat(),
             "odds_ratio": 1.0, "explained_by": WRONG_SIZE_PART,
             "note": "at least 60 % of its picks in W47 are that part; other nozzles run it too"}
        ],
        "recovered": recovered,
        "low_volume": [
            {"name": "few picks, three losses", "kind": "part", "id": LOW_VOLUME_PART, "machine": "L2M3",
             "loss": "all", "from": "2026-11-16", "to": LAST_DAY.isoformat(), "odds_ratio": None,
             "note": "12 picks and 3 losses in W47: too few to say anything"}
        ],
        "offset_drift": {"feeder": DRIFT_FEEDER, "machine": "L2M2", "axis": "x", "end_mm": DRIFT_MM,
                         "from": "2026-10-26", "days": 24},
        "counts": {"miss_takes": MISS_TAKES, "load_takes": LOAD_TAKES, "splice_takes": SPLICE_TAKES,
                   "scatter": TAKES_SCATTER, "part": HELPED_PART, "pieces_a_count": HELPED_PIECES},
    }  # fmt: skip
