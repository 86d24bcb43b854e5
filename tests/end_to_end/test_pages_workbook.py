"""The workbook and the CSV files read back."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import Cell

from pipeline.findings.model import Bundle
from reports.csv_files import write_csv
from reports.tables import TABLES
from reports.workbook import CELL_LIMIT, SHEETS, write_workbook
from tests.fixtures_bundle import HOSTILE, empty_bundle, hostile_bundle, nothing_known, rich_bundle

NAMES = [
    *("Summary", "Worklist", "Suspects", "Services", "Recognition", "Overage", "Kits", "Standing overage"),
    *("Counts and past", "Drift", "Quality", "Refused"),
]


def book_of(bundle: Bundle, folder: Path) -> Workbook:
    write_workbook(bundle, folder / "weekly.xlsx")
    return load_workbook(folder / "weekly.xlsx")


def cells(book: Workbook) -> Iterator[Cell]:
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            yield from (cell for cell in row if isinstance(cell, Cell) and cell.value is not None)


def test_sheets_headers_and_filters(tmp_path: Path) -> None:
    bundle = rich_bundle()
    book = book_of(bundle, tmp_path)
    assert book.sheetnames == [*NAMES, "Read me"] == [*SHEETS, "Read me"]
    suspects = book["Suspects"]
    assert suspects.max_row == len(bundle.suspects) + 1
    assert suspects.freeze_panes == "C2"
    assert suspects.auto_filter.ref.startswith("A1:")
    heads = [cell.value for cell in suspects[1]]
    assert "rate (ppm)" in heads
    assert "saving per week (EUR)" in heads
    assert suspects.cell(1, heads.index("rate (ppm)") + 1).comment is not None
    assert book["Worklist"].max_row == 12 + 1
    assert book["Overage"].max_row == len(bundle.overage) + 1


def test_figures_are_numbers_in_their_unit(tmp_path: Path) -> None:
    bundle = rich_bundle()
    sheet = book_of(bundle, tmp_path)["Suspects"]
    heads = [cell.value for cell in sheet[1]]
    for row, suspect in enumerate(bundle.suspects, 2):
        rate, picks = (sheet.cell(row, heads.index(name) + 1) for name in ("rate (ppm)", "chances"))
        assert suspect.rate is not None
        assert rate.value == pytest.approx(suspect.rate * 1e6)
        assert picks.value == suspect.attempts
    level = book_of(bundle, tmp_path)["Overage"]
    place = [cell.value for cell in level[1]].index("service level (%)") + 1
    assert level.cell(2, place).value == 0.95
    assert level.cell(2, place).number_format == "0.0%"


def test_hostile_names_are_text(tmp_path: Path) -> None:
    book = book_of(hostile_bundle(), tmp_path)
    whole = [cell for cell in cells(book) if isinstance(cell.value, str)]
    assert not [cell.coordinate for cell in whole if cell.data_type == "f"]
    assert not [cell.coordinate for cell in whole if cell.hyperlink]
    for name in HOSTILE:
        assert any(name in str(cell.value) for cell in whole), name


def test_a_formula_as_a_whole_name_stays_text(tmp_path: Path) -> None:
    import dataclasses

    bundle = rich_bundle(suspects=3)
    named = tuple(dataclasses.replace(s, id=name) for s, name in zip(bundle.suspects * 5, HOSTILE, strict=False))
    sheet = book_of(dataclasses.replace(bundle, suspects=named), tmp_path)["Suspects"]
    assert [sheet.cell(row, 2).value for row in range(2, len(named) + 2)] == list(HOSTILE)[: len(named)]
    assert {sheet.cell(row, 2).data_type for row in range(2, len(named) + 2)} == {"s"}


def test_empty_tables_say_why(tmp_path: Path) -> None:
    book = book_of(empty_bundle(), tmp_path)
    assert book["Overage"]["A2"].value == "No open build with parts to kit."
    assert book["Suspects"]["A2"].value == "No item was looked at this week."


def test_nothing_known_leaves_cells_empty(tmp_path: Path) -> None:
    sheet = book_of(nothing_known(rich_bundle()), tmp_path)["Suspects"]
    heads = [cell.value for cell in sheet[1]]
    assert {sheet.cell(row, heads.index("rate (ppm)") + 1).value for row in range(2, sheet.max_row + 1)} == {None}


def test_text_longer_than_a_cell_says_so(tmp_path: Path) -> None:
    import dataclasses

    bundle = rich_bundle(suspects=1)
    first = dataclasses.replace(bundle.suspects[0], advice="x" * (CELL_LIMIT + 5))
    sheet = book_of(dataclasses.replace(bundle, suspects=(first,)), tmp_path)["Suspects"]
    value = str(sheet.cell(2, sheet.max_column).value)
    assert len(value) == CELL_LIMIT
    assert value.endswith("findings.json]")


def read(path: Path) -> list[dict[str, str]]:
    assert not path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("bundle", [rich_bundle(), empty_bundle(), nothing_known(rich_bundle())])
def test_csv_has_every_table_and_row(bundle: Bundle, tmp_path: Path) -> None:
    write_csv(bundle, tmp_path)
    assert {path.stem for path in tmp_path.iterdir()} == {table.name for table in TABLES}
    for table in TABLES:
        rows = read(tmp_path / f"{table.name}.csv")
        assert len(rows) == len(list(table.rows(bundle)))


def test_csv_carries_fractions(tmp_path: Path) -> None:
    bundle = rich_bundle()
    write_csv(bundle, tmp_path)
    for row, suspect in zip(read(tmp_path / "suspects.csv"), bundle.suspects, strict=True):
        assert row["id"] == suspect.id
        assert float(row["rate"]) == pytest.approx(suspect.rate, rel=1e-9)
        assert int(row["attempts"]) == suspect.attempts


def test_csv_guards_formulae_and_keeps_names(tmp_path: Path) -> None:
    bundle = hostile_bundle()
    write_csv(bundle, tmp_path)
    seen = set()
    for path in sorted(tmp_path.iterdir()):
        for row in read(path):
            for value in row.values():
                seen |= {name for name in HOSTILE if name in value}
                if value[:1] in ("=", "+", "-", "@", "\t", "\r"):
                    float(value)  # only a number may begin so
    assert seen == set(HOSTILE)
    ids = [row["id"] for row in read(tmp_path / "suspects.csv")]
    assert [shown.removeprefix("'") if shown[1:2] in "=+-@" else shown for shown in ids] == [
        s.id for s in bundle.suspects
    ]
    assert any(shown.startswith("'=1+1") for shown in ids)
