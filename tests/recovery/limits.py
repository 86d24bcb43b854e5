"""How much of the oracle's power is lost by not knowing the healthy spread alone: `python -m tests.recovery.limits`.

    python -m tests.recovery.limits [--seeds N] [--first SEED] [--past]

looks at the weeks of the power trial (measure.py) with four statisticians. All know every other effect and the
dispersion exactly and test the same family at the same false discovery rate; they differ in what they know of nozzles:

    oracle     the healthy spread
    peers      which nozzles are bad, but the spread only from the counts of the healthy ones and the weak prior
    mixture    neither: what the tool does, if its model of all else were perfect
    plain      neither, and takes all other nozzles for healthy

Between the oracle and `peers` lies what no method can gain from one week, between `peers` and `mixture` what bad
nozzles hide of each other, between `mixture` and the tool what it does not know of all else.

With `--past` it looks at the power weeks that have others before them, with statisticians who also know which nozzles
are healthy, and their true effects in all these weeks:

    oracle     the healthy spread
    history    the spread only from those effects: what chance says of 36 nozzles cannot be averaged out
    weekly     the same, with the tool's allowance for a spread that differs from week to week

Nobody who judges by the spread alone, and has to learn it from a plant's nozzles, finds more than `history`. The tool
also looks at what each nozzle was like itself (own_past.py), which none of these do.
"""

from __future__ import annotations

import argparse

import numpy as np
import polars as pl
from scipy import stats

from pipeline.analysis import items
from pipeline.analysis.attribution_model import JUDGED, SPREAD_PRIOR
from pipeline.estimators.healthy_spread import GRID, spread_weights
from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.estimators.spread_over_weeks import FINE_GRID, WEEKLY
from pipeline.estimators.tail import excess_tail
from tests.recovery.measure import OLD, SETTINGS, FloatArray, bad_nozzles, known, weeks_before, with_past
from tests.recovery.simulated_plant import Truth, Week, week

KNOWS = ("oracle", "peers", "mixture", "plain")
KNOWS_PAST = ("oracle", "history", "weekly")


def found(seed: int) -> dict[str, int]:
    """How many of the four bad nozzles of a week each statistician flags."""
    planted, given = bad_nozzles(seed)
    truth = week(seed, given)
    events, enough = _counts(truth, "nozzle")
    expected, dispersion, spread = known(truth, given, "nozzle")
    bad = np.array([truth.keys["nozzle"].index(item[1]) for item, _, _ in planted])
    estimate = np.log((events + 0.5) / (expected + 0.5))
    variance = dispersion / np.maximum(events, 0.5)
    tails = excess_tail(events[:, None], expected[:, None], GRID[None, :], dispersion[:, None])
    healthy = np.where(np.isin(np.arange(estimate.size), bad), np.nan, estimate)
    p_values = {
        "oracle": excess_tail(events, expected, spread, dispersion),
        "peers": np.sum(tails * spread_weights(healthy, variance, SPREAD_PRIOR), axis=1),
        "mixture": np.sum(tails * spread_weights(estimate, variance, SPREAD_PRIOR), axis=1),
        "plain": np.sum(tails * _plain_weights(estimate, variance), axis=1),
    }
    return _hits(truth, given, p_values, enough, bad)


def found_with_past(seed: int) -> dict[str, int]:
    """The same with six weeks before, for those who know the true effects of the healthy nozzles."""
    planted, given = bad_nozzles(seed)
    given = with_past(seed, given)
    truth = week(seed, given)
    events, enough = _counts(truth, "nozzle")
    expected, dispersion, spread = known(truth, given, "nozzle")
    bad = np.array([truth.keys["nozzle"].index(item[1]) for item, _, _ in planted])
    healthy = [key for i, key in enumerate(truth.keys["nozzle"]) if i not in bad]
    weeks = weeks_before(seed, given, OLD * (seed % 2))
    effects = np.array([[w.effects["nozzle"][key] for w in weeks] for key in healthy])
    weights = _weights_of_effects(effects, given.drift)
    kernel = stats.norm.pdf(np.log(FINE_GRID)[:, None], np.log(FINE_GRID)[None, :], WEEKLY)
    tails = excess_tail(events[:, None], expected[:, None], FINE_GRID[None, :], dispersion[:, None])
    p_values = {
        "oracle": excess_tail(events, expected, spread, dispersion),
        "history": tails @ weights,
        "weekly": tails @ (weights @ (kernel / kernel.sum(axis=1, keepdims=True))),
    }
    return _hits(truth, given, p_values, enough, bad)


