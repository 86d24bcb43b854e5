"""Run the made-up plant shift by shift and yield its picks, one run of a line at a time.

In:    the plant (`plant.Works`), number of weeks, scale.
Out:   `Run`: arrays with one entry a pick attempt, sorted by time, and the reel events around them.
After: memory holds one run; the same seed, weeks and scale give the same arrays; every pick of a machine has its own
       time and spindle.

Losses follow the chain: a pick misses; a held part is refused; an accepted part drops. The log odds of each step are
base rate of the package + part + nozzle + feeder + shift noise + planted faults. Jams lose a few parts in a row.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator import faults
from sample_logs.generator.calendar import Shift, shifts
from sample_logs.generator.floor import Floor, Reel, ReelEvent, Stores
from sample_logs.generator.plant import DROP, MISS, REJECT, WRONG_SIZE_PART, Program, Works

OUTCOMES: Final = ("placed", "missed", "rejected", "dropped", "returned", "unknown")
PLACED, MISSED, REJECTED, DROPPED, RETURNED, UNKNOWN = range(6)
REASONS: Final = ("", "vacuum", "pickup", "size", "shape", "lead_or_ball", "orientation", "lighting", "mechanical")
_REJECT_REASONS: Final = {"chip": (0.35, 0.20, 0.0, 0.33, 0.12), "lead": (0.15, 0.10, 0.45, 0.20, 0.10)}
_VACUUM_SHARE: Final = 0.55
_NOISE_FEEDER: Final = 0.30
_NOISE_MACHINE: Final = 0.12
_JAM: Final = 0.012
"""Chance that a feeder jams once in a run."""
_OFFSET_SD: Final = 0.017
"""Pick offset of one pick, mm."""
BEAT_MS: Final = 180
CYCLE_MS: Final = 4_000


@dataclass(frozen=True, slots=True)
class Run:
    """One line's picks between two changeovers or shift ends. Arrays have one entry an attempt.

    board       serial number of the board within the line
    placement   row of `program`
    attempt     1, 2 or 3
    outcome     index into OUTCOMES; `reason` into REASONS
    reel        index into `reels`
    dx, dy      pick offset in mm, NaN where it was not measured
    measured    refused for size: measured over taught length; for leads: coplanarity in mm; else NaN
    feeders     feeder by slot of the program, `nozzles` nozzle by station
    """

    shift: Shift
    program: Program
    feeders: NDArray[np.int16]
    nozzles: NDArray[np.int16]
    reels: list[Reel]
    time: NDArray[np.int64]
    board: NDArray[np.int64]
    placement: NDArray[np.int16]
    attempt: NDArray[np.int8]
    outcome: NDArray[np.int8]
    reason: NDArray[np.int8]
    reel: NDArray[np.int32]
    dx: NDArray[np.float32]
    dy: NDArray[np.float32]
    measured: NDArray[np.float32]
    first_board: int
    board_starts: NDArray[np.int64]
    changeover: bool
    events: list[ReelEvent] = field(default_factory=list)

    @property
    def machine(self) -> NDArray[np.int8]:
        """Machine of each pick, its place in the line."""
        return self.program.machine[self.placement]

    @property
    def board_prefix(self) -> str:
        """What stands before the serial number of a board: product and line, so that no two boards share a name."""
        return f"{self.program.name[:5]}-{self.shift.line}"


def simulate(works: Works, weeks: int = 8, scale: float = 1.0) -> Iterator[Run]:
    """Yield every run of both lines, line 1 first within a shift.

    weeks  number of ISO weeks, the last of them 2026-W47; at least 1
    scale  factor on the number of boards, above 0
    Raises ValueError when the faults name items that the plant does not have.
    """
    faults.check(works)
    faults.quiet(works)
    stores = Stores(works)
    floors = {line: Floor(works, line, scale, stores) for line in (1, 2)}
    for shift in shifts(weeks):
        yield _run(works, floors[shift.line], shift, scale)


def _run(works: Works, floor: Floor, shift: Shift, scale: float) -> Run:
    rng = np.random.default_rng([works.seed, 2, shift.line, shift.number])
    program = works.programs[shift.line, shift.product]
    boards = max(1, round(shift.boards * scale))
    changed, events = floor.changeover(shift, program, rng)
    feeders, nozzles = floor.feeders.copy(), floor.nozzles.copy()

    fitted = np.ones((boards, len(program.part)), bool)
    fitted[:, program.optional] = False
    if shift.optional:
        fitted[: faults.MODULE_BOARDS, program.optional] = True
    starts, cycle_ms = _starts(shift, boards, program)
    nominal = _nominal(program, cycle_ms)
    reel, loads = floor.draw_reels(shift, program, fitted, starts[:, None] + nominal)
    reels = floor.stores.reels

    chance = _chances(works, program, feeders, nozzles, shift.local, rng)
    lot_odds = np.zeros(len(reels))
    bad = np.array([r.lot == faults.BAD_LOT for r in reels])
    if bad.any():
        fault = next(f for f in faults.FAULTS if f.kind == "lot")
        lot_odds[bad] = faults.log_odds(fault, shift.local)[REJECT]

    at_board, at_place = np.nonzero(fitted)
    jam = _jams(program, fitted, shift, feeders, works, rng)
    parts = []
    board, place = at_board.astype(np.int64), at_place.astype(np.int16)
    forced = jam[at_board, at_place]
    moment = starts[board] + nominal[place]
    end = cycle_ms * (int(program.cycle.max()) + 1)
    for attempt in (1, 2, 3):
        if not len(board):
            break
        drawn = reel[board, place]
        outcome, reason = _outcomes(works, program, chance, lot_odds[drawn], place, forced, rng)
        if shift.optional and shift.week == faults.LAST_WEEK:
            _few_losses(program, board, place, attempt, outcome, reason)
        parts.append((moment, board, place, np.full(len(board), attempt, np.int8), outcome, reason, drawn))
        again = outcome != PLACED
        if attempt == 3:
            break
        board, place, held = board[again], place[again], forced[again]
        forced = held & (rng.random(len(board)) < 0.5)
        # Retries come after the machine's cycles, one after the other.
        late = end + (attempt - 1) * cycle_ms // 2 + (np.arange(len(board)) % 40) * (cycle_ms // 100)
        moment = starts[board] + _lead(program)[place] + late + program.beat[place]
    columns = [np.concatenate(c) for c in zip(*parts, strict=True)]
    order = np.lexsort((columns[2], columns[0]))
    time, board, place, attempts, outcome, reason, drawn = (c[order] for c in columns)
    dx, dy = _offsets(works, program, feeders, place, outcome, board + floor.boards, shift.local, rng)
    run = Run(
        shift=shift, program=program, feeders=feeders, nozzles=nozzles, reels=reels, time=time,
        board=board + floor.boards, placement=place, attempt=attempts, outcome=outcome, reason=reason,
        reel=drawn, dx=dx, dy=dy, measured=_measured(works, program, place, outcome, reason, shift.local, rng),
        first_board=floor.boards, board_starts=starts, changeover=changed, events=[*events, *loads],
    )  # fmt: skip
    floor.boards += boards
    return run


def _starts(shift: Shift, boards: int, program: Program) -> tuple[NDArray[np.int64], int]:
    """Begin of each board in ms UTC, and the length of a placing cycle; both shrink when the shift is full."""
    room = int((shift.end - shift.start) * 0.98)
    gap = shift.gap if shift.gap * boards <= room else room // boards
    cycle = min(CYCLE_MS, int(gap * 0.8 / (int(program.cycle.max()) + 2)))
    return shift.start + np.arange(boards, dtype=np.int64) * gap, max(cycle, 60)


def _lead(program: Program) -> NDArray[np.int64]:
    """Delay of each placement's machine after the board's start, ms."""
    return program.machine.astype(np.int64) * 60_000


def _nominal(program: Program, cycle_ms: int) -> NDArray[np.int64]:
    beat = min(BEAT_MS, cycle_ms // 16)
    return _lead(program) + program.cycle.astype(np.int64) * cycle_ms + program.beat.astype(np.int64) * beat


def _chances(
    works: Works, program: Program, feeders: NDArray[np.int16], nozzles: NDArray[np.int16], when: datetime,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int8]]:  # fmt: skip
    """Healthy log odds, planted log odds and planted reason by placement and loss (columns MISS, REJECT, DROP)."""
    nozzle, feeder = nozzles[program.station], feeders[program.slot]
    odds = works.base[program.part] + works.part_effect[program.part]
    odds = odds + works.nozzle_effect[nozzle] + works.feeder_effect[feeder]
    odds[:, MISS] += rng.normal(0, _NOISE_FEEDER, len(feeders))[program.slot]
    odds[:, MISS] += rng.normal(0, _NOISE_MACHINE, 3)[program.machine]
    odds[:, REJECT] += rng.normal(0, _NOISE_MACHINE, 3)[program.machine]
    planted = np.zeros_like(odds)
    why = np.zeros(odds.shape, np.int8)
    machine = np.array([s.machine for s in program.stations])[program.station]
    head = np.array([s.head for s in program.stations])[program.station]
    for fault in faults.FAULTS:
        if fault.kind == "nozzle":
            hit = nozzle == works.nozzle_index(fault.id)
        elif fault.kind == "feeder":
            hit = feeder == works.feeder_index(fault.id)
        elif fault.kind == "part":
            hit = program.part == works.part_index(fault.id)
        elif fault.kind == "head":
            hit = (machine == fault.machine) & (head == fault.id)
        else:
            continue
        extra = faults.log_odds(fault, when)
        planted[hit] += extra
        for loss, name in fault.reason.items():
            if extra[loss]:
                why[hit, loss] = REASONS.index(name)
    return odds, planted, why


def _jams(
    program: Program, fitted: NDArray[np.bool_], shift: Shift, feeders: NDArray[np.int16], works: Works,
    rng: np.random.Generator,
) -> NDArray[np.bool_]:  # fmt: skip
    """First tries that a jammed feeder is going to lose, board by placement."""
    jam = np.zeros(fitted.shape, bool)
    burst = works.feeder_index(faults.SPLICE_FEEDER)
    for slot in range(len(program.slots)):
        columns = np.nonzero(program.slot == slot)[0]
        length = int(rng.integers(2, 6)) if rng.random() < _JAM else 0
        begin = float(rng.random())
        if feeders[slot] == burst and faults.SPLICE_BURST[0] <= shift.local < faults.SPLICE_BURST[1]:
            length, begin = 14, 0.4
        if length:
            flat = jam[:, columns].ravel()
            first = int(begin * max(1, len(flat) - length))
            flat[first : first + length] = True
            jam[:, columns] = flat.reshape(len(jam), len(columns))
    return jam & fitted


def _outcomes(
    works: Works, program: Program,
    chance: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int8]], lot: NDArray[np.float64],
    place: NDArray[np.int16], forced: NDArray[np.bool_], rng: np.random.Generator,
) -> tuple[NDArray[np.int8], NDArray[np.int8]]:  # fmt: skip
    """Draw how each attempt ends, and the reason of what was lost."""
    odds, planted, why = chance
    total = odds + planted
    table = 1 / (1 + np.exp(-total))
    outcome = np.full(len(place), PLACED, np.int8)
    dropped = rng.random(len(place), np.float32) < table[place, DROP]
    refused = rng.random(len(place), np.float32) < 1 / (1 + np.exp(-(total[place, REJECT] + lot)))
    missed = (rng.random(len(place), np.float32) < table[place, MISS]) | forced
    outcome[dropped] = DROPPED
    outcome[refused] = REJECTED
    outcome[missed] = MISSED
    reason = np.zeros(len(place), np.int8)
    for code, loss in ((MISSED, MISS), (REJECTED, REJECT), (DROPPED, DROP)):
        at = np.nonzero(outcome == code)[0]
        rows = place[at]
        if code == MISSED:
            reason[at] = np.where(rng.random(len(at)) < _VACUUM_SHARE, 1, 2)
            reason[at[forced[at]]] = REASONS.index("pickup")
        elif code == DROPPED:
            reason[at] = REASONS.index("mechanical")
        else:
            style = np.array([p.package.reasons == "lead" for p in works.parts])[program.part[rows]]
            draw = rng.random(len(at))
            chip, lead = np.cumsum(_REJECT_REASONS["chip"]), np.cumsum(_REJECT_REASONS["lead"])
            reason[at] = 3 + np.where(style, np.searchsorted(lead, draw), np.searchsorted(chip, draw)).clip(0, 4)
        extra = planted[rows, loss] + (lot[at] if code == REJECTED else 0)
        caused = (rng.random(len(at)) > np.exp(-extra)) & ~forced[at]
        named = np.where(why[rows, loss] > 0, why[rows, loss], REASONS.index("lead_or_ball"))
        reason[at[caused]] = named[caused]
    # A few tray parts go back to their tray; a few losses the machine cannot explain.
    lost = np.nonzero(outcome == REJECTED)[0]
    tray = np.array([p.package.feeder == "tray" for p in works.parts])[program.part[place[lost]]]
    outcome[lost[tray & (rng.random(len(lost)) < 0.25)]] = RETURNED
    lost = np.nonzero((outcome != PLACED) & (outcome != RETURNED))[0]
    unexplained = lost[rng.random(len(lost)) < 0.004]
    outcome[unexplained], reason[unexplained] = UNKNOWN, 0
    return outcome, reason


def _few_losses(
    program: Program, board: NDArray[np.int64], place: NDArray[np.int16], attempt: int, outcome: NDArray[np.int8],
    reason: NDArray[np.int8],
) -> None:  # fmt: skip
    """Lose the low-volume part once in each of its runs, on the first board, and never otherwise."""
    mine = program.optional[place]
    outcome[mine], reason[mine] = PLACED, 0
    if attempt == 1:
        first = mine & (board == 0)
        outcome[first], reason[first] = REJECTED, REASONS.index("lead_or_ball")


def _offsets(
    works: Works, program: Program, feeders: NDArray[np.int16], place: NDArray[np.int16], outcome: NDArray[np.int8],
    board: NDArray[np.int64], when: datetime, rng: np.random.Generator,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:  # fmt: skip
    """Pick offsets in mm of the parts that were seen, on every OFFSET_EVERY-th board, in steps of 2.5 um."""
    seen = (outcome != MISSED) & (board % OFFSET_EVERY == 0)
    n = int(seen.sum())
    feeder = feeders[program.slot][place[seen]]
    own = np.random.default_rng([works.seed, 3]).normal(0, 0.008, (len(works.feeders), 2))
    drift = next(f for f in faults.FAULTS if f.name == "drifting feeder")
    own[works.feeder_index(drift.id)] = [faults.DRIFT_MM * drift.strength(when), 0]
    result = []
    for axis in (0, 1):
        values = np.full(len(place), np.nan, np.float32)
        values[seen] = np.round((own[feeder, axis] + rng.normal(0, _OFFSET_SD, n)) / 0.0025) * 0.0025
        result.append(values)
    return result[0], result[1]


OFFSET_EVERY: Final = 3
"""Offsets are logged for one board in this many."""


def _measured(
    works: Works, program: Program, place: NDArray[np.int16], outcome: NDArray[np.int8], reason: NDArray[np.int8],
    when: datetime, rng: np.random.Generator,
) -> NDArray[np.float32]:  # fmt: skip
    """What was measured on refused parts: always outside the limits, as only refused parts are logged.

    For size: measured over taught length, limits 0.90 and 1.10. For leads: coplanarity in mm, limit 0.10.
    """
    values = np.full(len(place), np.nan, np.float32)
    at = np.nonzero(((outcome == REJECTED) | (outcome == RETURNED)) & (reason == REASONS.index("size")))[0]
    beyond = 0.10 + 0.004 + np.abs(rng.normal(0, 0.02, len(at)))
    side = np.where(rng.random(len(at)) < 0.5, -1, 1)
    wrong = next(f for f in faults.FAULTS if f.kind == "part")
    bad = (program.part[place[at]] == works.part_index(WRONG_SIZE_PART)) & (wrong.strength(when) > 0)
    side = np.where(bad & (rng.random(len(at)) < 0.9), 1, side)
    values[at] = 1 + side * beyond
    bent = np.nonzero((outcome == REJECTED) & (reason == REASONS.index("lead_or_ball")))[0]
    values[bent] = 0.102 + np.abs(rng.normal(0, 0.03, len(bent)))
    return values
