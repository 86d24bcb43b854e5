"""The week's cells as a crossed model: which factors there are, their fit, and what it leads one to expect.

In:    the week's CELLS with columns `losses`, `runs` and `chances` (analysis/losses.py).
Out:   a `State`: codes and names of every factor's items, and the model; fits of it.
After: a factor with one level alone that nobody is judged by is left out, and so are items that another one with the
       same picks stands for (same_work.py): that one is in a factor of its group. Items of a factor are in the order of
       their keys.

Who is judged and released is decided in analysis/attribution.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.analysis import items, same_work
from pipeline.estimators.crossed_logit import CrossedModel, CrossedResult
from pipeline.estimators.dispersion import pearson_dispersion
from pipeline.estimators.multiplicity import weights_of_suspects
from pipeline.estimators.own_past import OwnPast
from pipeline.estimators.spread_over_weeks import PastSpread

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Name = tuple[str, str]
"""Kind and key of an item."""

JUDGED: Final = (
    *("machine", "head", "spindle", "nozzle", "slot", "feeder", "package", "part", "lot", "reel", "optics", "light"),
)
"""Kinds whose items are held against their peers. A machine of one head is that head; one whose parts are not known is
not judged, since machines differ by their work."""

ONLY_REJECTS: Final = ("optics", "light")
"""Kinds that can only be to blame for recognition rejects."""

SETTING: Final = ("machine_type", "method")
"""What makes items peers: effects of their own with a wide spread; never judged."""

SETTING_SD: Final = 1.0
"""Spread of machine types and methods in log odds: they differ by design. So do mended items before and after."""

BEFORE: Final = " before"
"""After a kind: the factor of what its items that were mended in the week were like before that."""

LEAST_PARTS: Final = 3
"""Parts that a light must have lit to be judged: of fewer, nothing tells it from them. Common practice, no source."""

INTERCEPT_SD: Final = 10.0
"""Prior spread of the plant's own log odds: as good as none, but a week without a loss keeps a finite rate."""

BURST_KINDS: Final = ("feeder", "nozzle")
"""Kinds over whose item x shift cells the dispersion of the model is measured."""

SPREAD_PRIOR: Final = (float(np.log(0.2)), 0.5)
"""Weak prior of a healthy spread in log odds, (mean, sd) of its log: 0.075 to 0.53 in 95 %. Common practice, no source.
It keeps a spread of few levels away from nothing and from the outliers' size."""

ROUGH_SD: Final = 0.3
"""Spread of every kind in the first fit, which only serves to measure the dispersion."""


