"""Make a plant folder: commented plant.toml, empty master tables, an example log mapping, an inbox.

In:    the name of a folder that does not exist or is empty.
Out:   the folder, ready for logs.
After: `pickfall status --plant DIR` accepts it as it is; nothing that was there before has been touched.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from pipeline.errors import UserError
from pipeline.schema.master_tables import MASTER_TABLES
from pipeline.store.masters import file_name


def make_plant(folder: Path) -> tuple[Path, ...]:
    """Write the folder; returns what was written. UserError when it holds files already."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UserError(f"{folder} is not empty. Name a new or an empty folder.")
    templates = files("pipeline.newplant") / "templates"
    written = []
    for name, target in (("plant.toml", "plant.toml"), ("example_mapping.toml", "mappings/example.toml.txt")):
        written.append(_write(folder / target, (templates / name).read_text(encoding="utf-8")))
    for spec in MASTER_TABLES:
        written.append(_write(folder / "masters" / file_name(spec), ",".join(spec.names()) + "\n"))
    (folder / "inbox").mkdir(parents=True, exist_ok=True)
    return (*written, folder / "inbox")


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path
