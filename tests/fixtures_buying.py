"""Kits, standing rules, counts and a test on the past for the rich bundle of fixtures_bundle.py. All made up."""

from __future__ import annotations

from typing import Any

from pipeline.findings.buying import LossFigure, PastTest, Rule, StandingRule, Unexplained, WholeKit


def buying() -> dict[str, Any]:
    """Fields of `Bundle` for the buyer besides the overage lines."""
    kits = tuple(
        WholeKit(
            *(f"WO-{n}", 10, 0.95, 0.951, 0.6, 84.2, 71.5, "PN-00001", "PN-00002", 20.0),
            (("PN-00001", 3), ("PN-00003", 2)),
            *(0.97, n == 1, 84.0, 1, (("PN-00001", 7), ("PN-00002", 0)), (), f"Build WO-{n} in words."),
        )
        for n in (1, 2)
    )
    standing = tuple(
        StandingRule(f"PN-{n:05d}", "0402", 11, 0.0062, 50, 20_000, 3.2 + n, None if n % 5 == 0 else 0.4 * n,
                     "own history", "11 pieces and more.")
        for n in range(20)
    )  # fmt: skip
    figures = (
        LossFigure("parts lost per load", "tape", 7.4, 6.6, 8.3, "counted", 64, "tape: 7.4 parts a load, counted."),
        LossFigure("parts lost per load", "tray", 0.0, None, None, "setting", 0, "tray: as set."),
    )
    counts = (
        Unexplained("PN-00007", "QFP100", 4, 900, 610, 20.0, 270.0, 220.5, 319.5, 21_600.0, 17_640.0, 25_560.0,
                    "270 more than that."),
        Unexplained("PN-00008", None, 9, 90_000, 89_960, 52.0, -12.0, -40.0, 16.0, None, None, None, "Agrees."),
    )  # fmt: skip
    rules = (
        Rule("this advice", 0.958, 0.94, 0.97, 21, 4200, 310.0, 2193.0),
        Rule("flat rule", 0.99, 0.98, 0.995, 5, 11_000, 6400.0, 2420.0),
        Rule("perfect knowledge", 1.0, 0.99, 1.0, 0, 0, 0.0, 0.0),
    )
    tenths = (0.07, 0.08, 0.09, 0.1, 0.1, 0.11, 0.12, 0.12, 0.11, 0.1)
    past = PastTest(
        12, 500, "2026-W42", "2026-W47", 0.95, rules, tenths, 0.026, "fits", "Tried on 500 lines of 12 builds."
    )
    return {
        "kits": kits,
        "standing": standing,
        "loss_figures": figures,
        "unexplained": counts,
        "past_test": past,
    }
