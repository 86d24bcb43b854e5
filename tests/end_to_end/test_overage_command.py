"""`pickfall overage` as a buyer runs it, on a small plant: builds, lists, kits, one part, workbook, exit codes."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pipeline import settings
from pipeline.commands import overage as buyer
from pipeline.errors import UserError
from pipeline.findings.to_json import from_json
from pipeline.store.database import open_store
from pipeline.store.masters import load_masters
from tests.plants import make_plant, pickfall, some_picks, write_picks

WEEK = "2026-W47"
PARTS = """part,package,unit_cost,feeder_type,pack_size,minimum_order,stock,on_order
P0,0402,0.004,tape,10000,,50,0
P1,0402,0.004,tape,10000,,20000,0
P2,QFP100,80,tray,60,,100,0
P3,0603,0.01,tape,5000,10000,0,0
P4,0603,0.01,tape,5000,,0,0
"""
BUILDS = "build,part,quantity_per_board,boards,due\nA,P0,4,100,2026-12-01\nA,P2,1,100,2026-12-01\nB,P3,2,50,\n"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_plant(tmp_path_factory.mktemp("buyer") / "plant")
    (folder / "masters" / "parts.csv").write_text(PARTS, encoding="utf-8")
    (folder / "masters" / "builds.csv").write_text(BUILDS, encoding="utf-8")
    for day in (2, 9, 16):
        begin = datetime(2026, 11, day, 6)  # noqa: DTZ001
        write_picks(folder / "inbox" / f"{day:02}_picks.csv", some_picks(3000, seed=day, begin=begin))
    assert pickfall("ingest", "--plant", folder).returncode == 0
    assert pickfall("week", WEEK, "--plant", folder).returncode == 0
    return folder


def answer(plant: Path, *build: object, **more: Any) -> buyer.Answer:
    """The answer without the seconds that a process takes to start."""
    call = buyer.check(buyer.Call(*(str(b) for b in build), **more))
    of = settings.load(plant)
    bundle = from_json((plant / "out" / WEEK / "findings.json").read_text(encoding="utf-8"))
    if call.plain:
        return buyer.from_findings(bundle, call)
    with open_store(of, write=False) as con:
        return buyer.from_store(con, of, bundle, call)


def rows(plant: Path, *build: object, **more: Any) -> list[dict[str, Any]]:
    return answer(plant, *build, **more).full


def test_a_list_gives_what_the_same_builds_give_in_the_master_table(plant: Path, tmp_path: Path) -> None:
    path = tmp_path / "A.csv"
    path.write_text("part;per board;boards;due\nP0;4;100;2026-12-01\nP2;1;100;2026-12-01\n", encoding="utf-8")
    mine, theirs = rows(plant, path), rows(plant, "A")
    assert mine == theirs
    assert [r["part"] for r in mine] == ["P0", "P2"]
    assert all(r["kit"] == r["need"] + r["extra"] and r["reason"].endswith("sure.") for r in mine)


def test_a_list_with_bad_lines_is_done_all_the_same_and_ends_with_3(plant: Path, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("part,per_board,boards\nP0,4,100\nP1,0,100\nNEW,two,100\nGHOST,1,10\n", encoding="utf-8")
    done = pickfall("overage", path, "--plant", plant, "--week", WEEK, "--format", "csv")
    assert done.returncode == 3
    found = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [r["part"] for r in found] == ["GHOST", "P0"]
    for text in ("list.csv line 3: quantity per board", "list.csv line 4: quantity", 'line 5: part "GHOST"'):
        assert text in done.stderr
    assert "4 lines read, 2 refused" in done.stderr


@pytest.mark.parametrize(
    ("call", "message"),
    [
        ({"build": "nowhere.csv"}, "no such file"),
        ({"build": "NO-BUILD"}, "Known: A, B"),
        ({"build": "NO-BUILD", "by": "kit"}, "Known: A, B"),
        ({"by": "guess"}, "use one of line, kit, cost"),
        ({"show": "all"}, "use one of lines, kits"),
        ({"level": 95.0}, "between 0.5 and 0.99999"),
        ({"part": "P0"}, "needs --part and --need"),
        ({"build": "A", "part": "P0", "need": 5}, "leave the build out"),
        ({"have": 5}, "needs --part and --need"),
        ({"boards": 0}, "expected 1 or more"),
        ({"part": "P0", "need": 200_000_000}, "--need is 200000000, more than 100 000 000 parts"),
        ({"part": "P0", "need": 5, "by": "cost"}, "--part asks about one part .*: --by would change nothing"),
        ({"part": "P0", "need": 5, "show": "standing"}, "--part asks about one part .*: --show would change nothing"),
        ({"build": "A", "boards": 5}, "--boards is for a list without a column boards"),
        ({"build": "A", "show": "standing"}, "--show standing is about the whole plant: the build would"),
        ({"build": "list.csv", "show": "past"}, "--show past is about the whole plant: the build would"),
        ({"by": "cost", "show": "past"}, "--show past is about the whole plant: --by would"),
        ({"level": 0.9, "show": "losses"}, "--level would change nothing"),
        ({"moves": "m.csv", "show": "past"}, "--moves holds a list against the logs: --show would"),
        ({"moves": "m.csv", "by": "kit", "level": 0.9}, "--level and --by would change nothing. Leave them out"),
    ],
)
def test_a_call_that_makes_no_sense_says_what_to_do(call: dict[str, Any], message: str, plant: Path) -> None:
    with pytest.raises(UserError, match=message):
        answer(plant, **call)


def test_misuse_ends_with_2_and_one_line(plant: Path) -> None:
    done = pickfall("overage", "nowhere.xlsx", "--plant", plant, "--week", WEEK)
    assert done.returncode == 2, done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == ""


def test_what_is_wrong_with_builds_and_parts_is_said_beside_the_figures(plant: Path, tmp_path: Path) -> None:
    """The same sentences from the week's findings and from the store; lines too large are not called "no builds"."""
    folder = tmp_path / "plant"
    shutil.copytree(plant, folder)
    masters = folder / "masters"
    masters.joinpath("aliases.csv").write_text(
        "kind,alias,id,valid_from,valid_to\npart,P0-ALT,P0,,\n", encoding="utf-8"
    )
    masters.joinpath("builds.csv").write_text(
        BUILDS + "A,P0-ALT,1,100,2026-12-01\nC,P3,20000,50000,\nB,GHOST,1,5,\n", encoding="utf-8"
    )
    with open_store(settings.load(folder), write=True) as con:
        load_masters(con, settings.load(folder))
    anew = answer(folder, level=0.9)
    (same,) = (r for r in anew.full if r["part"] == "P0")
    assert same["need"] == 500
    assert [w.partition(":")[0] for w in anew.wrong] == [
        "Build A",
        "Build C, part P3",
        "Build A",
        "Part GHOST (in 1 build) is not in the part table",
    ]
    assert "more than 100000000 parts" in anew.wrong[1]
    asked = answer(folder, part="P0-ALT", need=1200)
    assert asked.full[0]["part"] == "P0"
    assert asked.notes[0].startswith('Part "P0-ALT" is another name of "P0"')
    masters.joinpath("builds.csv").write_text(
        "build,part,quantity_per_board,boards\nC,P3,20000,50000\n", encoding="utf-8"
    )
    with open_store(settings.load(folder), write=True) as con:
        load_masters(con, settings.load(folder))
    none = answer(folder, level=0.9)
    assert none.empty.startswith("No figures: no line of masters/builds.csv can be used")
    assert "more than 100000000 parts" in none.wrong[0]
    assert not [n for n in none.notes if "history" in n]


