"""Parts under the names that count: alternates and old names of parts, as the logs' own names are read.

In:    the table master_alias, and a part as a build, a list or a question names it.
Out:   the part under which its picks are counted, and a sentence on each that was named otherwise.
After: a part without an alias keeps its name; one step deep, as when logs are read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

ALIAS: Final = ("kind", "alias", "id", "valid_from", "valid_to")


@dataclass(frozen=True, slots=True)
class PartNames:
    """Other names of parts.

    aliases  alias -> what it stands for, from when on and until before when (UTC, None: always)
    now      the time that counts where nothing is due
    zone     of the plant's days
    """

    aliases: dict[str, tuple[tuple[str, datetime | None, datetime | None], ...]]
    now: datetime
    zone: str

    @classmethod
    def of(cls, table: pl.DataFrame, now: datetime, zone: str) -> PartNames:
        """From the table master_alias."""
        found: dict[str, tuple[tuple[str, datetime | None, datetime | None], ...]] = {}
        for kind, alias, name, begin, end in table.select(ALIAS).sort(ALIAS).iter_rows():
            if kind == "part":
                found[alias] = (*found.get(alias, ()), (name, begin, end))
        return cls(found, now, zone)

    def counted(self, part: str, due: str | None = None) -> str:
        """The name under which a part is counted on the day that it is due (YYYY-MM-DD), else now."""
        if part not in self.aliases:
            return part
        at = self.now
        if due is not None:
            local = datetime.fromisoformat(due).replace(tzinfo=ZoneInfo(self.zone))
            at = local.astimezone(UTC).replace(tzinfo=None)
        for name, begin, end in self.aliases[part]:
            if (begin is None or begin <= at) and (end is None or at < end):
                return name
        return part


def said(part: str, counted: str) -> str:
    """What is said of a part that was named otherwise.

    >>> said("P-OLD", "P-1")
    'part "P-OLD" is another name of "P-1" (masters/aliases.csv): reckoned as that.'
    """
    return f'part "{part}" is another name of "{counted}" (masters/aliases.csv): reckoned as that.'


def renamed(builds: pl.DataFrame, names: PartNames) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """master_build with parts under the names that count, and a sentence on each build line that changed."""
    if not names.aliases:
        return builds, ()
    dues = builds["due"].cast(pl.String).str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False).dt.to_string()
    parts = builds["part"].to_list()
    counted = [p if p is None else names.counted(p, due) for p, due in zip(parts, dues, strict=True)]
    notes = [
        f"Build {build}: {said(part, name)}"
        for build, part, name in zip(builds["build"], parts, counted, strict=True)
        if part is not None and name is not None and part != name
    ]
    return builds.with_columns(part=pl.Series(counted, dtype=pl.String)), tuple(notes)
