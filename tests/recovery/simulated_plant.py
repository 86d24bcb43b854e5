"""A week of a simulated plant as CELLS, with known truth: crossed and nested as on a shop floor.

Four machines of two types, twelve slots each; one head of six spindles a machine, two heads on M3. Nozzles change
places within their machine at every shift. A set-up lasts two shifts; then half of the slots get other feeders, from
anywhere in the hall. A feeder carries two or three parts over the week, a part runs in two feeders at a time, reels
change daily, lots follow each other over several reels. Work is spread unevenly over feeders.
Losses: log odds are a sum of effects; between feeder x shift cells there is extra normal variation; a loss may begin a
jam, a run of 3 to 12 lost picks on its feeder, spread over the nozzles that pick there, counted as one run (sometimes
two). Nothing here is real.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis.items import SEPARATOR
from pipeline.schema.frames import CELLS

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Item = tuple[str, str]

PACKAGES = ("0201", "0402", "0603", "SOT", "QFN")
MACHINES = ("M1", "M2", "M3", "M4")
HEADS = (("M1", "H1"), ("M2", "H1"), ("M3", "H1"), ("M3", "H2"), ("M4", "H1"))
MACHINE_OF_HEAD = np.array([0, 1, 2, 2, 3])
SHIFTS, SLOTS, FEEDERS, PARTS, NOZZLES_A_HEAD, USED_SPINDLES = 21, 12, 54, 27, 8, 2
START = datetime.fromisoformat("2026-11-16T06:00:00")
SHARE_OF_SPREAD = {"nozzle": 1.0, "feeder": 1.0, "part": 1.0, "lot": 0.5, "head": 0.5, "spindle": 0.5, "slot": 0.5}
"""Healthy spread of each kind over `Truth.spread`; reels of a lot do not differ."""
PACKAGE_STEP = 0.3
KINDS = ("head", "spindle", "nozzle", "slot", "feeder", "package", "part", "lot", "reel")


@dataclass(frozen=True)
class Truth:
    """What is planted: log odds by (kind, key), beside the healthy spread. Keys as in analysis/items.py.

    faults_of the same, added for one kind of loss only
    expected  (kind, key) -> losses that a healthy item in its place would have: its work is scaled to that
    innocent  (nozzle, part): the nozzle has three picks of five from that part
    lonely    a feeder that runs one part from one reel all week, which no other feeder has
    """

    spread: float = 0.2
    burst: float = 0.3
    """Standard deviation of the log rate between feeder x shift cells."""
    jam_share: float = 0.04
    """Share of losses that begin a jam."""
    base: float = 0.004
    faults: dict[Item, float] = field(default_factory=dict)
    faults_of: dict[str, dict[Item, float]] = field(default_factory=dict)
    expected: dict[Item, float] = field(default_factory=dict)
    innocent: tuple[str, str] | None = None
    lonely: str | None = None
    plant: int | None = None
    """Weeks of the same number have items with the same healthy effects; None: each week is a plant of its own."""
    fixed: float = 0.0
    """Share of the set-up that nobody changes: nozzles on their spindles (of the first machines), feeders in their
    slots with a part of their own (in the first slots)."""
    swapped: bool = False
    """In the middle of the week the first two nozzles (`fixed` ones) change spindles, the first two feeders slots."""
    drift: float = 0.0
    """Share of the variance between healthy items that is new each week, where `plant` is given."""


@dataclass(frozen=True)
class Week:
    """The cells as analysis gets them, and what an oracle knows of them.

    effects     true effect of every item by kind, log odds, healthy at 0
    codes, keys per kind: number of the item in each simulated cell, and the names of the numbers
    eta         true log odds of each cell without its burst; attempts, events as drawn
    place       number of the feeder x shift cell, over which bursts are drawn
    """

    frame: pl.DataFrame
    effects: dict[str, dict[str, float]]
    codes: dict[str, IntArray]
    keys: dict[str, list[str]]
    eta: FloatArray
    attempts: IntArray
    events: IntArray
    place: IntArray


def item(kind: str, *pieces: str) -> Item:
    """("head", "M1", "H1") -> the key that attribution uses."""
    return kind, SEPARATOR.join(pieces)


def all_items(kind: str) -> list[str]:
    """Keys of all items of a kind that exist in every week."""
    if kind == "nozzle":
        return [f"N{MACHINE_OF_HEAD[h] + 1}{h}{n}" for h in range(len(HEADS)) for n in range(NOZZLES_A_HEAD)]
    if kind == "feeder":
        return [f"F{i:03d}" for i in range(FEEDERS)]
    if kind == "part":
        return [f"P{i:02d}" for i in range(PARTS)]
    if kind == "lot":
        return [f"P{i:02d}-L{n}" for i in range(PARTS) for n in range(4)]
    if kind == "head":
        return [SEPARATOR.join(h) for h in HEADS]
    if kind == "spindle":
        return [SEPARATOR.join((*h, str(s + 1))) for h in HEADS for s in range(6)]
    if kind == "slot":
        return [SEPARATOR.join((m, str(s))) for m in MACHINES for s in range(SLOTS)]
    if kind == "package":
        return list(PACKAGES)
    raise ValueError(f"items of kind {kind} differ from week to week")


def week(seed: int, truth: Truth, picks: int = 200_000, losses: tuple[str, ...] = ("missed",)) -> Week:
    """One week with about `picks` attempts. Each of `losses` has the same truth and is drawn anew."""
    rng = np.random.default_rng(seed)
    codes, keys, shift = _work(rng, truth)
    effects = _effects(rng, seed, truth, keys)
    machine = MACHINE_OF_HEAD[codes["head"]]
    second_type = machine >= 2
    camera = second_type & (codes["package"] >= 3)
    eta = np.log(truth.base) + 0.3 * second_type + 0.2 * camera
    for kind in KINDS:
        eta = eta + np.array([effects[kind][key] for key in keys[kind]])[codes[kind]]
    weight = np.exp(rng.normal(0, 0.6, len(keys["feeder"])))[codes["feeder"]]
    mean = picks * weight / weight.sum()
    mean = _scaled(mean, truth, codes, keys, effects, eta)
    place = codes["feeder"] * SHIFTS + shift
    attempts, drawn = rng.poisson(mean), {}
    for loss in losses:
        own = np.zeros(eta.size)
        for (kind, key), added in truth.faults_of.get(loss, {}).items():
            own += added * (codes[kind] == keys[kind].index(key))
        rate = _expit(eta + own + rng.normal(0, truth.burst, int(place.max()) + 1)[place])
        drawn[loss] = _jams(rng, truth, place, rng.binomial(attempts, rate))
    frame = _frame(codes, keys, shift, machine, camera, attempts, drawn)
    return Week(frame, effects, codes, keys, eta, attempts, drawn[losses[0]][0], place)


def _expit(eta: FloatArray) -> FloatArray:
    return np.asarray(1.0 / (1.0 + np.exp(-eta)))


def _deal(rng: np.random.Generator, items: IntArray, rounds: int) -> IntArray:
    """`items` in `rounds` orders; from one to the next a random half of the places is dealt anew."""
    order = [rng.permutation(items)]
    for _ in range(rounds - 1):
        now, moved = order[-1].copy(), rng.permutation(items.size)[: items.size // 2]
        now[moved] = rng.permutation(now[moved])
        order.append(now)
    return np.array(order)


def _work(rng: np.random.Generator, truth: Truth) -> tuple[dict[str, IntArray], dict[str, list[str]], IntArray]:
    """Who worked with whom: codes of every kind in every cell, their names, and the shift of the cell."""
    shift, head, slot, used = (
        a.ravel() for a in np.meshgrid(*map(np.arange, (SHIFTS, len(HEADS), SLOTS, USED_SPINDLES)), indexing="ij")
    )
    machine = MACHINE_OF_HEAD[head]
    chosen = rng.permuted(np.tile(np.arange(6), (SHIFTS, len(HEADS), SLOTS, 1)), axis=-1)
    spindle = chosen[shift, head, slot, used]
    mounted = np.tile(np.arange(len(HEADS) * NOZZLES_A_HEAD), (SHIFTS, 1))
    for m in range(round(truth.fixed * len(MACHINES)), len(MACHINES)):
        own = np.flatnonzero(MACHINE_OF_HEAD[np.arange(mounted.shape[1]) // NOZZLES_A_HEAD] == m)
        mounted[:, own] = rng.permuted(mounted[:, own], axis=1)
    if truth.swapped:
        mounted[SHIFTS // 2 :, :2] = mounted[SHIFTS // 2 :, 1::-1]
    nozzle = mounted[shift, head * NOZZLES_A_HEAD + spindle]
    stay = round(truth.fixed * len(MACHINES) * SLOTS)
    placed = _deal(rng, np.arange(stay, FEEDERS), SHIFTS // 2 + 1)
    placed = np.hstack([np.tile(np.arange(stay), (len(placed), 1)), placed])
    if truth.swapped:
        placed[len(placed) // 2 :, :2] = placed[len(placed) // 2 :, 1::-1]
    feeder = placed[shift // 2, machine * SLOTS + slot]
    loaded = _deal(rng, np.repeat(np.arange(PARTS), FEEDERS // PARTS), 3)
    part = np.where(feeder < stay, PARTS + feeder, loaded[shift // 7, feeder])
    day = shift // 3
    lot_number = np.minimum(day // 3 + rng.integers(0, 2, (FEEDERS, 7))[feeder, day], 3)
    part_names = [f"P{i:02d}" for i in range(PARTS + stay)]
    reel_key = (part * FEEDERS + feeder) * 7 + day
    if truth.lonely is not None:
        alone = feeder == all_items("feeder").index(truth.lonely)
        part, lot_number = np.where(alone, len(part_names), part), np.where(alone, 0, lot_number)
        reel_key = np.where(alone, -1, reel_key)
        part_names = [*part_names, "PX"]
    codes = {"head": head, "nozzle": nozzle, "feeder": feeder, "part": part, "package": part % len(PACKAGES)}
    codes |= {"spindle": head * 6 + spindle, "slot": machine * SLOTS + slot, "lot": part * 4 + lot_number}
    reels, codes["reel"] = np.unique(reel_key, return_inverse=True)
    keys = {k: all_items(k) for k in ("head", "spindle", "nozzle", "slot", "feeder", "package")}
    keys |= {"part": part_names, "lot": [f"{p}-L{n}" for p in part_names for n in range(4)]}
    keys["reel"] = ["R-alone" if r < 0 else f"R{r:06d}" for r in reels]
    return codes, keys, shift


def _effects(
    rng: np.random.Generator, seed: int, truth: Truth, keys: dict[str, list[str]]
) -> dict[str, dict[str, float]]:
    stay = rng if truth.plant is None else np.random.default_rng([truth.plant, 3])
    new = np.random.default_rng([seed, 4])
    effects = {}
    for kind, names in keys.items():
        spread = truth.spread * SHARE_OF_SPREAD.get(kind, 0.0)
        drawn = stay.normal(0, spread, len(names))
        if truth.drift:
            drawn = np.sqrt(1 - truth.drift) * drawn + np.sqrt(truth.drift) * new.normal(0, spread, len(names))
        effects[kind] = dict(zip(names, drawn, strict=True))
    effects["package"] = {p: PACKAGE_STEP * (i - 2) for i, p in enumerate(PACKAGES)}
    for (kind, key), value in truth.faults.items():
        if key not in effects[kind]:
            raise ValueError(f"there is no {kind} {key!r} this week")
        effects[kind][key] = value
    return effects


def _scaled(
    mean: FloatArray,
    truth: Truth,
    codes: dict[str, IntArray],
    keys: dict[str, list[str]],
    effects: dict[str, dict[str, float]],
    eta: FloatArray,
) -> FloatArray:
    """Scale the work of items with a planned number of expected losses, and steer the innocent nozzle."""
    mean = mean.copy()
    for (kind, key), wanted in truth.expected.items():
        mine = codes[kind] == keys[kind].index(key)
        mean[mine] *= wanted / float(mean[mine] @ _expit(eta[mine] - effects[kind][key]))
    if truth.innocent is not None:
        mine = codes["nozzle"] == keys["nozzle"].index(truth.innocent[0])
        bad = mine & (codes["part"] == keys["part"].index(truth.innocent[1]))
        if not bad.any():
            raise ValueError("the innocent nozzle never met the bad part")
        mean[bad] *= 1.5 * mean[mine & ~bad].sum() / mean[bad].sum()
    return mean


def _jams(rng: np.random.Generator, truth: Truth, place: IntArray, events: IntArray) -> tuple[IntArray, IntArray]:
    """(runs, losses): some events are jams, whose further losses fall on any cell of the same feeder and shift."""
    runs, losses = events.copy(), events.copy()
    cells = np.repeat(np.arange(events.size), rng.binomial(events, truth.jam_share))
    order = np.argsort(place, kind="stable")
    first, last = np.searchsorted(place[order], place[cells]), np.searchsorted(place[order], place[cells], "right")
    further = rng.integers(2, 12, cells.size)
    low, high = np.repeat(first, further), np.repeat(last, further)
    np.add.at(losses, order[rng.integers(low, high)], 1)
    np.add.at(runs, cells[rng.random(cells.size) < 0.3], 1)
    # A second run needs a loss of its own in that cell.
    return np.minimum(runs, losses), losses


def _frame(
    codes: dict[str, IntArray],
    keys: dict[str, list[str]],
    shift: IntArray,
    machine: IntArray,
    camera: NDArray[np.bool_],
    attempts: IntArray,
    drawn: dict[str, tuple[IntArray, IntArray]],
) -> pl.DataFrame:
    named = {k: np.array(keys[k])[codes[k]] for k in ("nozzle", "feeder", "part", "package", "reel", "lot")}
    lost = sum((losses for _, losses in drawn.values()), np.zeros_like(attempts))
    tried = np.maximum(attempts, lost)  # a jam may take more picks than were planned
    counts = {"attempts": tried, "placed": tried - lost, "first_tries": tried - lost}
    counts |= {o: np.zeros_like(attempts) for o in ("returned", "unknown")}
    for loss in ("missed", "rejected", "dropped"):
        runs, losses = drawn.get(loss, (np.zeros_like(attempts), np.zeros_like(attempts)))
        counts |= {loss: losses, f"{loss}_runs": runs}
    counts["lost_runs"] = sum((runs for runs, _ in drawn.values()), np.zeros_like(attempts))
    frame = pl.DataFrame(
        {
            "grain": "joint",
            "shift": [START + timedelta(hours=8 * int(s)) for s in shift],
            "line": "line",
            "machine": np.array(MACHINES)[machine],
            "machine_type": np.where(machine >= 2, "type B", "type A"),
            "head": np.array([h for _, h in HEADS])[codes["head"]],
            "spindle": (codes["spindle"] % 6 + 1).astype(str),
            "nozzle_type": "T1",
            "feeder_type": "tape",
            "slot": (codes["slot"] % SLOTS).astype(str),
            "method": np.where(camera, "camera_side", "laser"),
            "lighting": None,
            "untold": None,
            "recipe": "prog",
            **named,
            **counts,
        }
    )
    return frame.select([pl.col(c).cast(t) for c, t in CELLS.items()]).filter(pl.col("attempts") > 0).sort(pl.all())
