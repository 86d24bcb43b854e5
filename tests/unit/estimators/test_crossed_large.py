"""The iterative route of the crossed model against the dense one and against plain matrices."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.estimators import crossed_determinant, crossed_large, crossed_large_fit, crossed_logit
from pipeline.estimators.crossed_design import make_design
from pipeline.estimators.crossed_determinant import exact_factor, sampled_log_determinant
from pipeline.estimators.crossed_large import LargeAssembler
from pipeline.estimators.crossed_logit import CrossedModel, fit_crossed
from pipeline.estimators.crossed_objective import LaplaceObjective, Priors
from pipeline.estimators.crossed_probes import draw, leverages, signs, slope
from pipeline.estimators.crossed_solver import Assembler


def example(seed: int, sizes, cells: int = 300, unknown: float = 0.1, columns: int = 2, nested: bool = False):
    """Counts with planted effects; a level is unknown in a share of the cells; the last factor may hold the first."""
    rng = np.random.default_rng(seed)
    factors = [rng.integers(0, size, cells) for size in sizes]
    if nested and len(sizes) > 1:
        factors[-1] = rng.integers(0, sizes[-1], sizes[0])[factors[0]]
    eta = -3.0 + sum(rng.normal(0, 0.5, s)[f] for s, f in zip(sizes, factors, strict=True))
    factors = [np.where(rng.random(cells) < unknown, -1, f) for f in factors]
    X = np.column_stack([np.ones(cells), rng.normal(size=(cells, columns - 1))])
    m = rng.integers(0, 80, cells)
    return rng.binomial(m, 1 / (1 + np.exp(-eta))), m, X, factors


def systems(design, coarse: int, seed: int = 0):
    """The same weighted system by plain matrices and by the iterative route with room for `coarse` small effects."""
    rng = np.random.default_rng(seed)
    effects, p = sum(design.sizes), design.X.shape[1]
    weights, precision = rng.uniform(0.1, 4, design.losses.size), rng.uniform(0.5, 9, effects)
    fixed = rng.uniform(0.1, 1, p)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(crossed_large, "COARSE", coarse)
        assembler = LargeAssembler(design)
    order = Assembler(design).order()
    Z = np.hstack([(design.levels[k][:, None] == np.arange(design.sizes[k])).astype(float) for k in order])
    ZX = np.hstack([Z, design.X])
    full = ZX.T @ (weights[:, None] * ZX) + np.diag(np.concatenate([precision, fixed]))
    return ZX, full, assembler.factor(assembler.build(weights), precision, fixed), precision


designs = st.tuples(
    st.integers(0, 10_000),
    st.sampled_from([(30, 20, 6), (12,), (25, 3), (9, 9, 9, 2), (40, 30)]),
    st.sampled_from([0.0, 0.15, 0.7]),
    st.integers(1, 2),
    st.booleans(),
)


@settings(deadline=None, max_examples=25)
@given(designs, st.sampled_from([0, 10, 1000]))
def test_solves_and_determinant_against_plain_matrices(made, coarse):
    seed, sizes, unknown, columns, nested = made
    y, m, X, factors = example(seed, sizes, unknown=unknown, columns=columns, nested=nested)
    design = make_design(y, m, X, factors, sizes)
    ZX, full, factored, _ = systems(design, coarse, seed)
    n = sum(sizes)
    rng = np.random.default_rng(seed)
    right = rng.normal(size=(n + columns, 3))
    assert np.allclose(factored.solve(right, True, 1e-10), np.linalg.solve(full, right), atol=1e-7)
    held = factored.solve(right, False, 1e-10)
    assert np.allclose(held[:n], np.linalg.solve(full[:n, :n], right[:n]), atol=1e-7)
    assert np.all(held[n:] == 0)
    assert np.allclose(factored.solve(right[:, 0], True, 1e-10), np.linalg.solve(full, right[:, 0]), atol=1e-7)
    assert exact_factor(factored)[0] == pytest.approx(np.linalg.slogdet(full[:n, :n])[1], abs=1e-3)
    joint = np.linalg.inv(full)
    F = factored.fixed_columns()
    held_inverse = np.zeros_like(joint)
    held_inverse[:n, :n] = np.linalg.inv(full[:n, :n])
    assert np.allclose(held_inverse + F @ F.T, joint, atol=1e-4)
    rows, at = rng.integers(0, n, 6), rng.integers(0, n, 6)
    assert np.allclose(factored.covariances(rows, at, joint=True), joint[rows, at], atol=1e-6)
    v = rng.normal(size=n + columns)
    assert np.allclose(factored.assembler.predict(v), ZX @ v)
    w = rng.normal(size=design.losses.size)
    assert np.allclose(factored.assembler.transpose(w), ZX.T @ w)


@pytest.mark.parametrize("coarse", [0, 25, 1000])
@pytest.mark.parametrize("nested", [False, True])
def test_draws_have_the_posterior_covariance(coarse, nested):
    """Variances by 2000 draws within 5 of their standard errors, row leverages within 6."""
    sizes = (40, 30, 8)
    y, m, X, factors = example(5, sizes, nested=nested)
    design = make_design(y, m, X, factors, sizes)
    ZX, full, factored, precision = systems(design, coarse)
    n = sum(sizes)
    inverse = np.linalg.inv(full[:n, :n])
    found = draw(factored, precision, signs(factored.assembler, 2000, 3), accuracy=1e-8)
    mean, error = found.variances.mean(axis=1), found.variances.std(axis=1) / np.sqrt(2000)
    assert np.all(np.abs(mean - np.diag(inverse)) < 5 * error + 1e-4 * np.diag(inverse))
    exact = np.einsum("ij,jk,ik->i", ZX[:, :n], inverse, ZX[:, :n])
    each = leverages(factored.assembler, found)
    error = each.std(axis=1) / np.sqrt(2000)
    assert np.all(np.abs(each.mean(axis=1) - exact) < 6 * error + 1e-3 * exact)


@settings(deadline=None, max_examples=10)
@given(designs)
def test_sampled_determinant_lies_within_its_error(made):
    seed, sizes, unknown, columns, nested = made
    y, m, X, factors = example(seed, sizes, unknown=unknown, columns=columns, nested=nested)
    design = make_design(y, m, X, factors, sizes)
    _, full, factored, _ = systems(design, 10, seed)
    n = sum(sizes)
    value, error = sampled_log_determinant(factored, seed, probes=200)
    assert abs(value - np.linalg.slogdet(full[:n, :n])[1]) < 6 * error + 1e-3


@pytest.mark.parametrize("outer", [False, True])
def test_sampled_gradient_is_the_dense_one_within_its_error(outer):
    sizes = (60, 40, 10)
    y, m, X, factors = example(8, sizes, cells=800)
    released = [np.arange(60) == 4, None, None]
    design = make_design(y, m, X, factors, sizes, None, released)
    priors = Priors(1.3, np.array([0.1, 0.1]), None)
    sigmas, beta = np.array([0.4, 0.6, 0.3]), np.array([-2.8, 0.1]) if outer else None
    dense = LaplaceObjective(design, priors, outer_beta=outer)
    by_sigma, by_beta = dense.gradient(dense.mode(sigmas, beta))
    assembler = LargeAssembler(design)
    large = LaplaceObjective(design, priors, outer_beta=outer, assembler=assembler)
    mode = large.mode(sigmas, beta)
    draws = draw(mode.factored, mode.precision, signs(assembler, 400, 1), accuracy=1e-8)
    found = slope(mode, mode.factored, draws, large.released, priors.fixed_precision, outer)
    error = np.sqrt(np.diag(found.noise))
    assert np.all(np.abs(found.mean - np.concatenate([by_sigma, by_beta])) < 5 * error + 5e-3)
    assert np.all(error < 0.5)


@settings(deadline=None, max_examples=12)
@given(designs, st.sampled_from(["outer", "joint"]), st.sampled_from([1.0, 2.0]))
def test_fits_of_both_routes_agree(made, beta, dispersion):
    """-2 log L within the shortfall that is stated, effects within a small part of their standard errors."""
    seed, sizes, _, columns, nested = made
    y, m, X, factors = example(seed, sizes, cells=600, columns=columns, nested=nested)
    arguments = {"sizes": sizes, "beta": beta, "beta_sd": 10.0, "log_sigma_prior": (np.log(0.4), 1.0)}
    dense, large = (CrossedModel(y, m, X, factors, route=r, **arguments) for r in ("dense", "iterative"))
    a, b = dense.fit(dispersion=dispersion), large.fit(dispersion=dispersion)
    assert a.converged
    assert b.converged, b.message
    assert (a.approximate, b.approximate) == (False, True)
    assert b.loglik_error == 0.0
    again = dense.minus2loglik(sigmas=b.sigmas, dispersion=dispersion)
    if beta == "joint":
        assert b.minus2loglik == pytest.approx(again, abs=2e-3)
    penalty = [float(np.sum((np.log(f.sigmas) - np.log(0.4)) ** 2)) for f in (a, b)]
    assert abs(b.minus2loglik + penalty[1] - a.minus2loglik - penalty[0]) < 10 * b.loglik_shortfall + 0.02
    for k in range(len(sizes)):
        assert np.all(np.abs(a.effects[k] - b.effects[k]) < 0.1 * np.sqrt(a.variances[k]))
    # Spreads may differ as far as the likelihood above allows; what follows from them is compared at the same ones.
    held = dense.fit(sigmas=b.sigmas, dispersion=dispersion)
    for k in range(len(sizes)):
        assert np.median(np.abs(b.variances[k] / held.variances[k] - 1)) < 5 * b.variance_noise[k] + 0.02
    assert np.allclose(held.se_beta, b.se_beta, rtol=0.1)
    pairs = [((0, 1), (0, 2)), ((0, 3), (len(sizes) - 1, 0))]
    assert np.allclose(held.posterior_correlation(pairs), b.posterior_correlation(pairs), atol=0.02)


def test_many_effects_take_the_iterative_route(monkeypatch):
    y, m, X, factors = example(14, (30, 20, 6), unknown=0.0)
    assert fit_crossed(y, m, X, factors).route == "dense"
    monkeypatch.setattr(crossed_logit, "DENSE_LIMIT", 20)
    fit = fit_crossed(y, m, X, factors)
    assert fit.route == "iterative"
    assert fit.converged
    assert fit.sigma_noise.shape == (3,)


def test_a_determinant_that_does_not_fit_is_sampled_and_says_so(monkeypatch):
    y, m, X, factors = example(15, (60, 40, 10))
    exact = fit_crossed(y, m, X, factors, route="iterative")
    monkeypatch.setattr(crossed_determinant, "EXACT_LIMIT", 10)
    monkeypatch.setattr(crossed_large_fit, "EXACT_LIMIT", 10)
    fit = fit_crossed(y, m, X, factors, route="iterative")
    assert fit.converged
    assert fit.loglik_error > 0
    assert abs(fit.minus2loglik - exact.minus2loglik) < 6 * fit.loglik_error


def test_a_solve_that_does_not_settle_is_a_message(monkeypatch):
    y, m, X, factors = example(16, (60, 40, 10))
    monkeypatch.setattr(crossed_large, "MOST_ITERATIONS", 0)
    fit = fit_crossed(y, m, X, factors, route="iterative")
    assert not fit.converged
    assert "not converged" in fit.message
    assert np.isnan(fit.minus2loglik)
    assert all(np.isfinite(v).all() for v in fit.variances)


def test_no_loss_at_all_is_a_message_here_too():
    y, m, X, factors = example(17, (60, 40, 10))
    fit = fit_crossed(np.zeros_like(y), m, X, factors, route="iterative")
    assert not fit.converged
    kept = fit_crossed(np.zeros_like(y), m, X, factors, route="iterative", beta_sd=[10.0, 2.0])
    assert kept.beta[0] < -4


def test_spreads_that_are_held_stay():
    y, m, X, factors = example(18, (60, 40, 10))
    held = [0.5, None, 0.2]
    fit = fit_crossed(y, m, X, factors, sigmas=held, route="iterative")
    dense = fit_crossed(y, m, X, factors, sigmas=held)
    assert fit.sigmas[[0, 2]].tolist() == [0.5, 0.2]
    assert fit.sigmas[1] == pytest.approx(dense.sigmas[1], rel=0.05)
    both = fit_crossed(y, m, X, factors, sigmas=[0.5, 0.4, 0.2], beta="joint", route="iterative")
    assert both.converged
    exact = fit_crossed(y, m, X, factors, sigmas=[0.5, 0.4, 0.2], beta="joint")
    assert both.minus2loglik == pytest.approx(exact.minus2loglik, abs=1e-3)
