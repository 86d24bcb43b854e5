"""Imports point one way: estimators < analysis < weekly; ingest < store; reports know findings only."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

ALLOWED = {
    "pipeline.errors": set(),
    "pipeline.connections": set(),
    "pipeline.schema": {"pipeline.schema"},
    "pipeline.findings": {"pipeline.findings"},
    "pipeline.settings": {
        "pipeline.errors",
        "pipeline.settings_buying",
        "pipeline.settings_entries",
        "pipeline.settings_toml",
    },
    "pipeline.settings_buying": set(),
    "pipeline.settings_entries": {"pipeline.schema", "pipeline.settings_buying", "pipeline.settings_toml"},
    "pipeline.settings_toml": {"pipeline.errors"},
    "pipeline.estimators": {"pipeline.estimators", "pipeline.errors"},
    "pipeline.ingest": {
        "pipeline.ingest",
        "pipeline.connections",
        "pipeline.schema",
        "pipeline.settings",
        "pipeline.errors",
    },
    "pipeline.rollup": {"pipeline.rollup", "pipeline.schema"},
    "pipeline.store": {
        "pipeline.store",
        "pipeline.rollup",
        "pipeline.ingest.staging",
        "pipeline.ingest.staged_file",
        "pipeline.ingest.dialect",
        "pipeline.connections",
        "pipeline.schema",
        "pipeline.settings",
        "pipeline.errors",
    },
    "pipeline.analysis": {
        "pipeline.analysis",
        "pipeline.estimators",
        "pipeline.findings",
        "pipeline.schema",
        "pipeline.settings",
        "pipeline.errors",
    },
    "reports": {"reports", "pipeline.findings"},
    "sample_logs": {"sample_logs"},
}
"""What each stage may import of ours. cli, console, commands, intake, newplant and weekly may import all stages."""

FOREIGN = {
    "pipeline.estimators": {"polars", "duckdb", "jinja2", "weasyprint", "xlsxwriter", "typer"},
    "pipeline.analysis": {"duckdb", "jinja2", "weasyprint", "xlsxwriter", "typer"},
    "reports": {"duckdb", "polars", "scipy", "typer"},
    "pipeline.findings": {"duckdb", "polars", "numpy", "scipy"},
}
"""Libraries that a stage must not know."""


def _modules(stage: str) -> list[Path]:
    path = ROOT.joinpath(*stage.split("."))
    return sorted(path.rglob("*.py")) if path.is_dir() else [path.with_suffix(".py")]


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def _below(name: str, stages: set[str]) -> bool:
    return any(name == s or name.startswith(s + ".") for s in stages)


@pytest.mark.parametrize("stage", sorted(ALLOWED))
def test_a_stage_imports_only_what_lies_before_it(stage: str) -> None:
    modules = _modules(stage)
    assert modules, stage
    for path in modules:
        ours = {n for n in _imports(path) if n.split(".")[0] in ("pipeline", "reports", "sample_logs", "tests")}
        wrong = {n for n in ours if n != "pipeline" and not _below(n, ALLOWED[stage])}
        # `from pipeline.x import name` is listed as pipeline.x and pipeline.x.name: the shorter one decides.
        wrong = {n for n in wrong if not _below(n, ALLOWED[stage] | {"pipeline.__version__"})}
        assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


@pytest.mark.parametrize("stage", sorted(FOREIGN))
def test_a_stage_knows_no_library_of_another(stage: str) -> None:
    for path in _modules(stage):
        wrong = {n.split(".")[0] for n in _imports(path)} & FOREIGN[stage]
        assert not wrong, f"{path.relative_to(ROOT)} imports {sorted(wrong)}"


def test_modules_stay_small() -> None:
    for path in [*_modules("pipeline"), *_modules("reports"), *_modules("sample_logs")]:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 500, f"{path.relative_to(ROOT)} has {lines} lines"
