"""What one loss costs: 1.5 s of a machine at 60 an hour are 0.025; the part on top where it is used up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.prices import price_by_excess, price_of
from pipeline.settings import Buying, Costs, Plant

PLANT = Plant(
    Path(),
    costs=Costs(machine_hour=60.0, retry_seconds=1.5, miss_uses_part=0.3),
    buying=Buying(miss_uses_part_tube=0.4, miss_uses_part_tray=0.0, miss_uses_part_bulk=0.5),
)
FRAME = pl.DataFrame({"feeder_type": ["tape", "tube", "tray", "bulk", None]}).with_columns(
    price=pl.lit(80.0), missed=pl.lit(3), rejected=pl.lit(1), dropped=pl.lit(0), unknown=pl.lit(0)
)


def _price(loss: str) -> list[float]:
    return FRAME.select(price_of(loss, PLANT)).to_series().to_list()


def test_a_miss_costs_the_part_where_its_kind_of_feeder_has_moved_on() -> None:
    assert _price("missed") == pytest.approx([24.025, 32.025, 0.025, 40.025, 24.025])


def test_what_was_held_and_lost_costs_the_part_from_any_feeder() -> None:
    assert _price("rejected") == _price("dropped") == pytest.approx([80.025] * 5)


def test_all_losses_cost_what_they_are_made_of() -> None:
    """Three misses and one reject: of four losses one part, and three times the feeder's share."""
    expected = [80.0 * (1 + 3 * share) / 4 + 0.025 for share in (0.3, 0.4, 0.0, 0.5, 0.3)]
    assert _price("all") == pytest.approx(expected)


def _beyond(missed: list[list[float]], dropped: list[list[float]]) -> dict[str, float]:
    """30 misses of a cheap part and one drop of a dear one, as healthy nozzles drop it, too."""
    cells = pl.DataFrame(
        {
            "nozzle": ["N1", "N1", "N2"],
            "feeder_type": ["tape", "tray", "tape"],
            "price": [0.01, 80.0, 0.01],
            "missed": [30, 0, 1],
            "dropped": [0, 1, 0],
            "chances": [1000, 100, 1000],
        }
    )
    each = (("missed", missed), ("dropped", dropped))
    frames = [(loss, cells.with_columns(losses=loss), ["N1", "N2"], np.array(excess)) for loss, excess in each]
    return price_by_excess(frames, "nozzle", PLANT)


CHEAP, DEAR = 0.3 * 0.01 + 0.025, 80.0 + 0.025
NONE = [float("nan")] * 3


def test_losses_beyond_the_healthy_ones_cost_what_their_own_kinds_cost() -> None:
    found = _beyond([[27.0, 20.0, 35.0], NONE], [[-0.1, -0.6, 0.7], [0.0, -1.0, 1.0]])
    assert found == {"N1": pytest.approx(CHEAP, rel=1e-3)}


def test_half_a_drop_of_a_dear_part_more_is_chance_beside_what_is_surely_too_many() -> None:
    by_chance = [0.5, -0.4, 1.9]
    found = _beyond([[27.0, 20.0, 35.0], [0.5, -0.5, 2.0]], [by_chance, NONE])
    assert found == {"N1": pytest.approx(CHEAP, rel=1e-3), "N2": pytest.approx(CHEAP, rel=1e-3)}
    both = _beyond([[27.0, 20.0, 35.0], NONE], [[3.0, 1.0, 7.0], NONE])
    assert both == {"N1": pytest.approx((27 * CHEAP + 3 * DEAR) / 30, rel=1e-3)}
    unsure = _beyond([[2.0, -1.0, 9.0], NONE], [[1.0, -1.0, 4.0], NONE])
    assert unsure == {"N1": pytest.approx((2 * CHEAP + DEAR) / 3, rel=1e-3)}
