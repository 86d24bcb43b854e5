"""All outputs together: names, places, and the same bytes from the same bundle."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from reports import write_all
from tests.fixtures_bundle import hostile_bundle

ROOT = Path(__file__).parents[2]
PROGRAM = """
import sys
from pathlib import Path
from reports import write_all
from tests.fixtures_bundle import rich_bundle
write_all(rich_bundle(suspects=40, overages=9), Path(sys.argv[1]))
"""


def digests(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_names_and_places(tmp_path: Path) -> None:
    made = write_all(hostile_bundle(suspects=20, overages=5), tmp_path)
    assert {name: path.relative_to(tmp_path).as_posix() for name, path in made.items()} == {
        name: name for name in ("weekly.pdf", "weekly.xlsx", "weekly.html", "csv")
    }
    assert sorted(path.name for path in tmp_path.iterdir()) == ["csv", "weekly.html", "weekly.pdf", "weekly.xlsx"]


def test_the_same_bundle_gives_the_same_bytes(tmp_path: Path) -> None:
    found = []
    for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        folder = tmp_path / seed
        folder.mkdir()
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": str(ROOT)}
        subprocess.run([sys.executable, "-c", PROGRAM, str(folder)], check=True, env=environment, cwd=ROOT)
        found.append(digests(folder))
    assert found[0] == found[1]
    assert len(found[0]) > 15


def test_a_missing_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_all(hostile_bundle(suspects=3, overages=1), tmp_path / "not there")
