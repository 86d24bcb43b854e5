"""Settings of the buyer's figures: sections [buying] and [[part_class]] of plant.toml.

In:    nothing.
Out:   frozen dataclasses with the defaults, and the range of each number.
After: settings.py reads and checks them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Buying:
    """How much extra to buy."""

    service_level: float = 0.95
    """Probability that the parts for one line of a build suffice, a fraction."""
    load_loss_tape: float = 6.0
    """Parts lost when a tape is loaded (threading, first picks): common practice, no source."""
    load_loss_tube: float = 1.0
    """The same for a tube."""
    load_loss_tray: float = 0.0
    """The same for a tray."""
    load_loss_bulk: float = 2.0
    """The same for a bulk case."""
    load_scatter: float = 2.0
    """Variance over mean of the parts that loads and splices take, 1 (Poisson) or more: hands and tapes differ. Common
    practice, no source."""
    splice_loss: float = 2.0
    """Parts lost when a tape is spliced to the one that ends: common practice, no source."""
    tail_loss: float = 0.0
    """Parts that stay on a tape that is taken for empty: common practice, no source."""
    miss_uses_part_tube: float = 0.3
    """Share of missed picks that use up a part of a tube, a fraction: common practice, no source."""
    miss_uses_part_tray: float = 0.0
    """The same for a tray: the part stays in its pocket."""
    miss_uses_part_bulk: float = 0.3
    """The same for a bulk case."""
    history_weeks: int = 8
    """Weeks of history that the loss rate is taken from."""
    half_life_weeks: float = 4.0
    """Age in weeks at which history counts half, so that a fault that was mended fades; 0: all weeks count the same."""
    leave_out_lots: tuple[str, ...] = ()
    """Lots known to be bad: what they lost says nothing about the next lot."""
    returns_recovered: float = 0.0
    """Share of what is expected to be left of a kit that comes back to stock before the next build, a fraction."""
    stop_cost: float = 100.0
    """Cost of one line of a build that runs short (machine stands, second set-up), in the plant's currency."""
    short_piece_cost: float = 0.0
    """Cost of each piece short on top of that, in the plant's currency."""
    surplus_share: float = 0.3
    """Share of its price that a part left over costs (counting, storing, some never used), a fraction."""
    flat_share: float = 0.01
    """The plant's present flat rule, that the advice is compared with: share of the need, a fraction."""
    flat_fixed: float = 10.0
    """The same: pieces a load on top."""
    next_money: float = 20.0
    """Sum whose best use on a whole kit is named, in the plant's currency."""


@dataclass(frozen=True, slots=True)
class PartClass:
    """Parts that are bought by a policy of their own; the first class that fits a part counts.

    feeder_type    any of these; empty: all
    package        any of these; empty: all
    price_from     price of one part from which, and `price_to` below which, it fits, in the plant's currency
    service_level  probability that one line suffices; None: as [buying]
    whole_packs    the kit is made of whole reels, trays or tubes: nobody counts such parts
    """

    name: str
    feeder_type: tuple[str, ...] = ()
    package: tuple[str, ...] = ()
    price_from: float = 0.0
    price_to: float = 1e9
    service_level: float | None = None
    whole_packs: bool = False


BUYING_RANGES: Final[dict[str, tuple[float, float]]] = {
    "service_level": (0.5, 0.99999),
    "load_loss_tape": (0.0, 10_000.0),
    "load_loss_tube": (0.0, 10_000.0),
    "load_loss_tray": (0.0, 10_000.0),
    "load_loss_bulk": (0.0, 10_000.0),
    "load_scatter": (1.0, 1000.0),
    "splice_loss": (0.0, 10_000.0),
    "tail_loss": (0.0, 10_000.0),
    "miss_uses_part_tube": (0.0, 1.0),
    "miss_uses_part_tray": (0.0, 1.0),
    "miss_uses_part_bulk": (0.0, 1.0),
    "history_weeks": (1, 520),
    "half_life_weeks": (0.0, 1000.0),
    "returns_recovered": (0.0, 1.0),
    "stop_cost": (0.0, 1e9),
    "short_piece_cost": (0.0, 1e9),
    "surplus_share": (0.0, 1.0),
    "flat_share": (0.0, 1.0),
    "flat_fixed": (0.0, 10_000.0),
    "next_money": (0.01, 1e9),
    "price_from": (0.0, 1e9),
    "price_to": (0.0, 1e9),
}
"""Least and largest value of each number of the two sections."""
