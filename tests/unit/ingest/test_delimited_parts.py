"""Parts of a file: sections, several header rows, lines at the end, filters, pieces of the folder's name."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import FileRefused
from pipeline.ingest.delimited_lines import joined_header
from pipeline.intake import find_files, take_in
from pipeline.settings import load as load_plant
from pipeline.store.database import open_store
from tests.fixtures_delimited import GOOD, HEAD, MAPPING, stage
from tests.plants import make_plant, query, some_picks, write_picks


def with_text(keys: str, mapping: str = MAPPING) -> str:
    return mapping.replace("[time]", f"{keys}\n[time]")


SECTIONS = with_text("section_begin = '^\\[Picks\\]'\nsection_end = '^\\['")


def test_only_lines_inside_the_sections_are_data(tmp_path: Path) -> None:
    text = (
        "[Info]\nShift;A\n\n[Picks]\n"  # 1 to 4
        + HEAD  # 5
        + GOOD * 2  # 6, 7
        + "torn\n"  # 8
        + "[Sums]\nOK;2\n"  # 9, 10
        + "[Picks]\n\n"  # 11, 12
        + HEAD  # 13
        + GOOD  # 14
        + "[End]\n2026-11-16 06:00:00;M1;N1;OK;;0.5\n"  # 15, 16: outside
    )
    got = stage(tmp_path, text, SECTIONS)
    assert got.one("line") == [6, 7, 14]
    assert [(n, raw) for n, raw, _ in got.refused] == [(8, "torn")]
    assert got.staging.records_read == 4


def test_a_section_without_an_end_runs_to_the_next(tmp_path: Path) -> None:
    text = "x\n[Picks]\n" + HEAD + GOOD + "[Picks]\n" + HEAD + GOOD * 2
    assert stage(tmp_path, text, with_text("section_begin = '^\\[Picks'")).one("line") == [4, 7, 8]


def test_lines_to_skip_stand_inside_each_section(tmp_path: Path) -> None:
    text = "[Picks]\nof today;1\n" + HEAD + GOOD + "[Picks]\nof tomorrow;2\n" + HEAD + GOOD
    got = stage(tmp_path, text, SECTIONS.replace("[time]", "skip_lines = 1\n[time]"))
    assert (got.one("line"), got.refused) == ([4, 8], [])


def test_an_empty_section_is_passed_over(tmp_path: Path) -> None:
    text = "[Picks]\n[Sums]\n[Picks]\n\n[Picks]\n" + HEAD + GOOD + "[Picks]\n[Picks]\n" + HEAD + GOOD
    assert stage(tmp_path, text, SECTIONS).one("line") == [7, 11]


def test_sections_without_header(tmp_path: Path) -> None:
    mapping = SECTIONS.replace("[time]", "header = false\n[time]").replace('["T"]', "[1]")
    for number, name in enumerate("MNREX", 2):
        mapping = mapping.replace(f'= "{name}"', f"= {number}")
    assert stage(tmp_path, "[Picks]\n" + GOOD + "[A]\nx;y\n[Picks]\n" + GOOD, mapping).one("line") == [2, 6]


def test_sections_that_are_not_there_or_differ(tmp_path: Path) -> None:
    with pytest.raises(FileRefused, match="no line that fits section_begin"):
        stage(tmp_path, HEAD + GOOD, SECTIONS)
    text = "[Picks]\n" + HEAD + GOOD + "[Picks]\n" + HEAD.replace("M;N", "N;M") + GOOD
    with pytest.raises(FileRefused, match="different headers") as error:
        stage(tmp_path, text, SECTIONS)
    assert error.value.line == 5


def test_several_header_rows_are_joined(tmp_path: Path) -> None:
    mapping = with_text("header_rows = 3").replace('"X"', '"Offset X mm"')
    text = ";;;;;Offset\n" + HEAD + ";;;;;mm\n" + GOOD
    assert stage(tmp_path, text, mapping).rows("line, dx") == [(4, 0.5)]
    assert stage(tmp_path, "Offset\n".rjust(12, ";") + "\n" + HEAD + "\n;;;;;mm\n\n" + GOOD + "torn\n", mapping).one(
        "line"
    ) == [7]
    with pytest.raises(FileRefused, match="ends before the header"):
        stage(tmp_path, HEAD + HEAD, mapping)
    with pytest.raises(FileRefused, match="more names than the last"):
        stage(tmp_path, ";;;;;;Offset\n" + HEAD + ";;;;;mm\n" + GOOD, mapping)
    assert joined_header([["A"], ["", "b"]]) == ("A", "b")


@pytest.mark.parametrize("tail", ["Total;2\nend of file\n", "Total;2\n\nend of file\n\n  \n", "Total;2\nend of file"])
def test_lines_at_the_end_are_left_out(tmp_path: Path, tail: str) -> None:
    got = stage(tmp_path, HEAD + GOOD * 2 + tail, with_text("skip_end = 2"))
    assert (got.one("line"), got.refused, got.staging.records_read) == ([2, 3], [], 2)


def test_a_file_of_fewer_lines_than_are_skipped(tmp_path: Path) -> None:
    assert stage(tmp_path, HEAD + GOOD, with_text("skip_end = 5")).one("line") == []


LINES = "".join(GOOD.replace("N1", n).replace("OK;", f"OK;{n[-1]}") for n in ("N1", "N2", "X3"))


@pytest.mark.parametrize(
    ("test", "kept"),
    [
        ('column = "N"\nequals = "N1"', [2]),
        ('column = "N"\nequals = ["N1", "X3"]', [2, 4]),
        ('column = "N"\nnot_equals = "N1"', [3, 4]),
        ("column = 3\nmatches = '^N\\d$'", [2, 3]),
        ('column = "E"\nequals = "3"\n[[filter]]\ncolumn = "N"\nmatches = "X"', [4]),
        ('column = "E"\nequals = "3"\n[[filter]]\ncolumn = "N"\nmatches = "N"', []),
        ("column = 'N'\nequals = \"'; drop table staged_pick; --\"", []),
    ],
)
@pytest.mark.parametrize("more", ["", "torn\n"])
def test_rows_that_do_not_pass_are_ignored(tmp_path: Path, test: str, kept: list[int], more: str) -> None:
    got = stage(tmp_path, HEAD + LINES + more, MAPPING + f"[[filter]]\n{test}\n")
    assert got.one("line") == kept
    assert got.staging.records_ignored == 3 - len(kept)
    assert len(got.refused) == bool(more)


def test_rows_of_another_kind_are_ignored_whatever_they_hold(tmp_path: Path) -> None:
    """Logs that mix records of several kinds: those of other kinds have other fields, and must not be refused."""
    mapping = MAPPING.replace('["T"]', '["T"]').replace('nozzle = "N"', 'nozzle = "N"\nrecipe = "K"')
    text = "K;" + HEAD + "PICK;" + GOOD + "INFO;door open\nINFO;2026;x;y;z;bad;time;\nPICK;torn\nPI\nINFO;a;b;c;XX;;q\n"
    got = stage(tmp_path, text, mapping + '[[filter]]\ncolumn = "K"\nequals = "PICK"\n')
    assert got.one("line") == [2]
    assert got.staging.records_ignored == 4  # also line 6, torn inside the column that the filter looks at
    assert [n for n, _, _ in got.refused] == [5]
    assert got.staging.records_read == 6


def test_a_line_too_short_for_the_filter_is_refused(tmp_path: Path) -> None:
    got = stage(tmp_path, HEAD + GOOD + "2026;M1\n", MAPPING + '[[filter]]\ncolumn = "R"\nequals = "OK"\n')
    assert [n for n, _, _ in got.refused] == [3]


def test_an_empty_field_is_the_text_nothing_for_a_filter(tmp_path: Path) -> None:
    mapping = with_text('null = ["-"]') + '[[filter]]\ncolumn = "E"\nequals = ""\n'
    got = stage(tmp_path, HEAD + GOOD + GOOD.replace("OK;", "OK;-") + GOOD.replace("OK;", "OK;7"), mapping)
    assert (got.one("line"), got.staging.records_ignored) == ([2, 3], 1)


def test_a_filter_on_a_column_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileRefused, match='no column "Z", from which mapping "test" takes what a filter tests'):
        stage(tmp_path, HEAD + GOOD, MAPPING + '[[filter]]\ncolumn = "Z"\nequals = ""\n')


def test_pieces_of_the_folder(tmp_path: Path) -> None:
    mapping = MAPPING.replace('machine = "M"\n', "").replace("log", "") + (
        "[file_name]\npattern = '_(?P<recipe>.+)\\.csv'\nfolder = '^line(?P<lane>\\d)/(?P<machine>[^/]+)$'\n"
    )
    inbox = tmp_path / "inbox" / "line2" / "M7"
    inbox.mkdir(parents=True)
    got = stage(inbox, HEAD + GOOD, mapping, name="a_p1.csv", plant=tmp_path)
    assert got.rows("machine, lane, recipe") == [("M7", "2", "p1")]
    with pytest.raises(FileRefused, match=r'its folder "\." does not fit'):
        stage(tmp_path / "inbox", HEAD + GOOD, mapping, name="a_p1.csv", plant=tmp_path)


def test_the_store_counts_ignored_rows_as_loaded_without_a_row(tmp_path: Path) -> None:
    """read = loaded + duplicate + refused holds with a filter, also when the file comes again with more lines."""
    plant = make_plant(tmp_path)
    mapping = plant / "mappings" / "picks.toml"
    mapping.write_text(mapping.read_text() + '[[filter]]\ncolumn = "lot"\nnot_equals = "L0"\n')
    lines = some_picks(200)
    write_picks(plant / "inbox" / "picks1.csv", lines[:150])
    write_picks(plant / "inbox" / "picks2.csv", lines)
    of = load_plant(plant)
    with open_store(of, write=True) as con:
        first, second = take_in(con, of, find_files(of, [])).loaded
    out = [sum(p.lot == "L0" for p in part) for part in (lines[:150], lines)]
    assert min(out) > 0
    assert (first.read, first.loaded, first.duplicate, first.ignored) == (150, 150, 0, out[0])
    assert (second.read, second.duplicate, second.ignored) == (200, 150 - out[0], out[1])
    assert second.loaded == 200 - second.duplicate
    assert query(plant, "select sum(attempts) from tally where grain = 'joint'") == [(200 - out[1],)]
