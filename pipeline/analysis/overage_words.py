"""The sentence that stands behind every overage figure, so that a buyer can check it.

In:    counts, rates and settings of one line.
Out:   a short `basis` and one plain sentence.
After: the sentence gives losses with their count, the rate with its interval, the load losses and the service level.
"""

from __future__ import annotations

from typing import Final

THIN: Final = "\u202f"
_LOADS: Final = {
    "tape": ("reel load", "reel loads"),
    "tube": ("tube load", "tube loads"),
    "tray": ("tray load", "tray loads"),
    "bulk": ("case load", "case loads"),
}


def count(value: float) -> str:
    """A whole number with a thin space between groups of three digits."""
    return f"{value:,.0f}".replace(",", THIN)


def per_cent(fraction: float, *, unit: bool = True) -> str:
    """A rate in per cent with two significant digits, plain decimals.

    >>> per_cent(0.00334, unit=False), per_cent(0.0271, unit=False), per_cent(0.000042, unit=False)
    ('0.33', '2.7', '0.0042')
    """
    value = 100 * fraction
    if value <= 0:
        text = "0"
    elif value >= 10:
        text = f"{value:.0f}"
    else:
        decimals = 1 if value >= 1 else min(8, 1 - int(f"{value:e}".split("e")[1]))
        text = f"{value:.{decimals}f}"
    return f"{text}{THIN}%" if unit else text


def basis(own: float, ran: bool, package: str | None, peers: int, enough: float, left_out: tuple[str, ...]) -> str:
    """Where the rate comes from: own history, package, plant.

    own     weight of the part's own history, 0 to 1; from `enough` on it is named alone
    peers   other parts of the package that ran

    >>> basis(0.95, True, "0402", 8, 0.9, ()), basis(0.3, True, "0402", 8, 0.9, ("L7",))
    ('own history', 'own history and package 0402; lot L7 left out')
    >>> basis(0.0, False, "0402", 8, 0.9, ()), basis(0.0, False, None, 0, 0.9, ())
    ('package 0402 only: never run', 'plant only: never run')
    """
    pool = f"package {package}" if package is not None and peers > 0 else "plant"
    if not ran:
        text = f"{pool} only: never run" if not left_out else f"{pool} only: no other lot was run"
    elif own >= enough:
        text = "own history"
    else:
        text = f"own history and {pool}"
    if left_out:
        text += f"; lot{'s' if len(left_out) > 1 else ''} {', '.join(left_out)} left out"
    return text


def history(
    used: float, lost: float, weeks: int, rate: tuple[float, float, float], own: bool, pool: str, feeder_known: bool
) -> str:
    """First half of the sentence: what was lost, and the rate taken with its interval.

    rate  mean, low and high of the long-run loss rate, fractions
    own   whether the part's own history stands alone; else `pool` is named
    """
    mean, low, high = rate
    interval = f"{per_cent(mean)}, {per_cent(low, unit=False)} to {per_cent(high)}"
    if used <= 0:
        text = f"No history of its own; {pool} loses about {interval}"
    else:
        span = f"{weeks} week{'s' if weeks > 1 else ''}"
        text = f"Lost {count(lost)} of {count(used)} used in {span}"
        text += f" ({interval})" if own else f"; with {pool}: {interval}"
    return text if feeder_known else f"{text}; feeder not known, taken as tape"


def load(feeder_type: str, loads: int, per_load: float) -> str:
    """Middle of the sentence: what the loads cost.

    >>> load("tape", 1, 6.0), load("tray", 2, 0.0), load("tape", 3, 6.0)
    ('6 pieces for one reel load', 'nothing for 2 tray loads', '18 pieces for 3 reel loads')
    """
    one, many = _LOADS[feeder_type]
    loading = f"one {one}" if loads == 1 else f"{count(loads)} {many}"
    pieces = per_load * loads
    if pieces <= 0:
        return f"nothing for {loading}"
    return f"{pieces:g} piece{'' if pieces == 1 else 's'} for {loading}"


def sure(level: float) -> str:
    """End of the sentence: the service level."""
    return f"{100 * level:.4g}{THIN}% sure"