@dataclass(slots=True)
class State:
    """Codes of every factor, what has been released so far, and what earlier weeks say of each kind.

    raw, losses, chances  losses, losses that begin a run, and chances of each cell; shift: number of its shift
    kinds, codes, keys    kind of each factor, the level of each cell (-1: unknown), and the names of the levels
    factors               names of the factors: their kinds, or that of a group (same_work.py)
    same                  (kind, key) of an item -> those that did the same picks and are left out for it
    counts_of             (kind, key) of these -> their own losses, losses that begin a run, and chances
    past                  by factor: what earlier weeks showed of the healthy spread, None where they say nothing
    own_past              by factor: what its items were like in earlier weeks, None where they were not seen
    weights               by factor: what the p-values against an item's own past are divided by
    """

    raw: IntArray
    losses: IntArray
    chances: IntArray
    shift: IntArray
    kinds: list[str]
    codes: list[IntArray]
    keys: list[list[str]]
    model: CrossedModel
    released: list[BoolArray] = field(default_factory=list)
    same: dict[Name, tuple[Name, ...]] = field(default_factory=dict)
    counts_of: dict[Name, tuple[int, int, int]] = field(default_factory=dict)
    factors: list[str] = field(default_factory=list)
    past: list[PastSpread | None] = field(default_factory=list)
    own_past: list[OwnPast | None] = field(default_factory=list)
    weights: list[FloatArray] = field(default_factory=list)

    def learn(self, past: list[PastSpread | None], own_past: list[OwnPast | None]) -> None:
        """Take what earlier weeks say of each factor, in the order of `kinds`, for all fits and tests to come."""
        self.past, self.own_past = past, own_past
        told = [SPREAD_PRIOR if p is None else (p.mean, p.sd) for p in past]
        self.model.prior_sigmas(([t[0] for t in told], [t[1] for t in told]))
        judged = [k for k, kind in enumerate(self.kinds) if kind in JUDGED]
        bad = [np.zeros(len(self.keys[k])) if (o := own_past[k]) is None else o.bad_before() for k in judged]
        ends = np.cumsum([len(b) for b in bad])[:-1]
        shared = dict(zip(judged, np.split(weights_of_suspects(np.concatenate(bad)), ends), strict=True)) if bad else {}
        self.weights = [shared.get(k, np.ones(len(keys))) for k, keys in enumerate(self.keys)]

    def same_as(self, k: int) -> list[tuple[Name, ...]]:
        """For each item of factor k those that did the same picks: together they are what is judged."""
        return [self.same.get((self.kinds[k], key), ()) for key in self.keys[k]]

    def fit(
        self,
        sigmas: Sequence[float | None] | FloatArray | None,
        dispersion: float,
        start: CrossedResult | None = None,
    ) -> CrossedResult:
        """The crossed model with the released items; spreads are estimated unless given; `start`: where to begin."""
        known = [None if past is None else past.fixed for past in self.past]
        held: list[float | None] = [SETTING_SD if _is_setting(k) else f for k, f in zip(self.kinds, known, strict=True)]
        if sigmas is not None:
            held = [f if s is None else float(s) for s, f in zip(sigmas, known, strict=True)]
        return self.model.fit(released=self.released, sigmas=held, dispersion=dispersion, start=start)

    def first_fit(self) -> tuple[CrossedResult, float]:
        """A fit at a rough spread of every kind, and the dispersion that it shows over item x shift cells."""
        rough = self.fit(np.array([SETTING_SD if _is_setting(k) else ROUGH_SD for k in self.kinds]), 1.0)
        bursts = [
            self.dispersion(rough, k)
            for k, factor in enumerate(self.factors)
            if not set(BURST_KINDS).isdisjoint(factor.split("+"))
        ]
        return rough, max(bursts, default=1.0)

    def dispersion(self, fit: CrossedResult, k: int) -> float:
        """Dispersion over the item x shift cells of one kind, at least 1."""
        known = self.codes[k] >= 0
        cell = self.codes[k][known] * (int(self.shift.max(initial=0)) + 1) + self.shift[known]
        _, place = np.unique(cell, return_inverse=True)
        losses = np.bincount(place, self.losses[known])
        chances = np.bincount(place, self.chances[known])
        fitted = np.bincount(place, self.chances[known] * expit(fit.linear_predictor()[known]))
        if len(losses) <= len(self.keys[k]) + 1:
            return 1.0
        found = pearson_dispersion(losses, chances, fitted / chances, parameters=len(self.keys[k]))
        return float(found.at_least_one)

    def expected(self, fit: CrossedResult, k: int, eta: FloatArray) -> FloatArray:
        """Losses of each item of kind k if its own effect were that of a healthy peer."""
        known = self.codes[k] >= 0
        code = self.codes[k][known]
        own = fit.effects[k][code]
        healthy = self.chances[known] * expit(eta[known] - own)
        return np.bincount(code, healthy, minlength=len(self.keys[k])).astype(np.float64)

    def counts(self, k: int, values: IntArray) -> IntArray:
        """Sum of a count of the cells over each item of kind k."""
        known = self.codes[k] >= 0
        return np.bincount(self.codes[k][known], values[known], minlength=len(self.keys[k])).astype(np.int64)


def _is_setting(kind: str) -> bool:
    return kind in SETTING or kind.endswith(BEFORE)


def expit(eta: FloatArray) -> FloatArray:
    """Rate for log odds."""
    return np.asarray(1.0 / (1.0 + np.exp(-eta)))


def _several_lights(keyed: pl.DataFrame) -> pl.DataFrame:
    """Keep lights that have peers, which light `LEAST_PARTS` parts each for the same method on several machines, and of
    these those of optics that have several: the only light of a camera is the camera's.
    """
    if "_light" not in keyed.columns:
        return keyed.drop("lighting")
    seen = keyed.drop_nulls("_light").group_by("method", "lighting", "_optics", "_light")
    peers = seen.agg(pl.col("_part").drop_nulls().n_unique()).filter(pl.col("_part") >= LEAST_PARTS)
    peers = peers.filter(pl.len().over("method", "lighting") > 1).filter(pl.len().over("_optics") > 1)
    kept = pl.when(pl.col("_light").is_in(peers["_light"].implode())).then("_light")
    return keyed.with_columns(kept.alias("_light")).drop("lighting")


