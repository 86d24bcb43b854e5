"""An id in several columns of a log: machine 1 of line 2, slot 3 of table 1."""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.delimited_sql import joined_sql
from tests.fixtures_delimited import MAPPING, stage
from tests.fixtures_propose import checked, proposed
from tests.property.test_delimited import CON

PIECES = st.lists(st.none() | st.text(st.sampled_from("a1-é"), min_size=1, max_size=3), min_size=1, max_size=4)


def _join(pieces: list[str | None]) -> str | None:
    """Plain Python's answer: nothing without the first piece; those that are missing in the middle keep their place."""
    if pieces[0] is None:
        return None
    last = max(i for i, p in enumerate(pieces) if p is not None)
    return "/".join(p or "" for p in pieces[: last + 1])


@settings(deadline=None, max_examples=100)
@given(PIECES)
def test_pieces_are_joined_as_plain_python_joins_them(pieces: list[str | None]) -> None:
    columns = [f"c{i}" for i in range(len(pieces))]
    row = ", ".join(f"cast(? as varchar) as {c}" for c in columns)
    found = CON.execute(f"select {joined_sql(columns)} from (select {row})", pieces).fetchall()
    assert found == [(_join(pieces),)]


def test_different_pieces_never_give_the_same_id() -> None:
    ids = [_join(list(p)) for p in itertools.product(["1", "2"], [None, "1", "2"], [None, "1", "2"])]
    assert len(set(ids)) == len(ids)


def test_ids_are_joined_and_an_id_without_its_first_piece_is_not_known(tmp_path: Path) -> None:
    mapping = MAPPING.replace('machine = "M"', 'machine = ["L", "M"]').replace('nozzle = "N"', 'nozzle = ["H", 4]')
    mapping = mapping.replace('dx = "X"\n', "")
    lines = ["T;L;M;N;R;E;H", *(f"2026-11-16 06:00:00;{row}" for row in ("1;7;3;OK;;A", "2;7;3;OK;;", "2;;3;OK;;A"))]
    got = stage(tmp_path, "\n".join([*lines, "2026-11-16 06:00:00;;7;3;OK;;A"]) + "\n", mapping)
    assert got.rows("machine, nozzle") == [("1/7", "A/3"), ("2/7", None), ("2", "A/3")]
    ((line, _, why),) = got.refused
    assert (line, why.startswith('machine is missing: column "L" and column "M" is empty')) == (5, True)


HEAD = "Time;Line;Machine;Table;Track;Part;Result"


def test_what_is_numbered_anew_on_every_line_or_table_is_proposed_with_it(tmp_path: Path) -> None:
    rows = [
        f"2026-11-16 06:{i % 60:02d}:00;{1 + i % 2};{1 + i // 2 % 2};{1 + i // 4 % 2};{i // 8 % 5};P{i % 9};OK"
        for i in range(160)
    ]
    text, got = proposed(tmp_path, "\n".join([HEAD, *rows, "2026-11-16 07:00:00;1;1;1;1;P1;NG"]) + "\n", "picks.csv")
    columns = tomllib.loads(text)["columns"]
    assert (columns["machine"], columns["slot"]) == (["Line", "Machine"], ["Table", "Track"])
    assert set(got.one("machine")) == {"1/1", "1/2", "2/1", "2/2"}
    assert set(got.one("slot")) == {f"{t}/{s}" for t in (1, 2) for s in range(5)}
    assert 'values of "Line"' in checked(text)["machine"]


def test_ids_that_need_no_other_column_stand_alone(tmp_path: Path) -> None:
    """Every machine is on one line, every slot of a machine on one table."""
    rows = [
        f"2026-11-16 06:{i % 60:02d}:00;{1 + i % 2};M{i % 2};{1 + i // 2 % 5 // 3};{i // 2 % 5};P{i % 9};OK"
        for i in range(160)
    ]
    text, _ = proposed(tmp_path, "\n".join([HEAD, *rows, "2026-11-16 07:00:00;1;M0;1;1;P1;NG"]) + "\n", "picks.csv")
    columns = tomllib.loads(text)["columns"]
    assert (columns["machine"], columns["slot"]) == ("Machine", "Track")
