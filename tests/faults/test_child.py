"""Whatever a log does to the process that reads it costs that one log, with a reason, and never the run."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import FileRefused, PickfallError
from pipeline.ingest import child as child_program
from pipeline.ingest import child_reader
from pipeline.ingest.child_reader import ChildReader
from pipeline.ingest.dialect import Log
from pipeline.ingest.reading_process import Answer, Known, Staged
from pipeline.settings import Limits, Plant
from tests.faults.hostile_readers import Hostile
from tests.faults.runs import ROOT

QUICK = Limits(file_seconds=3, file_memory_mb=400)


@pytest.fixture(params=[1, 2], ids=["one process", "two processes"], autouse=True)
def processes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """Whatever a log does to one process, the answers are the same with another one beside it."""
    if request.param == 2:
        monkeypatch.setattr(child_reader, "SECOND_FROM", 0)
    return int(request.param)


def _files(folder: Path, *words: str) -> list[Path]:
    paths = []
    for i, word in enumerate(words):
        paths.append(folder / f"{i}_{word}.log")
        paths[-1].write_text(f"{word} {i}\n", encoding="utf-8")
    return paths


def _read(folder: Path, *words: str, limits: Limits = QUICK, known: tuple[str, ...] = ()) -> list[Answer]:
    paths = _files(folder, *words)
    plant = Plant(folder=folder, limits=limits)
    with ChildReader(plant, (Hostile(),), known) as child:
        found = list(child.read(map(Log, paths)))
    assert [log.path for log, _ in found] == paths
    assert not (folder / "store" / "reading").exists()
    return [a for _, a in found]


def _reason(answer: Answer) -> str:
    assert isinstance(answer, FileRefused), answer
    return answer.reason


def test_a_process_that_dies_costs_one_file(tmp_path: Path) -> None:
    good, crashed, left, last = _read(tmp_path, "good", "crash", "leave", "good")
    assert isinstance(good, Staged)
    assert isinstance(last, Staged)
    assert _reason(crashed) == "the process that read it broke down (SIGSEGV). The file may be damaged: copy it again."
    assert "exit code 7" in _reason(left)


@pytest.mark.parametrize("word", ["sleep", "spin"])
def test_a_file_that_takes_too_long(tmp_path: Path, word: str) -> None:
    begin = time.monotonic()
    slow, good = _read(tmp_path, word, "good")
    assert "longer than 3 seconds" in _reason(slow)
    assert "file_seconds" in _reason(slow)
    assert isinstance(good, Staged)
    assert time.monotonic() - begin < 60


@pytest.mark.parametrize("word", ["hog", "join"])
def test_a_file_that_takes_too_much_memory(tmp_path: Path, word: str) -> None:
    large, good = _read(tmp_path, word, "good", limits=Limits(file_seconds=120, file_memory_mb=300))
    assert "more than 300 MB of memory" in _reason(large)
    assert "file_memory_mb" in _reason(large)
    assert isinstance(good, Staged)


def test_a_fault_of_the_program_names_its_place(tmp_path: Path) -> None:
    bug, deep, good = _read(tmp_path, "bug", "deep", "good")
    assert "KeyError: 'no such thing'; hostile_readers.py line" in _reason(bug)
    assert "RecursionError" in _reason(deep)
    assert isinstance(good, Staged)


def test_what_a_library_prints_is_no_answer(tmp_path: Path) -> None:
    printed, good = _read(tmp_path, "print", "good")
    assert isinstance(printed, Staged)
    assert isinstance(good, Staged)


def test_a_file_that_goes_away_or_grows(tmp_path: Path) -> None:
    gone, grown, good = _read(tmp_path, "remove", "grow", "good")
    assert "changed while it was read" in _reason(gone)
    assert "changed while it was read" in _reason(grown)
    assert isinstance(good, Staged)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        ((_, answer),) = child.read([Log(tmp_path / "nowhere.log")])
    assert _reason(answer) == "cannot be opened: No such file or directory."


def test_a_file_that_comes_into_being_between_two_looks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It was not there when it was asked for and is there when it is opened: it is not taken, and the run goes on."""
    (path,) = _files(tmp_path, "good")
    task = child_program.Task(Plant(folder=tmp_path), (Hostile(),), frozenset(), tmp_path)
    monkeypatch.setattr(child_program, "file_state", lambda _: None)
    answer = child_program._answer(task, set(), Log(path), tmp_path)
    assert (answer["is"], answer["reason"].split(":")[0]) == ("refused", "changed while it was read")


