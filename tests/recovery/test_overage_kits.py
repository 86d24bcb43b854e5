"""Whole kits, mended faults, what loads and misses take, and the test on the past: is the planted truth found?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.analysis.overage import Lines, prepare
from pipeline.analysis.overage_counts import PER_LOAD, SHARE, TAIL, read_counts, recovered, unexplained
from pipeline.analysis.overage_kit import whole_kits
from pipeline.analysis.overage_past import past_test
from pipeline.estimators.counted_rates import counted_rates, event_scatter
from pipeline.estimators.pit import pit_shares
from pipeline.estimators.predictive import LoadLoss, predictive_pmf
from pipeline.schema.frames import LOADS, PAST, REELS, USAGE
from pipeline.settings import Buying, Plant
from tests.recovery.test_overage_coverage import START, World, _plant_history, _run_build

NO_LOADS = pl.DataFrame(schema=LOADS)
KITS = World(packages=5, parts=12, never=0.05, need=(50.0, 3000.0))


def _kits(seed: int, world: World, builds: int = 6, parts: int = 20) -> tuple[Lines, Plant, dict[str, float]]:
    rng = np.random.default_rng([5, seed])
    usage, table, truth = _plant_history(rng, world)
    plant = Plant(Path(), buying=Buying(load_loss_tape=world.load_loss))
    low, high = np.log(world.need)
    rows = [
        (f"B{b}", part, 1, int(np.exp(rng.uniform(low, high))))
        for b in range(builds)
        for part in rng.choice(list(truth), parts, replace=False)
    ]
    table = table.with_columns(unit_cost=pl.Series(10 ** rng.uniform(-3, 1.5, table.height)))
    frame = pl.DataFrame(rows, schema=["build", "part", "quantity_per_board", "boards"], orient="row")
    lines = prepare(usage, NO_LOADS, table, frame.with_columns(due=pl.lit(None, pl.String)), plant)
    assert lines is not None
    return lines, plant, truth


def _complete(seeds: range, world: World) -> tuple[float, float, float]:
    """Share of builds that a 95 % kit completes, its Monte Carlo error, and the share that lines at 95 % complete."""
    full: list[list[bool]] = []
    single: list[bool] = []
    for seed in seeds:
        lines, plant, truth = _kits(seed, world)
        rng = np.random.default_rng([6, seed])
        alone, _ = lines.extra()
        extra = {(k.build, part): n for k in whole_kits(lines, plant) for part, n in k.extras}
        done: dict[str, list[bool]] = {}
        for i, (build, part) in enumerate(lines.builds.select("build", "part").iter_rows()):
            took = _run_build(rng, world, truth[part], int(lines.need[i]))
            done.setdefault(build, []).append(took <= extra[build, part])
            done.setdefault(f"alone {build}", []).append(took <= int(alone[i]))
        full.append([all(v) for b, v in done.items() if not b.startswith("alone")])
        single += [all(v) for b, v in done.items() if b.startswith("alone")]
    by_plant = np.array([np.mean(f) for f in full])
    return float(by_plant.mean()), float(by_plant.std(ddof=1) / np.sqrt(by_plant.size)), float(np.mean(single))


def test_a_kit_is_as_sure_as_a_whole_as_it_says() -> None:
    share, error, single = _complete(range(24), KITS)
    assert share + 2 * error >= 0.94, f"{share:.4f} +- {error:.4f}"
    assert share - 2 * error <= 0.98, f"{share:.4f} +- {error:.4f}"
    assert single < 0.6  # twenty lines at 95 % each: .95^20 = .36 if there were no whole pieces


@pytest.mark.long
@pytest.mark.parametrize(
    "world", [KITS, replace(KITS, rho=0.003), replace(KITS, spread_lots=0.7)], ids=["plain", "bursts", "lots"]
)
def test_kits_in_many_plants(world: World) -> None:
    share, error, _ = _complete(range(100, 180), world)
    assert share + 2 * error >= 0.94, f"{share:.4f} +- {error:.4f}"
    assert share - 2 * error <= 0.98, f"{share:.4f} +- {error:.4f}"


def test_prediction_is_uniform_when_the_truth_is_the_model() -> None:
    """Rates drawn from the beta of the prior, a history, then a build: the PIT is uniform within Monte Carlo error."""
    rng = np.random.default_rng(31)
    below, at = [], []
    loads = LoadLoss("poisson", 3.0).pmf(1)
    for _ in range(6000):
        a, b = 2000 * 0.998, 2000 * 0.002
        good = rng.beta(a, b)
        picks, need = int(rng.integers(0, 4000)), int(rng.integers(20, 4000))
        lost = int(rng.binomial(picks, 1 - good))
        took = int(rng.negative_binomial(need, good) + rng.poisson(3.0))
        cdf = np.cumsum(predictive_pmf(need, a + picks - lost, b + lost, loads))
        end = cdf.size - 1
        below.append(float(cdf[min(took - 1, end)]) if took else 0.0)
        at.append(float(cdf[min(took, end)]))
    tenths = pit_shares(np.minimum(below, 1.0), np.minimum(at, 1.0))
    # The mean of the randomised transform varies less than the transform itself, so the usual test is a safe one.
    assert stats.chisquare(tenths * 6000).pvalue > 0.01
    # A prediction that is a fifth too low does not pass.
    wrong = [stats.binom.cdf([t - 1, t], 1000, 0.0016) for t in rng.binomial(1000, 0.002, 6000)]
    lows, highs = np.array(wrong).T
    assert stats.chisquare(pit_shares(lows, highs) * 6000).pvalue < 1e-6


def _mended(seed: int, half_life: float) -> tuple[float, float]:
    """Share covered and mean extra when all parts lost four times as much until four weeks ago."""
    rng = np.random.default_rng([8, seed])
    world = World(packages=4, parts=10, cells=(112, 113), never=0.0, load_loss=0.0, need=(500.0, 4000.0))
    usage, table, truth = _plant_history(rng, world)
    old = pl.col("week") < "2026-W44"
    more = [pl.when(old).then(4 * pl.col(c)).otherwise(pl.col(c)).alias(c) for c in ("missed", "rejected")]
    usage = usage.with_columns(more).select([pl.col(c).cast(t) for c, t in USAGE.items()])
    plant = Plant(Path(), buying=Buying(load_loss_tape=0.0, half_life_weeks=half_life))
    boards = [int(n) for n in rng.integers(500, 4000, len(truth))]
    builds = pl.DataFrame({"part": list(truth), "boards": boards}).with_columns(
        build=pl.lit("B"), quantity_per_board=pl.lit(1), due=pl.lit(None, pl.String)
    )
    lines = prepare(usage, NO_LOADS, table, builds, plant)
    assert lines is not None
    extra, _ = lines.extra()
    took = [_run_build(rng, world, truth[p], int(n)) for p, n in zip(lines.builds["part"], lines.need, strict=True)]
    return float(np.mean(np.array(took) <= extra)), float(extra.sum())


def test_a_mended_fault_fades() -> None:
    """With a half-life of four weeks fewer extra parts are asked for than when all weeks count the same; enough all
    the same.
    """
    faded, kept = (np.array([_mended(s, h) for s in range(8)]) for h in (2.0, 0.0))
    assert faded[:, 0].mean() >= 0.94
    assert faded[:, 1].sum() < 0.8 * kept[:, 1].sum()


SPLICE = 3.0


def _taken(rng: np.random.Generator, mean: float, scatter: float, size: int) -> np.ndarray:
    """Parts that a load or a splice takes: gamma-Poisson with `scatter` times the variance of a Poisson count."""
    return rng.poisson(rng.gamma(mean / (scatter - 1), scatter - 1, size)) if mean else np.zeros(size)


def _reels(
    rng: np.random.Generator, share: float, per_load: float, reels: int, stray: int = 0, scatter: float = 2.0
) -> pl.DataFrame:
    """Counted reels: three in five were put on, one in five spliced in, one in five only ran on."""
    placed = rng.integers(500, 4000, reels)
    missed = rng.poisson(placed * 0.004)
    lost = rng.poisson(placed * 0.001)
    kind = rng.random(reels)
    loaded, spliced = kind < 0.6, kind > 0.8
    gone = placed + lost + rng.binomial(missed, share) + loaded * _taken(rng, per_load, scatter, reels)
    gone = gone + spliced * _taken(rng, SPLICE, scatter, reels) + rng.integers(-1, 2, reels)
    gone[:stray] += 300
    ended = rng.random(reels) < 0.3
    last = np.where(ended, rng.poisson(4.0, reels), 10_000)
    return pl.DataFrame(
        {
            "machine": "M1", "reel": [f"R{i}" for i in range(reels)], "part": [f"P{i % 7}" for i in range(reels)],
            "counted_by": "count", "loads": loaded, "splices": spliced, "ended": ended,
            "first": gone + last, "last": last, "placed": placed, "missed": missed, "lost": lost,
        }
    ).select([pl.col(c).cast(t) for c, t in REELS.items()])  # fmt: skip


PARTS = pl.DataFrame({"part": [f"P{i}" for i in range(7)], "package": "0402", "unit_cost": 0.05, "feeder_type": "tape"})


@pytest.mark.parametrize(("share", "per_load"), [(0.6, 9.0), (0.1, 3.0), (0.3, 0.0)])
def test_what_loads_splices_and_misses_take_is_found_in_reel_counts(share: float, per_load: float) -> None:
    held, errors = [], []
    true = np.array([share, per_load, SPLICE])
    for seed in range(120):
        r = _reels(np.random.default_rng([9, seed]), share, per_load, 60)
        found = counted_rates(
            r["first"] - r["last"] - r["placed"] - r["lost"], r["missed"], r.select("loads", "splices").to_numpy(),
            (0.3, 6.0, 2.0), (0.25, 6.0, 2.0),
        )  # fmt: skip
        spans = [found.interval(k, 0.95) for k in range(3)]
        held.append([low <= v <= high for v, (low, high) in zip(true, spans, strict=True)])
        errors.append(found.values - true)
    # 95 % of 120, but for chance (three standard errors).
    assert np.mean(held, axis=0).min() >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 120)
    mean, spread = np.mean(errors, axis=0), np.std(errors, axis=0)
    assert abs(mean[0]) <= 0.5 * spread[0]
    # No estimate lies below 0: where nothing is lost, chance goes one way only.
    assert abs(mean[1]) <= (0.5 * spread[1] if per_load else 0.25)
    # Few splices: the estimate is drawn to the setting, from 3 towards 2 parts.
    assert abs(mean[2]) <= 0.6 * spread[2]


@pytest.mark.parametrize("scatter", [1.5, 3.0])
def test_the_scatter_of_loads_and_the_tails_are_found_in_reel_counts(scatter: float) -> None:
    held, values = [], []
    for seed in range(120):
        r = _reels(np.random.default_rng([14, seed]), 0.4, 9.0, 80, scatter=scatter)
        away = (r["first"] - r["last"] - r["placed"] - r["lost"]).to_numpy()
        events = r.select("loads", "splices").to_numpy()
        value, low, high = event_scatter(away, r["missed"].to_numpy(), events, (0.4, 9.0, SPLICE), 0.95)
        held.append(low <= scatter <= high)
        values.append(value)
        counts = read_counts(r, PARTS, pl.DataFrame(schema=USAGE), Plant(Path()))
        tail = next(f for f in counts.figures if f.what == TAIL)
        assert tail.source == "counted"
        assert counts.plant.buying.tail_loss == tail.value
        held[-1] = (held[-1], tail.low is not None and tail.low <= 4.0 <= (tail.high or 0.0))
    found = np.mean(held, axis=0)
    assert np.mean(values) == pytest.approx(scatter, abs=0.25 * scatter)
    assert found.min() >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 120)


def test_stray_reels_do_not_move_the_figures_but_are_listed() -> None:
    rng = np.random.default_rng(10)
    reels = _reels(rng, 0.5, 8.0, 80, stray=3)
    usage = pl.DataFrame(schema=USAGE)
    counts = read_counts(reels, PARTS, usage, Plant(Path()))
    value = {f.what: f for f in counts.figures if f.feeder_type == "tape"}
    assert value[SHARE].source == value[PER_LOAD].source == "counted"
    assert value[SHARE].value == pytest.approx(0.5, abs=0.12)
    assert value[PER_LOAD].value == pytest.approx(8.0, abs=1.5)
    assert counts.plant.buying.load_loss_tape == value[PER_LOAD].value
    assert counts.plant.buying.load_loss_tray == 0.0  # nothing was counted there: the setting stands
    found = unexplained(counts, PARTS, Plant(Path()))
    # Reels 0, 1 and 2 are of the parts P0, P1 and P2: these lead the list, each with its 300 parts inside the interval.
    assert {u.part for u in found[:3]} == {"P0", "P1", "P2"}
    for u in found[:3]:
        assert u.low <= 300 <= u.high
        assert u.low > 0
        assert u.value == pytest.approx(0.05 * u.difference)
        assert "Look for parts that go without a log" in u.text
    assert sum(u.low <= 0 <= u.high for u in found[3:]) >= 3
    assert [abs(u.value or 0) for u in found] == sorted((abs(u.value or 0) for u in found), reverse=True)


def test_a_machines_own_books_are_no_counts() -> None:
    rng = np.random.default_rng(11)
    reels = _reels(rng, 0.5, 8.0, 30).with_columns(last=pl.col("first") - pl.col("placed") - pl.col("lost"))
    counts = read_counts(reels, PARTS, pl.DataFrame(schema=USAGE), Plant(Path()))
    assert counts.books == ("M1",)
    assert counts.reels.is_empty()
    assert {f.source for f in counts.figures} == {"setting"}
    assert unexplained(counts, PARTS, Plant(Path())) == ()


def _past(usage: pl.DataFrame) -> pl.DataFrame:
    """Each week of each part as a build of the past."""
    sums = [pl.col(c).sum() for c in ("placed", "missed", "rejected", "dropped", "unknown")]
    found = usage.group_by("week", "part", "package", "feeder_type").agg(pl.col("machine").n_unique(), *sums)
    found = found.rename({"package": "build", "machine": "machines"}).filter(pl.col("placed") > 0)
    return found.select([pl.col(c).cast(t) for c, t in PAST.items()]).sort(pl.all())


def test_the_test_on_the_past_finds_that_the_advice_fits_and_that_it_does_not() -> None:
    verdicts, enough = [], []
    for seed in range(6):
        rng = np.random.default_rng([12, seed])
        world = World(packages=5, parts=8, cells=(110, 112), never=0.0)
        usage, table, _ = _plant_history(rng, world)
        usage = usage.with_columns(shift=START + pl.duration(hours=8 * pl.int_range(pl.len()).over("part")))
        plant = Plant(Path(), buying=Buying(load_loss_tape=0.0))
        found = past_test(_past(usage), usage, NO_LOADS, table, plant)
        assert found is not None
        assert abs(sum(found.tenths) - 1) < 1e-9
        assert found.rules[2].surplus == found.rules[2].short == 0  # perfect knowledge
        verdicts.append(found.verdict)
        enough.append(found.rules[0].enough)
        # In the last two weeks every part loses three times as much: the advice of the weeks before is too bold.
        worse = usage.with_columns(
            pl.when(pl.col("week") >= "2026-W46").then(3 * pl.col(c)).otherwise(pl.col(c)).alias(c)
            for c in ("missed", "rejected")
        )
        told = past_test(_past(worse), worse, NO_LOADS, table, plant)
        assert told is not None
        assert told.verdict == "too bold"
    assert np.mean(enough) >= 0.94
    assert verdicts.count("fits") >= 4


def test_no_verdict_on_too_little() -> None:
    rng = np.random.default_rng(13)
    usage, table, _ = _plant_history(rng, World(packages=1, parts=2, cells=(50, 51), never=0.0))
    plant = Plant(Path())
    found = past_test(_past(usage), usage, NO_LOADS, table, plant)
    assert found is not None
    assert found.verdict == "cannot say yet"
    one_week = usage.filter(pl.col("week") == "2026-W40")
    assert past_test(_past(one_week), one_week, NO_LOADS, table, plant) is None


def test_the_share_of_returns_is_found_in_issues_and_returns() -> None:
    """Of what is left of each issued part, three fifths come back, more of one part and less of another."""
    held, values = [], []
    usage, table, _ = _plant_history(np.random.default_rng(15), World(packages=2, parts=10, never=0.0))
    plant = Plant(Path())
    counts = read_counts(pl.DataFrame(schema=REELS), table, usage, plant)
    used = (
        usage.group_by("part")
        .agg((pl.col("placed") + pl.col("rejected") + pl.col("missed") * plant.costs.miss_uses_part).sum())
        .sort("part")
    )
    for seed in range(60):
        rng = np.random.default_rng([16, seed])
        left = rng.integers(20, 400, used.height)
        back = rng.binomial(left, rng.beta(6, 4, used.height))
        moves = used.select(
            "part", issued=pl.col("placed").round().cast(pl.Int64) + pl.Series(left), returned=pl.Series(back)
        )
        found = recovered(moves, usage, NO_LOADS, counts, table, plant)
        assert found.source == "counted"
        held.append((found.low or 0.0) <= 0.6 <= (found.high or 0.0))
        values.append(found.value)
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)
    assert np.mean(values) == pytest.approx(0.6, abs=4 * np.std(values) / np.sqrt(60))
    few = recovered(moves.head(3), usage, NO_LOADS, counts, table, plant)
    assert (few.source, few.value) == ("setting", plant.buying.returns_recovered)
