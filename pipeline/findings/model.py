"""The week's bundle: everything a page may print, and nothing it would have to compute.

In:    nothing.
Out:   frozen dataclasses, built by analysis/ and weekly.py, read by reports/.
After: every rate is a fraction (0.0021, never 0.21), every rate carries its count and interval, every
       field is None where the data cannot carry it. Tuples are sorted by whoever builds them.

Units: costs in the plant's currency, times ISO 8601 in the plant's zone with offset, offsets in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from pipeline.findings.buying import LossFigure, PastTest, StandingRule, Unexplained, WholeKit

FORMAT = 1
"""Version of findings.json; raised when a field changes its meaning."""

Owner = Literal["maintenance planner", "buyer", "engineer"]


@dataclass(frozen=True, slots=True)
class Rate:
    """`losses` out of `attempts`, with the confidence interval; rate is None when attempts is 0."""

    attempts: int
    losses: int
    rate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One period (ISO week or local day) of a trend; `expected` is the healthy rate on the same mix, if known."""

    label: str
    attempts: int
    losses: int
    rate: float | None
    low: float | None
    high: float | None
    expected: float | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """One fact for (or against) a claim: a number with what it is compared with.

    `name` is a stable key; `text` a short sentence in plain words, complete in itself.
    """

    name: str
    text: str
    supports: bool = True
    value: float | None = None
    low: float | None = None
    high: float | None = None
    compared_with: str = ""


@dataclass(frozen=True, slots=True)
class Swap:
    """The exchange on the floor that would settle what the data cannot tell apart.

    what   what to exchange with what
    reads  what each outcome means
    picks  picks of each side after which a difference of the seen size shows with 90 % power
    days   working days for that at this week's pace; None where it is not known
    """

    what: str
    reads: str
    picks: int
    days: float | None


@dataclass(frozen=True, slots=True)
class Suspect:
    """One item and one kind of loss, looked at this week; flagged or not.

    attempts   chances of this loss: picks for missed and all, parts held for rejected, parts accepted for dropped
    expected   losses expected if it were like its healthy peers on the same work (a number of losses, not a rate)
    excess     losses - expected, with its interval; shrunken, so it is what mending is expected to save
    effect     odds ratio against healthy peers, adjusted for everything else it worked with
    q          Benjamini-Hochberg adjusted p-value over everything looked at this week
    headline   True for the one flagged entry that stands for its item in lists: an item flagged for several losses is
    one
               thing to do
    enough     False when there are too few picks to say anything; then effect, q are None and flagged is False
    stands_out  True when it is beyond its healthy peers as surely as a flagged one, but too small to be flagged
    suspected   True when the model set it apart as the likeliest cause of some losses, but not surely enough for a flag
                over everything looked at this week
    since_about  True when the day in `since` is not sure: a slow rise, or one of several days
    mended      True for a flagged one that a service of the week has mended already; its saving was had
    """

    kind: str
    id: str
    machine: str | None
    loss: str
    attempts: int
    losses: int
    rate: float | None
    low: float | None
    high: float | None
    expected: float | None
    excess: float | None
    effect: float | None
    effect_low: float | None
    effect_high: float | None
    q: float | None
    flagged: bool
    cause: str | None
    since: str | None
    cost_per_week: float | None
    not_separable_from: tuple[str, ...] = ()
    evidence: tuple[Evidence, ...] = ()
    excess_low: float | None = None
    excess_high: float | None = None
    cost_low: float | None = None
    cost_high: float | None = None
    enough: bool = True
    stands_out: bool = False
    suspected: bool = False
    since_about: bool = False
    explained_by: str | None = None
    headline: bool = False
    mended: bool = False
    advice: str = ""
    history: tuple[TrendPoint, ...] = ()
    swap: Swap | None = None


@dataclass(frozen=True, slots=True)
class Action:
    """One line of the summary: what to do this week, by whom, what it is worth."""

    owner: Owner
    what: str
    why: str
    worth: float | None
    worth_low: float | None = None
    worth_high: float | None = None
    unit: str = "per week"
    kind: str = ""
    id: str = ""
    hands_in_machine: bool = False


