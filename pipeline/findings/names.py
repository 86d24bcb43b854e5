"""How pages name an item beside its machine.

In:    kind, machine and id of an item.
Out:   words.
After: a machine is named once.
"""

from __future__ import annotations

from typing import Final

PLACES: Final = ("head", "spindle", "slot", "optics", "light")
"""Kinds that every machine numbers anew; all others are themselves wherever they are."""

NUMBERED_ALIKE: Final = ("nozzle", "feeder")
"""Kinds whose ids begin with the machine where machines number them alike (store/shared_ids.py)."""

NOT_JUDGED: Final = {"recipe": "not judged: see its parts", "machine": "not judged: see its heads"}
"""What is said of items that are only listed, by kind."""


def item_key(kind: str, machine: str | None, item: str) -> tuple[str, str, str | None]:
    """What makes two entries the same item, also where a nozzle or feeder has moved to another machine.

    >>> item_key("head", "M1", "H1"), item_key("nozzle", "M1", "N7")
    (('head', 'H1', 'M1'), ('nozzle', 'N7', None))
    """
    return kind, item, machine if kind in PLACES else None


def of_machine(kind: str, machine: str | None, item: str) -> str:
    """What follows an item's id on pages: the machine that it is on, unless the id or the kind says so.

    >>> of_machine("nozzle", "M1", "N7"), of_machine("nozzle", "M1", "M1/N7"), of_machine("machine", "M1", "M1")
    (' of M1', '', '')
    """
    said = kind == "machine" or (kind in NUMBERED_ALIKE and item.startswith(f"{machine}/"))
    return f" of {machine}" if machine and not said else ""
