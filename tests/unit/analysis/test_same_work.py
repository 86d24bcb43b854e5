"""Items that did the same picks: found exactly, judged as one, and each still with a row of its own."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.analysis import same_work
from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.attribution_model import prepare
from pipeline.analysis.earlier_weeks import look_back
from pipeline.analysis.losses import with_chances
from pipeline.analysis.ranking import adjust
from pipeline.analysis.same_work import ENOUGH, TIED, TIED_REJECTS, same_picks, tied_groups
from pipeline.settings import Statistics
from tests.unit.analysis.test_attribution import small_week

IntArray = NDArray[np.int64]
SETTINGS = Statistics()
MATERIAL = ("part", "lot", "reel")
FIGURES = ("losses", "chances", "expected", "effect", "variance", "p")
LEVELS = st.lists(st.tuples(st.integers(-1, 3), st.integers(-1, 3)), min_size=1, max_size=30)


def _tied(seed: int = 1, odds: dict[tuple[str, str], float] | None = None, cut: int = 0) -> pl.DataFrame:
    """Every feeder with one part, lot and reel of its own; the first `cut` of them run the next one's part once."""
    frame = with_chances(small_week(seed=seed, twins=True, odds=odds), "missed")
    first = pl.col("shift") == pl.col("shift").min()
    for n in range(cut):
        other = first & (pl.col("feeder") == f"F{n}")
        frame = frame.with_columns(
            pl.when(other).then(pl.lit(f"{k[0].upper()}{n + 1}")).otherwise(k).alias(k) for k in MATERIAL
        )
    return frame


def _row(found: Attribution, kind: str, key: str) -> dict[str, float]:
    table = found.items[kind]
    at = table.keys.index(key)
    return {name: float(getattr(table, name)[at]) for name in FIGURES}


@given(LEVELS)
def test_with_single_picks_the_same_are_those_of_equal_sets_of_cells(pairs: list[tuple[int, int]]) -> None:
    """Of fewer than fifty picks a single one is more than a fiftieth, so that nothing but equal sets will do."""
    one, other = (np.array(c, dtype=np.int64) for c in zip(*pairs, strict=True))
    mine_of, theirs_of = ({int(n): set(np.flatnonzero(c == n)) for n in np.unique(c)} for c in (one, other))
    found = same_picks(one, other, np.ones(one.size, dtype=np.int64))
    assert found.size == max(one.max(initial=-1) + 1, 0)
    for level, there in enumerate(found.tolist()):
        mine = mine_of.get(level, set())
        same = [n for n, theirs in theirs_of.items() if n >= 0 and theirs == mine and mine]
        assert ([there] if there >= 0 else []) == same


def _names(codes: dict[str, IntArray]) -> dict[str, int]:
    picks = np.ones(next(iter(codes.values())).size, dtype=np.int64)
    return {name: len(group) for name, group in tied_groups(codes, picks, TIED).items()}


def test_a_group_needs_ten_items_or_most_of_its_kinds() -> None:
    feeder = np.repeat(np.arange(8), 4)
    slot, half = feeder.copy(), feeder.copy()
    slot[[0, 31]] = slot[[31, 0]]  # two of eight feeders changed places once
    half[[0, 12, 20, 31]] = half[[31, 20, 12, 0]]
    assert _names({"feeder": feeder, "slot": slot}) == {"feeder+slot": 6}
    assert _names({"feeder": feeder, "slot": half}) == {}, "four of eight are too few to learn a spread from"
    many, moved = np.repeat(np.arange(40), 4), np.repeat(np.arange(40), 4)
    moved[40:] = np.roll(moved[40:], 1)
    assert _names({"feeder": many, "slot": moved}) == {"feeder+slot": ENOUGH}
    unknown = np.where(feeder < 4, feeder, -1)
    assert _names({"feeder": feeder, "part": unknown}) == {}
    # A nozzle and a feeder with the same picks are not of a kind that a set-up ties together.
    assert _names({"feeder": feeder, "nozzle": feeder}) == {}


def test_a_few_that_left_a_large_group_in_part_stay_together() -> None:
    """Two of twenty feeders changed slots and took their parts along: feeder and part are still one."""
    feeder = np.repeat(np.arange(20), 4)
    slot = feeder.copy()
    slot[[0, 1, 4, 5]] = slot[[4, 5, 0, 1]]
    assert _names({"feeder": feeder, "slot": slot, "part": feeder}) == {"feeder+slot+part": 18, "feeder+part": 2}


