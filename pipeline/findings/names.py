"""How pages name an item beside its machine.

In:    kind, machine and id of an item.
Out:   words.
After: a machine is named once.
"""

from __future__ import annotations

from typing import Final

LEAVE: Final = "Leave it; "
"""How the advice begins for an item that a service of the week has mended already."""

NUMBERED_ALIKE: Final = ("nozzle", "feeder")
"""Kinds whose ids begin with the machine where machines number them alike (store/shared_ids.py)."""


def of_machine(kind: str, machine: str | None, item: str) -> str:
    """What follows an item's id on pages: the machine that it is on, unless the id or the kind says so.

    >>> of_machine("nozzle", "M1", "N7"), of_machine("nozzle", "M1", "M1/N7"), of_machine("machine", "M1", "M1")
    (' of M1', '', '')
    """
    said = kind == "machine" or (kind in NUMBERED_ALIKE and item.startswith(f"{machine}/"))
    return f" of {machine}" if machine and not said else ""
