"""What the ranking does on simulated weeks whose truth is known: `python -m tests.recovery.measure`.

    python -m tests.recovery.measure [--seeds N] [--out FILE] [--keep FILE]

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
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.losses import with_chances
from pipeline.analysis.ranking import adjust, flagged_items, odds_ratios
from pipeline.estimators.intervals import interval
from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.estimators.tail import excess_tail
from pipeline.settings import Statistics
from tests.recovery.simulated_plant import (
    NOZZLES_A_HEAD,
    PACKAGE_STEP,
    SHARE_OF_SPREAD,
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
LOOKS = 6
"""Weeks in which the same plant is looked at."""
SECOND_RUN = 0.04 * 0.3
"""Share of losses that begin a jam which counts as two runs (simulated_plant.py)."""

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


def judge(truth: Week) -> Verdict:
    """Attribution of missed picks, and the flags of the ranking's own rule."""
    cells = with_chances(truth.frame, "missed")
    found = attribute(cells, SETTINGS)
    q_values = adjust([found])[0]
    flagged = []
    for kind, table in found.items.items():
        saving = table.expected * found.run_length * (odds_ratios(table, SETTINGS.confidence)[0] - 1.0)
        where = np.flatnonzero(flagged_items(table, q_values[kind], saving, SETTINGS))
        flagged.extend((kind, table.keys[i]) for i in where)
    return Verdict(found, tuple(flagged), {k: np.isfinite(t.p) for k, t in found.items.items()})


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
def null_week(seed: int, spread: float) -> Row:
    """Healthy items only: whatever is flagged is a false flag."""
    truth = week(seed, Truth(spread=spread))
    verdict = judge(truth)
    return {"flagged": verdict.flagged, "covered": covered(truth, verdict), "converged": verdict.attribution.converged}


def faulty_week(seed: int) -> Row:
    """Five faults of five kinds, odds ratios 2.5 to 6."""
    rng = np.random.default_rng([seed, 5])
    kinds = ["nozzle", "feeder", "part", "lot", str(rng.choice(["spindle", "slot"]))]
    probe = week(seed, Truth())
    faults = {}
    for kind in kinds:
        used = np.unique(probe.codes[kind])
        faults[kind, probe.keys[kind][int(rng.choice(used))]] = float(rng.uniform(np.log(2.5), np.log(6.0)))
    given = Truth(spread=float(rng.choice(SPREADS)), faults=faults)
    truth = week(seed, given)
    verdict = judge(truth)
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


def power_week(seed: int) -> Row:
    """Four bad nozzles, each with its own odds ratio and expected losses; the oracle beside."""
    planted, given = bad_nozzles(seed)
    truth = week(seed, given)
    verdict = judge(truth)
    best = oracle(truth, given, verdict)
    return {
        "cells": [[ratio, size, key in verdict.flagged, key in best] for key, ratio, size in planted],
        "false": [f for f in verdict.flagged if f not in given.faults],
    }


