"""What a proposal makes of files that are no plain table: ragged rows, padded titles, merged cells, nested objects."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import io
import json
import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from pipeline.ingest.propose import propose
from tests.fixtures_propose import ENGLISH, checked, picks, proposed

DAY = "2026-11-16 06:00:"


# Rows of another width ------------------------------------------------------------------------------------------------


def _ragged(head: str, good: str, loss: str, torn: str = "") -> str:
    rows = (good if i % 10 else loss for i in range(60))
    return head + "\n" + "\n".join(f"{DAY}{i:02d},{row}" for i, row in enumerate(rows)) + f"\n{torn}"


@pytest.mark.parametrize(
    ("head", "good", "loss"),
    [
        ("time,machine,nozzle,result,reason,note", "M1,N1,OK", "M1,N2,NO PICK,vacuum"),
        ("time,machine,nozzle,result,reason,note", "M1,N1,OK", "M1,N2,NO PICK,vacuum,again,"),
        ("time,machine,nozzle,result,reason,note", "M1,N1,OK,,", "M1,N2,NO PICK,vacuum,again,"),
        ("time,machine,nozzle,result,reason", "M1,N1,OK,,", "M1,N2,NO PICK,vacuum,"),
    ],
)
def test_rows_that_are_not_as_wide_as_their_header_are_read(tmp_path: Path, head: str, good: str, loss: str) -> None:
    proposal, got = proposed(tmp_path, _ragged(head, good, loss), "x.csv")
    assert tomllib.loads(proposal)["text"]["short_rows"] == "fill"
    assert "rows have another number of fields" in checked(proposal)["short_rows"]
    assert tomllib.loads(proposal)["columns"]["nozzle"] == "nozzle"
    assert (got.one("outcome").count("missed"), got.one("outcome").count("placed"), got.refused) == (6, 54, [])


def test_rows_of_another_width_that_cannot_be_read_are_marked(tmp_path: Path) -> None:
    head = "time,machine,nozzle,result,reason,note"
    text = _ragged(head, "M1,N1,OK,,", "M1,N2,NO PICK,vacuum,fell, again")
    path = tmp_path / "x.csv"
    path.write_text(text, encoding="utf-8")
    made = propose(path)
    assert "short_rows" not in tomllib.loads(made)["text"]
    assert checked(made)["delimiter"].startswith("6 of 60 rows have another number of fields than 6, first line 2: ")
    assert "filter" not in tomllib.loads(made)  # they hold an outcome


def test_a_row_too_wide_to_be_filled_is_marked_beside_those_that_are(tmp_path: Path) -> None:
    head = "time,machine,nozzle,result,reason,note"
    text = _ragged(head, "M1,N1,OK", "M1,N2,NO PICK,vacuum", f"{DAY}59,M1,N2,REJECT,size,fell, again\n")
    path = tmp_path / "x.csv"
    path.write_text(text, encoding="utf-8")
    made = propose(path)
    assert checked(made)["delimiter"] == "1 of 61 rows have more than 6 fields, first line 62: refused"
    assert "filter" not in tomllib.loads(made)


# Titles and sections that a spreadsheet program filled up ------------------------------------------------------------


def _report(title: str, section: str, coding: str) -> bytes:
    lines = [*title.splitlines()]
    for item, name in (("Nozzle", "Nozzles"), ("Feeder", "Feeders")):
        lines += [section.format(name), f"End;{item};Picked up;Missed;Vision reject"] if section else []
        lines += [] if section or item == "Feeder" else [f"End;{item};Picked up;Missed;Vision reject"]
        if section or item == "Nozzle":
            lines += [f"2026-11-16 {h:02d}:00;{item[0]}{h % 3};1,{100 + h * 7 % 50};{h % 4};{h % 5}" for h in range(20)]
    return ("\n".join(lines) + "\n").encode(coding)


@pytest.mark.parametrize(
    ("title", "section", "coding"),
    [
        ("Daily report;;;;\nprinted;2026-11-20 07:00;;;", "[{}]", "utf-16"),
        ("Daily report;;;;\nprinted;2026-11-20 07:00;;;", "[{}];;;;", "utf-8"),
        ("Daily report\nprinted;2026-11-20 07:00", "[{}];;;;", "utf-8"),
        ("Daily report;;;;\nprinted;2026-11-20 07:00;;;", "", "utf-8"),
    ],
)
def test_titles_and_sections_filled_up_with_delimiters(tmp_path: Path, title: str, section: str, coding: str) -> None:
    data = _report(title, section, coding)
    path = tmp_path / "report_M5.txt"
    path.write_bytes(data)
    assert tomllib.loads(propose(path))["table"] == "counter"
    proposal, got = proposed(tmp_path, data, "report_M5.txt", "counter")
    text = tomllib.loads(proposal)["text"]
    assert (text.get("header_rows", 1), text.get("section_begin", "")) == (1, r"^\[Nozzles\]" if section else "")
    assert (len(got.one("nozzle")), set(got.one("nozzle")), got.refused) == (20, {"N0", "N1", "N2"}, [])


def test_an_upper_row_of_the_header_is_no_title(tmp_path: Path) -> None:
    lines = [";;Offset;;", "Time;Machine;X;Y;Result"]
    lines += [f"{DAY}{i:02d};M1;0.0{i % 7};0.1;{'OK' if i % 9 else 'NO PICK'}" for i in range(40)]
    proposal, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert tomllib.loads(proposal)["text"]["header_rows"] == 2
    assert (tomllib.loads(proposal)["columns"]["dx"], got.refused) == ("Offset X", [])


# Workbooks ------------------------------------------------------------------------------------------------------------


def _workbook(fill: Callable[[openpyxl.Workbook], None]) -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    fill(book)
    book.save(out)
    return out.getvalue()


def _fill(sheet: object, heads: list[list[str | None]], year: int) -> None:
    add = getattr(sheet, "append")  # noqa: B009
    for row in heads:
        add(row)
    for p in picks(50):
        add([p.at.replace(year=year), p.machine, p.nozzle, p.dx, ENGLISH[p.outcome]])


def test_a_name_that_is_merged_downwards_and_a_hidden_sheet(tmp_path: Path) -> None:
    heads: list[list[str | None]] = [["Line 1"], ["When", "What", None, "Offset", "Result"]]
    heads.append(["Time", "Machine", "Nozzle", "X (mm)", None])

    def fill(book: openpyxl.Workbook) -> None:
        book.active.title = "Old"
        _fill(book.active, heads, 2025)
        book.active.sheet_state = "hidden"
        _fill(book.create_sheet("Data"), heads, 2026)
        book.active = 1

    text, got = proposed(tmp_path, _workbook(fill), "x.xlsx")
    assert tomllib.loads(text)["columns"]["outcome"] == "Result"
    assert (tomllib.loads(text)["workbook"]["sheet"], tomllib.loads(text)["text"]["header_rows"]) == (2, 2)
    assert checked(text)["sheet"] == 'there are 2: "Old" (hidden), "Data"; "Data" looks most like a log'
    assert (got.one("time"), got.refused) == ([p.at for p in picks(50)], [])


def test_a_hidden_sheet_that_alone_holds_a_log_is_taken_and_said(tmp_path: Path) -> None:
    def fill(book: openpyxl.Workbook) -> None:
        book.active.append(["printed", datetime(2026, 11, 20, 7)])
        sheet = book.create_sheet("raw")
        _fill(sheet, [["Time", "Machine", "Nozzle", "X (mm)", "Result"]], 2026)
        sheet.sheet_state = "hidden"

    text, got = proposed(tmp_path, _workbook(fill), "x.xlsx")
    assert "but it is hidden" in checked(text)["sheet"]
    assert (len(got.one("time")), got.refused) == (50, [])


def test_a_column_without_a_name_is_given_by_its_place(tmp_path: Path) -> None:
    def fill(book: openpyxl.Workbook) -> None:
        _fill(book.active, [["Time", "Machine", "Nozzle", "X (mm)", None]], 2026)

    text, got = proposed(tmp_path, _workbook(fill), "x.xlsx")
    assert "column 5 holds values and has no name" in checked(text)["header"]
    assert (tomllib.loads(text)["columns"]["outcome"], len(got.one("outcome")), got.refused) == (5, 50, [])


# Nested objects -------------------------------------------------------------------------------------------------------


def test_keys_whose_last_piece_says_little_go_by_the_piece_before(tmp_path: Path) -> None:
    lines = []
    for p in picks():
        record = {"ts": p.at.isoformat(), "unit": {"name": p.machine, "line": None}, "result": ENGLISH[p.outcome]}
        record |= {"head": {"no": 1, "nozzle": {"id": p.nozzle}}, "feeder": {"id": p.feeder}}
        record |= {"parts": [{"pn": p.part}], "err": {"code": p.reason} if p.reason else None}
        lines.append(json.dumps(record))
    text, got = proposed(tmp_path, "\n".join(lines), "p.jsonl")
    columns = tomllib.loads(text)["columns"]
    assert (columns["machine"], columns["head"], columns["reason"]) == ("unit.name", "head.no", "err.code")
    wanted = [(p.at, p.machine, p.nozzle, p.feeder, p.part, p.outcome, p.reason or None) for p in picks()]
    assert got.rows("time, machine, nozzle, feeder, part, outcome, reason") == wanted
    assert got.refused == []


def test_an_empty_column_fills_nothing_that_must_be_there(tmp_path: Path) -> None:
    lines = ["time;machine;line;nozzle;result"]
    lines += [f"{DAY}{i:02d};;;N1;{'OK' if i % 9 else 'NO PICK'}" for i in range(40)]
    text, got = proposed(tmp_path, "\n".join(lines), "picks.csv")
    assert "machine" not in tomllib.loads(text)["columns"]
    assert (set(got.one("machine")), got.refused) == ({"M1"}, [])