@dataclass(frozen=True, slots=True)
class ServiceOutcome:
    """Did a service work? Difference of the loss rate after - before, with Newcombe's interval."""

    time: str
    machine: str | None
    kind: str
    id: str
    action: str
    loss: str
    before: Rate
    after: Rate
    difference: float | None
    low: float | None
    high: float | None
    verdict: Literal["worked", "did not work", "got worse", "cannot say yet"]
    picks_since: int
    note: str = ""
    text: str = ""
    history: tuple[TrendPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """Where the measured values of refused parts lie against the taught value and limits."""

    what: str
    unit: str
    count: int
    taught: float | None
    limit_low: float | None
    limit_high: float | None
    mean: float
    mean_low: float | None
    mean_high: float | None
    spread: float | None


@dataclass(frozen=True, slots=True)
class RecognitionFinding:
    """Recognition rejects of one part: how many, why, where they follow, what was measured, what to do.

    expected   rejects if the part were like its healthy peers, on the same work: with whatever else is bad in it
    flagged    the ranking flagged the part, or something that handled most of its rejects
    by_itself  it flagged the part, or something that cannot be told from it
    stands_out nothing of that is flagged, but one of them is worse than its peers, and too small or not sure enough
    """

    part: str
    package: str | None
    method: str | None
    lighting: str | None
    rejects: Rate
    expected: float | None
    flagged: bool
    reasons: tuple[tuple[str, int], ...]
    follows: str
    since: str | None
    measured: tuple[Measured, ...]
    lots: tuple[tuple[str, Rate], ...]
    heads: tuple[tuple[str, Rate], ...]
    advice: str
    history: tuple[TrendPoint, ...] = ()
    by_itself: bool = True
    stands_out: bool = False
    since_about: bool = False


@dataclass(frozen=True, slots=True)
class OffsetDrift:
    """Mean pick offset of a feeder by day: a position that walks away from the pocket's centre.

    slope and its interval in mm per day; `start`/`end` fitted mean offset at the first and last day, mm.
    """

    machine: str
    feeder: str
    slot: str | None
    axis: Literal["x", "y"]
    picks: int
    start: float
    end: float
    slope: float
    low: float
    high: float
    flagged: bool
    days: tuple[tuple[str, float, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Overage:
    """What to buy and kit of one part for one build.

    need      parts placed on the boards
    extra     parts above `need` so that the build completes with probability `service_level`
    buy       need + extra - stock - on order, rounded up to packs and the minimum order; 0 when stock suffices
    loss_rate losses per part used while running, with its interval; per-load losses come on top
    basis     where the figures come from, in plain words
    kit_extra extra that the cheapest whole kit takes of this part; None where no kit was made
    enough    probability that stock and orders, as far as earlier builds leave them, suffice; None: stock not known
    """

    part: str
    build: str
    need: int
    extra: int
    buy: int
    service_level: float
    loss_rate: float
    loss_low: float
    loss_high: float
    basis: str
    package: str | None = None
    boards: int = 0
    quantity_per_board: int = 0
    loads: int = 0
    per_load: float = 0.0
    kit: int = 0
    stock: int | None = None
    on_order: int | None = None
    pack_size: int | None = None
    unit_cost: float | None = None
    extra_cost: float | None = None
    buy_cost: float | None = None
    due: str | None = None
    used: int = 0
    lost: int = 0
    reason: str = ""
    kit_extra: int | None = None
    part_class: str | None = None
    enough: float | None = None


@dataclass(frozen=True, slots=True)
class QualityLine:
    """One thing about the data that a reader should know; `level` is shown as a word, never by colour alone."""

    level: Literal["note", "warning", "problem"]
    what: str
    text: str
    machine: str | None = None
    value: float | None = None
    expected: float | None = None


@dataclass(frozen=True, slots=True)
class MachineWeek:
    """What one machine's logs hold of the week; None for a kind of loss that its counters give no figure for."""

    machine: str
    line: str | None
    grain: str
    picks: int
    placed: int
    missed: int | None
    rejected: int | None
    dropped: int | None
    returned: int
    unknown: int
    loss: Rate
    hours_with_picks: int
    unknown_nozzle: float | None
    unknown_feeder: float | None
    unknown_part: float | None


@dataclass(frozen=True, slots=True)
class RefusalGroup:
    """Refused lines with the same reason."""

    file: str
    reason: str
    lines: int
    first_line: int | None
    example: str


@dataclass(frozen=True, slots=True)
class Quality:
    """What was read, what was not, and what does not agree."""

    files: int
    rows_read: int
    rows_loaded: int
    rows_duplicate: int
    rows_refused: int
    machines: tuple[MachineWeek, ...]
    lines: tuple[QualityLine, ...]
    refusals: tuple[RefusalGroup, ...]


@dataclass(frozen=True, slots=True)
class LossSummary:
    """Plant rate of one kind of loss: this week, the week before, and the trend by week."""

    loss: str
    this_week: Rate
    last_week: Rate | None
    dispersion: float | None
    trend: tuple[TrendPoint, ...]


@dataclass(frozen=True, slots=True)
class Bundle:
    """One ISO week of a plant. `start` is inside, `end` outside the week.

    looked_at  how many items and losses were tested
    spread_weeks  how many weeks before this one told how far healthy items differ
    basis      digest of everything the figures come from: files loaded, master tables, settings, version
    """

    week: str
    plant: str
    zone: str
    currency: str
    start: str
    end: str
    picks: int
    placed: int
    boards: int | None
    losses: tuple[LossSummary, ...]
    actions: tuple[Action, ...]
    suspects: tuple[Suspect, ...]
    services: tuple[ServiceOutcome, ...]
    recognition: tuple[RecognitionFinding, ...]
    drifts: tuple[OffsetDrift, ...]
    overage: tuple[Overage, ...]
    quality: Quality
    settings: dict[str, object] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    looked_at: int = 0
    basis: str = ""
    kits: tuple[WholeKit, ...] = ()
    standing: tuple[StandingRule, ...] = ()
    loss_figures: tuple[LossFigure, ...] = ()
    unexplained: tuple[Unexplained, ...] = ()
    past_test: PastTest | None = None
    spread_weeks: int = 0
    format: int = FORMAT
