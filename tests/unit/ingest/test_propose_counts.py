"""Which column of a table of counts is which, by the many names that logs have for the same."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from pipeline.ingest.propose import propose
from tests.fixtures_propose import checked, proposed


def _counts(head: str) -> str:
    """Lines of three items; large numbers for the first count, small ones for those after it."""
    lines = [f"Time;Machine;Nozzle;{head}"]
    for hour in range(12):
        numbers = [700 + 13 * (hour * 5 % 7), *(hour * (i + 3) % 8 for i in range(1, len(head.split(";"))))]
        lines.append(f"2026-11-16 {hour:02d}:00:00;M5;0{hour % 3};" + ";".join(map(str, numbers)))
    return "\n".join(lines) + "\n"


def _columns(folder: Path, text: str) -> tuple[str, dict[str, str | int], str]:
    path = folder / "export.csv"
    path.write_text(text, encoding="utf-8")
    made = propose(path)
    return tomllib.loads(made)["table"], tomllib.loads(made)["columns"], made


@pytest.mark.parametrize(
    ("head", "ours"),
    [
        ("PickCount;PickErrors;VisionErrors", "attempts missed rejected"),
        ("Pick Cnt;Pick Err Cnt;Vision Err Cnt", "attempts missed rejected"),
        ("Total Picks;No Pick;Rejects", "attempts missed rejected"),
        ("Pickups;Pickup Errors;Recog. Errors", "attempts missed rejected"),
        ("Used;Pick Miss;Vision NG", "- missed rejected"),
        ("Aufnahmen;Aufnahmefehler;Erkennungsfehler", "attempts missed rejected"),
        ("Bestückt;Leer;Ausschuss", "placed missed rejected"),
        ("Attempts;Fail pick;Fail vision", "attempts missed rejected"),
        ("Placements;Pick Fails;Vision Fails", "placed missed rejected"),
        ("Tries;Vacuum err;Vision err;Lost", "attempts missed rejected dropped"),
        ("Picks;Errors;of which vision", "attempts - rejected"),
        ("Aufgenommen [Stk];Nicht gegriffen [Stk];Abgelehnt [Stk]", "attempts missed rejected"),
        ("interrupted picks;pickerr;viserr", "attempts missed rejected"),
        ("Picks today;Pick errors today;Vision errors today", "attempts missed rejected"),
    ],
)
def test_counts_by_the_names_that_logs_have_for_them(tmp_path: Path, head: str, ours: str) -> None:
    titles = head.split(";")
    table, columns, _ = _columns(tmp_path, _counts(head))
    wanted = {o: t for o, t in zip(ours.split(), titles, strict=True) if o != "-"}
    assert (table, columns) == ("counter", {"machine": "Machine", "nozzle": "Nozzle"} | wanted)


@pytest.mark.parametrize(
    ("head", "id_of"),
    [
        ("Nozzle errors;Nozzle;Picks;Missed", ("nozzle", "Nozzle")),
        ("Nozzle Changes;Nozzle id;Picks;Missed", ("nozzle", "Nozzle id")),
        ("Part count;Part;Picks;Missed", ("part", "Part")),
    ],
)
def test_a_column_of_counts_is_no_id(tmp_path: Path, head: str, id_of: tuple[str, str]) -> None:
    first = head.split(";")[0]
    lines = [f"Time;Machine;{head}"]
    lines += [f"2026-11-16 {h:02d}:00:00;M5;{h % 5};0{h % 3};{700 + h * 5 % 7};{h % 4}" for h in range(12)]
    table, columns, text = _columns(tmp_path, "\n".join(lines))
    assert (table, columns[id_of[0]]) == ("counter", id_of[1])
    assert first not in columns.values()
    assert re.search(rf'^#   "{first}": .*# CHECK: whole numbers: name it above if', text, re.MULTILINE)


def test_a_column_of_picks_is_never_smaller_than_what_came_of_them(tmp_path: Path) -> None:
    lines = ["Time;Machine;Nozzle;Picks;Placed;Missed"]
    lines += [f"2026-11-16 {h:02d}:00:00;M5;0{h % 3};{h};{700 + h};{h % 2}" for h in range(12)]
    _, columns, text = _columns(tmp_path, "\n".join(lines))
    assert columns == {"machine": "Machine", "nozzle": "Nozzle", "placed": "Placed", "missed": "Missed"}
    assert '"Picks": ' in text
    assert "called as picks are, but in 12 of 12 rows it is less than placed" in text


def test_groups_of_columns_are_marked_and_the_first_is_taken(tmp_path: Path) -> None:
    groups = ";".join(f"N{n} Picks;N{n} Missed" for n in (1, 2, 3))
    lines = [f"Time;{groups}"]
    lines += [f"2026-11-16 {h:02d}:00:00;" + ";".join(f"{600 + n + h};{h % n}" for n in (1, 2, 3)) for h in range(9)]
    proposal, got = proposed(tmp_path, "\n".join(lines), "M1_wide.csv", "counter")
    assert tomllib.loads(proposal)["columns"] == {"attempts": "N1 Picks", "missed": "N1 Missed"}
    assert checked(proposal)["attempts"] == "2 more columns fit as well: N2 Picks, N3 Picks"
    assert "write a mapping for each group" in checked(proposal)["# file_part"]
    assert (got.one("attempts"), got.refused) == ([601 + h for h in range(9)], [])


def test_an_id_above_a_group_is_no_id_column(tmp_path: Path) -> None:
    """The name of a nozzle stands above the first of its columns only."""
    lines = [";;NZ-001;;NZ-002;", "Date;Time;Picks;Missed;Picks;Missed"]
    lines += [f"16.11.2026;{h:02d}:00;{600 + h};{h % 3};{700 + h};{h % 2}" for h in range(9)]
    _, columns, text = _columns(tmp_path, "\n".join(lines))
    assert columns == {"attempts": "NZ-001 Picks", "missed": 4}
    assert "file_part" in text


def test_flags_of_single_picks_count_each_row_as_one(tmp_path: Path) -> None:
    lines = ["Time;Nozzle;Feeder;PickErr;VisErr;DropErr"]
    lines += [f"2026-11-16 06:00:{i:02d};N{i % 4};F{i % 5};{int(i == 7)};{int(i % 20 == 9)};0" for i in range(60)]
    proposal, got = proposed(tmp_path, "\n".join(lines), "flags_M5.csv", "counter")
    assert "each row is taken for one pick" in checked(proposal)["attempts"]
    sums = "sum(attempts), sum(missed), sum(rejected), sum(dropped)"
    assert got.con.execute(f"select {sums} from staged_counter").fetchall() == [(60, 1, 3, 0)]


def test_numbers_beside_no_sure_result_mark_the_table(tmp_path: Path) -> None:
    lines = ["Time;Machine;Nozzle;Used;Thrown"]
    lines += [f"2026-11-16 {h:02d}:00:00;M5;0{h % 3};{700 + h};{2 + h % 30}" for h in range(24)]
    table, columns, text = _columns(tmp_path, "\n".join(lines))
    assert (table, "outcome" in columns) == ("pick", False)
    assert checked(text)["table"].startswith('"Used", "Thrown" hold numbers above 1, and no column is sure to tell')


def test_a_column_of_many_numbers_is_no_result_because_its_name_says_errors(tmp_path: Path) -> None:
    lines = ["Time;Machine;Total;Errors today"]
    lines += [f"2026-11-16 {h // 2:02d}:{h % 2 * 30:02d}:00;M5;{700 + h};{2 + 3 * h}" for h in range(48)]
    _, columns, text = _columns(tmp_path, "\n".join(lines))
    assert "outcome" not in columns
    assert tomllib.loads(text)["constants"]["outcome"] == "unknown"


@pytest.mark.parametrize("zeros", [".0", ",00"])
def test_counts_with_a_fraction_of_zeros_are_counts(tmp_path: Path, zeros: str) -> None:
    lines = ["End;Machine;Nozzle;Picks;Missed;Rejected"]
    lines += [f"2026-11-16 {h:02d}:00:00;M1;N1;{1700 + 3 * h}{zeros};{h % 3};{h % 2}" for h in range(9)]
    proposal, got = proposed(tmp_path, "\n".join(lines), "x.csv", "counter")
    assert tomllib.loads(proposal)["columns"]["attempts"] == "Picks"
    assert (got.one("attempts"), got.refused) == ([1700 + 3 * h for h in range(9)], [])


def test_a_column_that_is_called_a_count_and_not_used_is_marked(tmp_path: Path) -> None:
    lines = ["End;Machine;Nozzle;Picks;Missed;Rejected"]
    lines += [f"2026-11-16 {h:02d}:00:00;M1;N1;{1700 + 3 * h}.5;{h % 3};{h % 2}" for h in range(9)]
    proposal, _ = proposed(tmp_path, "\n".join(lines), "x.csv", "counter")
    assert re.search(r'^#   "Picks": .*# CHECK: called as a count of attempts is', proposal, re.MULTILINE)


# Sums ---------------------------------------------------------------------------------------------------------------


def _with_totals(label: str, hours: int, amiss: int = 0) -> str:
    """Counts of three nozzles on each of two machines, and the sum of both machines' nozzles as one line more each."""
    lines = ["End;Machine;Nozzle;Picks;Missed"]
    for hour in range(hours):
        for machine in ("M1", "M2"):
            counts = [(n, 500 + 37 * ((hour * n + len(label)) % 7) + n, (hour + n) % 4) for n in (1, 2, 3)]
            rows = [(f"N{n}", picked, missed) for n, picked, missed in counts]
            rows.append((label, sum(p for _, p, _ in counts) + amiss, sum(m for *_, m in counts)))
            lines += [f"2026-11-16 {hour:02d}:00:00;{machine};{n};{p};{m}" for n, p, m in rows]
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(("label", "hours"), [("Total", 1), ("gesamt", 6), ("N-X", 6), ("", 6)])
def test_sums_inside_a_table_of_counts_are_filtered_and_marked(tmp_path: Path, label: str, hours: int) -> None:
    proposal, got = proposed(tmp_path, _with_totals(label, hours), "x.csv", "counter")
    assert tomllib.loads(proposal)["filter"] == [{"column": "Nozzle", "not_equals": [label]}]
    assert f'counts of nozzle "{label}" are those of the others' in checked(proposal)["not_equals"]
    assert (len(got.one("nozzle")), set(got.one("nozzle")), got.refused) == (6 * hours, {"N1", "N2", "N3"}, [])


