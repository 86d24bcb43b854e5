"""The closed lists of words that the tables use. docs/glossary.md explains each."""

from __future__ import annotations

from typing import Final

OUTCOMES: Final = ("placed", "missed", "rejected", "dropped", "returned", "unknown")
"""Every pick attempt ends in exactly one of these."""

LOSS_OUTCOMES: Final = ("missed", "rejected", "dropped")
"""Outcomes that are looked at as losses; `missed` costs time always and a part only sometimes."""

REASON_GROUPS: Final = (
    "vacuum",
    "pickup",
    "size",
    "shape",
    "lead_or_ball",
    "orientation",
    "lighting",
    "electrical",
    "mechanical",
    "other",
)

GRAINS: Final = ("joint", "nozzle", "feeder", "part", "machine")
"""Which keys a tally row knows. Grains describe the same picks again: never add them together. `part`: counts of parts,
reels or lots without the feeder or slot that they came from."""

KINDS: Final = (
    *("nozzle", "spindle", "head", "machine", "feeder", "slot", "part", "package", "reel", "lot", "recipe"),
    *("optics", "light"),
)
"""What can be ranked. Optics: what a machine looks at parts with in one method of recognition; light: one of several
lightings of such optics."""


def several(kind: str) -> str:
    """The word for more than one of a kind.

    >>> several("nozzle"), several("optics")
    ('nozzles', 'optics')
    """
    return kind if kind.endswith("s") else f"{kind}s"


LOSSES: Final = ("missed", "rejected", "dropped", "all")

REEL_EVENTS: Final = ("load", "unload", "splice", "count")

SERVICE_ACTIONS: Final = ("cleaned", "replaced", "adjusted", "calibrated", "inspected", "repaired")

METHODS: Final = ("laser", "camera_reflected", "camera_side", "camera_back", "none")
"""How a part is recognised after the pick."""

FEEDER_TYPES: Final = ("tape", "tube", "tray", "bulk")
