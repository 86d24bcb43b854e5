"""Build lists as buyers send them: good ones, bad lines, and files that are none."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.analysis.overage_names import ALIAS, PartNames, renamed
from pipeline.commands.build_list import BuildList, is_file, read_build_list, read_moves
from pipeline.errors import UserError
from pipeline.schema.entries import whole
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


@pytest.mark.parametrize("text", ["1.000", "12.000", "120.000"])
def test_three_zeros_after_a_point_are_asked_about(text: str, tmp_path: Path) -> None:
    """1.000 is one to some and one thousand to others: neither is taken."""
    first = text.partition(".")[0]
    found = read(tmp_path, f"part;per board;boards;stock\nP1;2;{text};5\nP2;2;10;{text}\n")
    asked = f"{first} or {first} thousand? Write {first} or {first}000"
    assert found.said == (
        f'list.csv line 2: boards "{text}"; {asked}. Line refused; correct it.',
        f'list.csv line 3: stock "{text}": {asked}. Taken as not known; correct it.',
    )
    assert rows(found) == [("list", "P2", 2, 10, None)]
    with pytest.raises(UserError, match=re.escape(f'line 2: issued "{text}": {asked}')):
        moves(tmp_path, f"part,issued\nP1,{text}\n")


def moves(path: Path, text: str, names: PartNames | None = None) -> tuple[pl.DataFrame, int, tuple[str, ...]]:
    (path / "moves.csv").write_text(text, encoding="utf-8")
    return read_moves(path / "moves.csv", KNOWN, Limits(), names=names)


def test_a_stock_that_cannot_be_read_is_not_known(tmp_path: Path) -> None:
    """The stock of the part table does not stand in for it: the list was meant to say another."""
    found = read(tmp_path, "part,per_board,boards,stock,on_order\nP1,1,9,plenty,5\nP2,1,9,,\n")
    table = pl.DataFrame({"part": ["P1", "P2"], "package": ["a", "b"], "stock": [100, 200], "on_order": [3, 4]})
    assert found.parts(table).sort("part").rows() == [("P1", "a", None, 5), ("P2", "b", 200, 4)]
    # A later line that can be read says it after all.
    later = read(tmp_path, "part,per_board,boards,stock,on_order\nP1,1,9,plenty,\nP1,1,9,40,\n")
    assert later.parts(table).sort("part")["stock"].to_list() == [40, 200]


def test_stock_and_orders_may_stand_in_different_lines(tmp_path: Path) -> None:
    found = read(tmp_path, "part,per_board,boards,stock,on_order,build\nP1,4,100,5,,A\nP1,4,100,,600,B\n")
    assert found.stock == {"P1": (5, 600)}
    assert found.said == ()
    other = read(tmp_path, "part,per_board,boards,stock,on_order,build\nP1,4,100,5,7,A\nP1,4,100,6,600,B\n")
    assert other.stock == {"P1": (5, 7)}
    assert [s.partition("has ")[2] for s in other.said] == [
        "another stock than in the line before. The first one counts.",
        "another number on order than in the line before. The first one counts.",
    ]


def test_boards_are_given_once(tmp_path: Path) -> None:
    with pytest.raises(UserError, match='line 1: has a column "Boards"; leave --boards out'):
        read(tmp_path, "part,per_board,Boards\nP1,1,9\n", boards=7)


def test_moves_that_return_more_than_was_issued_are_named(tmp_path: Path) -> None:
    found, refused, said = moves(tmp_path, "part,issued,returned\nP1,100,300\nP2,9,9\n")
    assert (found.rows(), refused) == ([("P1", 100, 300), ("P2", 9, 9)], 0)
    assert said == (
        'moves.csv line 2: part "P1" has 300 returned and only 100 issued. Counted as it stands; correct it, '
        "unless it was issued before.",
    )


def test_moves_without_a_line_that_can_be_used_end_as_build_lists_do(tmp_path: Path) -> None:
    with pytest.raises(
        UserError, match=r"moves\.csv: no line of 2 can be used\. First: moves\.csv line 2: part, issued"
    ):
        moves(tmp_path, "part,issued\nP1,x\n,5\n")
    with pytest.raises(UserError, match="no line of 0 can be used"):
        moves(tmp_path, "part,issued\n")


def _names() -> PartNames:
    """OLD was P1 until the end of November and is P2 from then on; ALT is always P1."""
    turn, now = datetime.fromisoformat("2026-11-30T23:00"), datetime.fromisoformat("2026-11-20T00:00")
    rows = [("part", "ALT", "P1", None, None), ("part", "OLD", "P1", None, turn), ("part", "OLD", "P2", turn, None)]
    rows += [("reel", "P2", "R9", None, None)]
    table = pl.DataFrame(rows, schema=dict(zip(ALIAS, [pl.String] * 3 + [pl.Datetime] * 2, strict=True)), orient="row")
    return PartNames.of(table, now, "Europe/Berlin")


def test_alternates_are_reckoned_under_the_name_that_the_logs_count_them_by(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text(
        "part,per_board,boards,due,stock\nALT,1,5,,70\nOLD,1,5,2026-11-30,\nOLD,1,5,2026-12-01,\nOLD,1,5,,\nP2,1,5,,\n",
        encoding="utf-8",
    )
    found = read_build_list(tmp_path / "list.csv", KNOWN, Limits(), names=_names())
    assert {part: quantity * boards for _, part, quantity, boards, _ in rows(found)} == {"P1": 15, "P2": 10}
    assert found.stock == {"P1": (70, None)}
    named = [s for s in found.said if "another name" in s]
    assert named[0] == 'list.csv line 2: part "ALT" is another name of "P1" (masters/aliases.csv): reckoned as that.'
    assert [s.partition(" of ")[2].partition(" ")[0] for s in named] == ['"P1"', '"P1"', '"P2"', '"P1"']
    table, _, said = moves(tmp_path, "part,issued,returned\nALT,2000,100\nP1,2200,400\n", _names())
    assert table.rows() == [("P1", 4200, 500)]
    assert "another name" in said[0]


def test_builds_are_renamed_by_the_day_they_are_due() -> None:
    builds = pl.DataFrame({"build": ["A", "B", "C"], "part": ["OLD", "OLD", "P2"], "due": ["2026-12-24", None, None]})
    found, said = renamed(builds, _names())
    assert found["part"].to_list() == ["P2", "P1", "P2"]
    assert [s.partition(":")[0] for s in said] == ["Build A", "Build B"]


def test_an_open_quote_does_not_swallow_the_lines_below_it(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r'list.csv line 2: a quote " is opened and never closed'):
        read(tmp_path, 'part,qty,boards,what\nP1,2,100,"12 inch\nP2,2,100,x\n')


def test_a_line_wider_than_the_header_is_refused(tmp_path: Path) -> None:
    """1,200 without quotes is the fields 1 and 200, and all that follows stands one column too far."""
    found = read(tmp_path, "part,qty,boards\nP1,1,200,3\nP2,2,100,,\n")
    assert [r[1] for r in rows(found)] == ["P2"]
    assert found.said[0].startswith("list.csv line 2: 4 fields, the header has 3. Line refused")
    assert (found.read, found.refused) == (2, 1)
    _, refused, said = moves(tmp_path, "part,issued,returned\nP1,1,200,3\nP2,5,1\n")
    assert refused == 1
    assert "4 fields" in said[0]


def test_a_note_beside_the_table_of_a_workbook_is_passed_over(tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(tmp_path / "list.xlsx")
    sheet = book.add_worksheet()
    for row, cells in enumerate((("part", "qty", "boards"), ("P1", 2, 100, None, "ask Ann"))):
        sheet.write_row(row, 0, cells)
    book.close()
    assert read_build_list(tmp_path / "list.xlsx", {"P1"}, Limits()).refused == 0
