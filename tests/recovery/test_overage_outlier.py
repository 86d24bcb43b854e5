"""One part loses 20 % where all others lose about half a per cent: does its advice suffice as often as said?

Made-up plants with lots that differ (log-normal, not the model's law); then each build is run with fresh lots. The bad
part is in a package with others, or in one of its own. What the others, and a part that never ran, are advised must
hold beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.overage import prepare
from pipeline.analysis.overage_lines import suffices
from pipeline.schema.frames import LOADS
from tests.unit.analysis.test_overage import PLANT, builds_of, cell, parts_of, usage_of

GOOD, BAD, SPREAD_LOTS, SPREAD_PARTS = 0.005, 0.2, 0.4, 0.4
LOT, SHIFTS = 300, 2
"""Parts of a lot, and the shifts that it lasts."""
PARTS = 12
"""Parts besides the bad one."""
REPEATS = 20
"""Builds that are run in each plant."""
SHORT = 0.01
"""What may be missing of what is said, above chance: predictions do not know the doubt about the spread of lots, which
at a fifth lost is nearly all that there is, and lots differ by another law than the model's (docs/overage.md)."""


@dataclass(frozen=True)
class Outcome:
    """Share of builds that sufficed and how sure they were said to be, by plant."""

    held: np.ndarray
    said: np.ndarray

    def check(self, name: str) -> None:
        """Hardly less often than said, within two Monte Carlo errors; plants are independent, builds of one are not."""
        gap = self.held - self.said
        error = gap.std(ddof=1) / np.sqrt(gap.size)
        print(f"{name}: {self.held.mean():.4f} held, {self.said.mean():.4f} said, +- {error:.4f}")
        assert gap.mean() >= -SHORT - 2 * error, f"{name}: {gap.mean():.4f} +- {error:.4f}"


def _factors(rng: np.random.Generator, spread: float, size: int) -> np.ndarray:
    s2 = np.log1p(spread**2)
    return np.exp(rng.normal(-s2 / 2, np.sqrt(s2), size))


def _took(rng: np.random.Generator, rate: float, need: int) -> int:
    """Parts lost until `need` are placed: fresh lots of `LOT` parts each."""
    placed = lost = 0
    while placed < need:
        p = min(rate * float(_factors(rng, SPREAD_LOTS, 1)[0]), 0.9)
        bad = int(rng.binomial(LOT, p))
        if placed + LOT - bad >= need:
            return lost + int(rng.negative_binomial(need - placed, 1 - p))
        placed, lost = placed + LOT - bad, lost + bad
    return lost


def _try(seeds: range, lots: int, package: str, need: int = 600) -> dict[str, Outcome]:
    found: dict[str, list[tuple[float, float]]] = {"BAD": [], "P0": [], "NEW": []}
    for seed in seeds:
        rng = np.random.default_rng(seed)
        rates = dict(zip([f"P{j}" for j in range(PARTS)], GOOD * _factors(rng, SPREAD_PARTS, PARTS), strict=True))
        rates |= {"BAD": BAD, "NEW": GOOD * float(_factors(rng, SPREAD_PARTS, 1)[0])}
        of = {p: f"K{j % 4}" for j, p in enumerate(rates)} | {"BAD": package, "NEW": "K0"}
        rows = []
        for part in list(rates)[:-1]:
            for lot, factor in enumerate(_factors(rng, SPREAD_LOTS, lots)):
                lost = rng.binomial(LOT // SHIFTS, min(rates[part] * factor, 0.9), SHIFTS)
                rows += [
                    cell(part, lot * SHIFTS + k, LOT // SHIFTS - n, n, package=of[part], lot=f"{part}-{lot}")
                    for k, n in enumerate(lost.tolist())
                ]
        table = parts_of(*({"part": p, "package": of[p], "feeder_type": "tray"} for p in rates))
        builds = builds_of(*(("B", p, 1, need, None) for p in found))
        lines = prepare(usage_of(*rows), pl.DataFrame(schema=LOADS), table, builds, PLANT)
        assert lines is not None
        extra, _ = lines.extra()
        for i, part in enumerate(lines.builds["part"]):
            took = np.array([_took(rng, rates[part], need) for _ in range(REPEATS)])
            said = suffices(lines, i, need + int(extra[i]))
            found[part].append((float((took <= extra[i]).mean()), said))
    return {p: Outcome(*np.array(v).T) for p, v in found.items()}


def _check(seeds: range, lots: int, package: str) -> None:
    for part, outcome in _try(seeds, lots, package).items():
        outcome.check(part)


def test_a_bad_part_and_its_neighbours_suffice_as_often_as_said() -> None:
    _check(range(10), 4, "K1")


@pytest.mark.long
@pytest.mark.parametrize("lots", [1, 2, 4, 8])
@pytest.mark.parametrize("package", ["LED", "K1"])
def test_a_bad_part_and_its_neighbours_suffice_as_often_as_said_many_plants(package: str, lots: int) -> None:
    _check(range(100, 300), lots, package)
