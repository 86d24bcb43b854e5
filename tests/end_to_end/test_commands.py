"""The commands on the sample's store: what a person reads, and what a script reads."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from pipeline.schema.words import KINDS
from sample_logs import TRUTH
from tests.plants import pickfall

TRUE = json.loads(TRUTH.read_text(encoding="utf-8"))


def test_rank_as_table_json_and_csv_agree(demo: Path) -> None:
    table = pickfall("rank", "nozzle", "--plant", demo, "--week", "2026-W47", "--loss", "missed")
    assert table.returncode == 0, table.stderr
    first = table.stdout.splitlines()[1].split()
    data = json.loads(
        pickfall("rank", "nozzle", "--plant", demo, "--week", "2026-W47", "--loss", "missed", "--format", "json").stdout
    )
    rows = list(
        csv.DictReader(
            io.StringIO(
                pickfall(
                    "rank", "nozzle", "--plant", demo, "--week", "2026-W47", "--loss", "missed", "--format", "csv"
                ).stdout
            )
        )
    )
    worn = next(p for p in TRUE["planted"] if p["kind"] == "nozzle" and p["to"] >= "2026-11-22")
    assert first[0] == data[0]["id"] == rows[0]["id"] == worn["id"]
    assert len(data) == len(rows) == len(table.stdout.splitlines()) - 1
    assert data[0]["flagged"] is True


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_ranked(kind: str, demo: Path) -> None:
    done = pickfall("rank", kind, "--plant", demo, "--week", "2026-W47", "--format", "json", "--quiet")
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)
    if kind == "light":  # no log of the sample names its lighting
        assert rows == []
        return
    assert {r["kind"] for r in rows} == {kind}
    assert done.stderr == ""


def test_what_is_only_listed_says_so(demo: Path) -> None:
    """The sample has one machine of two heads: the others are ranked as their heads, and it has no peer."""
    table = pickfall("rank", "machine", "--plant", demo, "--week", "2026-W47", "--quiet").stdout.splitlines()
    assert len(table) == 7
    assert all(line.endswith("not judged: see its heads") for line in table[1:])


def test_explain_tells_why(demo: Path) -> None:
    worn = next(p for p in TRUE["planted"] if p["kind"] == "nozzle" and p["to"] >= "2026-11-22")
    done = pickfall("explain", "nozzle", worn["id"], "--plant", demo, "--week", "2026-W47")
    assert done.returncode == 0, done.stderr
    assert "Evidence" in done.stdout
    assert "healthy nozzle" in done.stdout
    document = json.loads(
        pickfall("explain", "nozzle", worn["id"], "--plant", demo, "--week", "2026-W47", "--format", "json").stdout
    )
    assert any(s["flagged"] for s in document["suspects"])


def test_explain_offers_near_names(demo: Path) -> None:
    done = pickfall("explain", "nozzle", "NZ0544", "--plant", demo, "--week", "2026-W47")
    assert done.returncode == 2
    assert "Did you mean" in done.stderr
    assert "NZ054" in done.stderr


def test_overage_of_one_build(demo: Path) -> None:
    done = pickfall("overage", "--plant", demo, "--week", "2026-W47", "--format", "json")
    rows = json.loads(done.stdout)
    build = rows[0]["build"]
    one = json.loads(pickfall("overage", build, "--plant", demo, "--week", "2026-W47", "--format", "json").stdout)
    assert one == [r for r in rows if r["build"] == build]
    assert all(r["kit"] >= r["need"] for r in rows)
    wrong = pickfall("overage", "NO-SUCH-BUILD", "--plant", demo, "--week", "2026-W47")
    assert wrong.returncode == 2
    assert build in wrong.stderr


def test_status(demo: Path) -> None:
    done = pickfall("status", "--plant", demo)
    assert done.returncode == 0, done.stderr
    assert "2026-W47" in done.stdout
    document = json.loads(pickfall("status", "--plant", demo, "--format", "json").stdout)
    totals = document["totals"]
    assert totals["read"] == totals["loaded"] + totals["duplicate"] + totals["refused"]
    assert sum(r["lines"] for r in document["refused"]) == totals["refused"]


def test_new_makes_a_plant_that_status_and_ingest_accept(tmp_path: Path) -> None:
    plant = tmp_path / "mine"
    made = pickfall("new", plant)
    assert made.returncode == 0, made.stderr
    paths = [Path(line) for line in made.stdout.splitlines()]
    assert paths
    assert all(path.exists() for path in paths)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    status = pickfall("status", "--plant", plant)
    assert status.returncode == 0, status.stderr


def test_version() -> None:
    done = pickfall("--version")
    assert done.returncode == 0
    assert done.stdout.startswith("pickfall ")