def _weights_of_effects(effects: FloatArray, fresh: float) -> FloatArray:
    """Weights of the spreads of FINE_GRID by true effects, shape (nozzles, weeks), a share of them new each week."""
    if not fresh:
        effects = effects[:, :1]  # the same in all weeks
    count = effects.shape[1]
    shape = (1.0 - fresh) * np.ones((count, count)) + fresh * np.eye(count)
    log_weights = stats.norm.logpdf(np.log(FINE_GRID), *SPREAD_PRIOR)
    for i, spread in enumerate(FINE_GRID):
        log_weights[i] += stats.multivariate_normal.logpdf(effects, np.zeros(count), spread**2 * shape).sum()
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _hits(
    truth: Week, given: Truth, p_values: dict[str, FloatArray], enough: np.ndarray, bad: np.ndarray
) -> dict[str, int]:
    """How many bad nozzles each flags, when all other kinds are judged as by the oracle."""
    others: list[FloatArray] = []
    for kind in JUDGED:
        if kind != "nozzle":
            events, judged = _counts(truth, kind)
            expected, dispersion, spread = known(truth, given, kind)
            others.append(excess_tail(events, expected, spread, dispersion)[judged])
    hits = {}
    for name, p in p_values.items():
        adjusted = benjamini_hochberg(np.concatenate([np.where(enough, p, np.nan), *others]))
        hits[name] = int(np.sum(adjusted[bad] <= SETTINGS.false_discovery_rate))
    return hits


def _counts(truth: Week, kind: str) -> tuple[FloatArray, np.ndarray]:
    """Events of each item, and whether it has enough picks to be judged."""
    table = truth.frame.group_by(items.key(kind).alias("key")).agg(pl.col("missed_runs", "attempts").sum())
    events, attempts = (dict(table.select("key", c).iter_rows()) for c in ("missed_runs", "attempts"))
    counts = np.array([events.get(key, 0) for key in truth.keys[kind]], dtype=float)
    return counts, np.array([attempts.get(key, 0) >= SETTINGS.least_picks for key in truth.keys[kind]])


def _plain_weights(estimate: FloatArray, variance: FloatArray) -> FloatArray:
    """As `spread_weights`, without outliers."""
    each = stats.norm.logpdf(estimate[:, None], 0, np.sqrt(GRID[None, :] ** 2 + variance[:, None]))
    log_weights = each.sum(axis=0)[None, :] - each + stats.norm.logpdf(np.log(GRID), *SPREAD_PRIOR)[None, :]
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def main(arguments: list[str] | None = None) -> None:
    """Print how many bad nozzles each statistician finds."""
    parser = argparse.ArgumentParser(prog="python -m tests.recovery.limits", description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=60, metavar="N")
    parser.add_argument("--first", type=int, metavar="SEED", help="default: 60000, with --past 160000")
    parser.add_argument("--past", action="store_true", help="weeks that have others before them")
    given = parser.parse_args(arguments)
    first = given.first if given.first is not None else 160_000 if given.past else 60_000
    weeks = [(found_with_past if given.past else found)(seed) for seed in range(first, first + given.seeds)]
    for name in KNOWS_PAST if given.past else KNOWS:
        print(f"{name:8} {sum(w[name] for w in weeks)} of {4 * len(weeks)}")


if __name__ == "__main__":
    main()
