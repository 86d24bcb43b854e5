"""The crossed model's gradient, its solver, and what it does with awkward data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.estimators import crossed_solver
from pipeline.estimators.crossed_design import make_design
from pipeline.estimators.crossed_logit import fit_crossed
from pipeline.estimators.crossed_objective import LaplaceObjective, Priors
from pipeline.estimators.crossed_solver import Assembler, Factored


def example(seed: int, cells: int = 150, sizes=(8, 6, 4), unknown: bool = True):
    rng = np.random.default_rng(seed)
    factors = [rng.integers(-1 if unknown else 0, size, cells) for size in sizes]
    X = np.column_stack([np.ones(cells), rng.normal(size=cells)])
    m = rng.integers(0, 60, cells)
    eta = (
        -2 + 0.3 * X[:, 1] + sum(np.append(rng.normal(0, 0.6, s), 0.0)[f] for s, f in zip(sizes, factors, strict=True))
    )
    return rng.binomial(m, 1 / (1 + np.exp(-eta))), m, X, factors


@settings(deadline=None, max_examples=25)
@given(
    st.integers(0, 10_000),
    st.lists(st.floats(-2.5, 0.7), min_size=3, max_size=3),
    st.floats(1, 4),
    st.booleans(),
    st.booleans(),
)
def test_gradient_is_that_of_the_value(seed, log_sigmas, phi, outer, release):
    """Central differences of the value, in every log sigma and every fixed effect."""
    y, m, X, factors = example(seed)
    released = [np.arange(8) == 2, None, None] if release else None
    sizes = (8, 6, 4)
    design = make_design(y, m, X, factors, sizes, 0.1 * X[:, 1], released)
    objective = LaplaceObjective(design, Priors(phi, np.array([0.0, 0.3]), None), outer_beta=outer)
    at, beta = np.array(log_sigmas), np.array([-1.8, 0.2])
    _, by_sigma, by_beta = objective(np.exp(at), beta)
    h = 2e-3
    for k in range(3):
        step = h * np.eye(3)[k]
        far = objective(np.exp(at + 2 * step), beta)[0] - objective(np.exp(at - 2 * step), beta)[0]
        near = objective(np.exp(at + step), beta)[0] - objective(np.exp(at - step), beta)[0]
        assert by_sigma[k] == pytest.approx((8 * near - far) / (12 * h), rel=1e-4, abs=1e-4)
    assert by_beta.shape == ((2,) if outer else (0,))
    for j in range(by_beta.size):
        step = h * np.eye(2)[j]
        far = objective(np.exp(at), beta + 2 * step)[0] - objective(np.exp(at), beta - 2 * step)[0]
        near = objective(np.exp(at), beta + step)[0] - objective(np.exp(at), beta - step)[0]
        assert by_beta[j] == pytest.approx((8 * near - far) / (12 * h), rel=1e-4, abs=1e-4)


def dense_system(design, weights, precision, fixed_precision):
    """Z'WZ + T with plain matrices, in the solver's order."""
    assembler = Assembler(design)
    columns = []
    for k in assembler.order():
        columns.append((design.levels[k][:, None] == np.arange(design.sizes[k])).astype(float))
    ZX = np.hstack([*columns, design.X])
    return ZX, ZX.T @ (weights[:, None] * ZX) + np.diag(np.concatenate([precision, fixed_precision]))


def choose(monkeypatch, along_pattern: bool) -> None:
    """Make one of the two ways of elimination so dear that the other is taken."""
    for name in ("_SPARSE_COST", "_GATHER_COST"):
        monkeypatch.setattr(crossed_solver, name, 0 if along_pattern else 10**9)


@pytest.mark.parametrize("along_pattern", [False, True])
@pytest.mark.parametrize("block", [3, 2048])
def test_solver_against_plain_matrices(along_pattern, block, monkeypatch):
    monkeypatch.setattr(crossed_solver, "_BLOCK", block)
    choose(monkeypatch, along_pattern)
    y, m, X, factors = example(4, sizes=(11, 6, 4))
    design = make_design(y, m, X, factors, (11, 6, 4))
    rng = np.random.default_rng(0)
    weights, precision = rng.uniform(0.1, 2, design.losses.size), rng.uniform(0.5, 3, 21)
    fixed = np.array([0.2, 0.7])
    assembler = Assembler(design)
    assert assembler.by_pattern is along_pattern
    assert assembler.sparse_product is along_pattern
    factored = Factored(assembler, assembler.build(weights), precision, fixed)
    ZX, full = dense_system(design, weights, precision, fixed)
    inner = full[:21, :21]
    right = rng.normal(size=23)
    assert np.allclose(factored.solve(right, joint=True), np.linalg.solve(full, right))
    held = factored.solve(right, joint=False)
    assert np.allclose(held[:21], np.linalg.solve(inner, right[:21]))
    assert np.all(held[21:] == 0)
    assert factored.log_determinant() == pytest.approx(np.linalg.slogdet(inner)[1])
    C, J = np.linalg.inv(inner), np.linalg.inv(full)
    assert np.allclose(assembler.leverages(factored), np.einsum("ij,jk,ik->i", ZX[:, :21], C, ZX[:, :21]))
    assert np.allclose(factored.variances(joint=False)[:21], np.diag(C))
    assert np.allclose(factored.variances(joint=True), np.diag(J))
    rows, columns = rng.integers(0, 23, 40), rng.integers(0, 23, 40)
    assert np.allclose(factored.covariances(rows, columns, joint=True), J[rows, columns])
    pairs = rng.integers(0, 21, (2, 40))
    assert np.allclose(factored.covariances(pairs[0], pairs[1], joint=False), C[pairs[0], pairs[1]])
    several = rng.normal(size=(23, 3))
    assert np.allclose(factored.solve(several, joint=True), np.linalg.solve(full, several))
    v = rng.normal(size=23)
    assert np.allclose(assembler.predict(v), ZX @ v)
    assert np.allclose(assembler.transpose(weights), ZX.T @ weights)


@pytest.mark.parametrize("along_pattern", [False, True])
def test_expected_information_against_plain_matrices(along_pattern, monkeypatch):
    """2 s_k^2 s_l^2 |Z_k' V^-1 Z_l|^2 with V built out, released levels part of V but of no spread."""
    choose(monkeypatch, along_pattern)
    y, m, X, factors = example(5, sizes=(11, 6, 4))
    free = np.arange(11) == 3
    design = make_design(y, m, X, factors, (11, 6, 4), None, [free, None, None])
    objective = LaplaceObjective(design, Priors(1.5, np.zeros(2), None), outer_beta=False)
    sigmas = np.array([0.7, 0.4, 0.3])
    mode = objective.mode(sigmas)
    Z = [(design.levels[k][:, None] == np.arange(design.sizes[k])).astype(float) for k in range(3)]
    V = np.diag(1 / mode.weights) + 25.0 * Z[0][:, free] @ Z[0][:, free].T
    Z[0] = Z[0][:, ~free]
    V += sum(s**2 * z @ z.T for s, z in zip(sigmas, Z, strict=True))
    inverse = np.linalg.inv(V)
    expected = [
        [2 * sigmas[k] ** 2 * sigmas[j] ** 2 * np.sum((Z[k].T @ inverse @ Z[j]) ** 2) for j in range(3)]
        for k in range(3)
    ]
    assert np.allclose(objective.log_sigma_information(mode), expected, rtol=1e-7)


