"""Attribution at its edges: identical items, unknown keys, no losses, one machine, nothing at all."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.losses import with_chances
from pipeline.schema.frames import CELLS, check
from pipeline.settings import Statistics

SETTINGS = Statistics()
KEYS = ("head", "spindle", "nozzle", "slot", "feeder", "package", "part", "lot", "reel")


def small_week(
    seed: int = 1,
    machines: int = 2,
    odds: dict[tuple[str, str], float] | None = None,
    rate: float = 0.006,
    twins: bool = False,
) -> pl.DataFrame:
    """CELLS of a small week without healthy spread. `odds`: (column, id) -> odds ratio.

    Nozzles change places at every shift and feeders at every second one. With `twins` every feeder has one part, lot
    and reel of its own all week; else parts move on to the next feeder every day.
    """
    rng = np.random.default_rng(seed)
    shift, machine, slot, used = (a.ravel() for a in np.meshgrid(*map(np.arange, (12, machines, 10, 3)), indexing="ij"))
    spindle = (slot * 2 + used * 2 + shift) % 6
    mounted = np.array([rng.permutation(6) for _ in range(12 * machines)]).reshape(12, machines, 6)
    placed = np.array([rng.permutation(10 * machines) for _ in range(6)])
    feeder = placed[shift // 2, machine * 10 + slot]
    part = feeder if twins else (feeder + shift // 3) % (10 * machines)
    reel = feeder if twins else part * 100 + shift // 3
    columns = {
        "head": np.full(shift.size, "H1"),
        "spindle": spindle.astype(str),
        "nozzle": np.char.add("N", (machine * 6 + mounted[shift, machine, spindle]).astype(str)),
        "slot": slot.astype(str),
        "feeder": np.char.add("F", feeder.astype(str)),
        "package": np.char.add("K", (part % 3).astype(str)),
        "part": np.char.add("P", part.astype(str)),
        "lot": np.char.add("L", part.astype(str)),
        "reel": np.char.add("R", reel.astype(str)),
        "machine": np.char.add("M", machine.astype(str)),
    }
    eta = np.full(shift.size, np.log(rate)) if rate > 0 else np.full(shift.size, -np.inf)
    for (column, name), ratio in (odds or {}).items():
        eta = eta + np.log(ratio) * (columns[column] == name)
    attempts = rng.poisson(150, shift.size) + 1
    missed = rng.binomial(attempts, 1 / (1 + np.exp(-eta)))
    begin = datetime.fromisoformat("2026-11-16T06:00:00")
    zero = np.zeros_like(missed)
    frame = pl.DataFrame(
        {
            "grain": "joint",
            "shift": [begin + timedelta(hours=8 * int(s)) for s in shift],
            "line": "line",
            "machine_type": "type A",
            "nozzle_type": "T1",
            "feeder_type": "tape",
            "method": "laser",
            "lighting": None,
            "untold": None,
            "recipe": "prog",
            **columns,
            **dict.fromkeys(("rejected", "dropped", "returned", "unknown", "rejected_runs", "dropped_runs"), zero),
            "attempts": attempts,
            "placed": attempts - missed,
            "missed": missed,
            "first_tries": attempts - missed,
            "missed_runs": missed,
            "lost_runs": missed,
        }
    )
    return check(frame.select([pl.col(c).cast(t) for c, t in CELLS.items()]).sort(pl.all()), CELLS)


def judge(cells: pl.DataFrame) -> Attribution:
    return attribute(with_chances(cells, "missed"), SETTINGS)


def effect(found: Attribution, kind: str, key: str) -> float:
    table = found.items[kind]
    return float(table.effect[table.keys.index(key)])


def least_p(found: Attribution) -> float:
    return float(np.nanmin(np.concatenate([t.p for t in found.items.values()])))


def test_a_bad_nozzle_is_found_and_nobody_else() -> None:
    found = judge(small_week(odds={("nozzle", "N4"): 5.0}))
    assert found.released == {("nozzle", "N4"): ()}
    assert found.converged
    table = found.items["nozzle"]
    at = table.keys.index("N4")
    assert abs(table.effect[at] - np.log(5.0)) < 1.96 * 2 * np.sqrt(table.variance[at])
    # What a healthy nozzle would lose there: the planted rate times its picks.
    assert table.expected[at] == pytest.approx(0.006 * table.chances[at], rel=0.25)


@pytest.mark.parametrize("twins", [False, True])
def test_losses_too_many_are_those_above_the_healthy_ones(twins: bool) -> None:
    """Odds are no rates: at four losses in ten, those beyond the expected ones are far fewer than the odds say."""
    found = judge(small_week(rate=0.02, odds={("feeder", "F3"): 40.0}, twins=twins))
    ((kind, key),) = [item for item in found.released if item[1].endswith("3")]
    table = found.items[kind]
    at = table.keys.index(key)
    events, expected, chances = table.events[at], table.expected[at], table.chances[at]
    assert events > 0.4 * chances
    excess, low, high = table.excess[at]
    assert excess == pytest.approx(events - expected, rel=0.02)
    assert low < excess < high < chances - expected
    assert expected * np.expm1(table.effect[at]) > 1.5 * excess, "what the odds ratio alone would give"
    for other in found.items.values():
        assert (other.expected <= other.chances).all(), "nobody is expected to lose more than it picked"


def test_what_a_nozzle_lost_before_it_was_mended_does_not_convict_its_spindle() -> None:
    """Until the sixth shift a nozzle misses eight times as often, always on the same spindle; then it is replaced."""
    until = datetime.fromisoformat("2026-11-18T06:00:00")
    item, convicted = ("nozzle", "N4"), {"as it is": 0, "mended": 0}
    for seed in range(4):
        cells = small_week(seed=seed, machines=3)
        early = pl.col("shift") < until
        there = (pl.col("machine") == "M0") & (pl.col("spindle") == "4")
        moved = pl.when(early & there).then(pl.lit("N4")).when(early & (pl.col("nozzle") == "N4")).then(pl.lit("N5"))
        cells = cells.with_columns(moved.otherwise("nozzle").alias("nozzle"))
        bad = cells.select(early & (pl.col("nozzle") == "N4")).to_series().to_numpy()
        more = pl.Series(np.random.default_rng(seed).binomial(cells["placed"].to_numpy(), np.where(bad, 0.045, 0.0)))
        added = [(pl.col(c) + more).alias(c) for c in ("missed", "missed_runs", "lost_runs")]
        cells = cells.with_columns(*added, placed=pl.col("placed") - more, first_tries=pl.col("first_tries") - more)
        frame = with_chances(cells, "missed")
        whole = attribute(frame, SETTINGS)
        others = attribute(frame, SETTINGS, mended={item: until - timedelta(hours=1)})
        convicted["as it is"] += any(name[0] == "spindle" for name in whole.released)
        convicted["mended"] += any(name != item for name in others.released)
        at = others.items["nozzle"].keys.index("N4")
        assert others.items["nozzle"].effect[at] == whole.items["nozzle"].effect[at], "it has its whole week"
        assert others.items["nozzle"].keys == whole.items["nozzle"].keys
    assert convicted["mended"] == 0
    assert convicted["as it is"] >= 2


def test_what_explains_the_losses_worse_than_nothing_is_no_rival() -> None:
    """One head of four loses five times as many; its machine's other head is as good as those of the other machine."""
    cells = small_week(seed=3, machines=4)
    pairs = {"M0": ("M0", "H1"), "M1": ("M0", "H2"), "M2": ("M1", "H1"), "M3": ("M1", "H2")}
    rng = np.random.default_rng(5)
    bad = (cells["machine"] == "M3").to_numpy()
    more = rng.binomial(cells["placed"].to_numpy(), np.where(bad, 0.03, 0.0))
    added = [(pl.col(c) + pl.Series(more)).alias(c) for c in ("missed", "missed_runs", "lost_runs")]
    left = [(pl.col(c) - pl.Series(more)).alias(c) for c in ("placed", "first_tries")]
    named = cells.with_columns(*added, *left).with_columns(
        pl.col("machine").replace({m: machine for m, (machine, _) in pairs.items()}),
        head=pl.col("machine").replace({m: head for m, (_, head) in pairs.items()}),
    )
    found = judge(named)
    (head,) = [item for item in found.released if item[0] == "head"]
    assert found.released[head] == ()


