"""What the trials of measure.py found, as Markdown tables.

In:    rows of finished trials by name, plain data.
Out:   text; shares with their counts and Clopper-Pearson intervals, means with their standard errors.
After: a trial that was not run has no line.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import numpy as np

from pipeline.estimators.intervals import interval

Row = dict[str, Any]
Rows = dict[str, list[Row]]


def share(hits: int, of: int) -> str:
    """A share with its count and Clopper-Pearson interval, in words."""
    if of == 0:
        return "none"
    low, high = interval(np.array([hits]), np.array([of]), method="clopper-pearson")
    return f"{100 * hits / of:.1f} % ({hits} of {of}; {100 * low[0]:.1f} to {100 * high[0]:.1f})"


def coverage(rows: list[Row]) -> dict[str, list[int]]:
    """Covered and all intervals by kind; "all" leaves out reels, which are many and do not differ here."""
    total: dict[str, list[int]] = {}
    for row in rows:
        for kind, (hits, of) in row["covered"].items():
            for name in (kind, "all") if kind != "reel" else (kind,):
                have = total.setdefault(name, [0, 0])
                total[name] = [have[0] + hits, have[1] + of]
    return total


def false_discovery(rows: list[Row]) -> tuple[float, float]:
    """Mean share of false flags among a week's flags, and its standard error."""
    shares = [len(r["false"]) / max(len(r["false"]) + len(r["found"]), 1) for r in rows]
    return float(np.mean(shares)), float(np.std(shares, ddof=1) / np.sqrt(len(shares)))


def tables(rows: Rows, command: str) -> str:
    """The Markdown tables of whatever was run."""
    lines = [
        f"`{command}`, {datetime.now(UTC).date().isoformat()}. In brackets: counts and 95 % Clopper-Pearson interval.",
        "",
        "| question | promise | measured |",
        "|---|---|---|",
    ]
    for past in ("", " past"):
        lines += _healthy(rows, past)
        lines += _faults(rows, past)
        lines += _confusions(rows) if not past else []
        lines += _looks(rows, past)
        lines += _coverage(rows, past)
        lines += _fixed(rows, past)
    for past in ("", " past"):
        lines += _power(rows, past)
    return "\n".join(lines) + "\n"


def _with(past: str) -> str:
    return ", six weeks before" if past else ""


def _healthy(rows: Rows, past: str) -> Iterator[str]:
    for name, null in rows.items():
        if name.startswith("null") and name.endswith(" past") == bool(past):
            yield (
                f"| healthy weeks with any flag, spread {name.split()[1]}{_with(past)} | at most 5 % | "
                f"{share(sum(bool(r['flagged']) for r in null), len(null))} |"
            )


def _faults(rows: Rows, past: str) -> Iterator[str]:
    faults = rows.get(f"faults{past}", [])
    if not faults:
        return
    found, wrong, doubted, best = (sum(len(r[k]) for r in faults) for k in ("found", "wrong", "doubted", "oracle"))
    discovery, error = false_discovery(faults)
    yield (
        f"| false flags among flags, five faults a week{_with(past)} | at most 10 % | {100 * discovery:.1f} % +- "
        f"{100 * error:.1f} (mean of {len(faults)} weeks) |"
    )
    yield f"| of five faults (odds x 2.5 to 6), flagged{_with(past)} | - | {share(found, 5 * len(faults))} |"
    yield f"| the same for the oracle | - | {share(best, 5 * len(faults))} |"
    yield f"| of those flagged, with doubt about which item{_with(past)} | - | {share(doubted, found)} |"
    yield f"| blamed faults with the right kind named{_with(past)} | at least 90 % | {share(found, found + wrong)} |"


def _confusions(rows: Rows) -> Iterator[str]:
    if innocent := rows.get("innocent"):
        convicted, part = (sum(r[k] for r in innocent) for k in ("convicted", "part"))
        yield f"| good nozzle on a bad part convicted | at most 2 % | {share(convicted, len(innocent))} |"
        yield f"| the bad part flagged in those weeks | - | {share(part, len(innocent))} |"
    if lonely := rows.get("lonely"):
        released = [r for r in lonely if r["released"]]
        yield (
            f"| inseparable feeder, part, lot, reel: doubt said when one is blamed | at least 95 % | "
            f"{share(sum(bool(r['said']) for r in released), len(released))} |"
        )
        yield f"| weeks in which one of the four is blamed | - | {share(len(released), len(lonely))} |"


