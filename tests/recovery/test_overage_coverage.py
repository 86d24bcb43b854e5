"""Does a 95 % recommendation cover 95 % of the builds, and no more than it must?

Made-up plants with known loss rates run some weeks; then each build is run once more with the same truth: a new lot, new
shifts, load losses. What it took is compared with what was recommended. The truth is not the model's own: rates of parts
and lots are log-normal, not beta; cells and lots are of very different size; misses use up a part at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.frames import LOADS, USAGE
from pipeline.analysis.overage import prepare, recommend
from pipeline.estimators.predictive import LoadLoss, predictive_pmf
from pipeline.settings import Buying, Plant
from scipy import stats

MISS_SHARE = 0.3


@dataclass(frozen=True)
class World:
    """What is planted. Spreads are standard deviations relative to the rate; rho the correlation within a shift."""

    rate: float = 0.002
    packages: int = 6
    parts: int = 15
    spread_packages: float = 0.7
    spread_parts: float = 0.6
    spread_lots: float = 0.4
    rho: float = 0.0005
    cells: tuple[int, int] = (3, 40)
    cell_size: float = 400.0
    cells_per_lot: int = 8
    never: float = 0.1
    load_loss: float = 6.0
    need: tuple[float, float] = (30.0, 6000.0)


def _factor(rng: np.random.Generator, spread: float, size: int) -> np.ndarray:
    """Log-normal factors with mean 1 and relative standard deviation `spread`."""
    s2 = np.log1p(spread**2)
    return np.exp(rng.normal(-s2 / 2, np.sqrt(s2), size))


def _cell_rates(rng: np.random.Generator, world: World, rate: float, cells: int) -> np.ndarray:
    """Loss rate in each of `cells` shifts in a row: a new lot every few shifts, and bursts within."""
    lots = rate * _factor(rng, world.spread_lots, cells // world.cells_per_lot + 1)
    mean = np.minimum(np.repeat(lots, world.cells_per_lot)[:cells], 0.5)
    if world.rho == 0:
        return mean
    size = (1 - world.rho) / world.rho
    return rng.beta(mean * size, (1 - mean) * size)


def _plant_history(rng: np.random.Generator, world: World) -> tuple[pl.DataFrame, pl.DataFrame, dict[str, float]]:
    """USAGE, the part table, and the true long-run rate of each part."""
    rows: list[dict[str, object]] = []
    truth: dict[str, float] = {}
    packages: list[str] = []
    for k, of_package in enumerate(world.rate * _factor(rng, world.spread_packages, world.packages)):
        for j, rate in enumerate(of_package * _factor(rng, world.spread_parts, world.parts)):
            part = f"P{k}-{j}"
            truth[part] = min(float(rate), 0.2)
            packages.append(f"K{k}")
            if rng.random() < world.never:
                continue
            cells = int(rng.integers(*world.cells))
            sizes = 1 + rng.poisson(world.cell_size * _factor(rng, 0.8, cells))
            for c, (n, p) in enumerate(zip(sizes, _cell_rates(rng, world, truth[part], cells), strict=True)):
                # Half of the losses are rejects; the other half are misses that used up a part.
                rejected = int(rng.binomial(n, p / 2))
                missed = int(rng.poisson(n * p / 2 / MISS_SHARE))
                placed = int(n) - rejected
                rows.append(
                    {
                        "part": part,
                        "package": f"K{k}",
                        "feeder_type": "tape",
                        "week": f"2026-W{40 + c // 14}",
                        "shift": datetime(2026, 9, 28) + timedelta(hours=8 * c),
                        "machine": "M1",
                        "lot": f"L{part}-{c // world.cells_per_lot}",
                        "reel": None,
                        "attempts": placed + rejected + missed,
                        "placed": placed,
                        "missed": missed,
                        "rejected": rejected,
                        "dropped": 0,
                        "returned": 0,
                        "unknown": 0,
                        "first_tries": placed,
                    }
                )
    usage = pl.DataFrame(rows, schema=USAGE)
    table = pl.DataFrame({"part": list(truth), "package": packages}).with_columns(
        unit_cost=pl.lit(0.02),
        feeder_type=pl.lit("tape"),
        pack_size=pl.lit(None, pl.Int64),
        minimum_order=pl.lit(None, pl.Int64),
        stock=pl.lit(None, pl.Int64),
        on_order=pl.lit(None, pl.Int64),
    )
    return usage, table, truth


def _run_build(rng: np.random.Generator, world: World, rate: float, need: int) -> int:
    """Parts used beyond the need when the build is run: losses shift by shift, and of one load."""
    placed = lost = 0
    cells = 4 + int(4 * need / world.cell_size)
    rates = _cell_rates(rng, world, rate, cells)
    sizes = 1 + rng.poisson(world.cell_size * _factor(rng, 0.8, cells))
    for p, size in zip(rates, sizes, strict=True):
        bad = int(rng.binomial(size, p))
        if placed + size - bad < need:
            placed, lost = placed + int(size) - bad, lost + bad
            continue
        lost += int(rng.negative_binomial(need - placed, 1 - p))
        return lost + int(rng.poisson(world.load_loss))
    raise AssertionError("the build did not end")


def _try(world: World, seeds: range, level: float = 0.95) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """For all lines of all seeds: covered, randomised PIT, extra, and what a buyer who knows the part's rate would take."""
    covered, pit, extras, known = [], [], [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        usage, table, truth = _plant_history(rng, world)
        plant = Plant(Path("."), buying=Buying(service_level=level, load_loss_tape=world.load_loss))
        low, high = np.log(world.need)
        needs = {p: int(np.exp(rng.uniform(low, high))) for p in truth}
        builds = pl.DataFrame(
            {
                "build": ["B1"] * len(needs),
                "part": list(needs),
                "quantity_per_board": [1] * len(needs),
                "boards": list(needs.values()),
                "due": [None] * len(needs),
            },
            schema_overrides={"due": pl.String},
        )
        loads = pl.DataFrame(schema=LOADS)
        lines = prepare(usage, loads, table, builds, plant)
        assert lines is not None
        for i, found in enumerate(recommend(usage, loads, table, builds, plant)):
            took = _run_build(rng, world, truth[found.part], found.need)
            covered.append(took <= found.extra)
            extras.append(found.extra)
            p = truth[found.part]
            known.append(found.need * p / (1 - p) + world.load_loss)
            pmf = predictive_pmf(
                found.need, lines.good[i], lines.bad[i], LoadLoss("poisson", world.load_loss).pmf(1)
            )
            cdf = np.minimum(np.cumsum(pmf), 1.0)
            below = cdf[min(took - 1, cdf.size - 1)] if took > 0 else 0.0
            upto = cdf[min(took, cdf.size - 1)]
            pit.append(below + rng.random() * (upto - below))
    return np.array(covered), np.array(pit), np.array(extras), np.array(known)
