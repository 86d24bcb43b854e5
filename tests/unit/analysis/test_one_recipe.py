"""Losses of a part that come from one recipe, and those that only seem to."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.analysis.one_recipe import from_one_recipe

MONDAY = datetime.fromisoformat("2026-11-16T06:00:00")


def _cells(rates: dict[str, list[float]], seed: int, picks: int = 100) -> pl.DataFrame:
    """One cell a recipe and day; a rate of nan: the recipe did not run."""
    rng = np.random.default_rng(seed)
    rows = [
        {"shift": MONDAY + timedelta(days=d), "recipe": recipe, "chances": picks, "losses": int(rng.poisson(picks * r))}
        for recipe, series in rates.items()
        for d, r in enumerate(series)
        if r == r
    ]
    return pl.DataFrame(rows)


def test_a_bad_place_in_one_recipe_is_named() -> None:
    hits = 0
    for seed in range(40):
        found = from_one_recipe(_cells({"B1": [0.1] * 7, "B2": [0.004] * 7, "B3": [0.004] * 7}, seed), 1.0)
        hits += found is not None and found.recipe == "B1"
    assert hits == 40


def test_a_bad_part_is_not_blamed_on_a_recipe() -> None:
    """Bad everywhere; and from Thursday on, when another recipe took over most of the work."""
    late, nan = [0.004] * 3 + [0.08] * 4, float("nan")
    for seed in range(200):
        everywhere = _cells({"B1": [0.05] * 7, "B2": [0.05] * 7, "B3": [0.05] * 7}, seed)
        assert from_one_recipe(everywhere, 1.0) is None
        taken_over = _cells({"B1": late[:4] + [nan] * 3, "B2": [nan] * 3 + late[3:]}, seed)
        assert from_one_recipe(taken_over, 1.0) is None


def test_few_losses_or_one_recipe_say_nothing() -> None:
    assert from_one_recipe(_cells({"B1": [0.1] * 7}, 1), 1.0) is None
    few = pl.DataFrame({"shift": [MONDAY] * 2, "recipe": ["B1", "B2"], "chances": [50, 50], "losses": [7, 0]})
    assert from_one_recipe(few, 1.0) is None