def weeks_on_end(seed: int) -> Row:
    """The same plant looked at in `LOOKS` weeks; those of odd numbers have a bad nozzle and a bad part all the time."""
    rng = np.random.default_rng([seed, 9])
    faults: dict[Item, float] = {}
    if seed % 2:
        faults = {(kind, str(rng.choice(all_items(kind)))): float(np.log(4.0)) for kind in ("nozzle", "part")}
    looks = []
    for number in range(LOOKS):
        given = Truth(spread=SPREADS[seed // 2 % 2], faults=faults, plant=seed)
        flagged = judge(week(1000 * seed + number, given)).flagged
        looks.append({"found": [f for f in faults if f in flagged], "false": [f for f in flagged if f not in faults]})
    return {"faulty": bool(faults), "looks": looks}


def known(truth: Week, given: Truth, kind: str) -> tuple[FloatArray, FloatArray, float]:
    """Of the items of a kind, in the order of `truth.keys`: expected events of a healthy item on the same work, their
    dispersion, and the healthy spread."""
    code, size = truth.codes[kind], len(truth.keys[kind])
    own = np.array([truth.effects[kind][key] for key in truth.keys[kind]])
    rate = 1.0 / (1.0 + np.exp(own[code] - truth.eta))
    mean = truth.attempts * rate * np.exp(given.burst**2 / 2) * (1.0 + SECOND_RUN)
    expected = np.bincount(code, mean, size)
    together, place = np.unique(code * (truth.place.max() + 1) + truth.place, return_inverse=True)
    squares = np.bincount(together // (truth.place.max() + 1), np.bincount(place, mean) ** 2, size)
    dispersion = (1.0 + 3.0 * SECOND_RUN) / (1.0 + SECOND_RUN)
    dispersion = dispersion + np.expm1(given.burst**2) * squares / np.maximum(expected, 1e-9)
    spread = PACKAGE_STEP * np.sqrt(2.0) if kind == "package" else given.spread * SHARE_OF_SPREAD.get(kind, 0.0)
    return expected, dispersion, float(spread)


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
        p = excess_tail(events, expected[chosen], spread, dispersion[chosen])
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


def share(hits: int, of: int) -> str:
    """A share with its count and Clopper-Pearson interval, in words."""
    if of == 0:
        return "none"
    low, high = interval(np.array([hits]), np.array([of]), method="clopper-pearson")
    return f"{100 * hits / of:.1f} % ({hits} of {of}; {100 * low[0]:.1f} to {100 * high[0]:.1f})"


def coverage(rows: list[Row]) -> dict[str, list[int]]:
    """Covered and all intervals by kind; "all" leaves out reels, which are many and do not differ here."""
    total: dict[str, list[int]] = {}
    for row in rows:
        for kind, (hits, of) in row["covered"].items():
            for name in (kind, "all") if kind != "reel" else (kind,):
                have = total.setdefault(name, [0, 0])
                total[name] = [have[0] + hits, have[1] + of]
    return total


def false_discovery(rows: list[Row]) -> tuple[float, float]:
    """Mean share of false flags among a week's flags, and its standard error."""
    shares = [len(r["false"]) / max(len(r["false"]) + len(r["found"]), 1) for r in rows]
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / np.sqrt(len(shares)))


def tables(rows: dict[str, list[Row]], command: str) -> str:
    """The Markdown tables."""
    faults, lonely = rows["faults"], rows["lonely"]
    found, wrong, doubted, best = (sum(len(r[k]) for r in faults) for k in ("found", "wrong", "doubted", "oracle"))
    discovery, error = false_discovery(faults)
    released = [r for r in lonely if r["released"]]
    lines = [
        f"`{command}`, {datetime.now(UTC).date().isoformat()}. In brackets: counts and 95 % Clopper-Pearson interval.",
        "",
        "| question | promise | measured |",
        "|---|---|---|",
    ]
    for spread in SPREADS:
        null = rows[f"null {spread}"]
        lines.append(
            f"| healthy weeks with any flag, spread {spread} | at most 5 % | "
            f"{share(sum(bool(r['flagged']) for r in null), len(null))} |"
        )
    lines += [
        f"| false flags among flags, five faults a week | at most 10 % | {100 * discovery:.1f} % +- {100 * error:.1f} "
        f"(mean of {len(faults)} weeks) |",
        f"| of five faults (odds x 2.5 to 6), flagged | - | {share(found, 5 * len(faults))} |",
        f"| the same for the oracle | - | {share(best, 5 * len(faults))} |",
        f"| of those flagged, with doubt about which item | - | {share(doubted, found)} |",
        f"| blamed faults with the right kind named | at least 90 % | {share(found, found + wrong)} |",
        f"| good nozzle on a bad part convicted | at most 2 % | "
        f"{share(sum(r['convicted'] for r in rows['innocent']), len(rows['innocent']))} |",
        f"| the bad part flagged in those weeks | - | "
        f"{share(sum(r['part'] for r in rows['innocent']), len(rows['innocent']))} |",
        f"| inseparable feeder, part, lot, reel: doubt said when one is blamed | at least 95 % | "
        f"{share(sum(bool(r['said']) for r in released), len(released))} |",
        f"| weeks in which one of the four is blamed | - | {share(len(released), len(lonely))} |",
    ]
    healthy_looks, faulty_looks = (
        [look for r in rows["looks"] if r["faulty"] is faulty for look in r["looks"]] for faulty in (False, True)
    )
    again, again_error = false_discovery(faulty_looks)
    lines += [
        f"| the same healthy plant looked at {LOOKS} weeks on end: weeks with any flag | at most 5 % | "
        f"{share(sum(bool(look['false']) for look in healthy_looks), len(healthy_looks))} |",
        f"| the same plant with two faults, {LOOKS} weeks on end: false flags among flags | at most 10 % | "
        f"{100 * again:.1f} % +- {100 * again_error:.1f} (mean of {len(faulty_looks)} weeks) |",
    ]
    for name, parts in (("healthy", [f"null {s}" for s in SPREADS]), ("faulty", ["faults"])):
        total = coverage([r for p in parts for r in rows[p]])
        by_kind = ", ".join(f"{k} {100 * h / n:.1f}" for k, (h, n) in total.items() if k != "all")
        hits, of = total["all"]
        shown = f"{100 * hits / of:.1f} % ({by_kind})"
        lines.append(f"| 95 % intervals of effects hold the truth, {name} weeks | 93 to 97 % | {shown} |")
    lines += ["", "Share of bad nozzles flagged, tool / oracle, by true odds ratio and expected losses a week:", ""]
    lines += ["| odds ratio | " + " | ".join(f"{e:g} expected" for e in EXPECTED) + " |", "|---" * 5 + "|"]
    cells = [c for r in rows["power"] for c in r["cells"]]
    for ratio in RATIOS:
        line = [f"{ratio:g}"]
        for size in EXPECTED:
            here = [c for c in cells if c[0] == ratio and c[1] == size]
            tool, best = (100 * sum(c[i] for c in here) / max(len(here), 1) for i in (2, 3))
            line.append(f"{tool:.0f} % / {best:.0f} % of {len(here)}")
        lines.append("| " + " | ".join(line) + " |")
    return "\n".join(lines) + "\n"


def main(arguments: list[str] | None = None) -> None:
    """Run everything and write the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.recovery.measure", description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=100, metavar="N", help="null weeks per spread")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where the table goes; default: printed")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="finished trials, one line of JSON each")
    given = parser.parse_args(arguments)
    rows = {}
    for name, trial in TRIALS.items():
        count = max(4, round(given.seeds * trial.share))
        print(f"{name}: {count} weeks", file=sys.stderr)
        rows[name] = run(name, range(trial.first_seed, trial.first_seed + count), given.keep)
    text = tables(rows, f"python -m tests.recovery.measure --seeds {given.seeds}")
    if given.out is None:
        print(text)
    else:
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
