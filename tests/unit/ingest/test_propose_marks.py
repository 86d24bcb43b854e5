"""What a proposal must see in a log that is not plain: kinds of rows, footers, sections, doubtful numbers, times."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import io
import json
import re
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import openpyxl
import pytest

from pipeline.errors import UserError
from pipeline.ingest.propose import propose
from pipeline.ingest.propose_text import section_pattern
from pipeline.ingest.propose_times import shape_of, tight_clock, tight_day
from tests.fixtures_propose import ENGLISH, Pick, checked, picks, proposed

DAY = "2026-11-16 06:00:"


# Counters -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("keys", "grain"),
    [
        ("Nozzle", "nozzle"),
        ("Head,Spindle,Nozzle", "nozzle"),
        ("Feeder", "feeder"),
        ("Slot,Part,Lot", "feeder"),
        ("Head,Feeder", "feeder"),
        ("Shift", "machine"),
    ],
)
def test_counts_go_by_the_items_that_their_columns_name(tmp_path: Path, keys: str, grain: str) -> None:
    cells = ",".join(f"{k[0]}1" for k in keys.split(","))
    text = (
        f"End,Machine,{keys},Picks,Misses\n2026-11-16 07:00:00,M1,{cells},500,3\n2026-11-16 08:00:00,M1,{cells},600,4\n"
    )
    proposal, got = proposed(tmp_path, text, "x.csv", "counter")
    assert tomllib.loads(proposal)["constants"]["grain"] == grain
    assert "grain" in checked(proposal)
    assert (got.rows("grain, attempts, missed"), got.refused) == ([(grain, 500, 3), (grain, 600, 4)], [])


def test_counts_of_nozzle_and_feeder_together_are_joint_and_marked(tmp_path: Path) -> None:
    text = "End,Machine,Nozzle,Feeder,Picks\n2026-11-16 07:00:00,M1,N1,F1,500\n2026-11-16 07:00:00,M1,N1,F2,300\n"
    proposal, got = proposed(tmp_path, text, "x.csv", "counter", command=True)
    assert got.rows("grain, feeder, attempts") == [("joint", "F1", 500), ("joint", "F2", 300)]
    assert tomllib.loads(proposal)["constants"]["grain"] == "joint"
    assert "nozzle and feeder stand side by side" in checked(proposal)["grain"]


def _hourly(totals: list[list[int]]) -> str:
    """Lines of two nozzles; totals: picks of each at the end of each hour."""
    lines = ["End,Machine,Nozzle,Picks,Misses"]
    for hour, both in enumerate(totals):
        lines += [f"2026-11-16 {7 + hour:02d}:00:00,M1,N{n},{t},{t // 100}" for n, t in enumerate(both, 1)]
    return "\n".join(lines) + "\n"


def test_totals_that_run_on_are_told_by_their_not_falling(tmp_path: Path) -> None:
    totals = [[500 + 310 * h, 90_000 + 290 * h] for h in range(8)]
    totals[5][0], totals[6][0], totals[7][0] = 120, 430, 760  # set back once
    proposal, got = proposed(tmp_path, _hourly(totals), "x.csv", "counter", command=True)
    assert tomllib.loads(proposal)["constants"]["running"] == "true"
    assert "counts fall in 1 only, as after a reset, in 14 steps" in checked(proposal)["running"]
    assert (len(got.rows("running")), set(got.rows("running")), got.refused) == (16, {(True,)}, [])


def test_totals_that_are_set_back_every_eighth_line_run_on_all_the_same(tmp_path: Path) -> None:
    """A counter for each job or shift, read every hour."""
    proposal, got = proposed(
        tmp_path, _hourly([[300 * (1 + h % 8), 250 * (1 + h % 8)] for h in range(16)]), "x.csv", "counter"
    )
    assert tomllib.loads(proposal)["constants"]["running"] == "true"
    assert "counts fall in 2 only, as after a reset, in 30 steps" in checked(proposal)["running"]
    assert (len(got.rows("running")), set(got.rows("running"))) == (32, {(True,)})


@pytest.mark.parametrize("own", [False, True])
def test_what_changes_beside_totals_is_named(tmp_path: Path, own: bool) -> None:
    """A nozzle's total goes on while programs change, or it has one for each program, side by side."""
    lines = ["End,Machine,Program,Nozzle,Picks"]
    for h in range(12):
        for n, program in ((n, p) for n in (1, 2) for p in ("AB" if own else "AB"[h // 3 % 2])):
            total = 300 * h + (50_000 if program == "B" and own else 900)
            lines.append(f"2026-11-16 {7 + h:02d}:00:00,M1,PRG-{program},N{n},{total}")
    proposal, _ = proposed(tmp_path, "\n".join(lines) + "\n", "x.csv", "counter")
    assert tomllib.loads(proposal)["constants"]["running"] == "true"
    said = (
        "Each nozzle has totals of its own for each recipe"
        if own
        else "recipe may change beside the totals of a nozzle"
    )
    assert said in checked(proposal)["running"]


@pytest.mark.parametrize(
    "totals",
    [
        [[500 + 37 * (h * 5 % 7), 600 - 23 * (h * 3 % 7)] for h in range(8)],  # up and down
        [[500 + 310 * h, 700 + 290 * h] for h in range(4)],  # too few steps to tell
        [[500, 600] for _ in range(8)],  # no step at all
    ],
)
def test_counts_of_intervals_are_not_taken_for_totals(tmp_path: Path, totals: list[list[int]]) -> None:
    proposal, got = proposed(tmp_path, _hourly(totals), "x.csv", "counter")
    assert "running" not in tomllib.loads(proposal)["constants"]
    assert (set(got.rows("running")), got.refused) == ({(None,)}, [])


# Kinds of rows, footers, sections -------------------------------------------------------------------------------------


def test_a_column_that_tells_picks_from_other_rows_becomes_a_filter(tmp_path: Path) -> None:
    found = picks(90)
    lines = ["time;TYPE;machine;nozzle;result;note"]
    for i, p in enumerate(found):
        lines.append(f"{p.at:%Y-%m-%d %H:%M:%S};PICK;{p.machine};{p.nozzle};{ENGLISH[p.outcome]};")
        if i % 3 == 0:
            lines.append(f"{p.at:%Y-%m-%d %H:%M:%S};{'INFO' if i % 2 else 'DOOR'};{p.machine};;;door opened")
    proposal, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert tomllib.loads(proposal)["filter"] == [{"column": "TYPE", "equals": ["PICK"]}]
    assert 'rows with "DOOR", "INFO" hold no outcome' in checked(proposal)["equals"]
    assert "" not in tomllib.loads(proposal)["outcome"]
    assert (got.one("outcome"), got.refused) == ([p.outcome for p in found], [])
    assert got.staging.records_ignored == 30


def test_rows_of_another_kind_may_have_other_fields(tmp_path: Path) -> None:
    lines = ["time;type;machine;nozzle;result"]
    for i in range(60):
        lines.append(f"{DAY}{i:02d};PICK;M1;N1;{'OK' if i % 9 else 'NO PICK'}")
        lines += [f"{DAY}{i:02d};INFO;door opened"] if i % 3 == 0 else []
    text, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert tomllib.loads(text)["filter"] == [{"column": "type", "equals": ["PICK"]}]
    assert (len(got.one("line")), got.refused, got.staging.records_ignored) == (60, [], 20)


def test_a_log_that_writes_losses_only_keeps_its_good_picks(tmp_path: Path) -> None:
    """A column that goes with the empty results must not take the placed parts away."""
    lines = ["time;machine;result;side"]
    lines += [f"{DAY}{i:02d};M1;{'' if i % 9 else 'NO PICK'};{'L' if i % 9 else 'R'}" for i in range(60)]
    text, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert "filter" not in tomllib.loads(text)
    assert checked(text)['""'] == "an empty field; no text means placed"
    assert (got.one("outcome").count("placed"), got.one("outcome").count("missed")) == (53, 7)


def test_empty_outcomes_that_no_column_explains_stay_and_are_marked(tmp_path: Path) -> None:
    lines = ["time;machine;shift;result"] + [f"{DAY}{i:02d};M1;{i % 2};{'OK' if i % 5 else ''}" for i in range(40)]
    proposal, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert "filter" not in tomllib.loads(proposal)
    assert checked(proposal)['""'] == "an empty field"
    assert got.one("outcome").count("unknown") == 8


@pytest.mark.parametrize(
    ("footer", "lines_of_it"),
    [("Total;300", 1), ("Total;;300;", 1), ("\n\nEnd of report\nTotal;300\n\n", 2), ("Sum;1;2;3;4;5;6", 1)],
)
def test_a_footer_is_skipped_and_marked(tmp_path: Path, footer: str, lines_of_it: int) -> None:
    lines = ["time;machine;nozzle;result"] + [f"{DAY}{i:02d};M1;N1;OK" for i in range(40)]
    proposal, got = proposed(tmp_path, "\n".join([*lines, footer]) + "\n", "x.csv")
    assert tomllib.loads(proposal)["text"]["skip_end"] == lines_of_it
    assert "the last lines hold no date" in checked(proposal)["skip_end"]
    assert (len(got.one("time")), got.refused) == (40, [])


def test_sums_at_the_ends_of_sections_are_filtered(tmp_path: Path) -> None:
    rows = [f"{DAY}{i:02d},M1,OK\n" for i in range(60)]
    text = "[Data 1]\ntime,machine,result\n" + "".join(rows[:30]) + "Total,30\n[Data 2]\ntime,machine,result\n"
    proposal, got = proposed(tmp_path, text + "".join(rows[30:]) + "Total,30\n", "x.log")
    assert tomllib.loads(proposal)["filter"] == [{"column": "time", "matches": "[0-9]"}]
    assert "Total 30" in checked(proposal)["matches"]
    assert (len(got.one("line")), got.refused, got.staging.records_ignored) == (60, [], 2)


def test_a_torn_last_line_is_no_footer(tmp_path: Path) -> None:
    lines = ["time;machine;nozzle;result"] + [f"{DAY}{i % 60:02d};M1;N1;OK" for i in range(150)]
    proposal, got = proposed(tmp_path, "\n".join([*lines, "2026-11-1"]), "x.csv")
    assert "skip_end" not in proposal
    assert [raw for _, raw, _ in got.refused] == ["2026-11-1"]


def test_like_sections_are_all_read(tmp_path: Path) -> None:
    found = picks(60)
    head = "time;nozzle;result\n"
    rows = [f"{p.at:%Y-%m-%d %H:%M:%S};{p.nozzle};{ENGLISH[p.outcome]}\n" for p in found]
    text = "[Info]\nShift;A\n[Data M1]\n" + head + "".join(rows[:20]) + "[Sums]\nOK;5\n[Data M2]\n" + head
    text += "".join(rows[20:40]) + "[Other]\na;b;c\n1;2;3\n[Data M13]\n" + head + "".join(rows[40:])
    proposal, got = proposed(tmp_path, text, "x.log")
    assert (got.one("outcome"), got.refused) == ([p.outcome for p in found], [])
    assert "what its own text tells, such as a machine, is not read" in checked(proposal)["section_begin"]


@pytest.mark.parametrize(
    ("like", "unlike", "fits"),
    [
        (["[Picks]"], ["[Picks old]"], []),
        (["[Data M1]", "[Data M2]"], ["[Info]"], ["[Data M17]"]),
        (["[Data left]", "[Data right]"], ["[Info]"], ["[Data third]"]),
        (["[left picks]", "[right picks]"], ["[left sums]"], ["[third picks]"]),
        (["[A]", "[B]"], ["[C]"], []),
        (["[A.1]", "[A+2]"], ["[A 3]"], []),
    ],
)
def test_patterns_of_sections(like: list[str], unlike: list[str], fits: list[str]) -> None:
    pattern = section_pattern(like, unlike)
    assert all(re.search(pattern, t) for t in [*like, *fits])
    assert not any(re.search(pattern, t) for t in unlike)


# Numbers --------------------------------------------------------------------------------------------------------------


def numbers(folder: Path, cells: list[str], table: str = "pick") -> tuple[dict[str, str], dict[str, str], list[object]]:
    """[text] of the proposal, its marks, and the values that were read."""
    title, ours = ("dx", "dx") if table == "pick" else ("picks", "attempts")
    lines = [f"time;machine;nozzle;result;{title}"]
    lines += [f"{DAY}{i:02d};M1;N1;OK;{c}" for i, c in enumerate(cells)]
    text, got = proposed(folder, "\n".join(lines) + "\n", "x.csv", table)
    assert got.refused == []
    return tomllib.loads(text)["text"], checked(text), got.one(ours)


@pytest.mark.parametrize(
    ("cells", "decimal", "marked", "values"),
    [
        (["3,512", "-1,004"], ",", True, [3.512, -1.004]),
        (["3.512", "1.004"], ".", True, [3.512, 1.004]),
        (["0,512", "3,512"], ",", False, [0.512, 3.512]),
        (["3.512", "0.5"], ".", False, [3.512, 0.5]),
        (["1.003,5", "3.512"], ",", False, [1003.5, 3512.0]),
        (["1,003.5", "3,512"], ".", False, [1003.5, 3512.0]),
        (["1'003.5", "0.5"], ".", False, [1003.5, 0.5]),
        (["1\u2019003,5", "0,5"], ",", False, [1003.5, 0.5]),
    ],
)
def test_a_number_that_can_be_read_in_two_ways_is_marked(
    tmp_path: Path, cells: list[str], decimal: str, marked: bool, values: list[float]
) -> None:
    text, marks, got = numbers(tmp_path, cells)
    unit = 1000 if max(map(abs, values)) > 2 else 1  # the unit of the offset is marked, too
    assert got == [pytest.approx(v / unit) for v in values]
    assert text.get("decimal", ".") == decimal
    assert ("decimal" in marks) is marked


@pytest.mark.parametrize(
    ("cells", "sign"),
    [
        (["3,512", "998"], ","),
        (["3.512", "998"], "."),
        (["3,512", "4,998"], ","),
        (["3'512", "1'000'998"], "'"),
        (["3\u00a0512", "998"], "\u00a0"),
    ],
)
def test_counts_with_a_sign_between_thousands(tmp_path: Path, cells: list[str], sign: str) -> None:
    text, marks, got = numbers(tmp_path, cells, "counter")
    assert got == [int(c.replace(sign, "")) for c in cells]
    assert text["thousands"] == sign
    assert "thousands" in marks


def test_an_identifier_that_looks_like_a_number_raises_no_doubt(tmp_path: Path) -> None:
    lines = ["time;machine;part;result"] + [f"{DAY}{i:02d};M1;{100 + i}.512;OK" for i in range(40)]
    text, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert "decimal" not in checked(text)
    assert got.one("part") == [f"{100 + i}.512" for i in range(40)]


# Times ----------------------------------------------------------------------------------------------------------------


def ms(p: Pick) -> str:
    return f"{p.at.microsecond // 1000:03d}"


@pytest.mark.parametrize(
    ("title", "write", "form", "exact"),
    [
        ("time", lambda p: f"{p.at:%Y%m%d%H%M%S}", "%Y%m%d%H%M%S", False),
        ("time", lambda p: f"{p.at:%Y%m%d%H%M%S}{ms(p)}", "%Y%m%d%H%M%S%f", True),
        ("day;clock", lambda p: f"{p.at:%Y%j;%H%M%S}", "%Y%j %H%M%S", False),
        ("time", lambda p: f"{p.at:%Y%j %H%M%S}", "%Y%j %H%M%S", False),
        ("time", lambda p: f"{p.at:%Y%j%H%M%S}", "%Y%j%H%M%S", False),
        ("time", lambda p: f"{p.at:%a %b %d %H:%M:%S %Y}", "%a %b %d %H:%M:%S %Y", False),
        ("time", lambda p: f"{p.at:%a %b %e %H:%M:%S %Y}", "%a %b %d %H:%M:%S %Y", False),
        ("time", lambda p: f"{p.at:%a, %d %b %Y %H:%M:%S +0000}", "%a, %d %b %Y %H:%M:%S %z", False),
        ("time", lambda p: f"{p.at:%d/%b/%Y:%H:%M:%S +0000}", "%d/%b/%Y:%H:%M:%S %z", False),
        ("time", lambda p: f"{p.at.replace(tzinfo=UTC).timestamp():.3f}".replace(".", ","), "epoch_s", True),
        ("day;clock", lambda p: f"{p.at:%d.%m.%Y;%H:%M:%S}:{ms(p)}", "%d.%m.%Y %H:%M:%S:%f", True),
        ("time", lambda p: f"{p.at:%Y-%m-%d %H:%M:%S}.{ms(p)}0000", "%Y-%m-%d %H:%M:%S.%f", True),
        ("time", lambda p: f"{int(p.at.replace(tzinfo=UTC).timestamp())}{ms(p)}000", "epoch_us", True),
        ("time", lambda p: f"{int(p.at.replace(tzinfo=UTC).timestamp())}{ms(p)}000000", "epoch_ns", True),
    ],
)
def test_times_as_logs_write_them(
    tmp_path: Path, title: str, write: Callable[[Pick], str], form: str, exact: bool
) -> None:
    found = picks(60)
    lines = [f"{title};machine;result"] + [f"{write(p)};{p.machine};{ENGLISH[p.outcome]}" for p in found]
    text, got = proposed(tmp_path, "\n".join(lines), "x.csv")
    assert tomllib.loads(text)["time"]["format"] == form
    assert got.refused == []
    assert got.one("time") == [p.at if exact else p.at.replace(microsecond=0) for p in found]


@pytest.mark.parametrize(
    "values",
    [["16-Dez-2026 06:00"], ["2026-13-45 06:00"], ["Mo 16.11.2026 06:00"], ["060000"], ["2026320"], ["46342.25"]],
)
def test_what_no_format_reads_is_no_time(values: list[str]) -> None:
    assert shape_of(values) is None


def test_digits_alone_are_a_time_only_where_they_can_be() -> None:
    assert tight_clock(["060000", "235959"]) is not None
    assert tight_clock(["060000", "990000"]) is None
    assert tight_day(["2026320"]) is not None
    assert tight_day(["2026399"]) is None


# Workbooks and JSON ---------------------------------------------------------------------------------------------------


def workbook(fill: Callable[[openpyxl.Workbook], None]) -> bytes:
    book, out = openpyxl.Workbook(), io.BytesIO()
    fill(book)
    book.save(out)
    return out.getvalue()


def test_a_workbook_with_a_cover_and_a_footer(tmp_path: Path) -> None:
    found = picks(50)

    def fill(book: openpyxl.Workbook) -> None:
        for i in range(80):
            book.active.append([f"line {i} of the cover", "x", "y", "z", "more", "and more"])
        sheet = book.create_sheet("Log")
        sheet.append(["Time", "Machine", "Nozzle", "Result"])
        for p in found:
            sheet.append([p.at, p.machine, p.nozzle, ENGLISH[p.outcome]])
        sheet.append(["Total", None, None, 50])

    text, got = proposed(tmp_path, workbook(fill), "x.xlsx")
    data = tomllib.loads(text)
    assert (data["workbook"]["sheet"], data["text"]["skip_end"]) == (2, 1)
    assert '"Log" looks most like a log' in checked(text)["sheet"]
    assert (got.one("time"), got.refused) == ([p.at for p in found], [])


def test_serial_days_of_a_workbook(tmp_path: Path) -> None:
    found = picks(50)

    def fill(book: openpyxl.Workbook) -> None:
        book.active.append(["Time", "Machine", "Result"])
        for p in found:
            book.active.append([(p.at - datetime(1899, 12, 30)) / timedelta(days=1), p.machine, ENGLISH[p.outcome]])

    text, got = proposed(tmp_path, workbook(fill), "x.xlsx")
    assert tomllib.loads(text)["time"]["format"] == "serial_days"
    assert "format" in checked(text)
    assert (got.one("time"), got.refused) == ([p.at for p in found], [])


def test_a_json_array_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(json.dumps([{"time": "2026-11-16 06:00:00", "result": "OK"}] * 3, indent=1), encoding="utf-8")
    with pytest.raises(UserError, match="Write each object of it on a line of its own"):
        propose(path)


def test_a_word_that_may_mean_several_of_ours_is_marked(tmp_path: Path) -> None:
    """ "camera" does not say where the light comes from, "NG" not whether the part was seen."""
    rows = [
        f"2026-11-16 06:00:{i:02d},M1,N1,{'NG' if i == 9 else 'OK'},{('Camera', 'laser')[i % 2]}" for i in range(30)
    ]
    text = "\n".join(["Time,Machine,Nozzle,Result,Vision", *rows]) + "\n"
    proposal, got = proposed(tmp_path, text, "x.csv", "pick")
    assert sorted(got.rows("method")) == [("camera_reflected",)] * 15 + [("laser",)] * 15
    marks = checked(proposal)
    assert "where the light comes from" in marks['"Camera"']
    assert "missed or refused" in marks['"NG"']
    assert not {'"OK"', '"laser"'} & set(marks)


def test_daily_counts_by_line_load_as_whole_days(tmp_path: Path) -> None:
    """A usage list with dates alone, whose lines are taken for machines as nothing names one."""
    rows = [f"{d}.11.2026;SMT{line};P{p};{1000 + p};{p}" for d in (16, 17) for line in (1, 2) for p in (3, 4)]
    text = "\n".join(["Datum;Linie;Sachnummer;Bestückt;Fehlgriffe", *rows]) + "\n"
    proposal, got = proposed(tmp_path, text, "usage.csv", "counter", command=True)
    marks = checked(proposal)
    assert "each line is taken for one" in marks["machine"]
    assert marks["format"].startswith("no time of day: counts of the whole day")
    found = got.rows("machine, part, placed, missed, time - start = interval 1 day")
    assert found == [(f"SMT{line}", f"P{p}", 1000 + p, p, True) for _ in (16, 17) for line in (1, 2) for p in (3, 4)]
    with pytest.raises(UserError, match=r"no column holds a date with the time of day.*whole days: --table counter"):
        proposed(tmp_path, text, "picks.csv", "pick")


def test_a_machine_in_the_file_name_goes_before_a_column_of_lines(tmp_path: Path) -> None:
    rows = [f"2026-11-16 0{h}:00:00,SMT1,N{n},500,3" for h in (6, 7) for n in (1, 2)]
    text = "\n".join(["Time,Line,Nozzle,Picks,Misses", *rows]) + "\n"
    proposal, got = proposed(tmp_path, text, "L1M2_counts.csv", "counter")
    assert set(got.one("machine")) == {"L1M2"}
    assert 'machine = "Line"' not in proposal


@pytest.mark.parametrize(("names", "begins"), [("123", 3), ("2", 3), ("FS", 2), ("FSN", 3)])
def test_a_column_of_shifts_beside_a_date_is_proposed(tmp_path: Path, names: str, begins: int) -> None:
    """Also in a file of one shift, where the usual numbers name the others."""
    rows = [f"16.11.2026;{shift};M1;P{p};{1000 + p};{p}" for shift in names for p in (3, 4)]
    text = "\n".join(["Datum;Schicht;Maschine;Sachnummer;Bestückt;Fehlgriffe", *rows]) + "\n"
    proposal, got = proposed(tmp_path, text, "usage.csv", "counter")
    shifts = tomllib.loads(proposal)["time"]["shifts"]
    assert (len(shifts), list(shifts.values())) == (begins, ["06:00", "14:00", "22:00"][:begins])
    assert checked(proposal)[f'"{names[0]}"'] == "when it begins"
    assert "counts of the whole shift" in checked(proposal)["format"]
    assert len(set(got.rows("start, time"))) == len(names)
