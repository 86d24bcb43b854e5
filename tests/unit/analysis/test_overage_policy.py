"""Classes of parts, costs, splices, tails, returns, what misses use up: small cases to be checked by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline import settings
from pipeline.analysis import overage_parts
from pipeline.analysis.actions import actions
from pipeline.analysis.overage_cost import cheapest_extras, findings_by_cost, findings_with
from pipeline.analysis.overage_kit import whole_kits
from pipeline.analysis.overage_lines import recommend, suffices
from pipeline.analysis.overage_rounding import orders
from pipeline.errors import SettingsError
from pipeline.findings.model import Quality
from pipeline.schema.frames import LOADS
from pipeline.settings import Buying, Costs, PartClass, Plant
from tests.unit.analysis.test_overage import NO_LOADS, PLANT, builds_of, cell, chips, lines_of, one, parts_of, usage_of

TAPE = {"part": "R0", "package": "0402", "unit_cost": 0.01, "feeder_type": "tape", "pack_size": 1000, "stock": 0}
TRAY = {"part": "R1", "package": "QFP", "unit_cost": 80.0, "feeder_type": "tray", "pack_size": 60, "stock": 0}
BOTH = builds_of(("B", "R0", 1, 900, None), ("B", "R1", 1, 900, None))
CLASSES = (
    PartClass("exact count", feeder_type=("tray", "tube"), price_from=5.0, service_level=0.6),
    PartClass("attrition", feeder_type=("tape",), price_to=0.05, whole_packs=True),
)


def test_each_class_has_its_own_level_and_packs() -> None:
    plant = replace(PLANT, part_class=CLASSES)
    chip, ic = recommend(usage_of(*chips()), NO_LOADS, parts_of(TAPE, TRAY), BOTH, plant)
    plain_chip, plain_ic = recommend(usage_of(*chips()), NO_LOADS, parts_of(TAPE, TRAY), BOTH, PLANT)
    assert (chip.part_class, ic.part_class) == ("attrition", "exact count")
    assert (chip.service_level, ic.service_level) == (0.95, 0.6)
    assert chip.extra == plain_chip.extra
    assert chip.kit == 1000  # 900 and some: one whole reel
    assert ic.extra < plain_ic.extra
    assert ic.kit == 900 + ic.extra  # trays are counted to the piece
    assert ic.reason.endswith("60\u202f% sure.")


def test_the_first_page_says_the_levels_that_hold_and_what_has_no_price() -> None:
    plant = replace(PLANT, part_class=CLASSES)
    usage = usage_of(*chips())

    def line(tape: dict[str, object], plant: Plant) -> tuple[str, float | None]:
        found = recommend(usage, NO_LOADS, parts_of(tape, TRAY), BOTH, plant)
        (action,) = actions((), (), (), found, Quality(0, 0, 0, 0, 0, (), (), ()), 10)
        return action.why.partition(": ")[2], action.worth

    why, worth = line(TAPE, plant)
    assert why == "each part is then 60\u202f% to 95\u202f% sure."
    assert worth is not None
    sure = replace(PLANT, buying=replace(PLANT.buying, service_level=0.999))
    assert line(TAPE, sure)[0] == "each part is then 99.9\u202f% sure."
    why, less = line(TAPE | {"unit_cost": None}, PLANT)
    assert why == "each part is then 95\u202f% sure. 1 of the parts to order has no price."
    assert less == pytest.approx(80.0 * 960)  # 16 trays of 60


def test_line_by_line_is_what_the_lines_themselves_say() -> None:
    plant = replace(PLANT, part_class=CLASSES)
    lines = lines_of(usage_of(*chips()), parts_of(TAPE, TRAY), BOTH, plant)
    (kit,) = whole_kits(lines, plant)
    extra, _ = lines.extra()
    prices = [0.0 if part == "R0" else 80.0 for part in lines.builds["part"]]  # R0 comes in whole packs anyway
    assert kit.single_cost == pytest.approx(sum(n * p for n, p in zip(extra.tolist(), prices, strict=True)))
    (strict,) = whole_kits(lines, plant, level=0.95)
    assert strict.single_cost > kit.single_cost


def test_a_whole_pack_is_as_sure_as_it_is_and_costs_a_kit_nothing() -> None:
    """900 of a reel of 1 000: 100 spare do for certain, and the whole risk is left for the dear part on its tray."""
    usage, table = usage_of(*chips()), parts_of(TAPE, TRAY)
    boxed = replace(PLANT, part_class=(PartClass("attrition", feeder_type=("tape",), whole_packs=True),))
    lines = lines_of(usage, table, BOTH, boxed)
    (kit,), (counted,) = whole_kits(lines, boxed), whole_kits(lines_of(usage, table, BOTH), PLANT)
    extra, at = dict(kit.extras), lines.builds["part"].to_list().index
    tray = suffices(lines, at("R1"), 900 + extra["R1"])
    assert suffices(lines, at("R0"), 1000) > 1 - 1e-9
    assert kit.joint == pytest.approx(tray)
    assert kit.joint >= 0.95 > suffices(lines, at("R1"), 899 + extra["R1"])
    assert kit.cost == pytest.approx(80.0 * extra["R1"])  # nothing for the reel
    assert (kit.weakest, kit.marginal) == ("R1", "R1")
    assert "R0" not in dict(kit.next_buy)
    assert "besides one line in whole packs" in kit.text
    assert "R0" in dict(counted.next_buy)
    assert "whole packs" not in counted.text
    # By the kit, too, the line says how sure its reel is.
    by_kit = {o.part: o for o in findings_with(lines, boxed, np.array([extra[p] for p in lines.builds["part"]]))}
    assert by_kit["R0"].kit == 1000
    assert by_kit["R0"].service_level == pytest.approx(suffices(lines, at("R0"), 1000))


def test_a_kit_of_whole_packs_alone_takes_as_many_as_it_needs() -> None:
    """940 of a reel of 953: the reel that the line takes by itself runs out too often; a kit takes two."""
    boxed = replace(PLANT, part_class=(PartClass("all", whole_packs=True),))
    line = builds_of(("B", "R0", 1, 940, None))
    lines = lines_of(usage_of(*chips()), parts_of(TAPE | {"pack_size": 953}), line, boxed)
    (extra,) = lines.extra()[0].tolist()
    (kit,) = whole_kits(lines, boxed)
    ((part, more),) = kit.extras
    assert (part, kit.cost, kit.next_buy) == ("R0", 0.0, ())
    assert kit.joint == pytest.approx(suffices(lines, 0, -(-(940 + more) // 953) * 953))
    assert kit.single == pytest.approx(suffices(lines, 0, -(-(940 + extra) // 953) * 953))
    assert kit.joint >= 0.95


def test_the_first_page_counts_what_is_kitted() -> None:
    plant = replace(PLANT, part_class=CLASSES)
    found = recommend(usage_of(*chips()), NO_LOADS, parts_of(TAPE, TRAY), BOTH, plant)
    (action,) = actions((), (), (), found, Quality(0, 0, 0, 0, 0, (), (), ()), 10)
    above = 100 + found[1].extra  # a reel of 1 000 for 900, and the trays to the piece
    assert action.why.startswith(f"Kit {above} pieces above the 1\u202f800 placed")
    assert action.what == "Build B: order 2 of its 2 parts."
    (action,) = actions((), (), (), found[:1], Quality(0, 0, 0, 0, 0, (), (), ()), 10)
    assert action.what == "Build B: order its one part."


def test_a_part_without_a_price_fits_no_class_that_asks_for_one() -> None:
    plant = replace(PLANT, part_class=CLASSES)
    (found,) = recommend(
        usage_of(*chips()), NO_LOADS, parts_of(TAPE | {"unit_cost": None}), builds_of(("B", "R0", 1, 900, None)), plant
    )
    assert found.part_class is None


def test_the_first_class_that_fits_counts() -> None:
    first = (PartClass("all tapes", feeder_type=("tape",), service_level=0.8), *CLASSES)
    (found,) = recommend(
        usage_of(*chips()),
        NO_LOADS,
        parts_of(TAPE),
        builds_of(("B", "R0", 1, 900, None)),
        replace(PLANT, part_class=first),
    )
    assert (found.part_class, found.service_level, found.kit) == ("all tapes", 0.8, 900 + found.extra)


def test_a_spliced_reel_costs_a_splice_and_leaves_a_tail() -> None:
    """3 900 parts from reels of 1 000: one load and three more reels."""
    table, need = parts_of(TAPE), builds_of(("B", "R0", 1, 3900, None))
    plant = Plant(Path(), buying=Buying(load_loss_tape=6.0, splice_loss=2.0, tail_loss=1.0))
    spliced = pl.DataFrame({"part": ["R0"], "week": ["2026-W40"], "loads": [1], "splices": [1]}, schema=LOADS)
    (loaded,) = recommend(usage_of(*chips()), NO_LOADS, table, need, plant)
    (joined,) = recommend(usage_of(*chips()), spliced, table, need, plant)
    assert loaded.loads == joined.loads == 4
    assert "27 pieces for 4 reel loads" in loaded.reason  # 4 * 6 and 3 tails
    assert "15 pieces for one reel load and 3 splices" in joined.reason  # 6 + 3 * (2 + 1)
    assert joined.extra < loaded.extra


def test_a_missed_pick_uses_a_part_by_feeder_type() -> None:
    def lost(feeder: str, **more: float) -> int:
        plant = Plant(Path(), costs=Costs(miss_uses_part=0.5), buying=Buying(**more))  # type: ignore[arg-type]
        usage = usage_of(cell("X", 0, 900, 10, missed=100, feeder_type=feeder))
        return one(usage, parts_of({"part": "X"}), 10, plant=plant).lost

    assert lost("tape") == 60
    assert lost("tray") == 10
    assert lost("tray", miss_uses_part_tray=0.2) == 30
    assert lost("tube", miss_uses_part_tube=0.1) == 20


def test_what_comes_back_serves_the_next_build() -> None:
    found, before = orders(np.array([0, 0]), np.array([100, 100]), [150], [None], [None], np.array([20, 0]))
    assert (found, before) == ([0, 30], [150, 70])
    usage, table = usage_of(*chips()), parts_of(TAPE | {"pack_size": None, "stock": 1100})
    builds = builds_of(("A", "R0", 1, 900, "2026-12-01"), ("B", "R0", 1, 900, "2026-12-02"))
    _, kept = recommend(usage, NO_LOADS, table, builds, Plant(Path(), buying=Buying(returns_recovered=1.0)))
    _, gone = recommend(usage, NO_LOADS, table, builds, PLANT)
    expected = 900 * kept.loss_rate / (1 - kept.loss_rate) + 6
    assert gone.buy - kept.buy == pytest.approx(kept.extra - expected, abs=1.01)


def test_stock_is_enough_with_the_probability_that_the_quantile_says() -> None:
    usage, table = usage_of(*chips()), parts_of(TAPE)
    lines = lines_of(usage, table, builds_of(("B", "R0", 1, 900, None)))
    (extra,) = lines.extra()[0].tolist()
    assert suffices(lines, 0, 900 + extra) >= 0.95 > suffices(lines, 0, 900 + extra - 1)
    assert suffices(lines, 0, 899) == 0.0
    assert suffices(lines, 0, 2_000_000) == pytest.approx(1.0)
    (found,) = recommend(
        usage, NO_LOADS, parts_of(TAPE | {"stock": 900 + extra}), builds_of(("B", "R0", 1, 900, None)), PLANT
    )
    assert found.enough == pytest.approx(suffices(lines, 0, 900 + extra))
    (unknown,) = recommend(
        usage, NO_LOADS, parts_of(TAPE | {"stock": None}), builds_of(("B", "R0", 1, 900, None)), PLANT
    )
    assert unknown.enough is None


def test_costs_decide_as_the_newsvendor_would() -> None:
    """Without a cost of stopping, the quantity is the quantile at the critical ratio 7.6 / (7.6 + 0.4)."""
    rows = [cell(f"R{j}", k, 9980, 20, lot=f"{k}", feeder_type="tray") for j in range(4) for k in range(80)]
    table = parts_of({"part": "R0", "feeder_type": "tray", "unit_cost": 8.0})
    plant = Plant(Path(), buying=Buying(stop_cost=0.0, short_piece_cost=7.6, surplus_share=0.05))
    lines = lines_of(usage_of(*rows), table, builds_of(("B", "R0", 1, 5000, None)), plant)
    (extra,) = cheapest_extras(lines, plant).tolist()
    assert extra == lines.extra(0.95)[0][0]
    # The rate is nearly known: not below what nbinom asks for, and not far above.
    floor = stats.nbinom.ppf(0.95, 5000, 0.998)
    assert floor <= extra <= 1.3 * floor
    (found,) = findings_by_cost(lines, plant)
    assert found.extra == extra
    assert found.service_level == pytest.approx(0.95, abs=0.02)
    assert "cheapest at the costs of a stop and of parts left over" in found.reason


def test_dearer_stops_ask_for_more_and_dearer_parts_for_less() -> None:
    usage = usage_of(*chips())

    def extra(stop: float, price: float) -> int:
        plant = Plant(Path(), buying=Buying(stop_cost=stop))
        lines = lines_of(usage, parts_of(TAPE | {"unit_cost": price}), builds_of(("B", "R0", 1, 900, None)), plant)
        (found,) = cheapest_extras(lines, plant).tolist()
        return int(found)

    by_stop = [extra(s, 1.0) for s in (1.0, 10.0, 100.0, 1000.0)]
    by_price = [extra(100.0, p) for p in (0.01, 1.0, 20.0, 400.0)]
    assert by_stop == sorted(set(by_stop))
    assert by_price == sorted(set(by_price), reverse=True)


def test_given_extras_say_how_sure_they_are() -> None:
    lines = lines_of(usage_of(*chips()), parts_of(TAPE), builds_of(("B", "R0", 1, 900, None)))
    (found,) = findings_with(lines, PLANT, np.array([14]))
    assert found.extra == 14
    assert found.service_level == pytest.approx(suffices(lines, 0, 914))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[[part_class]]\nservice_level = 0.9\n", 'line 1: a \\[\\[part_class\\]\\] lacks "name"'),
        ('[[part_class]]\nname = "a"\nlevel = 0.9\n', 'line 3: unknown key "level"'),
        (
            '[[part_class]]\nname = "a"\n\n[[part_class]]\nname = "b"\nservice_level = 2.0\n',
            'line 6: "service_level" is 2',
        ),
        ('[[part_class]]\nname = "a"\nfeeder_type = "tape"\n', "line 3.*list of texts"),
        ('[[part_class]]\nname = "a"\nwhole_packs = 1\n', "line 3.*true or false"),
        ('[part_class]\nname = "a"\n', "under its own"),
        ("[buying]\nleave_out_lots = 4\n", "line 2.*list of texts"),
        ("[buying]\nhalf_life_weeks = -1.0\n", "line 2.*between 0"),
    ],
)
def test_wrong_settings_are_named_with_their_line(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "plant.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=message):
        settings.load(tmp_path)


def test_good_classes_are_read(tmp_path: Path) -> None:
    (tmp_path / "plant.toml").write_text(
        '[buying]\nleave_out_lots = ["L-204"]\n'
        '[[part_class]]\nname = "exact count"\nfeeder_type = ["tray", "tube"]\nprice_from = 5\nservice_level = 0.6\n'
        '[[part_class]]\nname = "attrition"\nfeeder_type = ["tape"]\nprice_to = 0.05\nwhole_packs = true\n',
        encoding="utf-8",
    )
    plant = settings.load(tmp_path)
    assert plant.part_class == CLASSES
    assert plant.buying.leave_out_lots == ("L-204",)


def test_the_first_class_that_fits_a_part_by_feeder_package_and_price() -> None:
    """From a price on and below one; what a class asks for and the part table does not tell fits no class."""
    classes = (
        PartClass("large", package=("QFP", "BGA")),
        PartClass("dear", price_from=1.0, price_to=5.0),
        PartClass("cheap tape", feeder_type=("tape",), price_to=1.0),
        PartClass("tape", feeder_type=("tape",)),
    )
    rows: list[tuple[str | None, str, float | None, int]] = [
        ("BGA", "tray", 2.0, 0),
        ("0402", "tray", 1.0, 1),
        ("0402", "tray", 5.0, -1),
        ("0402", "tray", 0.5, -1),
        ("0402", "tape", 0.999, 2),
        ("0402", "tape", 5.0, 3),
        ("0402", "tape", None, 3),
        (None, "tray", 2.0, 1),
        (None, "tube", None, -1),
    ]
    names = [f"P{i}" for i in range(len(rows))]
    table = parts_of(
        *(
            {"part": name, "package": package, "feeder_type": feeder, "unit_cost": price}
            for name, (package, feeder, price, _) in zip(names, rows, strict=True)
        )
    )
    good = pl.DataFrame({"part": names})
    found = overage_parts.parts_of(good, usage_of(), NO_LOADS, table, replace(PLANT, part_class=classes))
    assert dict(found.select("part", "part_class").iter_rows()) == {n: r[-1] for n, r in zip(names, rows, strict=True)}
