"""The docs say what the program does: every command, setting, table, dependency and mapping key is there."""

from __future__ import annotations

import re
import subprocess
import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path

import pytest

from pipeline import __version__, settings
from pipeline.cli import app
from pipeline.ingest.mapping import LOG_TABLES, WORDS
from pipeline.schema.master_tables import MASTER_TABLES
from pipeline.schema.table import Table
from pipeline.schema.tables import TABLES, table
from pipeline.schema.words import OUTCOMES, REASON_GROUPS
from pipeline.store.masters import file_name, words_of

ROOT = Path(__file__).parents[2]


def _text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def _commands() -> list[str]:
    return sorted(c.name or c.callback.__name__ for c in app.registered_commands if c.callback)


def test_every_command_is_in_the_readme_and_none_that_does_not_exist() -> None:
    named = set(re.findall(r"`pickfall ([a-z]+)", _text("README.md")))
    assert named == set(_commands())


def test_every_command_has_a_help_text() -> None:
    assert [c.name for c in app.registered_commands if not (c.callback and c.callback.__doc__)] == []


def test_every_setting_is_in_the_template_with_its_default(tmp_path: Path) -> None:
    template = ROOT / "pipeline" / "newplant" / "templates" / "plant.toml"
    data = tomllib.loads(template.read_text(encoding="utf-8"))
    (tmp_path / "plant.toml").write_bytes(template.read_bytes())
    assert settings.load(tmp_path) == settings.Plant(folder=tmp_path)
    for section in fields(settings.Plant):
        made = getattr(settings.Plant(folder=tmp_path), section.name)
        if is_dataclass(made):
            assert set(data[section.name]) == {f.name for f in fields(made)}, section.name


def test_the_glossary_holds_outcomes_groups_and_grains() -> None:
    glossary = _text("docs/glossary.md")
    for word in (*OUTCOMES, *REASON_GROUPS, "joint"):
        assert re.search(rf"\b{word}\b", glossary), word


def _rows_of(head: str) -> dict[str, str]:
    """Column -> the rest of its row, in the section of docs/tables.md that begins so."""
    (section,) = re.findall(
        rf"^### `{re.escape(head)}`: .*?(?=^##|\Z)", _text("docs/tables.md"), re.MULTILINE | re.DOTALL
    )
    return dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", section, re.MULTILINE))


@pytest.mark.parametrize("name", LOG_TABLES)
def test_every_column_that_a_mapping_fills_is_documented(name: str) -> None:
    wanted = {c.name: c for c in table(name).content() if c.name not in ("time", "reason_group")}
    rows = _rows_of(name)
    assert list(rows) == list(wanted)
    assert {c: r.startswith("yes") for c, r in rows.items()} == {c: w.required for c, w in wanted.items()}
    for column in wanted:
        assert [w for w in WORDS.get((name, column), ()) if f"`{w}`" not in rows[column]] == [], column


@pytest.mark.parametrize("spec", MASTER_TABLES, ids=file_name)
def test_every_column_of_a_master_table_is_documented(spec: Table) -> None:
    rows = _rows_of(file_name(spec))
    assert list(rows) == list(spec.names())
    assert {c: r.startswith("yes") for c, r in rows.items()} == {c.name: c.required for c in spec.columns}
    for column in spec.columns:
        words = words_of(spec, column.name) or ()
        assert [w for w in words if f"`{w}`" not in rows[column.name]] == [], column.name


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads(_text("pyproject.toml"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    names = {re.split(r"[<>=\[]", d)[0] for d in wanted}
    table = _text("DEVELOPERS.md").split("## Dependencies and their reasons")[1]
    cells = {n.strip() for row in re.findall(r"^\| ([^|]+) \|", table, re.MULTILINE) for n in row.split(",")} - {
        "package"
    }
    assert cells == names
    for d in wanted:
        assert re.search(r">=.*,<", d) or d.startswith("tzdata"), f"{d} has no range"


def test_the_changelog_names_this_version() -> None:
    assert __version__ in _text("docs/changelog.md").split("\n## ")[1]
    assert tomllib.loads(_text("pyproject.toml"))["project"]["version"] == __version__


def test_every_column_has_a_meaning() -> None:
    for one in TABLES:
        assert one.meaning
        for column in one.columns:
            assert column.meaning, f"{one.name}.{column.name}"


def _tracked() -> list[Path]:
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.fail("not a git checkout: " + done.stderr)
    return [ROOT / n for n in done.stdout.splitlines()]


def test_links_between_pages_lead_somewhere() -> None:
    for page in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_word_of_the_board_is_not_used_for_the_machine() -> None:
    """Rates in the machine are ppm; the other word belongs to defects left on the product (IPC-9261, IPC-7912)."""
    word = "DP" + "MO"
    for path in _tracked():
        if path.suffix in (".py", ".md", ".toml", ".j2", ".html", ".css", ".csv", ".sql"):
            assert word not in path.read_text(encoding="utf-8"), path


def test_the_top_level_is_as_laid_out() -> None:
    top = {p.relative_to(ROOT).parts[0] for p in _tracked()}
    shown = {n for n in top if not n.startswith(".")}
    files = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE"}
    assert shown == files | {"pipeline", "reports", "tests", "sample_logs", "docs"}