def test_two_factors_with_the_same_levels_cannot_be_told_apart() -> None:
    """Feeder, part, lot and reel go together all week: one is named, and the others are said to be as likely."""
    found = judge(small_week(twins=True, odds={("feeder", "F3"): 6.0}))
    same = {("feeder", "F3"), ("part", "P3"), ("lot", "L3"), ("reel", "R3")}
    named = [item for item in found.released if item in same]
    assert len(named) == 1
    assert same - set(named) <= set(found.released[named[0]])


def test_feeder_and_part_that_met_others_are_told_apart() -> None:
    found = judge(small_week(odds={("feeder", "F3"): 6.0}))
    assert found.released == {("feeder", "F3"): ()}


@pytest.mark.parametrize("column", ["head", "nozzle", "feeder", "lot"])
def test_a_key_that_is_never_known_leaves_the_others_alone(column: str) -> None:
    cells = small_week(odds={("nozzle", "N4"): 5.0, ("feeder", "F3"): 5.0})
    found = judge(cells.with_columns(pl.lit(None, pl.String).alias(column)))
    missing = {"head": {"head", "spindle"}}.get(column, {column})
    instead = {"machine"} if column == "head" else set()
    assert set(found.items) == (set(KEYS) - missing) | instead
    for kind, key in (("nozzle", "N4"), ("feeder", "F3")):
        if kind not in missing:
            assert (kind, key) in found.released