def test_the_command_gives_json_and_stays_quiet(plant: Path) -> None:
    done = pickfall("overage", "A", "--plant", plant, "--week", WEEK, "--format", "json", "--quiet")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == rows(plant, "A")


def test_kit_and_cost_and_level(plant: Path) -> None:
    line, kit, cost = (rows(plant, "A", by=by) for by in ("line", "kit", "cost"))
    (whole,) = rows(plant, "A", show="kits")
    assert {r["part"]: r["extra"] for r in kit} == dict(whole["extras"])
    assert whole["joint"] >= 0.95
    assert all(k["service_level"] >= 0.95 for k in kit)
    assert all(r["kit_extra"] == k["extra"] for r, k in zip(line, kit, strict=True))
    # At a stop for 100 and surplus of 0.0012 a piece, the chip is worth more than 95 %; at 24 a piece the IC less.
    assert cost[0]["extra"] > line[0]["extra"]
    assert cost[1]["extra"] <= line[1]["extra"]
    surer = rows(plant, "A", level=0.999)
    assert all(s["extra"] >= r["extra"] and s["service_level"] == 0.999 for s, r in zip(surer, line, strict=True))


def test_do_these_do(plant: Path) -> None:
    def asked(have: int) -> dict[str, Any]:
        (row,) = rows(plant, part="P0", need=1200, have=have)
        return row

    yes, no = asked(1340), asked(1201)
    assert (yes["answer"], no["answer"]) == ("yes", "no")
    assert yes["enough"] >= 0.95 > no["enough"]
    assert "more make it 95" in answer(plant, part="P0", need=1200, have=1201).notes[0]
    assert (asked(no["kit"])["answer"], asked(no["kit"] - 1)["answer"]) == ("yes", "no")


