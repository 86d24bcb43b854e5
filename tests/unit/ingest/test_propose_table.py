"""Which table a proposal fills where nobody says so: by its columns and words, never counts or loads as picks."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path

import pytest

from pipeline.ingest.propose import propose
from tests.fixtures_propose import checked, proposed

T = "2026-11-16 06:0{}:00"


def _log(head: str, *rows: str) -> str:
    return "\n".join([head, *(f"{T.format(i)};{row}" for i, row in enumerate(rows))]) + "\n"


@pytest.mark.parametrize(
    ("table", "text"),
    [
        ("pick", _log("time;machine;nozzle;result", "M1;N1;OK", "M1;N2;MISS", "M1;N1;OK")),
        ("pick", _log("time;machine;nozzle;status", "M1;N1;0", "M1;N2;3", "M1;N1;0")),
        ("pick", _log("time;machine;pick no;drop height;result", "M1;1;12;OK", "M1;2;12;NG", "M1;3;12;OK")),
        ("pick", _log("time;machine;nozzle;measured;low;result", "M1;N1;1.0;0.9;OK", "M1;N2;0.8;0.9;NG")),
        ("pick", _log("time;machine;nozzle;end;alarm", "M1;N1;OK;none", "M1;N2;miss;vacuum low")),
        ("pick", _log("time;machine;nozzle;error", "M1;N1;E17", "M1;N2;E4")),
        ("counter", _log("time;machine;feeder;picks;misses;rejects", "M1;F1;120;1;0", "M1;F2;98;0;2")),
        ("counter", _log("Zeit;Maschine;Düse;Aufnahmen;Fehlgriffe", "M1;N1;120;1", "M1;N2;98;0")),
        ("counter", _log("time;machine;picks;placed;dropped", "M1;1 200;1 190;1", "M1;980;975;0")),
        ("counter", _log("time;machine;nozzle;pickups;no_part;vision bad;lost", "M1;N1;120;1;0;0", "M1;N2;98;0;2;1")),
        ("counter", _log("time;machine;head;吸着数;吸着ミス;認識エラー", "M1;H1;120;1;0", "M1;H2;98;0;2")),
        ("pick", _log("time;machine;nozzle;pick;vision;error", "M1;N1;1;3;E1", "M1;N2;2;3;E4")),
        ("check_total", _log("end;start;machine;placed", *(f"2026-11-16 05:0{i}:00;M1;{i}00" for i in range(3)))),
        (
            "check_total",
            _log("end;start;machine;placed;lost", *(f"2026-11-16 05:0{i}:00;M1;{i}00;3" for i in range(3))),
        ),
        ("reel_event", _log("time;machine;slot;reel;part;what", "M1;3;R1;P1;load", "M1;3;R1;P1;unload")),
        ("reel_event", _log("time;machine;slot;reel;part;action", "M1;3;R1;P1;load", "M1;4;R2;P2;load")),
        ("reel_event", _log("time;slot;reel;part;qty", "3;R1;P1;5000", "4;R2;P2;3000")),
        ("activity", _log("time;machine;event;recipe", "M1;board start;TOP", "M1;board end;TOP")),
        ("service", _log("time;machine;nozzle;work", "M1;N1;cleaned", "M1;N2;replaced")),
        ("measurement", _log("time;machine;part;what;measured;low;high;ok", *["M1;P1;length;1.01;0.9;1.1;ok"] * 3)),
        ("fault", _log("time;machine;nozzle;alarm", "M1;N1;vacuum low", "M1;N2;part lost")),
    ],
)
def test_the_table_is_told_by_columns_and_words(tmp_path: Path, table: str, text: str) -> None:
    path = tmp_path / "export.csv"
    path.write_text(text, encoding="utf-8")
    made = propose(path)
    assert tomllib.loads(made)["table"] == table
    assert ("table" in checked(made)) is (table != "pick")  # a table that was guessed is marked
    assert tomllib.loads(propose(path, table)) == tomllib.loads(made)


def test_counts_are_called_as_outcomes_are(tmp_path: Path) -> None:
    rows = [f"2026-11-16 {h:02d}:00:00;M1;N{n};{90 + 7 * h};{h % 3};{n};0" for h in range(9) for n in range(3)]
    text, got = proposed(
        tmp_path, "\n".join(["time;machine;nozzle;pickups;no part;vision bad;lost", *rows]), "n.csv", "counter"
    )
    columns = tomllib.loads(text)["columns"]
    named = {"attempts": "pickups", "missed": "no part", "rejected": "vision bad", "dropped": "lost"}
    assert {ours: columns.get(ours) for ours in ("part", "outcome", *named)} == {"part": None, "outcome": None, **named}
    sums = [sum(counts) for counts in zip(*got.rows("attempts, missed, rejected, dropped"), strict=True)]
    assert sums == [3186, 27, 27, 0]


def test_a_day_beside_a_clock_with_its_zone_and_a_unit_that_is_a_machine(tmp_path: Path) -> None:
    head = "DATE;TIME;UNIT;NOZZLE;ITEM;WHAT;TAUGHT;FOUND;IN"
    rows = [f"{d}.09.2026;07:21:00.900+0200;L2M2;N{d};P1;length;2,900;2,496;mm" for d in range(14, 29)]
    found, got = proposed(tmp_path, "\n".join([head, *rows]), "line2_sizes.csv", "measurement")
    data = tomllib.loads(found)
    assert data["time"] == {"columns": ["DATE", "TIME"], "format": "%d.%m.%Y %H:%M:%S.%f%z"}
    assert (data["columns"]["machine"], data["columns"]["unit"]) == ("UNIT", "IN")
    assert got.rows("machine, unit") == [("L2M2", "mm")] * 15
    assert min(got.one("time")) == datetime(2026, 9, 14, 5, 21, 0, 900_000)  # noqa: DTZ001 - UTC


def test_what_cannot_be_that_table_after_all_is_taken_for_picks(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"  # two counts by their names, and no row in which both are whole numbers
    path.write_text(_log("time;machine;placed;missed", "M1;1.5;", "M1;;2.5"), encoding="utf-8")
    assert tomllib.loads(propose(path))["table"] == "pick"


@pytest.mark.parametrize(("lanes", "ours"), [(2, "lane"), (30, "slot")])
def test_a_column_of_many_lanes_holds_positions_of_feeders(tmp_path: Path, lanes: int, ours: str) -> None:
    rows = [f"2026-11-16 06:{i // 60:02d}:{i % 60:02d};M1;{i % lanes};{i % 3};OK" for i in range(300)]
    text, _ = proposed(tmp_path, "Time;Machine;Spur;Part;Result\n" + "\n".join(rows) + "\n", "picks.csv")
    assert tomllib.loads(text)["columns"][ours] == "Spur"
    assert {"lane", "slot"} & set(tomllib.loads(text)["columns"]) == {ours}
    marks = {key: why for key, why in checked(text).items() if key in ("lane", "slot")}
    assert ["30 different" in why for why in marks.values()] == ([True] if ours == "slot" else [])