def test_no_loss_at_all_does_not_raise_and_says_so():
    y, m, X, factors = example(1)
    fit = fit_crossed(np.zeros_like(y), m, X, factors)
    assert not fit.converged
    assert "beta_sd" in fit.message
    assert all(np.isfinite(v).all() for v in fit.variances)
    kept = fit_crossed(np.zeros_like(y), m, X, factors, beta_sd=[10.0, 2.0])
    assert kept.converged
    assert kept.beta[0] < -4
    assert kept.zero.all()


def test_a_method_without_a_loss_is_held_by_its_prior():
    y, m, _, factors = example(2)
    lost = factors[2] == 1
    X = np.column_stack([np.ones(y.size), lost]).astype(float)
    fit = fit_crossed(np.where(lost, 0, y), m, X, factors[:2], beta_sd=[100.0, 3.0])
    assert fit.converged
    assert -12 < fit.beta[1] < -2


def test_cells_without_attempts_are_predicted_but_not_used():
    y, m, X, factors = example(3)
    empty = np.flatnonzero(m == 0)
    assert empty.size
    fit = fit_crossed(y, m, X, factors, tolerance=1e-5)
    keep = m > 0
    sizes = [int(f.max()) + 1 for f in factors]
    alone = fit_crossed(y[keep], m[keep], X[keep], [f[keep] for f in factors], sizes=sizes, tolerance=1e-5)
    assert np.allclose(alone.beta, fit.beta)
    assert fit.linear_predictor().shape == y.shape
    assert np.isfinite(fit.linear_predictor()[empty]).all()


