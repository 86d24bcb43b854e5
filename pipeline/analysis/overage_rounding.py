"""From extra parts to what is kitted, loaded and ordered.

In:    parts needed and extra of each build line, in the order in which the builds are due; stock and pack sizes.
Out:   pieces in the kit, loads of the machine, pieces to order.
After: an order is 0 or at least the minimum order and a whole number of packs; with it, no line of the part runs out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.estimators.arrays import FloatArray, IntArray


def kit_pieces(need: int, extra: int, whole_pack: int | None = None) -> int:
    """Pieces to kit: to the piece, since trays and tubes are counted out and tape is cut; or in whole packs.

    whole_pack  pieces in a pack where nobody counts the parts of a begun one; None: to the piece

    >>> kit_pieces(1000, 12), kit_pieces(1000, 12, 5000)
    (1012, 5000)
    """
    return need + extra if not whole_pack else -(-(need + extra) // whole_pack) * whole_pack


def order_quantity(missing: int, pack_size: int | None, minimum_order: int | None) -> int:
    """Pieces to order when `missing` pieces are short: whole packs, not below the minimum order.

    missing        pieces short; 0 or below: nothing is ordered
    pack_size      pieces in a reel, tray or tube; None: sold by the piece
    minimum_order  smallest order in pieces; None: none

    >>> order_quantity(5200, 5000, None), order_quantity(3, None, 100), order_quantity(120, 50, 200)
    (10000, 100, 200)
    >>> order_quantity(0, 5000, 100)
    0
    """
    if missing <= 0:
        return 0
    least = max(missing, minimum_order or 0)
    pack = pack_size or 1
    return -(-least // pack) * pack


def orders(
    part: IntArray,
    kit: IntArray,
    available: Sequence[int],
    pack_size: Sequence[int | None],
    minimum_order: Sequence[int | None],
    back: IntArray | None = None,
) -> tuple[list[int], list[int]]:
    """Pieces to order for each line, and pieces there before it. Earlier lines use up stock, orders on their way and
    what rounding left over.

    part       index of the part of each line, in the order in which the builds are due
    kit        pieces that each line takes out
    available  by part: stock and on order
    back       pieces of each line's kit that are in stock again before the next build; None: none
    """
    left = list(available)
    found, before = [], []
    again = back.tolist() if back is not None else [0] * part.size
    for i, pieces, returned in zip(part.tolist(), kit.tolist(), again, strict=True):
        after = left[i] - pieces
        order = order_quantity(-after, pack_size[i], minimum_order[i]) if after < 0 else 0
        before.append(left[i])
        left[i] = after + order + returned
        found.append(order)
    return found, before


def loads_of_build(
    need: FloatArray, rate: FloatArray, per_load: FloatArray, pack: FloatArray, least: IntArray
) -> IntArray:
    """Times the machines are loaded for each line: once a machine, and once a pack of what is used up.

    need      parts to place
    rate      loss rate while running, a fraction
    per_load  parts lost per load
    pack      pieces in a pack; inf where it is not known
    least     machines that the part is fed on at the same time, at least 1

    What is used up is the need, the expected running losses and the losses of one load: a build of exactly one reel
    needs a second one. Losses of further loads are taken off each further pack.
    """
    used = need / (1.0 - np.minimum(rate, 0.9)) + per_load
    room = np.maximum(pack - per_load, 1.0)
    loads = np.where(np.isfinite(pack), 1.0 + np.ceil(np.maximum(used - pack, 0.0) / room), 1.0)
    return np.asarray(np.maximum(loads, np.maximum(least, 1)), dtype=np.int64)
