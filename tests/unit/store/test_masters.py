"""Numbers and dates of master tables: what is read, and what is refused with file, line and remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import SettingsError
from pipeline.schema.master_tables import MASTER_BUILD, MASTER_PART
from pipeline.store.masters import read_master


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
