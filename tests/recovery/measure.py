"""What the ranking does on simulated weeks whose truth is known: `python -m tests.recovery.measure`.

    python -m tests.recovery.measure [--seeds N] [--only alone|past] [--out FILE] [--keep FILE]

runs all trials of `TRIALS` (N null weeks per spread, a part of N of the others) and writes a Markdown table. With
`--keep`, every finished trial is added to that file as a line of JSON, and is not run again when the command is given
once more. N = 100 takes about half an hour on a free core. The tests in test_ranking_*.py run the same trials on few
seeds.

One kind of loss is planted and judged; a saving of nothing is enough for a flag here, so that what is measured is the
statistics and not the price list. All else is as in a plant's default settings.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.losses import with_chances
from pipeline.analysis.ranking import adjust, flagged_items
from pipeline.analysis.same_work import same_picks
from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.estimators.tail import excess_tail
from pipeline.settings import Statistics
from tests.recovery.measured import tables
from tests.recovery.simulated_plant import (
    MACHINES,
    NOZZLES_A_HEAD,
    PACKAGE_STEP,
    SHARE_OF_SPREAD,
    SLOTS,
    Item,
    Truth,
    Week,
    all_items,
    week,
)

SETTINGS = Statistics(smallest_saving=0.0)
SPREADS = (0.2, 0.35)
RATIOS = (1.5, 2.0, 3.0, 5.0)
EXPECTED = (5.0, 20.0, 50.0, 200.0)
PAST = 6
"""Weeks of history in the trials that have one."""
OLD = 3
"""Weeks that faults have lasted already in half of those trials."""
DRIFT = 0.5
"""Share of the variance between healthy items that is new each week in half of them."""
LOOKS = 6
"""Weeks in which the same plant is looked at."""
SECOND_RUN = 0.04 * 0.3
"""Share of losses that begin a jam which counts as two runs (simulated_plant.py)."""

FIXED = {"feeder": ("feeder", "slot", "part"), "nozzle": ("nozzle", "spindle")}
"""What goes together in a set-up that nobody changes."""
USED_FEEDERS, USED_NOZZLES = len(MACHINES) * SLOTS, 6

Row = dict[str, Any]
FloatArray = np.ndarray[Any, np.dtype[np.float64]]


@dataclass(frozen=True)
class Verdict:
    """What the ranking says of one week."""

    attribution: Attribution
    flagged: tuple[Item, ...]
    judged: dict[str, np.ndarray]
    """Per kind: which items had enough chances to be judged."""

    def doubt(self, one: Item) -> tuple[Item, ...]:
        """What a released item cannot be told from."""
        return self.attribution.released.get(one, ())


def judge(truth: Week, before: Sequence[Week] = ()) -> Verdict:
    """Attribution of missed picks, and the flags of the ranking's own rule; `before`: weeks that tell the spread."""
    cells = with_chances(truth.frame, "missed")
    found = attribute(cells, SETTINGS, [with_chances(w.frame, "missed") for w in before])
    q_values = adjust([found])[0]
    flagged = []
    for kind, table in found.items.items():
        saving = table.excess[:, 0] * found.run_length
        where = np.flatnonzero(flagged_items(table, q_values[kind], saving, SETTINGS))
        flagged.extend((kind, table.keys[i]) for i in where)
    return Verdict(found, tuple(flagged), {k: np.isfinite(t.tested) for k, t in found.items.items()})


def weeks_before(seed: int, given: Truth, faulty: int = 0) -> list[Week]:
    """The `PAST` weeks before a week of the same plant; in the last `faulty` of them its faults were there already."""
    return [
        week(
            1_000_000_000 + 1000 * seed + number,
            replace(given, faults=given.faults if number >= PAST - faulty else {}, innocent=None, swapped=False),
        )
        for number in range(PAST)
    ]


def covered(truth: Week, verdict: Verdict) -> dict[str, list[int]]:
    """Per kind: how many 95 % intervals of an effect hold the true one, of how many."""
    counts = {}
    for kind, table in verdict.attribution.items.items():
        true = np.array([truth.effects[kind][key] for key in table.keys])
        inside = np.abs(table.effect - true) <= 1.959964 * np.sqrt(table.variance)
        counts[kind] = [int(inside.sum()), int(inside.size)]
    return counts


def share_of_losses(truth: Week, one: Item, other: Item) -> float:
    """Losses that two items have in common, as a share of the smaller one's."""
    mine, theirs = (truth.codes[k] == truth.keys[k].index(key) for k, key in (one, other))
    least = min(int(truth.events[mine].sum()), int(truth.events[theirs].sum()))
    return float(truth.events[mine & theirs].sum()) / max(least, 1)