def test_a_key_that_is_sometimes_unknown_is_counted_where_it_is_known() -> None:
    cells = small_week(odds={("feeder", "F3"): 5.0})
    hidden = pl.int_range(pl.len()) % 4 == 0
    cells = cells.with_columns(pl.when(hidden).then(None).otherwise(pl.col("nozzle")).alias("nozzle"))
    found = judge(cells)
    nozzles = found.items["nozzle"]
    known = cells.filter(pl.col("nozzle").is_not_null())
    assert int(nozzles.losses.sum()) == int(known["missed"].sum())
    assert int(nozzles.chances.sum()) == int(known["attempts"].sum())
    assert int(found.items["feeder"].losses.sum()) == int(cells["missed"].sum())
    assert ("feeder", "F3") in found.released


def test_a_log_that_names_nothing_is_not_judged() -> None:
    cells = small_week().with_columns(*[pl.lit(None, pl.String).alias(k) for k in KEYS])
    found = judge(cells)
    assert found.items == {}
    assert found.released == {}
    assert found.fitted.sum() == pytest.approx(int(cells["missed"].sum()), abs=0.1)


def test_a_week_without_a_loss() -> None:
    found = judge(small_week(rate=0.0))
    assert found.released == {}
    assert least_p(found) > 0.99
    for table in found.items.values():
        assert np.isfinite(table.effect).all()
        assert np.abs(table.effect).max() < 0.01
        assert (table.variance > 0).all()


def test_a_single_loss_convicts_nobody() -> None:
    cells = small_week(rate=0.0)
    one = pl.when(pl.int_range(pl.len()) == 100).then(1).otherwise(0)
    found = judge(cells.with_columns(missed=one.cast(pl.Int64), missed_runs=one.cast(pl.Int64)))
    assert found.released == {}


def test_one_machine_only() -> None:
    found = judge(small_week(machines=1, odds={("nozzle", "N4"): 5.0}))
    assert ("nozzle", "N4") in found.released
    # A single head has no peers: nothing can be said of it.
    head = found.items["head"]
    assert len(head.keys) == 1
    assert not head.p[0] < 0.05


def test_one_cell_only() -> None:
    found = judge(small_week().filter(pl.col("missed") > 0).head(1))
    assert found.released == {}
    assert all(len(t.keys) == 1 for t in found.items.values())


