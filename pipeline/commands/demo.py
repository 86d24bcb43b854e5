"""The sample plant as a plant folder of its own.

In:    the folder to work in.
Out:   a plant folder with the sample's settings, master tables, mappings and logs.
After: a file that is there already is left as it is; a folder that holds anything but an earlier demo is refused.
"""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from pipeline.errors import UserError

WEEK = "2026-W47"
"""The last week of the sample logs."""

MARK = ".pickfall-demo"
NOTE = "This is a made-up plant. For your own: pickfall new DIR"


def prepare(out: Path) -> Path:
    """Copy the sample plant into `out`; UserError when `out` is something else."""
    if out.exists() and (not out.is_dir() or (any(out.iterdir()) and not (out / MARK).exists())):
        raise UserError(f"{out} holds files that are not a pickfall demo. Name a new or an empty folder with --out.")
    out.mkdir(parents=True, exist_ok=True)
    (out / MARK).touch()
    _copy(files("sample_logs") / "plant", out)
    return out


def _copy(source: Traversable, target: Path) -> None:
    for entry in source.iterdir():
        if entry.is_dir():
            (target / entry.name).mkdir(exist_ok=True)
            _copy(entry, target / entry.name)
        elif not (target / entry.name).exists():
            unfinished = target / (entry.name + ".part")
            unfinished.write_bytes(entry.read_bytes())
            unfinished.rename(target / entry.name)