# ---- the trials: a seed in, plain data out ---------------------------------------------------------------------------
def null_week(seed: int, spread: float, *, past: bool = False) -> Row:
    """Healthy items only: whatever is flagged is a false flag. With `past`, half of the plants drift."""
    given = with_past(seed, Truth(spread=spread)) if past else Truth(spread=spread)
    truth = week(seed, given)
    verdict = judge(truth, weeks_before(seed, given) if past else ())
    return {
        "flagged": verdict.flagged,
        "covered": covered(truth, verdict),
        "converged": verdict.attribution.converged,
        "drift": given.drift,
    }


def with_past(seed: int, given: Truth) -> Truth:
    """The same as one week of a plant with a past; in half of the plants healthy effects drift from week to week."""
    return replace(given, plant=seed, drift=DRIFT if seed // 2 % 2 else 0.0)


def faulty_week(seed: int, *, past: bool = False) -> Row:
    """Five faults of five kinds, odds ratios 2.5 to 6; with `past`, they are `OLD` weeks old at odd seeds."""
    rng = np.random.default_rng([seed, 5])
    kinds = ["nozzle", "feeder", "part", "lot", str(rng.choice(["spindle", "slot"]))]
    probe = week(seed, Truth())
    faults = {}
    for kind in kinds:
        used = np.unique(probe.codes[kind])
        faults[kind, probe.keys[kind][int(rng.choice(used))]] = float(rng.uniform(np.log(2.5), np.log(6.0)))
    given = Truth(spread=float(rng.choice(SPREADS)), faults=faults)
    given = with_past(seed, given) if past else given
    truth = week(seed, given)
    verdict = judge(truth, weeks_before(seed, given, OLD * (seed % 2)) if past else ())
    best = oracle(truth, given, verdict)
    false = [f for f in verdict.flagged if f not in faults]
    found = [f for f in faults if f in verdict.flagged]
    wrong = [
        f for f in faults if f not in found and any(o[0] != f[0] and share_of_losses(truth, f, o) >= 0.5 for o in false)
    ]
    return {
        "found": found,
        "wrong": wrong,
        "false": false,
        "oracle": [f for f in faults if f in best],
        "oracle_false": [f for f in best if f not in faults],
        "doubted": [f for f in found if verdict.doubt(f)],
        "missing": [[*f, faults[f], verdict.doubt(f)] for f in faults if f not in found],
        "covered": covered(truth, verdict),
    }


def innocent_week(seed: int) -> Row:
    """A part at six times the odds, and a good nozzle that has three of five picks from it."""
    rng = np.random.default_rng([seed, 6])
    nozzle = str(rng.choice(all_items("nozzle")))
    probe = week(seed, Truth())
    met = np.unique(probe.codes["part"][probe.codes["nozzle"] == probe.keys["nozzle"].index(nozzle)])
    part = probe.keys["part"][int(rng.choice(met))]
    faults = {("part", part): float(np.log(6.0)), ("nozzle", nozzle): 0.0}
    truth = week(seed, Truth(spread=SPREADS[seed % 2], faults=faults, innocent=(nozzle, part)))
    verdict = judge(truth)
    return {
        "convicted": ("nozzle", nozzle) in verdict.flagged,
        "part": ("part", part) in verdict.flagged,
        "false": [f for f in verdict.flagged if f != ("part", part)],
    }


def lonely_week(seed: int) -> Row:
    """A bad feeder with one part, lot and reel that nobody else has: nothing can tell the four apart."""
    rng = np.random.default_rng([seed, 7])
    feeder = str(rng.choice(all_items("feeder")))
    truth = week(seed, Truth(faults={("feeder", feeder): float(np.log(6.0))}, lonely=feeder))
    verdict = judge(truth)
    same = {("feeder", feeder), ("part", "PX"), ("lot", "PX-L0"), ("reel", "R-alone")}
    released = [f for f in verdict.attribution.released if f in same]
    return {
        "released": released,
        "said": [f for f in released if same & set(verdict.doubt(f)) - {f}],
        "flagged": [f for f in verdict.flagged if f in same],
        "false": [f for f in verdict.flagged if f not in same],
    }


def bad_nozzles(seed: int) -> tuple[list[tuple[Item, float, float]], Truth]:
    """Four bad nozzles on four machines: item, odds ratio and expected losses of each; and the truth to plant."""
    rng = np.random.default_rng([seed, 8])
    names = all_items("nozzle")
    faults, expected, planted = {}, {}, []
    for i, head in enumerate((0, 1, 2, 4)):
        key = "nozzle", names[head * NOZZLES_A_HEAD + int(rng.integers(NOZZLES_A_HEAD))]
        ratio, size = RATIOS[(i + seed) % 4], EXPECTED[i]
        faults[key], expected[key] = float(np.log(ratio)), size
        planted.append((key, ratio, size))
    return planted, Truth(spread=SPREADS[0], faults=faults, expected=expected)


def power_week(seed: int, *, past: bool = False) -> Row:
    """Four bad nozzles, each with its own odds ratio and expected losses; the oracle beside. With `past`, half of the
    plants drift, and at odd seeds the nozzles have been bad for `OLD` weeks already."""
    planted, given = bad_nozzles(seed)
    given = with_past(seed, given) if past else given
    truth = week(seed, given)
    verdict = judge(truth, weeks_before(seed, given, OLD * (seed % 2)) if past else ())
    best = oracle(truth, given, verdict)
    return {
        "cells": [[ratio, size, key in verdict.flagged, key in best] for key, ratio, size in planted],
        "false": [f for f in verdict.flagged if f not in given.faults],
        "drift": given.drift,
    }


def weeks_on_end(seed: int, *, past: bool = False) -> Row:
    """The same plant looked at in `LOOKS` weeks; those of odd numbers have a bad nozzle and a bad part all the time.

    With `past`, every look knows the spread of all weeks before it, the first look that of `PAST` weeks.
    """
    rng = np.random.default_rng([seed, 9])
    faults: dict[Item, float] = {}
    if seed % 2:
        faults = {(kind, str(rng.choice(all_items(kind)))): float(np.log(4.0)) for kind in ("nozzle", "part")}
    looks: list[Row] = []
    before: list[Week] = []
    for number in range(LOOKS):
        given = Truth(spread=SPREADS[seed // 2 % 2], faults=faults, plant=seed)
        truth = week(1000 * seed + number, given)
        before = weeks_before(seed, given, PAST) if past and not before else before
        flagged = judge(truth, before).flagged
        before = [*before[1:], truth] if past else before
        looks.append({"found": [f for f in faults if f in flagged], "false": [f for f in flagged if f not in faults]})
    return {"faulty": bool(faults), "looks": looks}


def fixed_week(seed: int, *, past: bool = False) -> Row:
    """A set-up of which nobody changes all or half. At odd seeds a feeder and a nozzle that stay have 3 or 5 times the
    odds; else all is well."""
    rng = np.random.default_rng([seed, 10])
    share = (1.0, 0.5)[seed // 8 % 2]
    faults: dict[Item, float] = {}
    if seed % 2:
        ratio = float(np.log((3.0, 5.0)[seed // 2 % 2]))
        stay = [n for n in all_items("nozzle") if int(n[1]) <= share * len(MACHINES) and int(n[-1]) < USED_NOZZLES]
        faults = {("feeder", all_items("feeder")[int(rng.integers(int(share * USED_FEEDERS)))]): ratio}
        faults["nozzle", str(rng.choice(stay))] = ratio
    given = with_past(seed, Truth(fixed=share, faults=faults, spread=SPREADS[seed // 4 % 2]))
    truth = week(seed, given)
    verdict = judge(truth, weeks_before(seed, given, OLD * (seed // 2 % 2)) if past else ())
    best = oracle(truth, given, verdict)
    found = [f for f in faults if any(f in (one, *verdict.doubt(one)) for one in verdict.flagged)]
    return {
        "share": share,
        "faults": list(faults),
        "found": found,
        "oracle": [f for f in faults if f in best],
        "said": [
            f for f in found if any(len({f, *_twins(truth, f)} & {o, *verdict.doubt(o)}) > 1 for o in verdict.flagged)
        ],
        "false": [f for f in verdict.flagged if not set(faults) & {f, *verdict.doubt(f)}],
    }


def _twins(truth: Week, one: Item) -> list[Item]:
    """Items of other kinds that did exactly the picks of one in a set-up that nobody changes."""
    mine = truth.codes[one[0]] == truth.keys[one[0]].index(one[1])
    return [(k, truth.keys[k][int(truth.codes[k][mine][0])]) for k in FIXED[one[0]] if k != one[0]]


def known(truth: Week, given: Truth, kind: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of the items of a kind, in the order of `truth.keys`: expected events of a healthy item on the same work, their
    dispersion, and the healthy spread; of an item that always works with others, for all of them together."""
    code, size = truth.codes[kind], len(truth.keys[kind])
    own = np.zeros(code.size)
    square = np.zeros(size)
    for one in FIXED.get(kind, (kind,)) if given.fixed else (kind,):
        goes_with = np.full(size, one == kind)
        goes_with[np.flatnonzero(same_picks(code, truth.codes[one], truth.attempts) >= 0)] = True
        own += np.array([truth.effects[one][key] for key in truth.keys[one]])[truth.codes[one]] * goes_with[code]
        square += goes_with * SHARE_OF_SPREAD.get(one, 0.0) ** 2
    rate = 1.0 / (1.0 + np.exp(own - truth.eta))
    mean = truth.attempts * rate * np.exp(given.burst**2 / 2) * (1.0 + SECOND_RUN)
    expected = np.bincount(code, mean, size)
    cells, place = np.unique(code * (truth.place.max() + 1) + truth.place, return_inverse=True)
    squares = np.bincount(cells // (truth.place.max() + 1), np.bincount(place, mean) ** 2, size)
    dispersion = (1.0 + 3.0 * SECOND_RUN) / (1.0 + SECOND_RUN)
    dispersion = dispersion + np.expm1(given.burst**2) * squares / np.maximum(expected, 1e-9)
    spread = np.full(size, PACKAGE_STEP * np.sqrt(2.0)) if kind == "package" else given.spread * np.sqrt(square)
    return expected, dispersion, spread


def oracle(truth: Week, given: Truth, verdict: Verdict) -> set[Item]:
    """What is flagged by one who knows every other effect, the healthy spread and the dispersion exactly."""
    where: list[Item] = []
    p_values = []
    for kind, table in verdict.attribution.items.items():
        expected, dispersion, spread = known(truth, given, kind)
        at = {key: i for i, key in enumerate(truth.keys[kind])}
        keys = [key for key, enough in zip(table.keys, verdict.judged[kind], strict=True) if enough]
        chosen = np.array([at[key] for key in keys], dtype=np.int64)
        events = table.events[verdict.judged[kind]]
        p = excess_tail(events, expected[chosen], spread[chosen], dispersion[chosen])
        where.extend((kind, key) for key in keys)
        p_values.append(np.where(events >= SETTINGS.least_losses, p, 1.0))
    adjusted = benjamini_hochberg(np.concatenate(p_values))
    return {w for w, q in zip(where, adjusted, strict=True) if q <= SETTINGS.false_discovery_rate}


# ---- running and writing ---------------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Trial:
    """A kind of simulated week, and how many of them go with one null week."""

    run: Callable[[int], Row]
    share: float
    first_seed: int


TRIALS: dict[str, Trial] = {
    **{
        f"null {s}": Trial(lambda seed, s=s: null_week(seed, s), 1.0, 10_000 * (i + 1))  # type: ignore[misc]
        for i, s in enumerate(SPREADS)
    },
    "faults": Trial(faulty_week, 0.4, 30_000),
    "innocent": Trial(innocent_week, 0.5, 40_000),
    "lonely": Trial(lonely_week, 0.4, 50_000),
    "power": Trial(power_week, 0.6, 60_000),
    "looks": Trial(weeks_on_end, 0.2, 70_000),
    **{
        f"null {s} past": Trial(lambda seed, s=s: null_week(seed, s, past=True), 1.0, 110_000 + 10_000 * i)  # type: ignore[misc]
        for i, s in enumerate(SPREADS)
    },
    "faults past": Trial(partial(faulty_week, past=True), 0.4, 130_000),
    "power past": Trial(partial(power_week, past=True), 0.6, 160_000),
    "fixed": Trial(fixed_week, 1.2, 80_000),
    "fixed past": Trial(partial(fixed_week, past=True), 1.2, 180_000),
    "looks past": Trial(partial(weeks_on_end, past=True), 0.2, 170_000),
}


def run(name: str, seeds: Iterable[int], keep: Path | None = None) -> list[Row]:
    """One trial a seed, as plain data; finished ones are taken from `keep`."""
    done = {}
    if keep is not None and keep.exists():
        lines = [json.loads(line) for line in keep.read_text(encoding="utf-8").splitlines()]
        done = {row["seed"]: row for row in lines if row["trial"] == name}
    rows = []
    for seed in seeds:
        if seed not in done:
            done[seed] = json.loads(json.dumps({"trial": name, "seed": seed, **TRIALS[name].run(seed)}))
            if keep is not None:
                with keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(done[seed]) + "\n")
        rows.append(done[seed])
    return rows


def main(arguments: list[str] | None = None) -> None:
    """Run everything and write the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.recovery.measure", description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=100, metavar="N", help="null weeks per spread")
    parser.add_argument("--only", choices=("alone", "past"), help="trials of single weeks, or of weeks with a past")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where the table goes; default: printed")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="finished trials, one line of JSON each")
    given = parser.parse_args(arguments)
    rows = {}
    for name, trial in TRIALS.items():
        if given.only not in (None, "past" if name.endswith(" past") else "alone"):
            continue
        count = max(4, round(given.seeds * trial.share))
        print(f"{name}: {count} weeks", file=sys.stderr)
        rows[name] = run(name, range(trial.first_seed, trial.first_seed + count), given.keep)
    command = f"python -m tests.recovery.measure --seeds {given.seeds}" + (
        f" --only {given.only}" if given.only else ""
    )
    text = tables(rows, command)
    if given.out is None:
        print(text)
    else:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
