"""What the buyer's pages may print besides the lines of builds: kits, standing rules, counts, the test on the past.

In:    nothing.
Out:   frozen dataclasses, built by analysis/overage_*.py, read by reports/.
After: every share and rate is a fraction; money is in the plant's currency; None where the data cannot carry a figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Source = Literal["counted", "setting"]


@dataclass(frozen=True, slots=True)
class LossFigure:
    """One figure of the loss model that no pick log tells, of one feeder type or of all.

    what       share of missed picks that use a part; parts lost per load, per splice; parts left on a reel taken for
               empty; scatter of what loads take, as variance over mean; share of what was left that came back
    low, high  its interval where it was counted; None for a setting
    source     counted: from reel counts; setting: as it stands in plant.toml
    reels      counted reels behind it; for returns, parts
    """

    what: str
    feeder_type: str
    value: float
    low: float | None
    high: float | None
    source: Source
    reels: int
    text: str


@dataclass(frozen=True, slots=True)
class WholeKit:
    """The cheapest extras with which no line of a build runs short, with probability `level` for the build as a whole.

    joint        probability reached; `single` what extras line by line at the same level would reach
    cost         of all extras; `single_cost` of the extras line by line
    marginal     part whose next piece adds most for its price; `weakest` the part that most probably runs short
    next_money   a sum to spend on top, `next_buy` the pieces it buys best, `next_joint` what the build is then
    exact        no cheaper set exists; else it costs at most `cost - bound` too much
    unpriced     lines that count with the plant's default price
    left_out     parts that no kit can be made for, in the order of `why_not`
    """

    build: str
    lines: int
    level: float
    joint: float
    single: float
    cost: float
    single_cost: float
    marginal: str
    weakest: str
    next_money: float
    next_buy: tuple[tuple[str, int], ...]
    next_joint: float
    exact: bool
    bound: float
    unpriced: int
    extras: tuple[tuple[str, int], ...]
    left_out: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class StandingRule:
    """Extra = fixed + share * need, rounded up, for every build of one part.

    smallest, largest  parts of one build line that it was made for
    waste              pieces above what a figure made for the build would take, on average over these sizes
    waste_cost         the same in money; None without a price
    """

    part: str
    package: str | None
    fixed: int
    share: float
    smallest: int
    largest: int
    waste: float
    waste_cost: float | None
    basis: str
    text: str


@dataclass(frozen=True, slots=True)
class Unexplained:
    """Parts gone by the reel counts against parts gone by the logs, of one part.

    gone        by the counts; logged: placed and lost by the logs; expected: what loads and misses take without a log
    difference  gone - logged - expected, with its interval; above 0: parts went that nobody logged
    """

    part: str
    package: str | None
    reels: int
    gone: int
    logged: int
    expected: float
    difference: float
    low: float
    high: float
    value: float | None
    value_low: float | None
    value_high: float | None
    text: str


@dataclass(frozen=True, slots=True)
class Rule:
    """What one way of kitting would have done on the past builds.

    enough   lines that sufficed, a fraction; with its interval
    surplus  pieces left over; surplus_cost in money (lines without a price at the default price)
    short    lines that ran short
    cost     of what was left over and of lines that ran short, as the plant's costs have it
    """

    name: str
    enough: float
    low: float
    high: float
    short: int
    surplus: int
    surplus_cost: float
    cost: float


@dataclass(frozen=True, slots=True)
class PastTest:
    """The advice tried on builds of the past, each time with the weeks before it alone.

    rules   this advice, the plant's flat rule, and perfect knowledge, in this order
    tenths  share of the lines whose losses fell in each tenth of the predicted distribution; 0.1 each when it is right
    chance  how far from 0.1 a tenth may lie by chance alone (95 %)
    """

    builds: int
    lines: int
    first_week: str
    last_week: str
    level: float
    rules: tuple[Rule, ...]
    tenths: tuple[float, ...]
    chance: float
    verdict: Literal["fits", "too careful", "too bold", "cannot say yet"]
    text: str
