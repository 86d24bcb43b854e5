"""Several tables in one file: each mapping reads its part, once, and every part keeps its own account."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import openpyxl
import pytest

from pipeline import settings
from pipeline.errors import SettingsError
from pipeline.ingest.mapping import load_mapping
from tests.plants import make_plant, pickfall, query

MAPPING = """
format = 1
name = "{name}"
table = "counter"
files = ["export*"]
{part}
content = "{content}"
{where}
[time]
columns = ["until"]
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"
[columns]
machine = "machine"
{item} = "{item}"
attempts = "picks"
missed = "misses"
[constants]
grain = "{item}"
"""
TEXT_PLACE = "[text]\ndelimiter = ';'\nsection_begin = '^\\[{}\\]'\nsection_end = '^\\['\n"
HEADS = {item: ["until", "machine", item, "picks", "misses"] for item in ("nozzle", "feeder")}
ROWS: dict[str, list[list[str | int]]] = {
    item: [
        [f"2026-11-16 0{hour}:00:00", "M1", f"{item[0]}{i}", 100 + i, i % 2] for hour in (6, 7) for i in range(count)
    ]
    for item, count in (("nozzle", 6), ("feeder", 4))
}


def _plant(folder: Path, content: str, *, parts: bool = True) -> Path:
    plant = make_plant(folder)
    for path in (plant / "mappings").glob("*"):
        path.unlink()
    _mappings(plant, content, parts=parts)
    return plant


def _mappings(plant: Path, content: str, *, parts: bool = True) -> None:
    for item in ROWS:
        where = TEXT_PLACE.format(item) if content == "delimited" else f'[workbook]\nsheet = "{item}"\n'
        part = f'file_part = "{item}s"' if parts else ""
        text = MAPPING.format(name=item, item=item, part=part, content=content, where=where)
        (plant / "mappings" / f"{item}.toml").write_text(text, encoding="utf-8")


def _text() -> str:
    sections = [[f"[{item}]", ";".join(HEADS[item]), *(";".join(map(str, r)) for r in ROWS[item])] for item in ROWS]
    return "made by hand\n" + "\n".join("\n".join(lines) for lines in sections) + "\n"


def _write(plant: Path, content: str) -> Path:
    if content == "delimited":
        path = plant / "inbox" / "export.txt"
        path.write_text(_text(), encoding="utf-8")
        return path
    book = openpyxl.Workbook()
    for item in ROWS:
        sheet = book.create_sheet(item)
        for row in [HEADS[item], *ROWS[item]]:
            sheet.append(row)
    path = plant / "inbox" / "export.xlsx"
    book.save(path)
    return path


def _loads(plant: Path) -> list[tuple[object, ...]]:
    return query(plant, "select file, rows_read, rows_loaded, rows_duplicate, rows_refused from load order by load_id")


@pytest.mark.parametrize("content", ["delimited", "workbook"])
def test_each_part_is_loaded_once_with_an_account_of_its_own(tmp_path: Path, content: str) -> None:
    plant = _plant(tmp_path / "plant", content)
    path = _write(plant, content)
    done = pickfall("ingest", "--plant", plant)
    assert done.returncode == 0, done.stderr
    name = f"inbox/{path.name}"
    both = [(f"{name} [feeders]", 8, 8, 0, 0), (f"{name} [nozzles]", 12, 12, 0, 0)]
    assert _loads(plant) == both
    wanted = {item: (len(ROWS[item]), sum(int(r[3]) for r in ROWS[item])) for item in ROWS}
    found = query(plant, "select grain, count(*), sum(attempts) from counter group by grain")
    assert {grain: rest for grain, *rest in found} == {item: list(map(int, w)) for item, w in wanted.items()}

    again = pickfall("ingest", "--plant", plant, "--check")
    assert (again.returncode, "0 new file(s), 2 known already" in again.stderr) == (0, True)
    copy = path.with_name(f"export_copy{path.suffix}")
    shutil.copy(path, copy)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    if content == "delimited":
        with gzip.open(path.with_name("export_packed.txt.gz"), "wb") as packed:
            packed.write(path.read_bytes())
        assert pickfall("ingest", "--plant", plant).returncode == 0
    assert _loads(plant) == both


def test_a_refused_line_of_one_part_is_mended_by_its_mapping(tmp_path: Path) -> None:
    plant = _plant(tmp_path / "plant", "delimited")
    text = _text().replace("n3;103;1", "n3;103;none", 1)
    (plant / "inbox" / "export.txt").write_text(text, encoding="utf-8")
    assert pickfall("ingest", "--plant", plant).returncode == 3  # one line of twelve is above the limit
    ((file, line),) = query(plant, "select file, line from refused")
    assert file == "inbox/export.txt [nozzles]"
    assert text.splitlines()[int(str(line)) - 1].endswith("none")
    mapping = plant / "mappings" / "nozzle.toml"
    mapping.write_text(mapping.read_text().replace("delimiter = ';'", "delimiter = ';'\nnull = ['none']"))
    again = pickfall("ingest", "--plant", plant, "--again")
    assert again.returncode == 0, again.stderr
    assert query(plant, "select count(*) from refused") == [(0,)]
    assert _loads(plant) == [("inbox/export.txt [feeders]", 8, 8, 0, 0), ("inbox/export.txt [nozzles]", 12, 12, 0, 0)]


def test_mappings_that_name_no_part_are_told_to(tmp_path: Path) -> None:
    plant = _plant(tmp_path / "plant", "delimited", parts=False)
    _write(plant, "delimited")
    done = pickfall("ingest", "--plant", plant)
    assert done.returncode == 3
    assert "several log mappings fit its name" in done.stderr
    assert "file_part of each" in done.stderr
    _mappings(plant, "delimited")
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select * from refused") == []


def test_a_file_that_is_called_like_a_part_is_found_again(tmp_path: Path) -> None:
    plant = _plant(tmp_path / "plant", "delimited")
    path = plant / "inbox" / "export [nozzles]"
    path.write_text(_text().replace("n3;103;1", "n3;103;none", 1), encoding="utf-8")
    assert pickfall("ingest", "--plant", plant).returncode == 3
    mapping = plant / "mappings" / "nozzle.toml"
    mapping.write_text(mapping.read_text().replace("delimiter = ';'", "delimiter = ';'\nnull = ['none']"))
    assert pickfall("ingest", "--plant", plant, "--again").returncode == 0
    assert query(plant, "select count(*) from refused") == [(0,)]


@pytest.mark.parametrize("part", ["a]b", " a", "", "x" * 41, "a\\nb"])
def test_the_name_of_a_part_is_plain(tmp_path: Path, part: str) -> None:
    path = _plant(tmp_path / "plant", "delimited") / "mappings" / "nozzle.toml"
    path.write_text(path.read_text().replace('"nozzles"', f'"{part}"'))
    if not part:
        assert load_mapping(path).file_part == ""
        return
    with pytest.raises(SettingsError, match="file_part") as error:
        load_mapping(path)
    assert error.value.line == path.read_text().splitlines().index(f'file_part = "{part}"') + 1
    assert settings.load(tmp_path / "plant").folder == tmp_path / "plant"
