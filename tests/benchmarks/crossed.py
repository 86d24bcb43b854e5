"""One fit of the crossed model on made-up cells, measured: what `python -m tests.benchmarks crossed` runs as a child.

In:    a case and a route, as arguments.
Out:   one line of JSON: effects, cells, seconds of the fit, -2 log likelihood and its errors.
After: the same case gives the same cells for every route. Peak memory is measured by the parent.

Six factors: reels within parts, feeders, nozzles, spindles within heads; all else meets all else at random. Case `small`
has yes/no cells, which is all that the plain statsmodels run takes.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from pipeline.estimators.crossed_logit import CrossedModel, CrossedResult

SPREADS = (0.5, 0.3, 0.4, 0.25, 0.3, 0.2)


@dataclass(frozen=True)
class Case:
    """Levels of reel, part, feeder, nozzle, spindle and head; number of cells; most picks in a cell; log odds."""

    sizes: tuple[int, ...]
    cells: int
    picks: int = 200
    base: float = -5.0

    @property
    def effects(self) -> int:
        """Number of effects."""
        return sum(self.sizes)


CASES = {
    "small": Case((120, 80, 50, 30, 16, 4), 6_000, 1, -0.5),
    "middle": Case((1_200, 900, 450, 300, 120, 30), 100_000),
    "10k": Case((4_000, 3_000, 1_500, 1_000, 400, 100), 500_000),
    "10k-wide": Case((4_000, 3_000, 1_500, 1_000, 400, 100), 1_000_000),
    "40k": Case((20_000, 12_000, 5_000, 2_000, 900, 100), 1_000_000),
}


def cells(case: Case, seed: int = 1) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Losses, picks and factors of a case."""
    rng = np.random.default_rng(seed)
    factors = [rng.integers(0, s, case.cells) for s in case.sizes]
    factors[1] = rng.integers(0, case.sizes[1], case.sizes[0])[factors[0]]
    factors[5] = rng.integers(0, case.sizes[5], case.sizes[4])[factors[4]]
    effects = [rng.normal(0, s, n) for s, n in zip(SPREADS, case.sizes, strict=True)]
    picks = rng.integers(1, case.picks + 1, case.cells)
    eta = case.base + sum(e[f] for e, f in zip(effects, factors, strict=True))
    return rng.binomial(picks, 1 / (1 + np.exp(-eta))), picks, factors


def ours(case: Case, route: str) -> dict[str, Any]:
    """Fit by one of our routes; `check`: by the iterative one, then the dense likelihood at the same spreads."""
    losses, picks, factors = cells(case)
    begin, cpu = time.monotonic(), time.process_time()

    def model(which: Any) -> CrossedModel:
        return CrossedModel(
            losses, picks, np.ones((case.cells, 1)), factors, sizes=case.sizes, beta="joint", route=which
        )

    fit: CrossedResult = model("iterative" if route == "check" else route).fit()
    found = {
        "seconds": time.monotonic() - begin,
        "cpu": time.process_time() - cpu,
        "minus2loglik": fit.minus2loglik,
        "loglik_error": fit.loglik_error,
        "shortfall": fit.loglik_shortfall,
        "converged": fit.converged,
        "sigmas": fit.sigmas.round(4).tolist(),
        "sigma_noise": fit.sigma_noise.round(5).tolist(),
        "evaluations": fit.evaluations,
    }
    if route == "check":
        found["dense"] = model("dense").minus2loglik(sigmas=fit.sigmas, start=fit)
    return found


def statsmodels(case: Case) -> dict[str, Any]:
    """The plain way: BinomialBayesMixedGLM, posterior mode. Its spreads are modes too, not marginal estimates."""
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

    losses, _, factors = cells(case)
    frame = pd.DataFrame({"y": losses, **{f"f{k}": f for k, f in enumerate(factors)}})
    begin, cpu = time.monotonic(), time.process_time()
    formulas = {f"f{k}": f"0 + C(f{k})" for k in range(len(factors))}
    fit = BinomialBayesMixedGLM.from_formula("y ~ 1", formulas, frame).fit_map()
    seconds = time.monotonic() - begin
    spreads = np.exp(fit.vcp_mean).round(4).tolist()
    return {"seconds": seconds, "cpu": time.process_time() - cpu, "sigmas": spreads}


def main() -> None:
    """Run one case and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("case", choices=list(CASES))
    parser.add_argument("route", choices=["dense", "iterative", "check", "statsmodels"])
    args = parser.parse_args()
    case = CASES[args.case]
    print(json.dumps(statsmodels(case) if args.route == "statsmodels" else ours(case, args.route)))


if __name__ == "__main__":
    main()
