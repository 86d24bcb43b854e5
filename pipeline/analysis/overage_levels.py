"""The arithmetic of borrowing: how far parts, packages, shifts and batches differ, and what a part's peers are worth.

In:    counts as arrays, with the index of the package of each part.
Out:   variance components by part and package; a prior for the loss rate of each part.
After: every component is above 0; a prior never holds counts of the part that it is for.

overage_pooling.py describes the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from pipeline.estimators.arrays import FloatArray, IntArray

DEFAULT_VARIATION: Final = 0.25
"""Relative variance between shifts and between batches that is assumed until the data say otherwise: a spread of a
half of the rate. Our assumption, no source."""
PRIOR_DF: Final = 8.0
"""Weight of that assumption, and of the pool against a part's own variation, in degrees of freedom."""
PART_SHAPE: Final = 2.0
"""Middle of the prior of 1 / relative variance between parts of a package (a spread of 0.7 times the rate)."""
PACKAGE_SHAPE: Final = 1.0
"""The same between packages (a spread as large as the rate)."""

_SHAPES: Final = np.exp(np.linspace(np.log(0.05), np.log(50.0), 33))


def sums(index: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum of `values` for each index 0 .. size - 1."""
    return np.bincount(index, weights=values, minlength=size).astype(float)


def shrink(
    excess: FloatArray, df: FloatArray, size: FloatArray, package: IntArray, assumed: float
) -> tuple[FloatArray, FloatArray]:
    """A variance component of each part, drawn to its package's, that to the plant's, that to the assumed one.

    excess / size is a part's own moment estimate (it may be negative), df its degrees of freedom. A component
    that noise covers (value * size / df well below 1) says little about itself: its degrees of freedom count less.
    Returns the values by part, and by package with the plant's as last entry.
    """
    groups = int(package.max()) + 1
    known = (df > 0) & (size > 0)
    estimate = np.where(known, excess / np.where(known, size, 1.0), 0.0)
    mean_size = np.where(known, size / np.where(known, df, 1.0), 0.0)
    value = np.full(df.size, assumed)
    pool = np.full(groups + 1, assumed)
    for _ in range(6):
        signal = value * mean_size
        info = df * (signal / (1.0 + signal)) ** 2
        top, weight = float(info @ estimate), float(info.sum())
        plant = max((top + PRIOR_DF * assumed) / (weight + PRIOR_DF), 0.02 * assumed)
        by_group = (sums(package, info * estimate, groups) + PRIOR_DF * plant) / (
            sums(package, info, groups) + PRIOR_DF
        )
        by_group = np.maximum(by_group, 0.02 * assumed)
        pool = np.append(by_group, plant)
        own = by_group[package]
        value = np.maximum((info * estimate + PRIOR_DF * own) / (info + PRIOR_DF), 0.02 * assumed)
    return value, pool


@dataclass(frozen=True, slots=True)
class Levels:
    """Parts in packages in the plant: 1 / relative variance between them, and effective counts of each."""

    part_shape: float
    package_shape: float
    plant: float
    size: FloatArray
    weight: FloatArray
    lost: FloatArray
    package_of: IntArray
    n_package: FloatArray
    y_package: FloatArray

    @classmethod
    def of(cls, lost: FloatArray, size: FloatArray, package_of: IntArray, groups: int) -> Levels:
        """Fit by alternating means and shapes; six rounds settle it far below what the data can tell."""
        plant = (lost.sum() + 0.5) / (size.sum() + 1.0)
        part_shape, package_shape = PART_SHAPE, PACKAGE_SHAPE
        mean = np.full(groups, plant)
        for _ in range(6):
            weight = 1.0 / (1.0 / size + mean[package_of] / part_shape)
            n = sums(package_of, weight, groups)
            y = sums(package_of, weight * lost / size, groups)
            upper = 1.0 / (1.0 / n + plant / package_shape)
            plant = float(upper @ (y / n) / upper.sum()) + 0.5 / (float(size.sum()) + 1.0)
            mean = (package_shape + y) / (package_shape / plant + n)
            part_shape = _shape(lost, size, mean[package_of], PART_SHAPE)
            package_shape = _shape(y, n, np.full(groups, plant), PACKAGE_SHAPE)
        return cls(part_shape, package_shape, plant, size, weight, weight * lost / size, package_of, n, y)

    def prior(self, at: IntArray, group: IntArray) -> tuple[FloatArray, FloatArray]:
        """Losses and parts that the prior of each wanted part is worth, its own counts left out everywhere."""
        ran, in_package = at >= 0, group >= 0
        n = np.where(in_package, self.n_package[group], 0.0) - np.where(ran, self.weight[at], 0.0)
        y = np.where(in_package, self.y_package[group], 0.0) - np.where(ran, self.lost[at], 0.0)
        alone = n <= 1e-9 * np.where(in_package, self.n_package[group], 1.0)
        n, y = np.where(alone, 0.0, n), np.where(alone, 0.0, np.maximum(y, 0.0))
        spread = self.plant / self.package_shape
        upper = 1.0 / (1.0 / self.n_package + spread)
        upper_y = upper * self.y_package / self.n_package
        safe = np.where(alone, 1.0, n)
        rest = np.where(alone, 0.0, 1.0 / (1.0 / safe + spread))
        total = upper.sum() - np.where(in_package, upper[group], 0.0) + rest
        total_y = upper_y.sum() - np.where(in_package, upper_y[group], 0.0) + rest * y / safe
        # With no other part in the plant, Jeffreys' prior beta(1/2, 1/2) is all that is left.
        nothing = total <= 1e-9 * upper.sum()
        others = self.size.sum() - np.where(ran, self.size[at], 0.0)
        # Half a loss among all other parts, so that a plant without losses is not taken for perfect.
        mean = np.maximum(total_y, 0.0) / np.where(nothing, 1.0, total) + 0.5 / (np.maximum(others, 0.0) + 1.0)
        worth = 1.0 / ((1.0 + 1.0 / (np.maximum(total_y, 0.0) + 0.5)) * (1.0 + 1.0 / self.package_shape) - 1.0)
        a = worth + y
        mean = a / (worth / mean + n)
        worth = 1.0 / ((1.0 + 1.0 / a) * (1.0 + 1.0 / self.part_shape) - 1.0)
        return np.where(nothing, 0.5, worth), np.where(nothing, 1.0, worth / mean)


def _shape(y: FloatArray, n: FloatArray, mean: FloatArray, middle: float) -> float:
    """1 / relative variance of beta rates around `mean`: marginal likelihood and a log-normal prior of log sd 1."""
    best, found = -np.inf, middle
    for shape in _SHAPES:
        b = shape * (1.0 - mean) / mean
        value = np.sum(
            special.gammaln(shape + y)
            - special.gammaln(shape)
            + special.gammaln(b + n - y)
            - special.gammaln(b)
            - special.gammaln(shape + b + n)
            + special.gammaln(shape + b)
        )
        value = float(value) - 0.5 * float(np.log(shape / middle)) ** 2
        if value > best:
            best, found = value, float(shape)
    return found
