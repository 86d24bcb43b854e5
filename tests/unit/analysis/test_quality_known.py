"""Declared faults: known while they are found, missed when they are gone, refused when they are not faults we know."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline import settings
from pipeline.analysis.actions import _data
from pipeline.analysis.quality_known import Finding, settle
from pipeline.errors import SettingsError
from pipeline.findings.model import Quality, QualityLine
from pipeline.settings import FAULT_KINDS, KnownFault
from tests.plants import make_plant, pickfall
from tests.quality_plant import WEEK, SmallPlant

ENTRY = """
[[known_fault]]
machine = "M2"
kind = "no losses"
from = 2026-11-01
reason = "losses come with the update"
"""


def known(
    begin: str = "2026-11-01", end: str | None = None, machine: str | None = "M2", kind: str = "no losses"
) -> KnownFault:
    return KnownFault(machine, kind, begin, end, "losses come with the update", 9)


def found(machine: str = "M2", kind: str = "no losses") -> Finding:
    return Finding(kind, QualityLine("problem", kind, "No loss at all.", machine, 0.0, 60.0))


def test_a_declared_fault_is_shown_as_known_and_is_no_problem() -> None:
    (line,) = settle([found()], (known(end="2026-12-31"),), WEEK, {"M2"}, over=True)
    assert (line.level, line.what, line.machine, line.value, line.expected) == (
        "note",
        "known: no losses",
        "M2",
        0.0,
        60.0,
    )
    assert line.text == "No loss at all. Known from 2026-11-01 to 2026-12-31: losses come with the update"
    assert _data(Quality(0, 0, 0, 0, 0, (), (line,), ())) == ()


@pytest.mark.parametrize(
    "entry",
    [known(machine="M1"), known(kind="silent"), known(begin="2026-11-23"), known(end="2026-11-15")],
    ids=["another machine", "another kind", "later", "earlier"],
)
def test_what_is_not_declared_stays_a_problem(entry: KnownFault) -> None:
    lines = settle([found()], (entry,), WEEK, {"M2"}, over=True)
    assert found().line in lines


def test_a_declared_fault_that_is_gone_is_said() -> None:
    (line,) = settle([], (known(),), WEEK, {"M2"}, over=True)
    assert (line.level, line.what, line.machine) == ("warning", "declared but gone", "M2")
    assert "plant.toml, line 9" in line.text


@pytest.mark.parametrize(
    ("entry", "with_picks", "over"),
    [
        (known(begin="2026-11-18"), {"M2"}, True),  # begins in the middle of the week
        (known(end="2026-11-20"), {"M2"}, True),  # ends before its Sunday
        (known(), {"M1"}, True),  # the machine made no pick: nothing could be found
        (known(), {"M2"}, False),  # the week is not over
    ],
)
def test_gone_is_only_said_of_a_week_that_could_show_it(entry: KnownFault, with_picks: set[str], over: bool) -> None:
    assert settle([], (entry,), WEEK, with_picks, over=over) == []


def test_a_machine_without_picks_can_still_miss_its_silence() -> None:
    (line,) = settle([], (known(kind="silent"),), WEEK, set(), over=True)
    assert line.what == "declared but gone"


def test_a_fault_between_two_machines_may_be_declared_for_either() -> None:
    drift = Finding("clock drift", QualityLine("warning", "clock drift", "Moves.", "M2", 360.0, 120.0), ("M1",))
    for machine in ("M1", "M2"):
        (line,) = settle([drift], (known(machine=machine, kind="clock drift"),), WEEK, {"M1", "M2"}, over=True)
        assert line.what == "known: clock drift"


def test_a_missing_file_is_declared_without_a_machine() -> None:
    line = QualityLine("warning", "missing file", "No file.", None, 1.0, 0.0)
    (shown,) = settle(
        [Finding("missing file", line)], (known(machine=None, kind="missing file"),), WEEK, set(), over=True
    )
    assert shown.level == "note"


def test_from_settings_to_the_page_and_to_status(tmp_path: Path) -> None:
    """M2 logs no loss: a problem, then known; its neighbour with the same entry is told that it is gone."""
    plant = SmallPlant(tmp_path / "plant")
    plant.run(WEEK, {"M2": lambda f: f.with_columns(outcome=pl.lit("placed"), reason=pl.lit(None, pl.String))})
    assert [(q.what, q.level) for q in plant.lines()] == [("no losses", "problem")]
    path = plant.plant.folder / "plant.toml"
    path.write_text(path.read_text(encoding="utf-8") + ENTRY + ENTRY.replace("M2", "M1"), encoding="utf-8")
    lines = {(q.what, q.machine): q for q in plant.lines()}
    assert set(lines) == {("known: no losses", "M2"), ("declared but gone", "M1")}
    first, second = settings.load(plant.plant.folder).known_fault
    assert (
        second.line
        == first.line + ENTRY.count("\n")
        == path.read_text(encoding="utf-8").splitlines().index('machine = "M1"')
    )
    assert f"line {second.line}" in lines["declared but gone", "M1"].text
    done = pickfall("status", "--plant", plant.plant.folder)
    assert done.returncode == 0, done.stderr
    assert "Data of week 2026-W47" in done.stdout
    assert "known: no losses" in done.stdout
    assert "losses come with the update" in done.stdout


def test_every_setting_is_read(tmp_path: Path) -> None:
    folder = make_plant(tmp_path, ENTRY + ENTRY.replace('"M2"', '"M 3"').replace("reason", 'to = "2026-12-24"\nreason'))
    one, two = settings.load(folder).known_fault
    assert (one.machine, one.kind, one.begin, one.end, one.reason) == (
        "M2", "no losses", "2026-11-01", None, "losses come with the update",
    )  # fmt: skip
    assert (two.machine, two.end) == ("M 3", "2026-12-24")


@pytest.mark.parametrize(
    ("change", "line", "said"),
    [
        (('kind = "no losses"', 'kind = "no loses"'), 6, 'unknown kind "no loses"'),
        (("from = 2026-11-01", "from = 2026-13-01x"), 7, "not valid TOML"),
        (("from = 2026-11-01", 'from = "last week"'), 7, "write a date such as 2026-11-16"),
        (("from = 2026-11-01", "from = 2026-11-01\nto = 2026-10-01"), 8, 'before "from"'),
        (('machine = "M2"\n', ""), 4, 'lacks "machine"'),
        (("from = 2026-11-01\n", ""), 4, 'lacks "from"'),
        (('reason = "losses come with the update"\n', ""), 4, 'lacks "reason"'),
        (("reason", "reasons"), 8, 'Did you mean "reason"?'),
        (('"M2"', "2"), 5, '"machine" must be text'),
        (("[[known_fault]]", "[known_fault]"), 4, "under its own [[known_fault]]"),
    ],
)
def test_a_wrong_entry_is_refused_with_its_line(tmp_path: Path, change: tuple[str, str], line: int, said: str) -> None:
    """Lines 1 to 3 are [plant], name and zone."""
    folder = make_plant(tmp_path)
    text = '[plant]\nname = "x"\nzone = "UTC"\n' + ENTRY.lstrip("\n").replace(*change)
    (folder / "plant.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=re.escape(said)) as caught:
        settings.load(folder)
    assert f"plant.toml line {line}: " in str(caught.value)


def test_the_line_of_the_second_entry_is_named(tmp_path: Path) -> None:
    folder = make_plant(tmp_path)
    wrong = ENTRY.replace("no losses", "bad")
    (folder / "plant.toml").write_text(ENTRY + wrong, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"line 10: unknown kind"):
        settings.load(folder)


def test_every_kind_is_explained_in_the_docs_and_in_the_template() -> None:
    root = Path(settings.__file__).parents[1]
    page = (root / "docs" / "data_quality.md").read_text(encoding="utf-8")
    template = (root / "pipeline" / "newplant" / "templates" / "plant.toml").read_text(encoding="utf-8")
    words = " ".join(template.replace("#", " ").split())
    for kind in FAULT_KINDS:
        assert f"`{kind}`" in page, kind
        assert kind in words, kind
    named = set(re.findall(r"`([a-z ]+)`", "".join(re.findall(r"^\| (`.*?) \|", page, re.MULTILINE))))
    (beyond,) = re.findall(r"^- (.*) cannot be declared", page, re.MULTILINE)
    assert named - set(FAULT_KINDS) == set(re.findall(r"`([a-z ]+)`", beyond))


def test_a_plant_can_be_copied_with_its_declared_faults(tmp_path: Path) -> None:
    """The declared faults are part of the settings that a report prints, and so of what findings depend on."""
    folder = make_plant(tmp_path / "a", ENTRY)
    shutil.copytree(folder, tmp_path / "b")
    a, b = (settings.load(tmp_path / n).for_report() for n in "ab")
    assert a == b
    assert a["known_fault"] != settings.load(make_plant(tmp_path / "c")).for_report()["known_fault"]
