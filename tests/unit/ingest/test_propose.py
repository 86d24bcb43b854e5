"""Proposed mappings: they load the file they were made from, decide by evidence, and mark what they are unsure of."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

import gzip
import io
import json
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest

from pipeline.errors import UserError
from pipeline.ingest.propose import propose
from pipeline.ingest.propose_text import guess_encoding
from pipeline.ingest.propose_times import shape_of
from tests.fixtures_propose import ENGLISH, GERMAN, JAPANESE, checked, picks, proposed


def test_semicolons_german_dates_two_time_columns_and_decimal_comma(tmp_path: Path) -> None:
    found = picks()
    lines = ["Datum;Uhrzeit;Maschine;Düse;Förderer;Bauteil;Ergebnis;Fehlercode;Versatz X"]
    lines += [
        f"{p.at:%d.%m.%Y;%H:%M:%S};{p.machine};{p.nozzle};{p.feeder};{p.part};{GERMAN[p.outcome]};{p.reason};"
        + f"{p.dx:.4f}".replace(".", ",")
        for p in found
    ]
    text, got = proposed(tmp_path, "\n".join(lines), "Linie1_2026-11.csv")
    assert got.refused == []
    assert got.rows("machine, nozzle, feeder, part, outcome, reason, dx") == [
        (p.machine, p.nozzle, p.feeder, p.part, p.outcome, p.reason or None, round(p.dx, 4) + 0.0) for p in found
    ]
    assert got.one("time") == [p.at.replace(microsecond=0) for p in found]
    data = tomllib.loads(text)
    assert data["time"] == {"columns": ["Datum", "Uhrzeit"], "format": "%d.%m.%Y %H:%M:%S"}
    assert "format" not in checked(text)
    assert data["text"]["decimal"] == ","


def test_commas_american_dates_and_numbers_as_outcomes(tmp_path: Path) -> None:
    codes = {"placed": "0", "missed": "1", "rejected": "2", "dropped": "9"}
    found = picks()
    lines = ["timestamp,machine,nozzle,feeder,part,status,dx"]
    lines += [
        f"{p.at:%m/%d/%Y %I:%M:%S %p},{p.machine},{p.nozzle},{p.feeder},{p.part},{codes[p.outcome]},{p.dx:.5f}"
        for p in found
    ]
    text, got = proposed(tmp_path, "\n".join(lines) + "\n", "export.csv")
    assert got.refused == []
    assert tomllib.loads(text)["time"]["format"] == "%m/%d/%Y %I:%M:%S %p"
    assert got.one("time") == [p.at.replace(microsecond=0) for p in found]
    assert tomllib.loads(text)["outcome"] == {"0": "placed", "1": "unknown", "2": "unknown", "9": "unknown"}
    assert {'"0"', '"1"', '"2"', '"9"'} <= set(checked(text))  # what a number means only the plant knows


def test_tabs_iso_times_with_a_zone(tmp_path: Path) -> None:
    found = picks()
    lines = ["Time\tMachine Name\tNozzle_ID\tFeederID\tComponent\tResult"]
    lines += [
        f"{p.at.isoformat(timespec='milliseconds')}Z\t{p.machine}\t{p.nozzle}\t{p.feeder}\t{p.part}\t{ENGLISH[p.outcome]}"
        for p in found
    ]
    text, got = proposed(tmp_path, "\r\n".join(lines), "picks.log")
    assert got.refused == []
    assert got.one("time") == [p.at for p in found]
    assert got.one("part") == [p.part for p in found]
    assert "zone =" not in text


def test_pipes_epoch_and_no_header(tmp_path: Path) -> None:
    found = picks()
    lines = [
        f"{p.at.replace(tzinfo=UTC).timestamp():.0f}|{p.machine}|{p.nozzle}|{p.feeder}|{ENGLISH[p.outcome]}"
        for p in found
    ]
    text, got = proposed(tmp_path, "\n".join(lines), "data_01.txt")
    assert got.refused == []
    assert got.rows("machine, outcome") == [(p.machine, p.outcome) for p in found]
    assert got.one("time") == [(p.at + timedelta(milliseconds=500)).replace(microsecond=0) for p in found]
    data = tomllib.loads(text)
    assert (data["time"]["format"], data["text"]["header"]) == ("epoch_s", False)
    assert {"machine", "outcome"} <= set(checked(text))


def test_utf16_quotes_and_the_machine_in_the_file_name(tmp_path: Path) -> None:
    found = picks()
    lines = ['"Date/Time","Nozzle","Part","Result","Lot"']
    lines += [f'"{p.at:%Y/%m/%d %H:%M:%S}","{p.nozzle}","{p.part}, x","{ENGLISH[p.outcome]}","A"' for p in found]
    text, got = proposed(tmp_path, "\n".join(lines).encode("utf-16"), "picks_L2M3_2026-11-16.csv")
    assert got.refused == []
    assert got.rows("machine, part, outcome") == [("L2M3", f"{p.part}, x", p.outcome) for p in found]
    assert tomllib.loads(text)["files"] == ["picks_*.csv"]
    assert "pattern" in checked(text)


def test_japanese_code_page(tmp_path: Path) -> None:
    found = picks()
    lines = ["日時,設備,ノズル,フィーダ,部品,結果"]
    lines += [
        f"{p.at:%Y/%m/%d %H:%M:%S},{p.machine},{p.nozzle},{p.feeder},{p.part},{JAPANESE[p.outcome]}" for p in found
    ]
    for codec in ("cp932", "euc_jp"):
        text, got = proposed(tmp_path, "\n".join(lines).encode(codec), "実装.csv")
        assert got.refused == []
        assert got.rows("machine, nozzle, feeder, part, outcome") == [
            (p.machine, p.nozzle, p.feeder, p.part, p.outcome) for p in found
        ]
        assert tomllib.loads(text)["text"]["encoding"] == codec
        assert "encoding" in checked(text)


def test_western_code_page_with_preamble_comments_and_blanks(tmp_path: Path) -> None:
    found = picks()
    lines = ["Protokoll für Linie 1", "", "# erzeugt", "Zeit ; Anlage ; Düse ; Ergebnis"]
    lines += [f"{p.at:%d.%m.%y %H:%M} ; {p.machine:>6} ; {p.nozzle:<4}; {GERMAN[p.outcome]} " for p in found]
    text, got = proposed(tmp_path, gzip.compress("\n".join(lines).encode("cp1252")), "x.txt.gz")
    assert got.refused == []
    assert got.rows("machine, nozzle, outcome") == [(p.machine, p.nozzle, p.outcome) for p in found]
    assert tomllib.loads(text)["text"]["encoding"] == "cp1252"
    assert {"encoding", "trim", "format", "files"} <= set(checked(text))  # two digits of a year may be anything


def test_sections_two_header_rows_and_torn_lines(tmp_path: Path) -> None:
    found = picks()
    rows = [f"{p.at:%Y-%m-%d;%H:%M:%S},{p.at:%f};{p.machine};{p.nozzle};{ENGLISH[p.outcome]};{p.dx:.3f}" for p in found]
    text = "[Info]\nShift;A\n[Picks]\n;;;;;Offset\nDay;Clock;Machine;Nozzle;Result;X\n" + "\n".join(rows[:200])
    text += "\ntorn;line\n[Sums]\nOK;5\n[Picks]\n;;;;;Offset\nDay;Clock;Machine;Nozzle;Result;X\n" + "\n".join(
        rows[200:]
    )
    proposal, got = proposed(tmp_path, text, "all.log")
    assert [raw for _, raw, _ in got.refused] == ["torn;line"]
    assert got.rows("time, machine, outcome, dx") == [(p.at, p.machine, p.outcome, round(p.dx, 3) + 0.0) for p in found]
    assert {"section_begin", "header_rows"} <= set(checked(proposal))


def test_only_an_error_code(tmp_path: Path) -> None:
    found = picks()
    lines = ["time;machine;error"] + [f"{p.at:%Y%m%d %H:%M:%S};{p.machine};{p.reason or '0'}" for p in found]
    text, got = proposed(tmp_path, "\n".join(lines), "errors.csv")
    assert got.refused == []
    assert "outcome" in checked(text)
    assert len(got.one("outcome")) == len(found)


def test_a_workbook(tmp_path: Path) -> None:
    found = picks()
    book = openpyxl.Workbook()
    book.active.append(["Shift report"])
    book.active.append(["Time", "Machine", "Nozzle", "Part", "Result", "Offset X [um]"])
    for p in found:
        book.active.append([p.at, p.machine, p.nozzle, p.part, ENGLISH[p.outcome], p.dx * 1000])
    book.create_sheet("Notes").append(["x"])
    out = io.BytesIO()
    book.save(out)
    text, got = proposed(tmp_path, out.getvalue(), "report.xlsx")
    assert got.refused == []
    assert got.one("time") == [p.at for p in found]
    assert got.one("dx") == [pytest.approx(p.dx, rel=1e-12) for p in found]
    data = tomllib.loads(text)
    assert (data["workbook"]["sheet"], data["units"]["dx"], data["text"]["skip_lines"]) == (1, "um", 1)
    assert "sheet" in checked(text)


def test_parquet(tmp_path: Path) -> None:
    found = picks()
    frame = pl.DataFrame(
        {
            "at": [p.at for p in found],
            "machine": [p.machine for p in found],
            "result": [ENGLISH[p.outcome] for p in found],
        }
    )
    frame.write_parquet(tmp_path / "p")
    _, got = proposed(tmp_path, (tmp_path / "p").read_bytes(), "p.parquet")
    assert got.refused == []
    assert got.rows("time, machine, outcome") == [(p.at, p.machine, p.outcome) for p in found]


def test_json_lines(tmp_path: Path) -> None:
    found = picks()
    lines = [
        json.dumps(
            {"ts": p.at.isoformat(), "station": {"machine": p.machine, "nozzle": p.nozzle}, "res": ENGLISH[p.outcome]}
        )
        for p in found
    ]
    text, got = proposed(tmp_path, "\n".join(lines), "p.jsonl")
    assert {p.at.microsecond == 0 for p in found} == {True, False}  # isoformat leaves a fraction of zero off
    assert got.refused == []
    assert got.rows("time, machine, nozzle, outcome") == [(p.at, p.machine, p.nozzle, p.outcome) for p in found]
    assert tomllib.loads(text)["columns"]["nozzle"] == "station.nozzle"


@pytest.mark.parametrize(
    ("table", "text", "columns", "rows"),
    [
        (
            "counter",
            "End,Begin,Machine,Nozzle,Picks,Misses,Rejects\n2026-11-16 07:00:00,2026-11-16 06:00:00,M1,N1,500,3,2\n",
            "start, machine, nozzle, attempts, missed, rejected, grain",
            [(datetime(2026, 11, 16, 6), "M1", "N1", 500, 3, 2, "nozzle")],
        ),
        (
            "reel_event",
            "Zeit;Maschine;Spur;Rolle;Vorgang;Menge\n2026-11-16 07:00:00;M1;3;R7;gerüstet;5000\n",
            "machine, lane, reel, event, quantity",
            [("M1", "3", "R7", "load", 5000)],
        ),
        (
            "service",
            "time;object;which;done;remark\n2026-11-16 07:00:00;Tip;N7;washed;ok\n",
            "kind, id, action, note",
            [("nozzle", "N7", "cleaned", "ok")],
        ),
        (
            "check_total",
            "time;machine;count\n2026-11-16 07:00:00;M1;800\n",
            "start, machine, placed",
            [(datetime(2026, 11, 16, 7), "M1", 800)],
        ),
        ("fault", "time;machine;alarm\n2026-11-16 07:00:00;M1;E17\n", "machine, fault_type", [("M1", "E17")]),
        (
            "measurement",
            "time;machine;what;soll;ist\n2026-11-16 07:00:00;M1;L;1.0;1.1\n",
            "what, measured",
            [("L", 1.1)],
        ),
        ("activity", "time;machine;event\n2026-11-16 07:00:00;M1;board start\n", "event", [("board_start",)]),
    ],
)
def test_other_tables(tmp_path: Path, table: str, text: str, columns: str, rows: list[tuple[Any, ...]]) -> None:
    _, got = proposed(tmp_path, text, "x.csv", table, command=True)
    assert (got.rows(columns), got.refused) == (rows, [])


@pytest.mark.parametrize(
    ("values", "form", "sure"),
    [
        (["16.11.2026", "01.11.2026"], "%d.%m.%Y", True),
        (["11/16/2026 06:00", "01/02/2026 06:00"], "%m/%d/%Y %H:%M", True),
        (["16/11/2026 06:00"], "%d/%m/%Y %H:%M", True),
        (["01.02.2026", "03.02.2026"], "%d.%m.%Y", False),
        (["01/02/2026"], "%m/%d/%Y", False),
        (["16/11/2026", "11/16/2026"], "%d/%m/%Y", False),
        (["2026-11-16T06:00:00+01:00"], "%Y-%m-%dT%H:%M:%S%z", True),
        (["2026-16-11", "2026-01-02"], "%Y-%d-%m", True),
        (["16-Nov-2026 06:00:00"], "%d-%b-%Y %H:%M:%S", True),
        (["20261116"], "%Y%m%d", True),
        (["16112026"], "%d%m%Y", True),
        (["26-11-16 06:00"], "%y-%m-%d %H:%M", False),
        (["1794808800"], "epoch_s", True),
        (["1794808800123"], "epoch_ms", True),
        (["06:00:00,123"], "%H:%M:%S,%f", True),
        (["6:00:00 PM"], "%I:%M:%S %p", True),
        (["0402", "0603"], None, True),
        (["12345678"], None, True),
        (["1.2.3"], "%d.%m.%y", False),
        ([], None, True),
    ],
)
def test_times(values: list[str], form: str | None, sure: bool) -> None:
    shape = shape_of(values)
    if form is None or form == "%d.%m.%y":  # versions such as 1.2.3 are no dates
        assert shape is None
    else:
        assert shape is not None
        assert (shape.format, not shape.doubt) == (form, sure)


@pytest.mark.parametrize(
    ("text", "codec"),
    [
        ("ノズル;吸着エラー\n部品;良\n", "cp932"),
        ("ノズル;吸着エラー\n部品;良\n", "euc_jp"),
        ("Düse;Größe\nFörderer;Maß\n", "cp1252"),
        ("Сопло;ошибка\nпитатель;годен\n", "cp1251"),
    ],
)
def test_code_pages_are_guessed_and_never_sure(text: str, codec: str) -> None:
    found, doubt = guess_encoding(text.encode(codec))
    assert found == codec
    assert doubt


HOSTILE = [
    '"; drop table pick',
    "<b>x</b>",
    "{{7*7}}",
    "=1+1",
    "# CHECK: x",
    "a\\b",
    "'''",
    "]]",
    "\x7f",
    "\u2028",
    "é",
    "a=b",
]


def test_hostile_names_and_texts_stay_text(tmp_path: Path) -> None:
    head = ",".join(["time", "machine", "result", *(f'"{h.replace(chr(34), chr(34) * 2)}"' for h in HOSTILE)])
    lines = [head]
    for i, h in enumerate(HOSTILE * 3):
        cell = f'"{h.replace(chr(34), chr(34) * 2)}"'
        lines.append(f"2026-11-16 06:00:{i:02d},{cell},{cell},{','.join([cell] * len(HOSTILE))}")
    _, got = proposed(tmp_path, "\n".join(lines), "'; [x] {{7*7}} \"#=1+1.csv")
    assert got.refused == []
    assert got.one("machine") == HOSTILE * 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("a;b\n1;2\n", "no column holds a date with the time of day that is recognised"),
        ("a;b\n06h00 on day 16 of 11/2026;2\n", "write a mapping with [time] by hand"),
        ("t;b\nNov 16 06:00:00;2\n", "The dates have no year"),
        ("t;b\n16-Dez-2026 06:00:00;2\n", "Names of months are read in English only"),
        ("t;b\nMo 16.11.2026 06:00;2\n", "Names of days are read in English only"),
        ("fixed width 06:00\n", "no line with one of the delimiters"),
        ("a;b;c\n", "no column holds a date"),
        ('{"MessageName": "CFX.Heartbeat", "MessageBody": {}}\n', "without a mapping"),
        (b"", "is empty"),
        (b"PK\x03\x04 no zip", "damaged workbook"),
    ],
)
def test_files_that_no_mapping_fits(tmp_path: Path, data: str | bytes, words: str) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    with pytest.raises(UserError) as error:
        propose(path)
    assert words in str(error.value)
    assert str(path) in str(error.value)


@pytest.mark.parametrize(
    ("table", "words"),
    [("counter", "no column holds whole numbers"), ("check_total", 'no column holds numbers for "placed"')],
)
def test_a_table_of_numbers_needs_numbers(tmp_path: Path, table: str, words: str) -> None:
    path = tmp_path / "x.csv"
    path.write_text("time;machine;result\n2026-11-16 06:00:00;M1;OK\n", encoding="utf-8")
    with pytest.raises(UserError, match=words):
        propose(path, table)


def test_a_table_or_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="--table is 'tally'; use one of pick"):
        propose(tmp_path / "x", "tally")
    with pytest.raises(UserError, match="not found"):
        propose(tmp_path / "x")


def test_the_command_writes_the_mapping_to_stdout_and_words_to_stderr(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("time;machine;result\n2026-11-16 06:00:00;M1;OK\n")
    command = [sys.executable, "-m", "pipeline.cli", "mapping", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout == propose(path)
    assert "marked # CHECK:" in done.stderr
    wrong = subprocess.run([*command, "--table", "x"], capture_output=True, text=True, check=False)
    assert (wrong.returncode, wrong.stdout) == (2, "")
