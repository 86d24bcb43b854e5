"""What counting says of a file, against the pattern of a regular line and DuckDB's strict reader."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipeline.ingest.delimited_count import PIECE, countable_lines
from pipeline.ingest.delimited_lines import physical_lines, regular_pattern
from pipeline.ingest.delimited_sql import scan_sql
from pipeline.ingest.mapping import TextRules

RULES = TextRules(delimiter=";", quote='"')
CON = duckdb.connect()
FIELDS = 3

TEXTS = st.lists(
    st.sampled_from(["a", "bc", ";", ";", "\n", "\n", "\r\n", "\r", " ", '"', "é", ";;", "a;b;c\n"]), max_size=30
)


def _strict_rows(path: Path) -> int | None:
    """Records that DuckDB finds with the reader's own options; None where it refuses the file."""
    try:
        ((rows,),) = CON.execute(f"select count(*) from {scan_sql(path, RULES, FIELDS, 0, numbered=False)}").fetchall()
    except duckdb.InvalidInputException:
        return None
    return int(rows)


@given(parts=TEXTS)
@example(parts=["a;b;c;\n", "a;b\n"])  # one delimiter too many, one too few
@example(parts=["a;b;c;\n", "\n", "a;b\n"])
@example(parts=["a;b;c;\n", "a;b;c\n"])  # DuckDB takes an empty field too many in silence
@example(parts=["a;b;c\n", "\n"])
@example(parts=["a;b;c\r\n", "a;b;c\n"])
@example(parts=["a;b;c\r", "a;b;c\n"])
@settings(max_examples=400, deadline=None)
def test_a_counted_file_that_is_read_whole_is_regular(
    tmp_path_factory: pytest.TempPathFactory, parts: list[str]
) -> None:
    path = tmp_path_factory.mktemp("count") / "log.csv"
    path.write_bytes("".join(parts).encode())
    lines = countable_lines(path, RULES, FIELDS, 0)
    if lines is None or _strict_rows(path) != lines:
        return
    pattern = re.compile(regular_pattern(RULES, FIELDS))
    found = [line.text for line in physical_lines(path)]
    assert len(found) == lines
    assert all(pattern.fullmatch(text) for text in found)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "a;b;c"])
def test_plain_files_are_counted(tmp_path: Path, end: str, last: str) -> None:
    """Also where a line end lies across two of the pieces that are read."""
    path = tmp_path / "log.csv"
    head = f"x;y;z{end}"
    for shift in (0, 1, 2):
        long = "k" * (PIECE - 5 - len(end) + shift)
        path.write_bytes((head + f"{long};b;c{end}" + f"a;b;c{end}" * 3 + last).encode())
        assert countable_lines(path, RULES, FIELDS, 1) == 4 + bool(last)


@pytest.mark.parametrize("text", ['a;"b";c\n', "a;b;c;\n", "a;b\n", "a;b;c\r\nd;e;f\n", "a;b;c\rd;e;f\r", "#a;b;c\n"])
def test_what_counting_cannot_tell(tmp_path: Path, text: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text, newline="")
    assert countable_lines(path, TextRules(delimiter=";", quote='"', comment="#"), FIELDS, 0) is None


def test_a_comment_sign_across_two_pieces_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for shift in range(4):
        line = "k" * (PIECE - 5 - shift) + ";b;c\n"
        path.write_text(line + "//M1;x;y\n")
        assert countable_lines(path, TextRules(delimiter=";", quote='"', comment="//"), FIELDS, 0) is None