def test_the_same_content_twice_and_content_that_is_known(tmp_path: Path) -> None:
    (first,) = _read(tmp_path, "good")
    assert isinstance(first, Staged)
    (again,) = _read(tmp_path, "good", known=(first.source.content_hash,))
    assert isinstance(again, Known)
    assert again.content_hash == first.source.content_hash
    copy = tmp_path / "copy.log"
    copy.write_bytes((tmp_path / "0_good.log").read_bytes())
    with ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        kinds = [type(a) for _, a in child.read([Log(tmp_path / "0_good.log"), Log(copy)])]
    assert kinds == [Staged, Known]


def test_two_processes_answer_in_the_order_of_the_files(tmp_path: Path, processes: int) -> None:
    paths = _files(tmp_path, "nap", "good", "crash", "good", "nap", "good", "good")
    with ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        asked = child.read(map(Log, paths))
        log, first = next(asked)
        assert isinstance(first, Staged)
        assert len(child._asked) == processes
        found = [(log.path, type(first)), *((other.path, type(a)) for other, a in asked)]
        used = [p for p in child._processes if p.pid is not None]
    assert found == [(p, FileRefused if "crash" in p.name else Staged) for p in paths]
    assert len(used) == processes


def test_a_large_file_is_read_alone(tmp_path: Path, processes: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child_reader, "ALONE_FROM", 1000)
    paths = _files(tmp_path, "good", "good", "good", "good", "good")
    paths[2].write_text("good 2" + "\n" * 2000)
    together: dict[str, int] = {}
    with ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        for log, answer in child.read(map(Log, paths)):
            assert isinstance(answer, Staged)
            assert log.path == paths[len(together)]
            others = [a.log.path for a in child._asked]
            assert paths[2] not in others or others == [paths[2]]
            together[log.path.name] = len(others)
    assert list(together.values()) == ([1, 1, 2, 1, 0] if processes == 2 else [1, 1, 1, 1, 0])


def test_the_tables_of_a_file_come_over_whole(tmp_path: Path) -> None:
    paths = _files(tmp_path, "good")
    with duckdb.connect() as con, ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        for _, answer in child.read(map(Log, paths)):
            assert isinstance(answer, Staged)
            staging = answer.into(con)
            rows = con.execute("select line, raw, reason from staged_refused").fetchall()
    assert rows == [(1, "good", "read by the test")]
    assert (staging.records_read, staging.records_ignored) == (1, 0)


@pytest.mark.parametrize("name", ["it's [odd] *?", "back\\slash[1]", "new\nline", "Größe"])
def test_a_plant_folder_with_an_odd_name(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name
    folder.mkdir()
    with duckdb.connect() as con, ChildReader(Plant(folder=folder), (Hostile(),), ()) as child:
        answers = child.read(map(Log, _files(folder, "good")))
        _, answer = next(answers)
        assert isinstance(answer, Staged)
        answer.into(con)
        assert con.execute("select count(*) from staged_refused").fetchall() == [(1,)]
        assert next(answers, None) is None


def test_leftovers_of_a_killed_run_are_removed(tmp_path: Path) -> None:
    left = tmp_path / "store" / "reading" / "log-old"
    left.mkdir(parents=True)
    (left / "unpacked.txt").write_bytes(b"x" * 1000)
    _read(tmp_path, "good")
    assert not left.exists()


def test_a_process_that_cannot_start_ends_the_run_with_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with (
        ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child,
        pytest.raises(PickfallError, match=r"does not start \(exit code"),
    ):
        list(child.read(map(Log, _files(tmp_path, "good"))))


def test_no_process_is_started_when_there_is_nothing_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    with ChildReader(Plant(folder=tmp_path), (Hostile(),), ()) as child:
        assert list(child.read([])) == []


def test_a_killed_run_takes_its_reading_process_along(tmp_path: Path) -> None:
    (path,) = _files(tmp_path, "sleep")
    program = (
        "import sys; from pathlib import Path; from pipeline.settings import Plant; "
        "from pipeline.ingest.dialect import Log; from pipeline.ingest.child_reader import ChildReader; from tests.faults.hostile_readers import Hostile\n"
        "child = ChildReader(Plant(folder=Path(sys.argv[1])), (Hostile(),), ())\n"
        "child._ask(iter([Log(Path(sys.argv[2]))])); process = child._asked[0].process\n"
        "print(process.pid, flush=True); process._hear()"
    )
    command = [sys.executable, "-c", program, str(tmp_path), str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as run:
        assert run.stdout is not None
        reading = int(run.stdout.readline())
        os.kill(reading, 0)
        run.send_signal(signal.SIGKILL)
        run.wait()
    for _ in range(100):
        if not _alive(reading):
            return
        time.sleep(0.1)
    pytest.fail("the reading process outlives its run")


def _alive(process: int) -> bool:
    """False for one that ended, also while its entry waits to be taken away."""
    try:
        state = Path(f"/proc/{process}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"
