"""The exchange that is proposed for a doubt, in a plant where two things always worked together."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.analysis.attribution import attribute
from pipeline.analysis.losses import with_chances
from pipeline.analysis.swaps import propose
from pipeline.settings import Statistics
from tests.recovery.simulated_plant import Truth, week


def _glued(seed: int) -> tuple[pl.DataFrame, str]:
    """A week in which one nozzle never leaves its spindle and the spindle has no other nozzle."""
    frame = week(seed, Truth()).frame
    first = (
        frame.filter(pl.col("nozzle").is_not_null())
        .sort("attempts", "nozzle", descending=[True, False])
        .row(0, named=True)
    )
    here = (
        (pl.col("machine") == first["machine"])
        & (pl.col("head") == first["head"])
        & (pl.col("spindle") == first["spindle"])
    )
    glued = frame.filter(here == (pl.col("nozzle") == first["nozzle"]))
    return with_chances(glued, "missed"), str(first["nozzle"])


def test_a_nozzle_and_its_spindle_are_exchanged_with_a_healthy_pair_of_the_same_machine() -> None:
    frame, nozzle = _glued(41)
    mine = frame.filter(pl.col("nozzle") == nozzle)
    machine, head, spindle = mine.select("machine", "head", "spindle").row(0)
    found = attribute(frame, Statistics())
    spindle_key = "\x1f".join((machine, head, spindle))
    swap = propose(("nozzle", nozzle), (("spindle", spindle_key),), frame, found.items, 4.0, 0.002, 1.5, 0.95)
    assert swap is not None
    assert f"nozzle {nozzle}" in swap.what
    assert f"of {machine})" in swap.what
    partner = next(n for n in frame["nozzle"].drop_nulls().unique() if f"nozzle {n} " in swap.what and n != nozzle)
    theirs = frame.filter(pl.col("nozzle") == partner)
    assert set(theirs["machine"]) == {machine}
    assert set(theirs["nozzle_type"]) == set(mine["nozzle_type"])
    odds = float(np.exp(found.items["nozzle"].effect[found.items["nozzle"].keys.index(partner)]))
    assert odds <= 1.25
    assert "stay behind, it is spindle" in swap.reads
    days = mine["shift"].dt.date().n_unique()
    assert swap.days is not None
    assert abs(swap.days * mine["chances"].sum() / days - swap.picks) < 1


def test_both_sides_of_an_exchange_name_all_that_they_leave_in_doubt() -> None:
    frame = with_chances(week(43, Truth(fixed=1.0)).frame, "missed")
    feeder, machine, slot, part = frame.select("feeder", "machine", "slot", "part").row(0)
    slot_key = "\x1f".join((machine, slot))
    doubt = (("slot", slot_key), ("part", part))
    found = attribute(frame, Statistics())
    swap = propose(("feeder", feeder), doubt, frame, found.items, 4.0, 0.002, 1.5, 0.95)
    assert swap is not None
    assert swap.reads == (
        f"If the losses go with feeder {feeder}, it is feeder {feeder} or part {part}; if they stay behind, it is slot "
        f"{slot} of {machine}."
    )
    reel = propose(("feeder", feeder), doubt[::-1], frame, found.items, 4.0, 0.002, 1.5, 0.95)
    assert reel is not None
    assert reel.reads.endswith(
        f"it is part {part}; if they stay behind, it is feeder {feeder} or slot {slot} of {machine}."
    )


def test_part_and_lot_come_apart_with_another_lot() -> None:
    frame = with_chances(week(42, Truth()).frame, "rejected")
    part, lot = frame.drop_nulls(["part", "lot"]).select("part", "lot").row(0)
    swap = propose(("lot", lot), (("part", part),), frame, {}, 3.0, 0.002, 1.0, 0.95)
    assert swap is not None
    assert swap.what == f"Load another lot in place of lot {lot}."
    assert swap.reads.endswith(f"it is part {part}.")


def test_nothing_is_proposed_where_no_exchange_tells() -> None:
    frame = with_chances(week(43, Truth()).frame, "missed")
    machine, head = frame.drop_nulls(["head"]).select("machine", "head").row(0)
    assert propose(("head", f"{machine}\x1f{head}"), (("package", "0402"),), frame, {}, 3.0, 0.002, 1.0, 0.95) is None
    assert propose(("nozzle", "N1"), (), frame, {}, 3.0, 0.002, 1.0, 0.95) is None
