"""Fixtures that several kinds of test share."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.plants import pickfall


def pytest_itemcollected(item: pytest.Item) -> None:
    """Tests that look at the demo share one process: it is made once."""
    if {"demo", "findings"} & set(getattr(item, "fixturenames", ())):
        item.add_marker(pytest.mark.xdist_group("demo"))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one `pickfall demo`, run as a user runs it."""
    out = tmp_path_factory.mktemp("demo") / "plant"
    done = pickfall("demo", "--out", out)
    assert done.returncode == 0, done.stderr
    (out / "printed.txt").write_text(done.stdout, encoding="utf-8")
    return out


@pytest.fixture(scope="session")
def findings(demo: Path) -> dict[str, Any]:
    """The demo's findings.json."""
    found: dict[str, Any] = json.loads((demo / "out" / "2026-W47" / "findings.json").read_text(encoding="utf-8"))
    return found
