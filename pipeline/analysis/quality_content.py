"""Does a machine log everything? Kinds of loss that never come, nothing but losses, reasons and keys that change.

In:    store/quality_shares.loss_kinds, counted_kinds, reason_codes, unknown_keys; store/quality.machines.
Out:   Finding, one a machine and kind.
After: figures stay as logged.
"""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import polars as pl

from pipeline.analysis.losses import UNTOLD
from pipeline.analysis.quality_known import Finding
from pipeline.findings.model import QualityLine

CHANCE: Final = 1e-6
"""Probability below which no loss at all, or a vanished reason, is not taken for luck. A plant looks at some hundred
machine-weeks and kinds a year: one false line in thousands of years."""

ASSUMED_RATE: Final = 1e-4
"""Losses per pick assumed where there is nothing to compare with, only to ask whether none at all can be luck: the
lower end of what is common for easy parts. Common practice, no source; never shown."""

KINDS: Final = ("missed", "rejected", "dropped")

FEWEST_LOSSES: Final = 50
"""Losses that a week, and the weeks before it, must have before shares are compared."""

NEW_REASON: Final = (20, 0.1)
"""Losses and share of the week's losses that a reason never seen before must have. Common practice, no source."""

MOVED_SHARE: Final = 0.3
"""Change of a reason's share that is mentioned, a fraction. A real fault changes shares too: it is a note only."""

BURSTS: Final = 3.0
"""Variance of losses against Poisson assumed when shares are compared: losses come in bursts."""

SURE: Final = 4.9
"""Standard errors that a share must move by: two-sided chance of about CHANCE."""

KEY_CHANGE: Final = {"nozzle": 0.05, "feeder": 0.05, "part": 0.05, "reel": 0.2, "lot": 0.2}
"""Change of the share of picks without a key that is said, a fraction; more for reels and lots, which some products do
not have. Common practice, no source."""

UNKNOWN_SHARE: Final = 0.01
"""Share of picks without nozzle, feeder or part that is said in any week, a fraction."""

FEWEST_PICKS: Final = 1000

MENTIONED: Final = 0.1
"""Share of losses without a kind from which on it is said."""

MOSTLY: Final = 0.5
"""Share of a machine's picks above which losses cannot be all of the truth, a fraction. Common practice, no source."""


UNNAMED_SHARE: Final = 0.05
"""Share of the picks of counters without an item of their grain above which it is said, a fraction: a few lines of a
log may be totals. Common practice, no source."""

ITEM_NAMES: Final = {"nozzle": "neither nozzle, spindle nor head", "feeder": "neither feeder, slot, part, reel nor lot"}


def no_losses(frame: pl.DataFrame) -> list[Finding]:
    """Kinds of loss that a machine has none of although its peers' rate makes that next to impossible.

    Losses that begin a run are counted, so that a jam counts once and Poisson's law holds well enough. The expected
    number is the picks times the lowest rate among the peers that log this kind: machines of the same type, else all
    others, else the machine's own weeks before.
    """
    found = []
    week = frame.filter("this_week")
    for r in week.filter(pl.col("attempts") > 0).iter_rows(named=True):
        if r["not_placed"] == 0:
            expected, whom = _expected(frame, r, "lost")
            if expected is None:
                expected, whom = r["attempts"] * ASSUMED_RATE, "even the best parts would show some"
            if math.exp(-expected) < CHANCE:
                found.append(_zero(r, "no losses", "losses", expected, whom, "problem"))
            continue
        if r["grain"] != "joint" or r["unknown"] > UNTOLD * r["lost"]:
            continue
        for kind in KINDS:
            expected, whom = _expected(frame, r, kind) if r[kind] == 0 else (None, "")
            if expected is not None and math.exp(-expected) < CHANCE:
                found.append(_zero(r, f"none {kind}", f"{kind} picks", expected, whom, "warning"))
    return found


def not_counted(frame: pl.DataFrame) -> list[Finding]:
    """Counters without any figure for a kind of loss; where they give losses of unknown kind instead of all kinds,
    `kinds_not_told` says so."""
    lacking: dict[tuple[str, tuple[str, ...]], list[str]] = {}
    for r in frame.iter_rows(named=True):
        kinds = tuple(kind for kind in KINDS if r[kind] == 0)
        if kinds and not (kinds == KINDS and r["unknown"]):
            lacking.setdefault((r["machine"], kinds), []).append(r["grain"])
    found = []
    for (machine, kinds), grains in lacking.items():
        text = (
            f"The {' and '.join(grains)} counters have no figures for {' and '.join(kinds)} picks: nobody knows how "
            "many there were. Rates of these leave them out; rates of all losses, savings and what to order are too "
            "low by them."
        )
        found.append(Finding("no losses", QualityLine("warning", "not counted", text, machine, 0.0)))
    return found


