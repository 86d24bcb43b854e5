"""IPC-2591's words for what went wrong, in our words. Data, not code: correct it here.

In:    a rejection reason with the place the part went to; the name of a failed vision test; a kind of fault.
Out:   outcome (words.OUTCOMES) and reason group (words.REASON_GROUPS).
After: every rejection has both; a fault that is no part loss has neither.

Source: the lists of words are IPC-2591's (versions 1.0 to 2.1); what each means for the counts is ours.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

BY_PLACE: Final = {"Lost": "dropped", "RejectionBox": "rejected", "MaterialCarrier": "returned"}
"""`Location` of a part that was not installed -> outcome, where the reason alone does not decide."""

REJECTIONS: Final[dict[str, tuple[str | None, str]]] = {
    "BadPressureTestAfterPickup": ("missed", "vacuum"),  # nothing held
    "BadVisionTestBeforePickup": ("missed", "pickup"),
    "BadVisionTestAfterPickup": ("rejected", "other"),  # the failed test may tell more
    "BadOpticalTestAfterPickup": ("rejected", "other"),
    "BadElectricalTest": ("rejected", "electrical"),
    "ErrorAfterPickUp": (None, "mechanical"),
    "ErrorAfterPlacement": ("dropped", "mechanical"),
    "BadVisionTestAfterPlacement": ("dropped", "mechanical"),
    "BadPressureTestAfterPlacement": ("dropped", "mechanical"),
    "BadOpticalTestAfterPlacement": ("dropped", "mechanical"),
    "MechanicalError": (None, "mechanical"),
    "ElectricalError": (None, "other"),
    "SoftwareError": (None, "other"),
    "ExternalDeviceError": (None, "other"),
    "Unknown": (None, "other"),
}
"""`RejectionReason` -> outcome and reason group; outcome None: `Location` decides (BY_PLACE)."""

ENDINGS: Final = (("AfterElectricalTest", ("rejected", "electrical")), ("AfterPlacement", ("dropped", "mechanical")))
"""The same for families of reasons, by how the word ends (2.1 adds four ...AfterElectricalTest)."""

LOOKED_AT: Final = ("BadVisionTestAfterPickup", "BadOpticalTestAfterPickup")
"""Reasons whose group the failed test decides."""

TESTED: Final = (
    ("lighting", ("brightness", "contrast", "light", "lighting", "illumination")),
    ("lead_or_ball", ("lead", "ball", "pitch", "coplanarity", "terminal")),
    ("orientation", ("angle", "rotation", "orientation", "polarity", "pin1", "flip")),
    ("shape", ("shape", "contour", "outline")),
    ("size", ("length", "width", "height", "size", "thickness", "area", "body")),
)
"""Reason group -> words in `InformationId`; the first group with a word in it wins: "LeadWidth" is about leads."""

FAULTS: Final = {
    "VacuumError": ("missed", "vacuum"),
    "PickupError": ("missed", "pickup"),
    "FeederError": ("missed", "pickup"),
    "NozzleError": ("missed", "pickup"),
    "RecognitionError": ("rejected", "other"),
    "LightingError": ("rejected", "lighting"),
    "ComponentDropped": ("dropped", "mechanical"),
    "PlacementError": ("dropped", "mechanical"),
}
"""`PlacementFaultType` -> outcome and reason group. All others (exhaust, low quantity, fiducial, axis, head) point
to no part loss."""

MAINTENANCE: Final = {"Repair": "repaired"}
"""`MaintenanceType` -> words.SERVICE_ACTIONS where no pattern names the action; all others: inspected."""

_WORD: Final = re.compile(r"[A-Z]+\d*(?![a-z])|[A-Z]?[a-z]+\d*|\d+")


def rejection(reason: str | None, place: str | None) -> tuple[str, str]:
    """Outcome and reason group of a part that was not installed. Back on its carrier is never a loss.

    >>> rejection("BadPressureTestAfterPickup", None), rejection("ErrorAfterPickUp", "Lost")
    (('missed', 'vacuum'), ('dropped', 'mechanical'))
    >>> rejection("Unknown", None), rejection("BadElectricalTest", "MaterialCarrier")
    (('unknown', 'other'), ('returned', 'electrical'))
    """
    outcome, group = REJECTIONS.get(reason or "Unknown") or next(
        (meaning for ending, meaning in ENDINGS if reason and reason.endswith(ending)), (None, "other")
    )
    if place == "MaterialCarrier":
        return "returned", group
    return outcome or BY_PLACE.get(place or "", "unknown"), group


@lru_cache(maxsize=4096)
def tested(name: str) -> str:
    """Reason group of a failed vision test, by the words in its name.

    >>> tested("LeadWidth"), tested("BodyOutline"), tested("PIN1_POLARITY"), tested("bodylength"), tested("Score")
    ('lead_or_ball', 'shape', 'orientation', 'size', 'other')
    >>> tested("Rectangle width")
    'size'
    """
    parts = {word.lower() for word in _WORD.findall(name)}
    parts |= {word.removesuffix("s") for word in parts}
    for group, known in TESTED:
        if parts.intersection(known):
            return group
    run_together = name.lower()
    return next((group for group, known in TESTED if any(word in run_together for word in known)), "other")