def _fixed(rows: Rows, past: str) -> Iterator[str]:
    for share_fixed, name in ((1.0, "all"), (0.5, "half")):
        weeks = [r for r in rows.get(f"fixed{past}", []) if r["share"] == share_fixed]
        healthy, faulty = ([r for r in weeks if bool(r["faults"]) is bad] for bad in (False, True))
        if not weeks:
            continue
        what = f"{name} of the set-up fixed{_with(past)}"
        yield (
            f"| {what}: healthy weeks with any flag | at most 5 % | "
            f"{share(sum(bool(r['false']) for r in healthy), len(healthy))} |"
        )
        for kind in ("feeder", "nozzle"):
            found, best, of = (sum(f[0] == kind for r in faulty for f in r[k]) for k in ("found", "oracle", "faults"))
            yield f"| {what}: bad {kind}s (odds x 3 or 5), flagged | - | {share(found, of)}, the oracle {best} |"
        found, said = (sum(len(r[k]) for r in faulty) for k in ("found", "said"))
        yield f"| {what}: those with the doubt said | all | {share(said, found)} |"
        mean, error = false_discovery(faulty)
        yield (
            f"| {what}: false flags among flags | at most 10 % | {100 * mean:.1f} % +- {100 * error:.1f} "
            f"(mean of {len(faulty)} weeks) |"
        )


def _looks(rows: Rows, past: str) -> Iterator[str]:
    plants = rows.get(f"looks{past}", [])
    healthy, faulty = ([look for r in plants if r["faulty"] is bad for look in r["looks"]] for bad in (False, True))
    if healthy:
        yield (
            f"| the same healthy plant, week after week{_with(past)}: weeks with any flag | at most 5 % | "
            f"{share(sum(bool(look['false']) for look in healthy), len(healthy))} |"
        )
    if faulty:
        mean, error = false_discovery(faulty)
        yield (
            f"| the same plant with two faults, week after week{_with(past)}: false flags among flags | at most 10 % | "
            f"{100 * mean:.1f} % +- {100 * error:.1f} (mean of {len(faulty)} weeks) |"
        )


def _coverage(rows: Rows, past: str) -> Iterator[str]:
    for word, begin in (("healthy", "null"), ("faulty", "faults")):
        chosen = [
            r for n, found in rows.items() if n.startswith(begin) and n.endswith(" past") == bool(past) for r in found
        ]
        if chosen:
            total = coverage(chosen)
            by_kind = ", ".join(f"{k} {100 * h / n:.1f}" for k, (h, n) in total.items() if k != "all")
            hits, of = total["all"]
            yield (
                f"| 95 % intervals of effects hold the truth, {word} weeks{_with(past)} | 93 to 97 % | "
                f"{100 * hits / of:.1f} % ({by_kind}) |"
            )


def _power(rows: Rows, past: str) -> Iterator[str]:
    cells = [c for r in rows.get(f"power{past}", []) for c in r["cells"]]
    if not cells:
        return
    ratios, sizes = (sorted({c[i] for c in cells}) for i in (0, 1))
    yield from (
        "",
        f"Share of bad nozzles flagged{_with(past)}, tool / oracle, by true odds ratio and expected losses a week:",
        "",
    )
    yield from (
        "| odds ratio | " + " | ".join(f"{e:g} expected" for e in sizes) + " |",
        "|---" * (len(sizes) + 1) + "|",
    )
    for ratio in ratios:
        line = [f"{ratio:g}"]
        for size in sizes:
            here = [c for c in cells if c[0] == ratio and c[1] == size]
            tool, best = (100 * sum(c[i] for c in here) / max(len(here), 1) for i in (2, 3))
            line.append(f"{tool:.0f} % / {best:.0f} % of {len(here)}")
        yield "| " + " | ".join(line) + " |"
    tool, best, both = (sum(1 for c in cells if all(c[i] for i in at)) for at in ((2,), (3,), (2, 3)))
    yield from ("", f"In all {tool} of {len(cells)}, the oracle {best}, both {both}.")