def test_of_what_did_the_same_picks_the_one_is_named_that_stands_for_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Too few for a group: the data say nothing, and a bad part that one feeder has is looked for at the feeder."""
    monkeypatch.setattr(same_work, "ENOUGH", 1000)
    monkeypatch.setattr(same_work, "MOSTLY", 2.0)
    for seed in range(1, 3):
        found = attribute(_tied(seed, odds={("part", "P3"): 8.0}), SETTINGS)
        (blamed, doubt), *others = found.released.items()
        assert not others
        assert blamed == ("feeder", "F3")
        assert ("part", "P3") in doubt


def test_lots_and_reels_make_no_group_of_their_own_beside_what_lasts() -> None:
    feeder = np.repeat(np.arange(12), 2)
    reel = np.where(feeder < 6, feeder, 6 + np.arange(24))  # half of the feeders had two reels
    _, reel = np.unique(reel, return_inverse=True)
    assert _names({"feeder": feeder, "slot": feeder, "reel": reel}) == {"feeder+slot": 12}
    assert _names({"feeder": feeder, "lot": feeder}) == {"feeder+lot": 12}
    assert _names({"lot": feeder, "reel": feeder}) == {}


@given(st.integers(1, 300), st.integers(1, 300), st.integers(1, 300))
def test_a_fiftieth_elsewhere_is_still_the_same_work(both: int, mine: int, theirs: int) -> None:
    """Feeder 0 and part 0 share `both` picks; the feeder has `mine` from another part, the part `theirs` elsewhere."""
    picks = np.array([both, mine, theirs])
    feeder, part = np.array([0, 0, 1]), np.array([0, 1, 0])
    near = both >= 0.98 * (both + mine) and both >= 0.98 * (both + theirs)
    assert (same_picks(feeder, part, picks)[0] == 0) == near
    assert (same_picks(part, feeder, picks)[0] == 0) == near


def test_one_stands_for_all_that_go_together_and_the_part_does_so_for_rejects() -> None:
    feeder = np.repeat(np.arange(4), 3)
    codes = {"feeder": feeder, "slot": 3 - feeder, "part": (feeder + 1) % 4}
    for rows, name in ((TIED, "feeder+slot+part"), (TIED_REJECTS, "part+feeder+slot")):
        (found,) = tied_groups(codes, np.ones(feeder.size, dtype=np.int64), rows).items()
        assert found[0] == name
        first, *others = name.split("+")
        for level, twins in found[1].items():
            assert [kind for kind, _ in twins] == others
            for kind, same in twins:
                assert set(np.flatnonzero(codes[kind] == same)) == set(np.flatnonzero(codes[first] == level))


def test_a_few_that_are_tied_by_chance_keep_effects_of_their_own() -> None:
    state = prepare(with_chances(small_week(), "missed"))
    assert [f for f in state.factors if "+" in f] == ["part+lot"], "a lot a part"
    assert {"feeder", "slot", "part", "reel", "nozzle", "spindle"} <= set(state.kinds)
    assert "lot" not in state.kinds


def test_what_is_tied_has_one_effect_and_a_row_in_every_kind() -> None:
    frame = _tied()
    assert [f for f in prepare(frame).factors if f.split("+")[0] in ("feeder", *MATERIAL)] == ["feeder+part"]
    found = attribute(frame, SETTINGS)
    for kind in MATERIAL:
        table = found.items[kind]
        assert table.keys == sorted(frame[kind].unique().to_list())
        assert table.twin_of == [("feeder", f"F{key[1:]}") for key in table.keys]
        assert np.isnan(table.tested).all()
        for key in table.keys:
            assert _row(found, kind, key) == _row(found, "feeder", f"F{key[1:]}")
    counted = frame.group_by("part").agg(pl.col("losses", "chances").sum()).sort("part")
    assert found.items["part"].losses.tolist() == counted["losses"].to_list()
    assert found.items["part"].chances.tolist() == counted["chances"].to_list()


def test_those_that_came_apart_once_are_judged_by_themselves() -> None:
    frame = _tied(cut=2)
    found = attribute(frame, SETTINGS)
    judged = {
        key for key, first in zip(found.items["part"].keys, found.items["part"].twin_of, strict=True) if not first
    }
    assert judged == {"P0", "P1", "P2"}
    assert len(found.items["part"].keys) == frame["part"].n_unique()
    assert np.isfinite(found.items["part"].tested).sum() == len(judged)


def test_a_bad_one_is_named_once_with_all_that_it_may_be() -> None:
    found = attribute(_tied(odds={("part", "P3"): 6.0}), SETTINGS)
    assert found.released == {("feeder", "F3"): (("part", "P3"), ("lot", "L3"), ("reel", "R3"))}
    bad = _row(found, "feeder", "F3")
    excess = found.items["feeder"].excess[found.items["feeder"].keys.index("F3"), 0]
    assert bad["effect"] == pytest.approx(np.log(6.0), abs=3 * np.sqrt(bad["variance"]))
    for kind in MATERIAL:
        twin = _row(found, kind, f"{kind[0].upper()}3")
        assert (twin["effect"], twin["p"]) == (0.0, 1.0)
        assert twin["expected"] == pytest.approx(bad["expected"] + excess)
        table = found.items[kind]
        assert table.explained_by[table.keys.index(f"{kind[0].upper()}3")] == "feeder F3"


def test_an_item_counts_once_among_all_that_were_looked_at() -> None:
    found = attribute(_tied(odds={("part", "P3"): 6.0}), SETTINGS)
    (q,) = adjust([found])
    tested = np.concatenate([t.tested for t in found.items.values()])
    least = float(np.nanmin(tested))
    assert float(np.nanmin(np.concatenate(list(q.values())))) == pytest.approx(least * np.isfinite(tested).sum())
    feeders, parts = found.items["feeder"], found.items["part"]
    for key in parts.keys:
        at, of = parts.keys.index(key), feeders.keys.index(f"F{key[1:]}")
        assert q["part"][at] == (1.0 if key == "P3" else q["feeder"][of])


def test_each_group_has_the_spread_that_it_had_in_the_weeks_before() -> None:
    tied, apart = [_tied(seed=n) for n in range(3)], [with_chances(small_week(seed=n), "missed") for n in range(3)]
    mixed = look_back([*tied[:2], apart[2]])
    assert mixed is not None
    assert {"feeder", "feeder+part", "part+lot", "reel"} <= set(mixed.seen)
    weeks = {factor: np.isfinite(seen.variances).any(axis=0).tolist() for factor, seen in mixed.seen.items()}
    assert weeks["feeder+part"] == [True, True, False]
    assert weeks["feeder"] == [False, False, True]
    alone, told = attribute(tied[0], SETTINGS), attribute(tied[0], SETTINGS, tied)
    assert told.weeks == 3
    assert not np.array_equal(alone.items["feeder"].p, told.items["feeder"].p)
    assert np.array_equal(attribute(tied[0], SETTINGS, apart).items["feeder"].twin_of, [None] * 20)


def test_a_wrong_load_for_an_hour_keeps_two_together_with_counts_of_their_own() -> None:
    frame = _tied(odds={("part", "P3"): 6.0})
    hour = frame.filter(pl.col("feeder") == "F3").head(1).with_columns(
        pl.lit("P4").alias("part"), pl.lit(0, pl.Int64).alias("losses"), pl.lit(0, pl.Int64).alias("runs"),
        pl.lit(20, pl.Int64).alias("chances"),
    )  # fmt: skip
    moved = pl.concat([frame, hour])
    found = attribute(moved, SETTINGS)
    assert found.released == {("feeder", "F3"): (("part", "P3"), ("lot", "L3"), ("reel", "R3"))}
    counted = moved.group_by("part").agg(pl.col("losses", "chances").sum()).sort("part")
    parts = found.items["part"]
    assert (parts.keys, parts.chances.tolist()) == (counted["part"].to_list(), counted["chances"].to_list())
    assert parts.losses.tolist() == counted["losses"].to_list()
    here, there = parts.keys.index("P3"), found.items["feeder"].keys.index("F3")
    assert 0.9 < parts.expected[here] / parts.events[here] < 1.1, (
        "the feeder's effect is in what it was expected to lose"
    )
    assert parts.chances[here] < found.items["feeder"].chances[there]


def test_bursts_of_feeders_are_seen_where_the_part_stands_for_them() -> None:
    rng = np.random.default_rng(5)
    frame = _tied()
    bursts = frame.select("feeder", "shift").unique().sort(pl.all())
    bursts = bursts.with_columns(pl.Series("more", rng.gamma(0.5, 2.0, len(bursts))))
    rate = frame.join(bursts, on=["feeder", "shift"], how="left", maintain_order="left")["more"].to_numpy() * 0.006
    drawn = rng.binomial(frame["chances"].to_numpy(), np.minimum(rate, 1.0))
    frame = frame.with_columns(pl.Series("losses", drawn), pl.Series("runs", drawn))
    missed, rejected = prepare(frame), prepare(frame, ())
    assert ("feeder+part" in missed.factors, "part+feeder" in rejected.factors) == (True, True)
    assert missed.first_fit()[1] > 2
    assert rejected.first_fit()[1] == pytest.approx(missed.first_fit()[1], rel=0.1)


def test_effects_of_a_group_and_of_the_others_of_its_kind_stand_in_one_table() -> None:
    found = attribute(_tied(cut=4), SETTINGS)
    feeders = found.items["feeder"]
    assert feeders.keys == sorted({f"F{n}" for n in range(20)})
    assert feeders.twin_of == [None] * 20
    counted = _tied(cut=4).group_by("feeder").agg(pl.col("chances").sum()).sort("feeder")
    assert feeders.chances.tolist() == counted["chances"].to_list()


def test_one_large_cell_elsewhere_does_not_untie_what_many_small_ones_tie() -> None:
    """Nozzle 0 has 200 shares of 25 picks on spindle 0, and was tried on spindle 1 for a job of 60."""
    nozzle, spindle = np.zeros(201, dtype=np.int64), np.append(np.zeros(200, dtype=np.int64), 1)
    nozzle, spindle = np.append(nozzle, np.ones(100, dtype=np.int64)), np.append(spindle, np.ones(100, dtype=np.int64))
    picks = np.full(301, 25, dtype=np.int64)
    picks[200] = 60
    picks[201:] = 50
    assert same_picks(nozzle, spindle, picks).tolist() == [0, 1]
    assert same_picks(spindle, nozzle, picks).tolist() == [0, 1]