def test_standing_rules_and_loss_figures(plant: Path) -> None:
    rules = rows(plant, show="standing")
    assert [r["part"] for r in rules] == ["P0", "P1", "P2", "P3", "P4"]
    assert all(r["waste"] >= 0 and r["fixed"] >= 0 and 0 <= r["share"] < 1 for r in rules)
    figures = rows(plant, show="losses")
    assert {(f["feeder_type"], f["source"]) for f in figures} == {
        (k, "setting") for k in ("tape", "tube", "tray", "bulk", "all")
    }


def test_the_workbook_can_be_filtered_and_says_the_same(plant: Path, tmp_path: Path) -> None:
    file = tmp_path / "buy.xlsx"
    found = rows(plant, "A")
    assert pickfall("overage", "A", "--plant", plant, "--week", WEEK, "--write", file).returncode == 0
    book = openpyxl.load_workbook(file)
    assert book.sheetnames == ["Overage", "Kits", "Standing overage", "Counts and past", "Read me"]
    sheet = book["Overage"]
    assert sheet.auto_filter.ref is not None
    head = [c.value for c in sheet[1]]
    lines = [dict(zip(head, [c.value for c in row], strict=True)) for row in sheet.iter_rows(min_row=2)]
    assert [(r["part"], r["need"], r["extra"], r["buy"]) for r in lines] == [
        (r["part"], r["need"], r["extra"], r["buy"]) for r in found
    ]
    assert all("sure." in r["reason"] for r in lines)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["buy.xlsx"]


def test_a_bad_lot_can_be_left_out(plant: Path) -> None:
    with_it, without = rows(plant, "B"), rows(plant, "B", leave_out=("L3",))
    assert without[0]["used"] < with_it[0]["used"]
    assert "lot L3 left out" in without[0]["basis"]
    assert 'Lot "NOPE" is in no log' in answer(plant, "B", leave_out=("NOPE",)).notes[0]


def test_table_prints_no_control_characters(plant: Path) -> None:
    done = pickfall("overage", "A", "--plant", plant, "--week", WEEK, "--quiet")
    assert done.returncode == 0
    assert done.stderr == ""
    assert "\\u" not in done.stdout


def test_issues_and_returns_against_the_logs(plant: Path, tmp_path: Path) -> None:
    """P0 went as logged; of P2, the IC at 80, ten more went than anybody logged: it leads the list, with its value."""
    used = {r["part"]: r["used"] for r in rows(plant, "A")}
    path = tmp_path / "moves.csv"
    path.write_text(
        f"part;issued;returned\nP0;{used['P0'] + 500};500\nP2;{used['P2'] + 40};30\nP1;many;0\n", encoding="utf-8"
    )
    found = answer(plant, moves=str(path))
    assert found.refused
    assert "moves.csv line 4" in found.wrong[0]
    first, second = found.full
    assert (first["part"], second["part"]) == ("P2", "P0")
    assert first["difference"] == pytest.approx(10, abs=2)
    assert first["value"] == pytest.approx(80 * first["difference"])
    assert first["low"] > 0
    assert "Look for parts that go without a log" in first["text"]
    assert second["low"] <= 0 <= second["high"]
    assert "agrees within" in second["text"]
    # Two parts are too few to say what share comes back: the setting stands, and it says so.
    assert "cannot say it better" in found.notes[1]
    path.write_text("part;returned\nP0;3\n", encoding="utf-8")
    with pytest.raises(UserError, match="no column issued"):
        answer(plant, moves=str(path))


def test_a_part_that_nobody_knows_is_said(plant: Path) -> None:
    notes = answer(plant, part="NOPE", need=5).notes
    assert notes[0] == 'Part "NOPE" is not in parts.csv and in no log of these weeks: check its name.'
