"""What tells counts of parts from those of feeders, where a log mapping calls both `feeder`.

In:    rows of table `counter`, of one file.
Out:   SQL conditions.
After: a file whose feeder counts name parts, reels or lots and never a feeder, slot or lane is one of grain `part`.
"""

from __future__ import annotations

from typing import Final

FEEDER: Final = "grain = 'feeder'"
OF_PARTS: Final = "count(coalesce(part, reel, lot)) > 0 and count(coalesce(feeder, slot, lane)) = 0"
"""For all rows of a file that are called `feeder`."""
