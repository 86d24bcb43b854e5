"""A small made-up plant: its logs in every dialect, the generator that writes them, and what was planted in them.

`plant/` is a plant folder with settings, master tables, log mappings and an inbox. `truth.json` says which nozzles,
feeders, lots and parts were made bad, since when and by how much. No name in it belongs to a real company or product.
"""

from __future__ import annotations

from pathlib import Path

PLANT = Path(__file__).parent / "plant"
"""The plant folder that ships with the package."""
TRUTH = Path(__file__).parent / "truth.json"
"""What was planted in its logs."""