def test_linear_predictor_without_an_effect():
    y, m, X, factors = example(6)
    fit = fit_crossed(y, m, X, factors)
    whole = fit.linear_predictor()
    at = factors[1] == 2
    assert np.allclose((whole - fit.linear_predictor((1, 2)))[at], fit.effects[1][2])
    assert np.all((whole - fit.linear_predictor((1, 2)))[~at] == 0)
    known = factors[1] >= 0
    assert np.allclose((whole - fit.linear_predictor((1, None)))[known], fit.effects[1][factors[1][known]])


def test_a_level_without_cells_says_nothing():
    y, m, X, factors = example(7, unknown=False)
    fit = fit_crossed(y, m, X, factors, sizes=[9, 6, 4])
    estimate, variance = fit.likelihood_only(0)
    assert fit.effects[0][8] == pytest.approx(0.0, abs=1e-12)
    assert fit.variances[0][8] == pytest.approx(fit.sigmas[0] ** 2)
    assert np.isnan(estimate[8])
    assert np.isinf(variance[8])
    assert np.isfinite(estimate[:8]).all()
    assert fit.levels_with_cells(0).tolist() == list(range(8))
    one, its_variance = fit.likelihood_only(0, 3)
    assert one == estimate[3]
    assert its_variance == variance[3]


def test_correlation_of_an_effect_with_itself_is_one():
    y, m, X, factors = example(8)
    fit = fit_crossed(y, m, X, factors)
    pairs = [((k, 1), (k, 1)) for k in range(3)]
    assert np.allclose(fit.posterior_correlation(pairs), 1.0)
    with pytest.raises(ValueError, match="no level 99"):
        fit.posterior_correlation([((0, 99), (0, 1))])


def test_dispersion_widens():
    y, m, X, factors = example(9)
    plain = fit_crossed(y, m, X, factors, sigmas=[0.6, 0.6, 0.6])
    burst = fit_crossed(y, m, X, factors, sigmas=[0.6, 0.6, 0.6], dispersion=3.0)
    for a, b in zip(plain.variances, burst.variances, strict=True):
        assert np.all(b > a)
    assert np.all(burst.se_beta > plain.se_beta)


def test_weak_prior_on_log_sigma_pulls_towards_its_mean():
    y, m, X, factors = example(10)
    free = fit_crossed(y, m, X, factors)
    strong = fit_crossed(y, m, X, factors, log_sigma_prior=(np.log(0.2), 0.01))
    assert np.allclose(strong.sigmas, 0.2, rtol=0.02)
    assert strong.minus2loglik > free.minus2loglik


def test_too_few_evaluations_are_not_called_converged():
    y, m, X, factors = example(11)
    fit = fit_crossed(y, m, X, factors, tolerance=1e-9, max_evaluations=2)
    assert not fit.converged
    assert "not converged" in fit.message
    assert np.isfinite(fit.sigmas).all()


def test_no_fixed_effects_and_no_factors():
    y, m, X, factors = example(12)
    assert fit_crossed(y, m, np.zeros((y.size, 0)), factors).beta.shape == (0,)
    plain = fit_crossed(y, m, X, [])
    assert plain.converged
    assert plain.sigmas.shape == (0,)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"X": np.ones((150, 2))}, "linearly dependent"),
        ({"X": np.ones(150)}, "X has shape"),
        ({"factors": [np.full(150, -2)]}, "level -2"),
        ({"factors": [np.zeros(150)]}, "integers"),
        ({"factors": [np.zeros(3, dtype=int)]}, "factor 0 has shape"),
        ({"sizes": [1, 6, 4]}, "its size is given as 1"),
        ({"sizes": [8]}, "1 sizes for 3 factors"),
        ({"sigmas": [1.0]}, "1 sigmas for 3 factors"),
        ({"sigmas": [1.0, -1.0, None]}, "above 0"),
        ({"released": [None, None]}, "2 lists"),
        ({"released": [np.zeros(3, dtype=bool), None, None]}, "released levels of factor 0"),
        ({"offset": np.zeros(3)}, "offset has shape"),
        ({"dispersion": 0.5}, "dispersion"),
        ({"beta_sd": 0.0}, "beta_sd"),
        ({"attempts": np.zeros(150), "losses": np.zeros(150)}, "no cell has attempts"),
    ],
)
def test_inputs_that_do_not_fit_are_named(change, says):
    y, m, X, factors = example(13, unknown=False)
    arguments = {"losses": y, "attempts": m, "X": X, "factors": factors} | change
    with pytest.raises(ValueError, match=says):
        fit_crossed(**arguments)