def test_a_week_in_which_everything_is_lost() -> None:
    cells = small_week().with_columns(
        missed=pl.col("attempts"), missed_runs=pl.col("attempts"), placed=pl.lit(0, pl.Int64)
    )
    found = judge(cells)
    assert found.released == {}
    assert all(np.isfinite(t.effect).all() for t in found.items.values())


@pytest.mark.parametrize("cells", [small_week().head(0), small_week().with_columns(attempts=pl.lit(0, pl.Int64))])
def test_nothing_to_judge_is_said_clearly(cells: pl.DataFrame) -> None:
    frame = cells.with_columns(missed=pl.lit(0, pl.Int64), missed_runs=pl.lit(0, pl.Int64))
    with pytest.raises(ValueError, match="nothing to attribute"):
        judge(frame)


def test_a_jam_of_twenty_counts_once() -> None:
    """Twenty lost picks in a row on one feeder and shift: one event, so that the feeder is not convicted for it."""
    cells = small_week()
    jam = (pl.col("feeder") == "F3") & (pl.int_range(pl.len()).over("feeder") == 0)
    with_jam = cells.with_columns(
        missed=pl.when(jam).then(pl.col("missed") + 20).otherwise(pl.col("missed")),
        attempts=pl.when(jam).then(pl.col("attempts") + 20).otherwise(pl.col("attempts")),
        missed_runs=pl.when(jam).then(pl.col("missed_runs") + 1).otherwise(pl.col("missed_runs")),
    )
    before, after = judge(cells).items["feeder"], judge(with_jam)
    table = after.items["feeder"]
    at = table.keys.index("F3")
    assert table.losses[at] == before.losses[at] + 20
    assert table.events[at] == before.events[at] + 1
    assert after.released == {}
    assert after.run_length == pytest.approx((cells["missed"].sum() + 20) / (cells["missed"].sum() + 1))


def test_too_few_picks_are_not_judged() -> None:
    cells = small_week()
    few = pl.when(pl.int_range(pl.len()) == 5).then(pl.lit("N-new")).otherwise(pl.col("nozzle"))
    table = judge(cells.with_columns(few.alias("nozzle"))).items["nozzle"]
    at = table.keys.index("N-new")
    assert table.chances[at] < SETTINGS.least_picks
    assert np.isnan(table.p[at])
    assert np.isfinite(np.delete(table.p, at)).all()


def test_the_order_of_rows_does_not_matter() -> None:
    cells = small_week(odds={("nozzle", "N4"): 4.0, ("part", "P7"): 4.0})
    one, other = judge(cells), judge(cells.sample(fraction=1.0, shuffle=True, seed=3))
    assert one.released == other.released
    for kind, table in one.items.items():
        assert table.keys == other.items[kind].keys
        np.testing.assert_allclose(other.items[kind].effect, table.effect, atol=2e-3)


def test_names_do_not_matter() -> None:
    """Renaming the nozzles, against the alphabet too, moves the verdict with them."""
    cells = small_week(odds={("nozzle", "N4"): 4.0})
    renamed = {f"N{i}": f"Z{99 - i}" for i in range(12)}
    one, other = judge(cells), judge(cells.with_columns(pl.col("nozzle").replace_strict(renamed)))
    assert ("nozzle", "N4") in one.released
    assert ("nozzle", "Z95") in other.released
    for old, new in renamed.items():
        assert effect(other, "nozzle", new) == pytest.approx(effect(one, "nozzle", old), abs=2e-3)


def test_what_is_fitted_adds_up_to_what_was_seen() -> None:
    cells = small_week(odds={("nozzle", "N4"): 4.0})
    found = judge(cells)
    # With a free intercept the sums are equal; its weak prior (sd 10) pulls by less than a tenth of a loss.
    assert found.fitted.sum() == pytest.approx(int(cells["missed"].sum()), abs=0.1)
    for table in found.items.values():
        assert int(table.losses.sum()) == int(cells["missed"].sum())
        assert int(table.chances.sum()) == int(cells["attempts"].sum())
        assert (table.expected >= 0).all()