def test_sums_of_nozzles_and_of_machines_are_both_filtered(tmp_path: Path) -> None:
    text = _with_totals("Total", 6)
    for hour in range(6):
        sums = [row.split(";") for row in text.splitlines() if f" {hour:02d}:" in row and "Total" in row]
        text += f"2026-11-16 {hour:02d}:00:00;all;;{sum(int(r[3]) for r in sums)};{sum(int(r[4]) for r in sums)}\n"
    proposal, got = proposed(tmp_path, text, "x.csv", "counter")
    filters = tomllib.loads(proposal)["filter"]
    assert filters == [{"column": "Nozzle", "not_equals": ["Total"]}, {"column": "Machine", "not_equals": ["all"]}]
    assert (len(got.one("nozzle")), set(got.one("nozzle"))) == (36, {"N1", "N2", "N3"})


def test_what_is_called_a_total_and_adds_up_to_something_else_stays_and_is_marked(tmp_path: Path) -> None:
    proposal, got = proposed(tmp_path, _with_totals("Total", 6, amiss=1), "x.csv", "counter")
    assert "filter" not in tomllib.loads(proposal)
    assert '"Total" is not the sum of the others' in checked(proposal)["nozzle"]
    assert set(got.one("nozzle")) == {"N1", "N2", "N3", "Total"}


def test_an_item_that_counts_as_much_as_the_others_now_and_then_stays(tmp_path: Path) -> None:
    proposal, _ = proposed(tmp_path, _with_totals("N4", 2), "x.csv", "counter")
    assert "filter" not in tomllib.loads(proposal)
