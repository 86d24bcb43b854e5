"""Calls that cannot be carried out end with one line and the right code, before anything is reckoned."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import cli, weekly
from pipeline.commands import overage
from pipeline.commands.listing import check_week, intake_sentence, refusal_lines
from pipeline.errors import EXIT_INTERRUPTED, EXIT_MISUSE, UserError
from pipeline.intake import Intake
from pipeline.store.loading import LoadResult

ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize("label", ["9999-W52", "0000-W01", "2026-W54", "2026-W00", "last"])
def test_a_week_that_does_not_exist(label: str) -> None:
    with pytest.raises(UserError, match="is not an ISO week"):
        check_week(label)


@pytest.mark.parametrize(
    ("name", "message"), [("o.pdf", "ends in .xlsx"), ("", "ends in .xlsx"), ("no/o.xlsx", "no folder")]
)
def test_a_workbook_that_cannot_be_written(name: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(UserError, match=message):
        overage.check_workbook(tmp_path / name)
    (tmp_path / "d.xlsx").mkdir()
    with pytest.raises(UserError, match="is a folder"):
        overage.check_workbook(tmp_path / "d.xlsx")
    overage.check_workbook(tmp_path / "o.xlsx")


def test_an_empty_part_is_no_question() -> None:
    with pytest.raises(UserError, match="--part is empty"):
        overage.check(overage.Call(part=" ", need=5))


def test_ctrl_c_says_so(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "make_plant", stopped)
    monkeypatch.setattr(sys, "argv", ["pickfall", "new", "x"])
    with pytest.raises(SystemExit) as done:
        cli.main()
    assert done.value.code == EXIT_INTERRUPTED
    assert "interrupted; what was loaded so far is kept" in capsys.readouterr().err


def test_ctrl_c_before_the_libraries_are_there_says_so() -> None:
    code = (
        "import sys\nclass Stop:\n    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'pipeline.cli': raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Stop())\nfrom pipeline.entry import main\nmain()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert (done.returncode, done.stderr) == (EXIT_INTERRUPTED, "pickfall: interrupted before anything was done.\n")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["ingest", ""], "an argument is empty"),
        (["ingest", "--plant", " "], "what follows --plant is empty"),
        (["week", "--plant="], "--plant is empty"),
    ],
)
def test_an_argument_of_nothing_is_not_this_folder(
    arguments: list[str], message: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["pickfall", *arguments])
    with pytest.raises(SystemExit) as done:
        cli.main()
    assert done.value.code == EXIT_MISUSE
    assert capsys.readouterr().err == f"pickfall: {message}. Leave it out, or check the variable that should fill it.\n"


def test_closed_streams_are_no_error() -> None:
    code = (
        "import os, sys; os.close(1); os.close(2); sys.stdout = sys.stderr = None; from pipeline import cli; cli.main()"
    )
    done = subprocess.run([sys.executable, "-c", code, "--version"], check=False)
    assert done.returncode == 0


def test_what_a_user_put_beside_a_report_stays(tmp_path: Path) -> None:
    final, work = tmp_path / "2026-W47", tmp_path / "work"
    for folder, text in ((final, "old"), (work, "new")):
        folder.mkdir()
        (folder / "weekly.pdf").write_text(text, encoding="utf-8")
    (final / "notes.txt").write_text("mine", encoding="utf-8")
    weekly._replace(work, final)
    assert {p.name: p.read_text(encoding="utf-8") for p in final.iterdir()} == {
        "weekly.pdf": "new",
        "notes.txt": "mine",
    }
    assert [p.name for p in tmp_path.iterdir()] == ["2026-W47"]


def test_a_file_in_the_place_of_a_report_is_not_lost(tmp_path: Path) -> None:
    (tmp_path / "work").mkdir()
    (tmp_path / "2026-W47").write_text("mine", encoding="utf-8")
    with pytest.raises(FileExistsError, match=re.escape("is no folder")):
        weekly._replace(tmp_path / "work", tmp_path / "2026-W47")
    assert (tmp_path / "2026-W47").read_text(encoding="utf-8") == "mine"


def test_a_file_of_which_filters_leave_nothing_is_told_of() -> None:
    results = [LoadResult("a.csv", "delimited", 7, 7, 0, 0, 7), LoadResult("b.csv", "delimited", 9, 9, 0, 0, 2)]
    taken = Intake((*results, LoadResult("c.json", "ipc2591", 3, 3, 0, 0, 3)), (), ())
    (line,) = refusal_lines(taken, 0.01)
    assert line.startswith("a.csv: none of its 7 lines passes the filters of its mapping.")
    assert "19 loaded + 0 duplicate + 0 refused. Of the loaded 12 hold nothing to count" in intake_sentence(taken)
