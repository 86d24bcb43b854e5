"""Items that did the same picks: found exactly, judged as one, and each still with a row of its own."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.analysis.attribution import Attribution, attribute
from pipeline.analysis.attribution_model import prepare
from pipeline.analysis.earlier_weeks import look_back
from pipeline.analysis.losses import with_chances
from pipeline.analysis.ranking import adjust
from pipeline.analysis.same_work import TIED, TIED_REJECTS, same_picks, stands_for, tied_pairs
from pipeline.settings import Statistics
from tests.unit.analysis.test_attribution import small_week

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
    return {
        name: float(getattr(table, name)[at]) for name in ("losses", "chances", "expected", "effect", "variance", "p")
    }


@given(LEVELS)
def test_the_same_picks_are_those_of_equal_sets_of_cells(pairs: list[tuple[int, int]]) -> None:
    one, other = (np.array(c, dtype=np.int64) for c in zip(*pairs, strict=True))
    mine_of, theirs_of = ({int(n): set(np.flatnonzero(c == n)) for n in np.unique(c)} for c in (one, other))
    found = same_picks(one, other)
    assert found.size == max(one.max(initial=-1) + 1, 0)
    for level, there in enumerate(found.tolist()):
        mine = mine_of.get(level, set())
        same = [n for n, theirs in theirs_of.items() if n >= 0 and theirs == mine and mine]
        assert ([there] if there >= 0 else []) == same


def test_kinds_are_tied_only_where_most_items_of_both_are() -> None:
    feeder = np.repeat(np.arange(8), 4)
    slot, half = feeder.copy(), feeder.copy()
    slot[[0, 31]] = slot[[31, 0]]  # two of eight feeders changed places once
    half[[0, 12, 20, 31]] = half[[31, 20, 12, 0]]
    assert tied_pairs({"feeder": feeder, "slot": slot}, TIED) == {("slot", "feeder")}
    assert tied_pairs({"feeder": feeder, "slot": half}, TIED) == frozenset()
    many = np.arange(32)
    assert tied_pairs({"feeder": feeder, "reel": many}, TIED) == frozenset()
    unknown = np.where(feeder < 4, feeder, -1)
    assert tied_pairs({"feeder": feeder, "part": unknown}, TIED) == frozenset()
    # A nozzle and a feeder with the same picks are not of a kind that a set-up ties together.
    assert tied_pairs({"feeder": feeder, "nozzle": feeder}, TIED) == frozenset()


def test_one_stands_for_all_that_go_together_and_the_part_does_so_for_rejects() -> None:
    feeder = np.repeat(np.arange(4), 3)
    codes = {"feeder": feeder, "slot": 3 - feeder, "part": (feeder + 1) % 4}
    for rows, first in ((TIED, "feeder"), (TIED_REJECTS, "part")):
        out = stands_for(codes, tied_pairs(codes, rows), rows)
        assert {kind for kind, _ in out} == set(codes) - {first}
        assert len(out) == 8
        for (kind, level), (stays, level_of_it) in out.items():
            assert stays == first
            assert set(np.flatnonzero(codes[kind] == level)) == set(np.flatnonzero(codes[first] == level_of_it))


def test_a_few_that_are_tied_by_chance_keep_effects_of_their_own() -> None:
    frame = with_chances(small_week(), "missed")
    assert prepare(frame).tied == {("lot", "part")}, "a lot a part"
    assert set(prepare(frame).left_out) == {"lot"}
    assert {"feeder", "slot", "part", "reel", "nozzle", "spindle"} <= set(prepare(frame).kinds)


def test_what_is_tied_has_one_effect_and_a_row_in_every_kind() -> None:
    frame = _tied()
    assert set(prepare(frame).kinds) & {"feeder", *MATERIAL} == {"feeder"}
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
    assert bad["effect"] == pytest.approx(np.log(6.0), abs=3 * np.sqrt(bad["variance"]))
    for kind in MATERIAL:
        twin = _row(found, kind, f"{kind[0].upper()}3")
        assert (twin["effect"], twin["p"]) == (0.0, 1.0)
        assert twin["expected"] == pytest.approx(bad["expected"] * np.exp(bad["effect"]))
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


def test_weeks_in_which_they_came_apart_keep_them_apart_everywhere() -> None:
    tied, apart = [_tied(seed=n) for n in range(3)], [with_chances(small_week(seed=n), "missed") for n in range(3)]
    now = prepare(tied[0]).tied
    always, mixed = look_back(tied, tied=now), look_back([*tied[:2], apart[2]], tied=now)
    assert always is not None
    assert mixed is not None
    assert ("part", "feeder") in always.tied
    assert "part" not in always.seen
    assert mixed.tied == {("lot", "part")}
    assert "part" in mixed.seen
    assert all(first is None for first in attribute(tied[0], SETTINGS, apart).items["part"].twin_of)
    assert all(attribute(tied[0], SETTINGS, tied).items["part"].twin_of)
