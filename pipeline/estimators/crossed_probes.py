"""Traces and diagonals of the inverse by sampling, for the iterative route of the crossed model.

In:    a `LargeFactored` at a mode, fixed random signs.
Out:   draws with the effects' posterior covariance; variances, leverages and the gradient from them, each draw apart,
       so that their scatter gives the Monte Carlo error.
After: the same signs at every step: the estimated gradient is a smooth function of the spreads, and its root is found
       like any other.

A draw solves H x = Z'W^(1/2) e + T^(1/2) e', whose right side has covariance H. The variance of an effect is its
variance given all others, known exactly, plus the variance of its mean given them, which is small and is sampled.
Source: Papandreou and Yuille 2010, NIPS 23 (perturbed draws); Siden and others 2018, J Comput Graph Stat 27:898
(Rao-Blackwell for the diagonal); both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.estimators.arrays import BoolArray, FloatArray
from pipeline.estimators.crossed_large import LargeAssembler, LargeFactored
from pipeline.estimators.crossed_objective import Mode

ACCURACY = 1e-3
Signs: TypeAlias = tuple[NDArray[np.int8], NDArray[np.int8]]


@dataclass(frozen=True)
class Draws:
    """Draws of the effects with their posterior covariance, fixed effects held.

    stacked    solutions, shape (effects + p, N); 0 for fixed effects
    variances  of every effect by each draw alone, shape (effects, N)
    """

    stacked: FloatArray
    variances: FloatArray


@dataclass(frozen=True)
class Slope:
    """Gradient of half of -2 log L by each draw, shape (K + p, N), and what Newton's step needs beside it.

    known      effective number of levels of each factor, sum of 1 - v / prior variance
    curvature  expected information of every log spread and of the fixed effects, shape (K + p, K + p)
    columns    solutions of the K + p systems of the implicit part, to start the next ones at
    """

    each: FloatArray
    known: FloatArray
    curvature: FloatArray
    columns: FloatArray

    @property
    def mean(self) -> FloatArray:
        """The gradient."""
        return np.asarray(self.each.mean(axis=1))

    @property
    def noise(self) -> FloatArray:
        """Covariance of the mean over the draws."""
        return np.asarray(np.atleast_2d(np.cov(self.each)) / self.each.shape[1], dtype=float)


def signs(assembler: LargeAssembler, count: int, seed: int) -> Signs:
    """Random signs of rows and of effects, shapes (r, N) and (effects, N), one byte each."""
    rng = np.random.default_rng(seed)
    shape = assembler.design.losses.size, count
    rows = rng.integers(0, 2, shape, dtype=np.int8) * np.int8(2) - np.int8(1)
    effects = rng.integers(0, 2, (assembler.effects, count), dtype=np.int8) * np.int8(2) - np.int8(1)
    return rows, effects


def draw(
    factored: LargeFactored,
    precision: FloatArray,
    marks: Signs,
    start: FloatArray | None = None,
    accuracy: float = ACCURACY,
) -> Draws:
    """Draws from N(0, C), C the inverse with the fixed effects held; `start`: earlier solutions to begin at."""
    a, first = factored.assembler, factored.diagonal.size
    right = a.transpose(np.sqrt(factored.weights)[:, None] * marks[0])
    right[: a.effects] += np.sqrt(precision)[:, None] * marks[1]
    right[a.effects :] = 0.0
    stacked = factored.solve(right, False, accuracy, start)
    # given all others, an effect has this variance and this mean; small factors are taken together
    reduced = factored.apply(stacked[first:], False)
    own = 1.0 / factored.schur[: a.rest_effects]
    small = a.coarse[: a.coarse_effects]
    own[small] = factored.coarse_variances()
    means = stacked[first : a.effects] - reduced[: a.rest_effects] / factored.schur[: a.rest_effects, None]
    means[small] = stacked[first + small] - factored.coarse_means(reduced)
    rest = own[:, None] + means**2
    # the largest factor: its mean given the rest is a sum over the border, whose diagonal part is now known better
    share = factored.border / factored.diagonal[a.border.level]
    squares = a.border.matrix(share**2)[:, : a.rest_effects]
    means = stacked[:first] - right[:first] / factored.diagonal[:, None]
    largest = 1.0 / factored.diagonal[:, None] + means**2 + squares @ (rest - stacked[first : a.effects] ** 2)
    return Draws(stacked, np.concatenate([largest, rest]))


def slope(
    mode: Mode,
    factored: LargeFactored,
    draws: Draws,
    released: BoolArray,
    fixed_precision: FloatArray,
    outer_beta: bool,
    start: FloatArray | None = None,
) -> Slope:
    """The gradient of half of -2 log L in every log spread, then in the fixed effects where they are outer."""
    a = factored.assembler
    factors, p = len(a.design.sizes), a.design.X.shape[1] if outer_beta else 0
    healthy = np.where(released, 0.0, mode.precision)
    right = np.zeros((a.effects + a.design.X.shape[1], factors + p))
    for k, where in a.slices().items():
        right[where, k] = (healthy * mode.stacked[: a.effects])[where]
    if p:
        right[: a.effects, factors:] = a.transpose(factored.weights[:, None] * a.design.X)[: a.effects]
    columns = factored.solve(right, not outer_beta, ACCURACY, start)
    moved = a.predict(columns)
    third = leverages(a, draws)
    third *= (-0.5 * mode.weights * np.tanh(0.5 * mode.eta))[:, None]
    each = 2.0 * (moved[:, :factors].T @ third)
    known = np.zeros(factors)
    curvature = np.zeros((factors + p, factors + p))
    squares = mode.stacked[: a.effects] ** 2
    averaged = 1.0 - healthy * draws.variances.mean(axis=1)
    for k, where in a.slices().items():
        keep = ~released[where]
        each[k] += np.sum(1.0 - healthy[where, None] * (squares[where, None] + draws.variances[where]), axis=0)
        each[k] -= float(np.sum(~keep))
        known[k] = float(np.sum(averaged[where][keep]))
        curvature[k, k] = 2.0 * float(np.sum(averaged[where][keep] ** 2))
    if p:
        away = a.design.X - moved[:, factors:]
        direct = fixed_precision * mode.stacked[a.effects :] - a.design.X.T @ mode.residual
        each = np.concatenate([each, away.T @ third + direct[:, None]])
        curvature[factors:, factors:] = a.design.X.T @ (factored.weights[:, None] * away) + np.diag(fixed_precision)
    return Slope(each, known, curvature, columns)


def leverages(assembler: LargeAssembler, draws: Draws) -> FloatArray:
    """z'Cz of every row by each draw, shape (r, N): squares of the draws, their diagonal part known better."""
    squares = assembler.predict(draws.stacked)
    squares *= squares
    better = np.zeros_like(draws.stacked)
    better[: assembler.effects] = draws.variances - draws.stacked[: assembler.effects] ** 2
    squares += assembler.predict(better)
    return squares
