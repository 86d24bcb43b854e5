"""A week of a simulated plant as CELLS, with known truth: crossed and structured as on a shop floor.

Six machines of two types with one head of six spindles each (one machine has two heads). Nozzles change places at every
shift; feeders carry two or three parts over the week; a part runs in two feeders or more; reels change daily, lots run
over several reels. Losses are beta-binomial over feeder x shift (bursts). Nothing here is real.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.schema.frames import CELLS

PACKAGES = ("0201", "0402", "0603", "SOT", "QFN")


@dataclass(frozen=True)
class Truth:
    """What is planted: log odds by (kind, key), beside the healthy spread."""

    spread: float = 0.2
    burst: float = 0.3
    """Standard deviation of the log rate between feeder x shift cells."""
    base: float = 0.004
    faults: dict[tuple[str, str], float] = field(default_factory=dict)
    """(kind, key) -> log odds added; key as in the cells: nozzle "N012", feeder "F031", part "P05", lot "P05-L1",
    head "M1|H1"."""
    innocent: str | None = None
    """A nozzle that runs mostly part `innocent_part`."""
    innocent_part: str | None = None


def week(seed: int, truth: Truth, picks: int = 120_000, loss: str = "missed") -> pl.DataFrame:
    """CELLS of one week with about `picks` attempts; all losses are of one kind."""
    rng = np.random.default_rng(seed)
    machines = [f"M{i + 1}" for i in range(6)]
    heads = {m: ["H1", "H2"] if m == "M3" else ["H1"] for m in machines}
    parts = [f"P{i:02d}" for i in range(60)]
    package = {p: PACKAGES[i % len(PACKAGES)] for i, p in enumerate(parts)}
    nozzles = {m: [f"N{machines.index(m):01d}{i:02d}" for i in range(9 * len(heads[m]))] for m in machines}
    feeders = [f"F{i:03d}" for i in range(120)]
    effect = _effects(rng, truth, machines, heads, nozzles, feeders, parts)
    rows: list[tuple[object, ...]] = []
    start = datetime(2026, 11, 16, 6)  # noqa: DTZ001
    share = picks / (21 * 7 * 24)
    for shift in range(21):
        when = start + timedelta(hours=8 * shift)
        placing = rng.permutation(len(feeders))
        burst = rng.normal(0, truth.burst, len(feeders))
        for mi, m in enumerate(machines):
            mounted = rng.permutation(nozzles[m])
            for hi, h in enumerate(heads[m]):
                for slot in range(20):
                    f = int(placing[(mi * 20 + slot) % len(feeders)])
                    part = parts[(f + (shift // 7) * 20) % len(parts)]
                    lot = f"{part}-L{(f * 7 + shift // 9) % 3}"
                    reel = f"{feeders[f]}-R{shift // 3}-{part}"
                    for spindle in rng.choice(6, size=2, replace=False):
                        nozzle = str(mounted[hi * 6 + int(spindle)])
                        attempts = int(rng.poisson(share))
                        if truth.innocent is not None:
                            attempts = _steer(truth, nozzle, part, attempts)
                        if attempts == 0:
                            continue
                        keys = {
                            "package": package[part],
                            "part": part,
                            "lot": lot,
                            "feeder": feeders[f],
                            "nozzle": nozzle,
                            "head": f"{m}|{h}",
                            "spindle": f"{m}|{h}|{spindle + 1}",
                            "slot": f"{m}|{slot}",
                            "reel": reel,
                        }
                        eta = np.log(truth.base) + burst[f] + sum(effect.get(k, 0.0) for k in keys.items())
                        losses = int(rng.binomial(attempts, 1 / (1 + np.exp(-eta))))
                        rows.append(
                            (
                                when,
                                m,
                                h,
                                str(spindle + 1),
                                nozzle,
                                feeders[f],
                                str(slot),
                                part,
                                package[part],
                                reel,
                                lot,
                                attempts,
                                losses,
                            )
                        )
    return _frame(rows, loss)


def _effects(rng, truth, machines, heads, nozzles, feeders, parts) -> dict[tuple[str, str], float]:  # type: ignore[no-untyped-def]
    named = {
        "nozzle": [n for m in machines for n in nozzles[m]],
        "feeder": feeders,
        "part": parts,
        "lot": [f"{p}-L{i}" for p in parts for i in range(3)],
        "head": [f"{m}|{h}" for m in machines for h in heads[m]],
    }
    scale = {"nozzle": 1.0, "feeder": 1.0, "part": 1.0, "lot": 0.5, "head": 0.5}
    effect = {
        (kind, key): float(v)
        for kind, keys in named.items()
        for key, v in zip(keys, rng.normal(0, truth.spread * scale[kind], len(keys)), strict=True)
    }
    effect.update({("package", p): 0.3 * i for i, p in enumerate(PACKAGES)})
    for item, value in truth.faults.items():
        effect[item] = effect.get(item, 0.0) * 0.0 + value
    return effect


def _steer(truth: Truth, nozzle: str, part: str, attempts: int) -> int:
    """Give the innocent nozzle most of its picks from the bad part."""
    if nozzle != truth.innocent:
        return attempts
    return attempts * 12 if part == truth.innocent_part else attempts // 2


def _frame(rows: list[tuple[object, ...]], loss: str) -> pl.DataFrame:
    names = (
        "shift",
        "machine",
        "head",
        "spindle",
        "nozzle",
        "feeder",
        "slot",
        "part",
        "package",
        "reel",
        "lot",
        "attempts",
        "_losses",
    )
    frame = pl.DataFrame(rows, schema=list(names), orient="row")
    zero = pl.lit(0, dtype=pl.Int64)
    return (
        frame.with_columns(
            pl.lit("joint").alias("grain"),
            pl.lit("line").alias("line"),
            pl.lit("type A").alias("machine_type"),
            pl.lit("tape").alias("feeder_type"),
            pl.lit("T1").alias("nozzle_type"),
            pl.lit("laser").alias("method"),
            pl.lit("prog").alias("recipe"),
            *[
                (pl.col("_losses") if o == loss else zero).alias(o)
                for o in ("missed", "rejected", "dropped", "returned", "unknown")
            ],
            (pl.col("attempts") - pl.col("_losses")).alias("placed"),
            pl.col("attempts").alias("first_tries"),
            *[
                (pl.col("_losses") if o in (loss, "lost") else zero).alias(f"{o}_runs")
                for o in ("missed", "rejected", "dropped", "lost")
            ],
        )
        .select([pl.col(c).cast(t) for c, t in CELLS.items()])
        .sort(pl.all())
    )
