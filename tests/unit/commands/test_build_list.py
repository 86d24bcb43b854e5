"""Build lists as buyers send them: good ones, bad lines, and files that are none."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.commands.build_list import BuildList, is_file, read_build_list, whole
from pipeline.errors import UserError
from pipeline.settings import Limits

KNOWN = {"P1", "P2", "0402", "1E5"}


def read(path: Path, text: str | bytes, name: str = "list.csv", boards: int | None = None) -> BuildList:
    file = path / name
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_build_list(file, KNOWN, Limits(), boards=boards)


def rows(found: BuildList) -> list[tuple[object, ...]]:
    return found.builds.rows()


def test_a_good_list(tmp_path: Path) -> None:
    found = read(tmp_path, "part,quantity_per_board,boards,due,build\n0402,2,100,2026-12-01,A\n1E5,1,100,,B\n")
    assert rows(found) == [("A", "0402", 2, 100, "2026-12-01"), ("B", "1E5", 1, 100, None)]
    assert (found.read, found.refused, found.said) == (2, 0, ())


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_headings_in_other_words_and_other_text_files(tmp_path: Path, delimiter: str, encoding: str) -> None:
    lines = [["Part Number", "Qty per board", "Comment", "Boards", "Due date"], ["P1", "3", "ünused", "1 200", ""]]
    text = "\r\n".join(delimiter.join(c) for c in lines) + "\r\n"
    found = read(tmp_path, text.encode(encoding))
    assert rows(found) == [("list", "P1", 3, 1200, None)]


def test_every_kind_of_bad_line_is_named_with_its_number_and_the_rest_is_done(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "part,per_board,boards,due,stock,on_order\n"
        "P1,2,100,2026-12-01,-5,10\n"
        "P2,0,100,,,\n"
        "P2,three,100,,,\n"
        "P2,2,,,,\n"
        ",2,100,,,\n"
        "\n"
        "NEW,2,100,soon,,\n"
        "P1,1,100,2026-11-30,,\n"
        "P2,2,100,,many,7\n"
        "P2,100000000,100,,,\n",
    )
    assert rows(found) == [
        ("list", "P1", 3, 100, "2026-11-30"),
        ("list", "NEW", 2, 100, None),
        ("list", "P2", 2, 100, None),
    ]
    assert (found.read, found.refused) == (9, 5)
    assert found.stock == {"P1": (0, 10), "P2": (None, 7)}
    wanted = [
        "list.csv line 2: stock is -5, below 0. Taken as 0; count it.",
        'list.csv line 3: quantity per board "0"; expected a whole number of 1 or more.',
        'list.csv line 4: quantity per board "three"; expected',
        "list.csv line 5: boards is empty; expected",
        "list.csv line 6: no part. Line refused",
        'list.csv line 8: due date "soon" is not a date',
        'list.csv line 8: part "NEW" is not in parts.csv',
        'list.csv line 9: part "P1" stands in line 2 of the same build already. Added up to 300 parts',
        'list.csv line 10: stock "many" is not a whole number.',
        "list.csv line 11: 10000000000 parts are more than",
    ]
    assert len(found.said) == len(wanted)
    for said, start in zip(found.said, wanted, strict=True):
        assert said.startswith(start)


def test_doubled_lines_with_different_boards_keep_their_sum(tmp_path: Path) -> None:
    found = read(tmp_path, "part,per_board,boards\nP1,2,100\nP1,3,10\n")
    assert rows(found) == [("list", "P1", 230, 1, None)]


def test_the_stock_of_the_list_stands_in_the_place_of_the_part_table(tmp_path: Path) -> None:
    found = read(tmp_path, "part,per_board,boards,have\nP1,2,100,70\nNEW,1,100,5\nP2,1,100,\n")
    table = pl.DataFrame({"part": ["P1", "P2"], "package": ["a", "b"], "stock": [1, 2], "on_order": [3, 4]})
    assert found.parts(table).sort("part").rows() == [("NEW", None, 5, None), ("P1", "a", 70, 3), ("P2", "b", 2, 4)]


def test_a_workbook(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "list.xlsx")) as book:
        sheet = book.add_worksheet("first")
        for r, cells in enumerate(
            [["Part", "Per board", "Boards"], ["P1", 2, 100], [], ["P2", "x", 3], ["0402", 4, 5]]
        ):
            for c, value in enumerate(cells):
                sheet.write(r, c, value)
        book.add_worksheet("notes").write(0, 0, "not looked at")
    found = read_build_list(tmp_path / "list.xlsx", KNOWN, Limits())
    assert rows(found) == [("list", "P1", 2, 100, None), ("list", "0402", 4, 5, None)]
    assert found.said == (
        'list.xlsx line 4: quantity per board "x"; expected a whole number of 1 or more. Line refused; correct it.',
    )


@pytest.mark.parametrize(
    ("text", "name", "message"),
    [
        ("", "list.csv", "is empty"),
        ("part,boards\nP1,4\n", "list.csv", "line 1: no column quantity_per_board"),
        ("part,per_board\nP1,4\n", "list.csv", "or give --boards"),
        ("part,item,per_board,boards\nP1,P1,4,4\n", "list.csv", 'both stand for part. Keep one'),
        ("part,per_board,boards\nP1,0,4\n", "list.csv", "no line of 1 can be used"),
        (b"part,per_board,boards\nP\xff,1,4\n", "list.csv", "neither UTF-8 nor UTF-16"),
        (b"PK\x03\x04 torn", "list.xlsx", "damaged workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", "list.xlsx", "Save it as .xlsx"),
        ("part,per_board,boards\nP1,4,4\n", "list.xlsx", "damaged workbook"),
        (b"%PDF-1.7", "list.csv", "is a PDF"),
    ],
)  # fmt: skip
def test_files_that_are_no_build_list(tmp_path: Path, text: str | bytes, name: str, message: str) -> None:
    with pytest.raises(UserError, match=message) as caught:
        read(tmp_path, text, name)
    assert caught.value.exit_code == 2
    assert name in str(caught.value)


def test_a_workbook_cut_short_is_refused_as_a_whole(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(str(tmp_path / "good.xlsx")) as book:
        book.add_worksheet().write_row(0, 0, ["part", "per board", "boards"])
    whole_book = (tmp_path / "good.xlsx").read_bytes()
    for end in (30, len(whole_book) // 2, len(whole_book) - 40):
        with pytest.raises(UserError, match="workbook"):
            read(tmp_path, whole_book[:end], "torn.xlsx")


def test_boards_for_a_list_without_that_column(tmp_path: Path) -> None:
    assert rows(read(tmp_path, "part,per_board\nP1,4\n", boards=25)) == [("list", "P1", 4, 25, None)]


def test_what_is_taken_for_a_file(tmp_path: Path) -> None:
    (tmp_path / "plainname").write_text("x", encoding="utf-8")
    assert is_file("a.csv")
    assert is_file("B.XLSX")
    assert is_file(str(tmp_path / "plainname"))
    assert not is_file("WO4801")
    with pytest.raises(UserError, match="no such file"):
        read_build_list(tmp_path / "gone.csv", KNOWN, Limits())


@given(st.integers(-(10**14), 10**14))
def test_a_whole_number_is_read_back(value: int) -> None:
    assert whole(str(value)) == value
    assert whole(f" {value} ") == value
    assert whole(f"{value}.00") == value


@given(st.text(max_size=12))
def test_text_is_never_taken_for_another_number(text: str) -> None:
    found = whole(text)
    if found is not None:
        plain = text.strip().replace(" ", "").replace("\u00a0", "").replace("\u202f", "")
        assert float(plain) == found
