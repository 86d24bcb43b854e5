"""The readers there are, in the order in which they are asked. A new dialect is one module and one line here."""

from __future__ import annotations

from pipeline.ingest.delimited import Delimited
from pipeline.ingest.dialect import Dialect
from pipeline.ingest.ipc2591 import Ipc2591
from pipeline.ingest.mapping import load_mappings
from pipeline.settings import Plant


def dialects(plant: Plant) -> tuple[Dialect, ...]:
    """All readers, ready for this plant; SettingsError when one of its log mappings is wrong."""
    return (
        Ipc2591(),
        Delimited(load_mappings(plant.mappings)),
    )
