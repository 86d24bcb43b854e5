"""Names that would be markup, formulae, SQL, templates or globs come out as literal text, from log to page."""

from __future__ import annotations

import csv
import json
from datetime import datetime, timedelta
from pathlib import Path

import openpyxl
import polars as pl
import pypdf
import pytest

from tests.end_to_end.browser import text_of
from tests.faults.runs import overlapping_plant, store_digest
from tests.plants import HEADER, MAPPING, PickLine, make_plant, pickfall, query

NAMES = ("<b>x</b>", "=1+1", "'; drop table pick; --", "{{7*7}}", "a[1].csv", "@SUM(A1)", '"quoted"', "Ünïcode ✓")
WEEK = "2026-W47"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_plant(tmp_path_factory.mktemp("hostile") / "plant")
    mapping = MAPPING.replace('delimiter = ";"', 'delimiter = "\\t"\nquote = ""').replace("*picks*", "*.csv")
    (folder / "mappings" / "picks.toml").write_text(mapping, encoding="utf-8")
    begin = datetime(2026, 11, 16, 6)  # noqa: DTZ001
    header = ["when", "machine", "head", "spindle", "nozzle", "feeder", "slot", "part", "reel", "lot", "result", "code"]
    lines = ["\t".join(header)]
    for i in range(6000):
        name = NAMES[i % len(NAMES)]
        other = NAMES[i // len(NAMES) % len(NAMES)]
        result, code = ("MISS", name) if i % 40 == 0 or (name == NAMES[0] and i % 5 == 0) else ("OK", "")
        when = begin + timedelta(seconds=40 * i)
        fields = [
            f"{when:%Y-%m-%d %H:%M:%S}",
            "M " + NAMES[0],
            "H1",
            "1",
            name,
            other,
            other,
            other,
            name,
            name,
            result,
            code,
        ]
        lines.append("\t".join(fields))
    (folder / "inbox" / "a[1].csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with (folder / "masters" / "builds.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["build", "part", "quantity_per_board", "boards", "due"])
        rows.writerows([name, name, 2, 50, "2026-11-30"] for name in NAMES)
    for command in (("ingest",), ("week", WEEK)):
        done = pickfall(*command, "--plant", folder)
        assert done.returncode == 0, done.stderr
    return folder


def test_store_and_findings_hold_them_as_they_are(plant: Path) -> None:
    assert query(plant, "select count(*) from pick") == [(6000,)]
    assert {r[0] for r in query(plant, "select distinct nozzle from pick")} == set(NAMES)
    findings = json.loads((plant / "out" / WEEK / "findings.json").read_text(encoding="utf-8"))
    assert {s["id"] for s in findings["suspects"] if s["kind"] == "nozzle"} == set(NAMES)
    assert {o["build"] for o in findings["overage"]} == set(NAMES)


def test_csv_cells_begin_with_an_apostrophe_where_a_spreadsheet_would_run_them(plant: Path) -> None:
    with (plant / "out" / WEEK / "csv" / "suspects.csv").open(newline="", encoding="utf-8") as file:
        ids = {row["id"] for row in csv.DictReader(file) if row["kind"] == "nozzle"}
    assert ids == {("'" + n if n[0] in "=@" else n) for n in NAMES}


def test_workbook_cells_are_text(plant: Path) -> None:
    book = openpyxl.load_workbook(plant / "out" / WEEK / "weekly.xlsx")
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row if c.value in NAMES]
    assert {c.value for c in cells} == set(NAMES)
    assert {c.data_type for c in cells} == {"s"}
    assert not any(c.hyperlink for c in cells)


def test_pdf_prints_them(plant: Path) -> None:
    text = "".join(page.extract_text() for page in pypdf.PdfReader(plant / "out" / WEEK / "weekly.pdf").pages)
    flat = "".join(text.split())
    for name in NAMES:
        if name != "Ünïcode ✓":
            assert "".join(name.split()) in flat, name
    assert "49" not in "".join(w for w in text.split() if "7*7" in w)


@pytest.mark.browser
def test_html_shows_them_and_runs_nothing(plant: Path) -> None:
    text, bold = text_of(plant / "out" / WEEK / "weekly.html", "b")
    for name in NAMES:
        assert name in text, name
    assert "x" not in bold


def test_commands_print_them(plant: Path) -> None:
    rows = json.loads(pickfall("rank", "nozzle", "--plant", plant, "--week", WEEK, "--format", "json").stdout)
    assert {r["id"] for r in rows} == set(NAMES)
    done = pickfall("explain", "nozzle", NAMES[0], "--plant", plant, "--week", WEEK)
    assert done.returncode == 0
    assert NAMES[0] in done.stdout
    build = pickfall("overage", NAMES[2], "--plant", plant, "--week", WEEK, "--format", "csv")
    assert build.returncode == 0
    assert NAMES[2] in build.stdout


def test_folders_that_look_like_partitions_add_no_column(tmp_path: Path) -> None:
    """DuckDB takes `machine=M9` in a path for a column of every file below, in place of the file's own."""
    odd = overlapping_plant(tmp_path / "machine=M9" / "line=7" / "feeder=F9" / "c1=x" / "plant", picks=300, count=2)
    plain = overlapping_plant(tmp_path / "plain" / "plant", picks=300, count=2)
    lines = [PickLine(datetime(2026, 11, 17, 6), machine=f"M{n}") for n in (1, 2, 3)]  # noqa: DTZ001
    names, *cells = ([text.strip('"') for text in line.split(";")] for line in (HEADER, *(p.text() for p in lines)))
    rows = pl.DataFrame(cells, schema=names, orient="row")
    for plant, below in ((odd, "machine=M8"), (plain, "m8")):
        mapping = MAPPING.replace("*picks*", "rows.parquet").replace('[text]\ndelimiter = ";"\nheader = true\n', "")
        mapping = mapping.replace('name = "picks"', 'name = "rows"\ncontent = "parquet"')
        (plant / "mappings" / "rows.toml").write_text(mapping, encoding="utf-8")
        (plant / "inbox" / below).mkdir()
        rows.write_parquet(plant / "inbox" / below / "rows.parquet")
        done = pickfall("ingest", "--plant", plant)
        assert done.returncode == 0, done.stdout + done.stderr
        found = query(plant, "select machine from pick where time >= '2026-11-17' order by machine")
        assert found == [("M1",), ("M2",), ("M3",)]
    assert store_digest(odd) == store_digest(plain)