def _once(keyed: pl.DataFrame) -> tuple[pl.DataFrame, dict[Name, tuple[Name, ...]]]:
    """Leave out a head, or a machine of several, whose picks are just those of its optics: two effects of the same
    picks would hide each other. So is a head left out for a light. Also returns which of these it is left out for.
    """
    if "_optics" not in keyed.columns:
        return keyed, {}
    pairs = {kind: keyed.select("_head", pl.col(f"_{kind}").alias("_other")).unique() for kind in ONLY_REJECTS}
    alone = pl.concat(
        frame.filter(pl.len().over("_head") == 1, pl.len().over("_other") == 1)
        .drop_nulls()
        .sort(pl.all())
        .with_columns(kind=pl.lit(kind))
        for kind, frame in pairs.items()
    )
    whole = keyed.select("_machine", "_optics").unique().filter(pl.len().over("_machine") == 1).drop_nulls()
    left = keyed.with_columns(
        pl.when(~pl.col(c).is_in(out[c].implode())).then(pl.col(c)).alias(c)
        for c, out in (("_head", alone), ("_machine", whole))
    )
    same: dict[Name, tuple[Name, ...]] = {(kind, other): (("head", head),) for head, other, kind in alone.iter_rows()}
    same.update((("optics", optics), (("machine", machine),)) for machine, optics in whole.sort(pl.all()).iter_rows())
    return left, same


@dataclass(slots=True)
class _Factors:
    """Names, level of each cell (-1: unknown), and the names of the levels; `same` as in `State`."""

    names: list[str]
    codes: list[IntArray]
    keys: list[list[str]]
    same: dict[Name, tuple[Name, ...]]

    def group_tied(self, picks: IntArray, rows: tuple[tuple[str, ...], ...]) -> None:
        """Move items that stand for others with the same picks to a factor of their group, and leave the others out."""
        coded = dict(zip(self.names, self.codes, strict=True))
        called = dict(zip(self.names, self.keys, strict=True))
        moved: dict[str, set[int]] = {}
        for name, group in same_work.tied_groups(coded, picks, rows).items():
            kind = kind_of(name)
            for level, twins in group.items():
                stays = (kind, called[kind][level])
                self.same[stays] = (*self.same.get(stays, ()), *((k, called[k][at]) for k, at in twins))
                for tied, at in [(kind, level), *twins]:
                    moved.setdefault(tied, set()).add(at)
            code, keys = _some(coded[kind], called[kind], np.array(sorted(group), dtype=np.int64))
            self._add(name, code, keys)
        for kind, levels in moved.items():
            k = self.names.index(kind)
            left = np.setdiff1d(np.arange(len(self.keys[k])), sorted(levels))
            self.codes[k], self.keys[k] = _some(self.codes[k], self.keys[k], left)
        some = [k for k, keys in enumerate(self.keys) if keys]
        self.names = [self.names[k] for k in some]
        self.codes = [self.codes[k] for k in some]
        self.keys = [self.keys[k] for k in some]

    def _add(self, name: str, code: IntArray, keys: list[str]) -> None:
        self.names.append(name)
        self.codes.append(code)
        self.keys.append(keys)


def kind_of(factor: str) -> str:
    """The kind of a factor's items.

    >>> kind_of("feeder+slot+part"), kind_of("nozzle")
    ('feeder', 'nozzle')
    """
    return factor.partition("+")[0]


def _some(code: IntArray, keys: list[str], levels: IntArray) -> tuple[IntArray, list[str]]:
    """Codes and keys of some levels, in their order; cells of all others get -1."""
    number = np.full(len(keys) + 1, -1, dtype=np.int64)  # the last one is that of code -1
    number[levels] = np.arange(levels.size)
    return number[code], [keys[level] for level in levels.tolist()]


