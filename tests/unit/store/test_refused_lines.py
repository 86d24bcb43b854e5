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


def _status(plant: Path) -> dict[str, object]:
    found: dict[str, object] = json.loads(pickfall("status", "--plant", plant, "--format", "json").stdout)
    return found


def _listed(plant: Path) -> list[tuple[str, int]]:
    shown = json.loads(pickfall("refused", "--plant", plant, "--format", "json").stdout)
    return [(r["file"], r["line"]) for r in shown]


def _write(path: Path, outcomes: list[str]) -> None:
    write_picks(path, [PickLine(BEGIN + timedelta(seconds=9 * i), result=r) for i, r in enumerate(outcomes)])


def test_a_log_that_was_mended_where_it_lies_settles_what_was_refused(tmp_path: Path) -> None:
    plant = _plant(tmp_path)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    _write(plant / "inbox" / "a_picks.csv", ["OK", "MISS", "MISS", "OK", "MISS", "=ODD"])
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select rows_loaded, rows_duplicate, rows_refused from load order by load_id") == [
        (3, 0, 3),
        (2, 3, 1),
    ]
    assert _listed(plant) == [("inbox/a_picks.csv", 7)], "only what is still wrong"
    (line,) = (q for q in _status(plant)["data"] if q["what"] == "lines refused")  # type: ignore[attr-defined]
    assert "3 of them mended" in line["text"]
    assert "the others are 8.333%" in line["text"]


def test_another_log_of_the_same_name_settles_nothing(tmp_path: Path) -> None:
    """A log that the machine begins anew: the lines refused of the old one are still lost."""
    plant = _plant(tmp_path)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    write_picks(
        plant / "inbox" / "a_picks.csv", [PickLine(BEGIN + timedelta(hours=3, seconds=9 * i)) for i in range(20)]
    )
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert [line for _, line in _listed(plant)] == [4, 6, 7]


def test_what_is_given_up_is_settled_by_name(tmp_path: Path) -> None:
    plant = _plant(tmp_path)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    wrong = pickfall("refused", "--settle", "a_picks.csv", "--plant", plant)
    assert (wrong.returncode, len(wrong.stderr.strip().splitlines())) == (2, 1)
    assert "Take the name from" in wrong.stderr
    done = pickfall("refused", "--settle", "inbox/a_picks.csv", "--plant", plant)
    assert (done.returncode, _listed(plant)) == (0, []), done.stderr
    assert query(plant, "select count(*), count(settled) from refused") == [(3, 3)]
    assert query(plant, "select rows_read - rows_loaded - rows_duplicate - rows_refused from load") == [(0,)]


def test_an_export_that_fails_says_so_after_the_account_of_what_was_read(tmp_path: Path) -> None:
    plant = make_plant(tmp_path / "plant", '[retention]\npick_weeks = 2\nexport = "taken"\n')
    (plant / "taken").write_text("a file, no folder", encoding="utf-8")
    old = [PickLine(BEGIN - timedelta(weeks=9), result="OK")]
    write_picks(plant / "inbox" / "a_picks.csv", [*old, PickLine(BEGIN)])
    done = pickfall("ingest", "--plant", plant)
    assert done.returncode == 1
    assert "2 loaded" in done.stderr
    assert "Old picks could not be exported: none was removed" in done.stderr
    assert "Traceback" not in done.stderr
    assert query(plant, "select count(*) from pick") == [(2,)]
