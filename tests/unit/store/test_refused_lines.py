"""`pickfall refused` and `pickfall ingest --again`, as a user runs them."""

from __future__ import annotations

import csv
import io
import json
from datetime import datetime, timedelta
from pathlib import Path

from tests.plants import PickLine, make_plant, pickfall, query, tally_digest, write_picks

BEGIN = datetime(2026, 11, 16, 6)  # noqa: DTZ001
OUTCOMES = ["OK", "MISS", "NEW", "OK", "NEW", "=ODD"]


def _plant(folder: Path) -> Path:
    make_plant(folder, "[limits]\nrefused_share = 1.0\n")
    lines = [PickLine(BEGIN + timedelta(seconds=9 * i), result=r) for i, r in enumerate(OUTCOMES)]
    write_picks(folder / "inbox" / "a_picks.csv", lines)
    return folder


def _mend(folder: Path) -> None:
    path = folder / "mappings" / "picks.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace('"MISS" =', '"NEW" = "rejected"\n"MISS" ='), encoding="utf-8"
    )


def test_refused_lines_are_listed_and_loaded_after_mending(tmp_path: Path) -> None:
    plant = _plant(tmp_path)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    done = pickfall("refused", "--plant", plant, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [(r["file"], r["line"]) for r in rows] == [("inbox/a_picks.csv", n) for n in ("4", "6", "7")]
    assert rows[0]["raw"] == PickLine(BEGIN + timedelta(seconds=18), result="NEW").text()
    assert 'outcome "NEW" is not in the mapping' in rows[0]["reason"]
    assert pickfall("ingest", "--again", "--plant", plant, "--format", "json").stdout.strip() == "[]"

    _mend(plant)
    taken = json.loads(pickfall("ingest", "--again", "--plant", plant, "--format", "json").stdout)
    assert [(r["read"], r["loaded"], r["duplicate"], r["refused"]) for r in taken] == [(6, 2, 3, 1)]
    assert query(plant, "select rows_read, rows_loaded, rows_duplicate, rows_refused from load") == [(6, 5, 0, 1)]
    fresh = _plant(tmp_path / "fresh")
    _mend(fresh)
    assert pickfall("ingest", "--plant", fresh).returncode == 0
    assert tally_digest(plant) == tally_digest(fresh)
    shown = json.loads(pickfall("refused", "--plant", plant, "--format", "json").stdout)
    assert [r["line"] for r in shown] == [7]


def test_a_file_that_is_gone_is_named_and_found_where_it_is(tmp_path: Path) -> None:
    plant = _plant(tmp_path)
    pickfall("ingest", "--plant", plant)
    _mend(plant)
    moved = tmp_path / "archive" / "b_picks.csv"
    moved.parent.mkdir()
    (plant / "inbox" / "a_picks.csv").rename(moved)
    done = pickfall("ingest", "--again", "--plant", plant)
    assert "inbox/a_picks.csv: has refused lines and is not there any more" in done.stderr
    assert query(plant, "select rows_loaded from load") == [(3,)]
    pickfall("ingest", "--again", moved, "--plant", plant)
    assert query(plant, "select file, rows_loaded from load") == [("inbox/a_picks.csv", 5)]


def test_the_status_lists_disagreements_and_counters_that_fell(tmp_path: Path) -> None:
    plant = _plant(tmp_path)
    lines = [PickLine(BEGIN, result="OK"), PickLine(BEGIN + timedelta(seconds=9), result="BAD", code="S")]
    write_picks(plant / "inbox" / "b_picks.csv", lines)
    (plant / "mappings" / "totals.toml").write_text(
        'format = 1\nname = "totals"\ntable = "counter"\nfiles = ["*totals*"]\n[text]\ndelimiter = ","\n'
        '[time]\ncolumns = ["T"]\n'
        'format = "%Y-%m-%d %H:%M"\nzone = "UTC"\n[columns]\nmachine = "M"\nnozzle = "N"\nplaced = "P"\n'
        '[constants]\ngrain = "nozzle"\nrunning = true\n',
        encoding="utf-8",
    )
    text = "T,M,N,P\n2026-11-16 06:00,X,N1,700\n2026-11-16 07:00,X,N1,900\n2026-11-16 08:00,X,N1,30\n"
    (plant / "inbox" / "totals.csv").write_text(text, encoding="utf-8")
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select sum(attempts) from tally where machine = 'X'") == [(230,)]
    done = pickfall("status", "--plant", plant, "--format", "json")
    assert done.returncode == 0, done.stderr
    status = json.loads(done.stdout)
    assert [(d["file"], d["outcome"], d["kept_outcome"]) for d in status["disagreements"]] == [
        ("inbox/b_picks.csv", "rejected", "missed")
    ]
    assert [(e["machine"], e["kind"], e["before"], e["after"]) for e in status["counter_events"]] == [
        ("X", "reset", 900, 30)
    ]
    assert status["totals"]["balance"]