def prepare(
    cells: pl.DataFrame, left_out: Sequence[str] = ONLY_REJECTS, mended: Mapping[Name, datetime] | None = None
) -> State:
    """Code the cells of one week; ValueError when none has a chance.

    left_out  kinds that cannot be to blame
    mended    items whose cells of shifts that began until then (local time) have an effect of their own
    """
    judged = [k for k in JUDGED if k not in left_out]
    frame = cells.filter(pl.col("chances") > 0)
    if frame.is_empty():
        raise ValueError("no cell has a chance of this loss: there is nothing to attribute")
    heads = frame.group_by("machine").agg(
        items.key("head").drop_nulls().n_unique().alias("heads"), pl.col("part").is_not_null().any().alias("parts")
    )
    whole = heads.filter((pl.col("heads") != 1) & pl.col("parts"))["machine"].implode()
    keyed = frame.select(
        "losses",
        "runs",
        "chances",
        "shift",
        *[pl.col(c) for c in (*SETTING, "lighting")],
        *[items.key(k).alias(f"_{k}") for k in judged if k != "machine"],
        pl.when(pl.col("machine").is_in(whole)).then(pl.col("machine")).alias("_machine"),
    )
    before = _before(judged, mended or {})
    keyed = keyed.with_columns(before)
    named = keyed = _several_lights(keyed)
    keyed, same = _once(named)
    factors = _coded(keyed, [*judged, *(name.meta.output_name()[1:] for name in before)], same)
    shift = keyed["shift"].rank("dense").cast(pl.Int64).to_numpy() - 1
    runs, chances = keyed["runs"].to_numpy().astype(np.int64), keyed["chances"].to_numpy().astype(np.int64)
    factors.group_tied(chances, same_work.TIED_REJECTS if "optics" in judged else same_work.TIED)
    return State(
        raw=keyed["losses"].to_numpy().astype(np.int64),
        losses=runs,
        chances=chances,
        shift=shift,
        kinds=[kind_of(name) for name in factors.names],
        codes=factors.codes,
        keys=factors.keys,
        model=CrossedModel(
            runs,
            chances,
            np.ones((len(runs), 1)),
            factors.codes,
            sizes=[len(k) for k in factors.keys],
            beta="joint",
            beta_sd=INTERCEPT_SD,
            log_sigma_prior=SPREAD_PRIOR,
        ),
        released=[np.zeros(len(names), dtype=bool) for names in factors.keys],
        same=factors.same,
        counts_of=_counts_of(named, factors.same),
        factors=factors.names,
        past=[None] * len(factors.names),
        own_past=[None] * len(factors.names),
    )


def _before(judged: Sequence[str], mended: Mapping[Name, datetime]) -> list[pl.Expr]:
    """Columns that hold the key of mended items in the shifts that began before they were."""
    found = []
    for kind in sorted({kind for kind, _ in mended if kind in judged and kind != "machine"}):
        until = {key: when for (of, key), when in mended.items() if of == kind}
        own = pl.col(f"_{kind}")
        earlier = pl.any_horizontal((own == key) & (pl.col("shift") <= when) for key, when in until.items())
        found.append(pl.when(earlier).then(own).alias(f"_{kind}{BEFORE}"))
    return found


def _counts_of(keyed: pl.DataFrame, same: dict[Name, tuple[Name, ...]]) -> dict[Name, tuple[int, int, int]]:
    twins = {twin for twins in same.values() for twin in twins}
    found: dict[Name, tuple[int, int, int]] = {}
    for kind in sorted({kind for kind, _ in twins}):
        sums = keyed.group_by(f"_{kind}").agg(pl.col("losses", "runs", "chances").sum())
        for key, losses, runs, chances in sums.iter_rows():
            if (kind, key) in twins:
                found[kind, key] = (int(losses), int(runs), int(chances))
    return found


def _coded(keyed: pl.DataFrame, judged: Sequence[str], same: dict[Name, tuple[Name, ...]]) -> _Factors:
    factors = _Factors([], [], [], same)
    for kind, column in [*((c, c) for c in SETTING), *((k, f"_{k}") for k in judged)]:
        names = keyed[column].drop_nulls().unique().sort()
        if len(names) == 0 or (len(names) == 1 and kind in (*SETTING, "machine")):
            continue
        table = pl.DataFrame({"name": names, "code": np.arange(len(names), dtype=np.int64)})
        code = keyed.select(pl.col(column).alias("name")).join(table, on="name", how="left", maintain_order="left")[
            "code"
        ]
        factors.names.append(kind)
        factors.codes.append(code.fill_null(-1).to_numpy().astype(np.int64))
        factors.keys.append([str(n) for n in names])
    return factors