def kinds_not_told(frame: pl.DataFrame) -> list[Finding]:
    """Machines of whose losses a good part has no kind: nobody knows which were missed, refused or dropped."""
    found = []
    week = frame.filter("this_week")
    single = set(week.filter((pl.col("grain") == "joint") & (pl.col("attempts") > 0))["machine"])
    for r in week.filter(pl.col("unknown") > 0).iter_rows(named=True):
        share = r["unknown"] / r["losses"]
        if share < MENTIONED or (r["grain"] != "joint" and r["machine"] in single):
            continue
        so = (
            "They count in all losses; missed picks, rejects and drops of this machine are left out of every figure."
            if share > UNTOLD
            else "They count in all losses, and rates of missed picks, rejects and drops are too low by them."
        )
        text = f"{r['unknown']} losses have no kind: the log does not say how they were lost. {so}"
        line = QualityLine("note", "kinds not told", text, r["machine"], round(share, 3), MENTIONED)
        found.append(Finding("kinds not told", line))
    return found


def only_losses(frame: pl.DataFrame) -> list[Finding]:
    """Machines of whose picks more are lost than placed: their log leaves out what went well, or picks are not read.

    Counters of losses beside a count of picks or placed parts have what was placed: the rest.
    """
    found = []
    for r in frame.filter("this_week").iter_rows(named=True):
        lost, picks = r["not_placed"], r["attempts"]
        if lost < FEWEST_LOSSES or lost <= MOSTLY * picks:
            continue
        rates = "Its rates, and those of what worked on it, are far too high."
        text = (
            f"{lost} of the {picks} picks in its log are losses: it probably leaves out placed parts. {rates} "
            "Log placed parts as well, or map counters in its place."
        )
        if r["grain"] != "joint":
            text = (
                f"{lost} of the {picks} picks in its {r['grain']} counters are losses: no column of picks or placed "
                f"parts is mapped, or it is empty. {rates} Map the column that counts picks (attempts) or placed parts."
            )
        line = QualityLine("problem", "only losses", text, r["machine"], round(lost / picks, 3), MOSTLY)
        found.append(Finding("only losses", line))
    return found


def unnamed_counts(frame: pl.DataFrame) -> list[Finding]:
    """Counters of nozzles or feeders that do not say of which one, and totals among them that cannot be told apart."""
    found = []
    for r in frame.iter_rows(named=True):
        share = r["unnamed"] / r["attempts"] if r["attempts"] else 0.0
        if share <= UNNAMED_SHARE and not r["merged"]:
            continue
        text = (
            f"{r['unnamed']} of the {r['attempts']} picks of its {r['grain']} counters ({share:.1%}) name "
            f"{ITEM_NAMES[r['grain']]}: no figure of one has them."
        )
        if r["merged"]:
            text += (
                f" {r['merged']} times running totals without a name stood at one time with different values: they "
                "cannot be told apart, the highest counts, and picks are missing."
            )
        text += (
            " The name may stand in the first line of a group only, or in a column that is not mapped. Have it "
            'written in every line, or map the column; counts of the whole machine have grain = "machine".'
        )
        line = QualityLine("warning", "unnamed counts", text, r["machine"], round(share, 3), 0.0)
        found.append(Finding("unnamed counts", line))
    return found


def _expected(frame: pl.DataFrame, row: dict[str, Any], kind: str) -> tuple[float | None, str]:
    """Losses of that kind expected of the machine, and whom that was taken from; None without anyone to ask."""
    same = (pl.col("grain") == row["grain"]) & (pl.col(kind) > 0)
    others = frame.filter(same & pl.col("this_week") & (pl.col("machine") != row["machine"]))
    groups = (
        (
            others.filter(pl.col("machine_type").eq_missing(pl.lit(row["machine_type"], pl.String))),
            "machines of the same type",
        ),
        (others, "other machines"),
        (frame.filter(same & ~pl.col("this_week") & (pl.col("machine") == row["machine"])), "its own weeks before"),
    )
    for peers, whom in groups:
        if not peers.is_empty():
            lowest = float((peers[kind] / peers["attempts"]).to_numpy().min())
            return lowest * row["attempts"], f"{whom} would have"
    return None, ""


