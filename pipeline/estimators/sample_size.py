"""How many picks it takes to tell two loss rates apart.

In:    the two rates, the power wanted, the confidence and the dispersion of the counts.
Out:   picks of each of the two groups.
After: finite and at least 1; ValueError where the rates are equal or no rates.

Normal approximation with the pooled variance under no difference, without continuity correction. Breaks when only a few
losses are expected in the better group: the power is then higher than asked (93 % for 90 % at six losses, simulated).
Source: Fleiss, Levin and Paik (2003), Statistical Methods for Rates and Proportions, 3rd ed., formula 4.14.
"""

from __future__ import annotations

import math

from scipy import stats


def picks_to_tell_apart(
    rate: float, other: float, *, power: float = 0.9, confidence: float = 0.95, dispersion: float = 1.0
) -> int:
    """Picks of each group after which a difference of these rates shows with that power in a two-sided test.

    rate, other  loss rates, fractions strictly between 0 and 1, not equal
    power        chance that the difference shows, in (0, 1)
    confidence   1 - level of the test, in (0, 1)
    dispersion   variance of the losses over the binomial one, >= 1
    Raises ValueError outside these ranges.

    >>> picks_to_tell_apart(0.65, 0.5, power=0.9, confidence=0.95)
    227
    """
    if not (0 < rate < 1 and 0 < other < 1) or rate == other:
        raise ValueError(f"rates {rate} and {other}: two different fractions between 0 and 1 are needed")
    if not (0 < power < 1 and 0 < confidence < 1 and dispersion >= 1):
        raise ValueError("power and confidence lie between 0 and 1, dispersion is at least 1")
    level, reach = (float(stats.norm.ppf(q)) for q in (0.5 + confidence / 2, power))
    mean = (rate + other) / 2
    spread = level * math.sqrt(2 * mean * (1 - mean)) + reach * math.sqrt(rate * (1 - rate) + other * (1 - other))
    return max(1, math.ceil(dispersion * (spread / (rate - other)) ** 2))
