"""Numbers and dates of master tables: what is read, and what is refused with file, line and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import SettingsError
from pipeline.schema.master_tables import MASTER_BUILD, MASTER_PART, MASTER_TABLES
from pipeline.settings import Plant
from pipeline.store.masters import file_name, not_read, read_master


def _builds(folder: Path, due: str = "", boards: str = "5") -> list[tuple[object, ...]]:
    file = folder / "builds.csv"
    file.write_text(f"build,part,quantity_per_board,boards,due\nA,P1,2,{boards},{due}\n", encoding="utf-8")
    return read_master(file, MASTER_BUILD).rows()


@pytest.mark.parametrize("due", ["2026-12-01", "20261201", "2026-12-01T06:00", " 2026-12-01", "2026-W49-2"])
def test_a_due_date_is_stored_as_lists_read_it(due: str, tmp_path: Path) -> None:
    assert _builds(tmp_path, due) == [("A", "P1", 2, 5, "2026-12-01")]


@pytest.mark.parametrize("due", ["01.12.2026", "12/01/2026", "soon", "2026-13-01", "2026-12-01, Monday"])
def test_a_due_date_that_cannot_be_read_stops_with_its_line(due: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r'builds\.csv line 2: "due" is .*; expected a date such as 2026-11-30'):
        _builds(tmp_path, f'"{due}"')


def test_three_zeros_after_a_point_are_asked_about(tmp_path: Path) -> None:
    assert _builds(tmp_path, boards="12.0") == _builds(tmp_path, boards="12.00") == [("A", "P1", 2, 12, None)]
    with pytest.raises(SettingsError, match=r"line 2: \"boards\" is '12.000': 12 or 12 thousand\? Write 12 or 12000"):
        _builds(tmp_path, boards="12.000")
    with pytest.raises(SettingsError, match=r"expected a whole number of 0 or more, such as 1200\.$"):
        _builds(tmp_path, boards="12.0000")
    with pytest.raises(SettingsError, match=r"expected a whole number of 0 or more, such as 1200\.$"):
        _builds(tmp_path, boards="0.5")


def test_a_price_may_have_any_decimals(tmp_path: Path) -> None:
    file = tmp_path / "parts.csv"
    file.write_text("part,unit_cost\nP1,1.000\n", encoding="utf-8")
    assert read_master(file, MASTER_PART)["unit_cost"].to_list() == [1.0]
    file.write_text("part,unit_cost\nP1,one\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"expected a number of 0 or more, such as 1200 or 0\.5"):
        read_master(file, MASTER_PART)


@pytest.mark.parametrize(
    ("name", "text", "line", "message"),
    [
        ("parts.csv", "part,feeder_type\nP1,Taped\n", 2, "use one of tape, tube, tray, bulk"),
        ("feeders.csv", "feeder,feeder_type\nF1,reel\n", 2, "use one of tape, tube, tray, bulk"),
        ("parts.csv", "part,method\nP1,camera\n", 2, "use one of laser,"),
        ("parts.csv", "part,stock\nP1,1\nP2,9223372036854775808\n", 3, "expected a whole number"),
        ("parts.csv", "part,stock\nP1,1.23E+05\n", 2, "expected a whole number"),
        ("parts.csv", "part,stock\nP1,1_000\n", 2, "expected a whole number"),
        ("parts.csv", "part,unit_cost\nP1,1e308\n", 2, "expected a number of at most 1000000000000"),
        ("parts.csv", "part,unit_cost\nP1,nan\n", 2, "expected a number of 0 or more"),
        ("parts.csv", 'part,package\nP1,0603\nP2,"0402\nP3,0603\n', 3, 'a quote " is opened and never closed'),
        ("parts.csv", 'part,package\nP1,"04"02"\n', 2, 'a quote " ends inside a field'),
        ("aliases.csv", "kind,alias,id\nParts,a,b\n", 2, "use one of machine, nozzle"),
        ("aliases.csv", "kind,alias,id\npart,a,b\nPart,a,b\n", 3, "stands in line 2 already"),
        ("aliases.csv", "kind,alias,id\npart,c,d\npart,a,a\n", 3, "is an alias of itself"),
        (
            "aliases.csv",
            "kind,alias,id,valid_from\npart,a,c,2026-02-05\npart,x,y,\npart,a,b,2026-02-03\n",
            4,
            'stands for "b" and "c" at the same time .line 2.',
        ),
        ("aliases.csv", "kind,alias,id,valid_to\npart,a,b,9999-12-31T23:59-23:00\n", 2, "the end of the calendar"),
        (
            "setups.csv",
            "machine,slot,valid_from,valid_to\nM1,1,2026-11-17,2026-11-16\n",
            2,
            '"valid_to" is not after "valid_from"',
        ),
    ],
)
def test_what_cannot_be_meant_stops_with_its_line(
    name: str, text: str, line: int, message: str, tmp_path: Path
) -> None:
    (spec,) = (t for t in MASTER_TABLES if file_name(t) == name)
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=rf"{name} line {line}: .*{message}"):
        read_master(tmp_path / name, spec)


@pytest.mark.parametrize(
    ("column", "written", "word"),
    [
        ("feeder_type", "Tape", "tape"),
        ("feeder_type", " TRAY ", "tray"),
        ("method", "Camera side", "camera_side"),
        ("method", "camera-back", "camera_back"),
    ],
)
def test_words_of_a_list_may_be_written_in_capitals_and_with_blanks(
    column: str, written: str, word: str, tmp_path: Path
) -> None:
    (tmp_path / "parts.csv").write_text(f"part,{column}\nP1,{written}\n", encoding="utf-8")
    assert read_master(tmp_path / "parts.csv", MASTER_PART)[column].to_list() == [word]


def test_times_that_follow_each_other_and_an_open_end_are_taken(tmp_path: Path) -> None:
    (spec,) = (t for t in MASTER_TABLES if file_name(t) == "aliases.csv")
    (tmp_path / "a.csv").write_text(
        "kind,alias,id,valid_from,valid_to\npart,a,c,2026-02-05,9999-12-31\npart,a,b,,2026-02-05\n", encoding="utf-8"
    )
    assert len(read_master(tmp_path / "a.csv", spec)) == 2


def test_a_folder_in_the_place_of_a_table_is_no_empty_table(tmp_path: Path) -> None:
    (tmp_path / "parts.csv").mkdir()
    with pytest.raises(SettingsError, match="is not a file"):
        read_master(tmp_path / "parts.csv", MASTER_PART)


def test_a_table_under_another_name_is_told_of(tmp_path: Path) -> None:
    (tmp_path / "masters").mkdir()
    for name in ("Parts.csv", "machine.csv", "builds.xlsx", "feeders.csv", "feeder.xlsx", "parts_old.csv", "notes.txt"):
        (tmp_path / "masters" / name).write_text("x", encoding="utf-8")
    said = not_read(Plant(folder=tmp_path))
    assert [s.split("masters/")[1].split(" ")[0] for s in said] == ["Parts.csv", "builds.xlsx", "machine.csv"]
    assert said[0].endswith("is not read: this table must be a CSV called parts.csv. Save or rename it so.")
