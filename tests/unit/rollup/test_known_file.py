"""The file of one slice: where it lies, that a leftover is taken away, and that nothing stays."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.connections import connect
from pipeline.rollup.known_file import NAME, known_file


@pytest.mark.parametrize("folder", ["spill", "it's here", "100 %", "a[1]", "b*", "c\\d"])
def test_what_is_written_is_read_under_the_same_name_and_goes(folder: str, tmp_path: Path) -> None:
    spill = tmp_path / folder
    spill.mkdir()
    (spill / NAME).write_text("left by a killed run")
    with connect(memory_mb=100, spill=spill) as con:
        with known_file(con) as path:
            for rows in (3, 2):  # a later slice takes the place of an earlier one
                con.execute(f"copy (select range as i from range({rows})) to {path} (format parquet)")
                assert con.execute(f"select count(*) from read_parquet({path})").fetchall() == [(rows,)]
            odd = set("[*\\") & set(folder)
            assert ((spill / NAME).stat().st_size > 100) is not bool(odd)
        with pytest.raises(duckdb.ConversionException), known_file(con) as path:
            con.execute(f"copy (select cast('no number' as integer) as i) to {path} (format parquet)")
    assert (spill / NAME).exists() is bool(odd)  # an odd folder is left alone


def test_without_a_folder_to_spill_to_it_lies_among_the_temporary_files() -> None:
    with connect(memory_mb=100) as con, known_file(con) as path:
        con.execute(f"copy (select 1 as i) to {path} (format parquet)")
        there = Path(path.strip("'"))
        assert there.exists()
    assert not there.parent.exists()