def _zero(
    row: dict[str, Any], what: str, losses: str, expected: float, whom: str, level: Literal["warning", "problem"]
) -> Finding:
    guess = f"{whom} about {expected:.0f}" if whom.endswith("have") else whom
    text = f"No {losses} at all in {row['attempts']} picks, where {guess}: they are probably not logged."
    return Finding("no losses", QualityLine(level, what, text, row["machine"], 0.0, round(expected, 1)))


def reason_change(frame: pl.DataFrame) -> list[Finding]:
    """Reason codes that vanished (warning), are new, or whose share moved far (notes), against the weeks before."""
    found = []
    for _, rows in frame.group_by(["machine"], maintain_order=True):
        now, before = (rows.filter(pl.col("this_week") == w) for w in (True, False))
        n, m = int(now["losses"].sum()), int(before["losses"].sum())
        if min(n, m) < FEWEST_LOSSES:
            continue
        is_now, was = ({r["reason"]: r for r in f.iter_rows(named=True)} for f in (now, before))
        days = max(r["days"] for r in was.values())
        gone, new, moved = [], [], []
        largest = (0.0, 0.0, 0.0)
        for code in sorted({*is_now, *was}):
            a, b = (int(f[code]["losses"]) if code in f else 0 for f in (is_now, was))
            name = f'"{code}"' if code else "no reason"
            figures = f"{name} {b / m:.0%} of {m} losses before, {a / n:.0%} of {n} now"
            pooled = (a + b) / (n + m)
            error = math.sqrt(BURSTS * pooled * (1 - pooled) * (1 / n + 1 / m))
            if a == 0 and 2 * was[code]["days"] >= days and math.exp(-n * b / m / BURSTS) < CHANCE:
                gone.append(figures)
            elif b == 0 and a >= max(NEW_REASON[0], NEW_REASON[1] * n) and is_now[code]["days"] > 1:
                new.append(figures)
            elif abs(a / n - b / m) >= max(MOVED_SHARE, SURE * error):
                moved.append(figures)
            else:
                continue
            largest = max(largest, (abs(a / n - b / m), a / n, b / m))
        if gone or new or moved:
            told = [f"{w}: {'; '.join(f)}." for w, f in (("vanished", gone), ("new", new), ("moved", moved)) if f]
            text = (
                f"The reasons of losses changed; {' '.join(told)} A change in the machine's software or in the "
                "mapping, or a real fault."
            )
            line = QualityLine(
                "warning" if gone else "note", "reason change", text, rows["machine"][0], largest[1], largest[2]
            )
            found.append(Finding("reason change", line))
    return found


def unknown_keys(machines: pl.DataFrame, shares: pl.DataFrame) -> list[Finding]:
    """Picks that do not say which nozzle, feeder or part made them, and shares of unknown keys that changed."""
    found = []
    before = {r["machine"]: r for r in shares.filter(~pl.col("this_week")).iter_rows(named=True)}
    joint = {r["machine"]: r for r in machines.filter(pl.col("grain") == "joint").iter_rows(named=True)}
    for r in shares.filter("this_week").iter_rows(named=True):
        old = before.get(r["machine"])
        enough = old is not None and min(r["attempts"], old["attempts"]) >= FEWEST_PICKS
        for key, change in KEY_CHANGE.items():
            share = r[f"without_{key}"] / r["attempts"] if r["attempts"] else 0.0
            was = old[f"without_{key}"] / old["attempts"] if old is not None and enough else None
            jumped = was is not None and abs(share - was) >= change
            often = f"without_{key}" in joint.get(r["machine"], {}) and share > UNKNOWN_SHARE
            if not (jumped or often):
                continue
            told = f"; in the weeks before it was {was:.1%}" if was is not None else ""
            text = f"{share:.1%} of the picks do not say which {key} made them{told}."
            worse = often or (was is not None and share > was)
            line = QualityLine(
                "warning" if worse else "note", f"unknown {key}", text, r["machine"], share, was if jumped else 0.0
            )
            found.append(Finding("unknown keys", line))
    return found
