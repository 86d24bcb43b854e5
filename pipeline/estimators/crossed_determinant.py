"""log |H| of a large crossed model: exactly where the reduced matrix fits into memory, else by sampling.

In:    a `LargeFactored`.
Out:   log |Z'WZ + T| and its Monte Carlo error, 0 where it is exact; the factor, which then also solves.
After: the exact way is off by single-precision rounding of the products alone (below 0.01 at 5000 effects).

Source: stochastic Lanczos quadrature, Ubaru, Chen and Saad 2017, SIAM J Matrix Anal Appl 38:1075, here of the
preconditioned matrix, whose logarithm is small (from memory).
"""

from __future__ import annotations

import numpy as np
from scipy import linalg

from pipeline.estimators.arrays import FloatArray
from pipeline.estimators.crossed_large import LargeFactored

EXACT_LIMIT = 10_000
"""Most effects besides the largest factor for the exact way: the matrix takes 800 MB, its factor the same place."""
_BLOCK = 1024
_STEPS = 25
_PROBES = 16


def log_determinant(factored: LargeFactored, seed: int = 0) -> tuple[float, float]:
    """log |Z'WZ + T| and its standard error, by whichever way fits."""
    if factored.effects <= EXACT_LIMIT:
        return exact_factor(factored)[0], 0.0
    return sampled_log_determinant(factored, seed)


def exact_factor(factored: LargeFactored) -> tuple[float, FloatArray]:
    """log |H| and the Cholesky factor of the reduced matrix of the effects (its lower triangle; ignore the rest)."""
    a, n = factored.assembler, factored.effects
    matrix = np.zeros((n, n), order="F")
    for i, k in enumerate(a.others):
        begin, end = a.place[k], a.place[k] + a.design.sizes[k]
        for other in a.others[i + 1 :]:
            down = a.place[other]
            matrix[down : down + a.design.sizes[other], begin:end] = a.pair(factored.weights, other, k)
    border = a.border.matrix((factored.border / np.sqrt(factored.diagonal[a.border.level])).astype(np.float32))
    for top in range(0, a.first_size, 2 * _BLOCK):
        rows = border[top : top + 2 * _BLOCK].toarray()[:, :n]
        for begin in range(0, n, _BLOCK):
            matrix[begin:, begin : begin + _BLOCK] -= rows[:, begin:].T @ rows[:, begin : begin + _BLOCK]
    at = np.arange(n)
    matrix[at, at] = factored.schur[:n]
    lower, failed = linalg.lapack.dpotrf(matrix, lower=1, clean=0, overwrite_a=1)
    if failed:
        raise np.linalg.LinAlgError("the reduced matrix is not positive definite")
    value = float(np.sum(np.log(factored.diagonal)) + 2.0 * np.sum(np.log(np.diag(lower))))
    return value, lower


def sampled_log_determinant(factored: LargeFactored, seed: int, probes: int = _PROBES) -> tuple[float, float]:
    """log |H| and its standard error, from Lanczos steps on L^-1 S L^-T with L L' the preconditioner."""
    a, n = factored.assembler, factored.effects
    known = float(np.sum(np.log(factored.diagonal))) + factored.preconditioner_log_determinant()
    if n == 0:
        return known, 0.0
    rng = np.random.default_rng(seed)
    v = np.zeros((a.width, probes))
    v[:n] = rng.integers(0, 2, (n, probes)) * 2.0 - 1.0
    v /= np.sqrt(n)
    steps = min(_STEPS, n)
    diagonal, beside = np.zeros((steps, probes)), np.zeros((steps, probes))
    last, norm = np.zeros_like(v), np.zeros(probes)
    for i in range(steps):
        w = factored.half_precondition(v, True)
        w = factored.half_precondition(factored.apply(w, False), False)
        w -= norm * last
        diagonal[i] = np.sum(w * v, axis=0)
        w -= diagonal[i] * v
        norm = np.sqrt(np.sum(w**2, axis=0))
        beside[i] = norm
        last, v = v, w / np.where(norm > 1e-12, norm, np.inf)
    each = np.zeros(probes)
    for j in range(probes):
        small = np.flatnonzero(beside[:, j] <= 1e-12)
        stop = int(small[0]) + 1 if small.size else steps
        values, vectors = linalg.eigh_tridiagonal(diagonal[:stop, j], beside[: stop - 1, j])
        each[j] = n * float(np.sum(vectors[0] ** 2 * np.log(np.maximum(values, 1e-12))))
    return known + float(each.mean()), float(each.std(ddof=1) / np.sqrt(probes))
