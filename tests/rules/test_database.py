"""How the program uses DuckDB: connections are made in one place, statements are single, no bad row is passed over."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import duckdb
import pytest

from pipeline.connections import connect
from pipeline.rollup.sources import READ
from pipeline.rollup.tallies import standing, statements

ROOT = Path(__file__).parents[2]
SOURCES = sorted(p for folder in ("pipeline", "reports", "sample_logs") for p in (ROOT / folder).rglob("*.py"))
SQL = sorted(p.stem for p in (ROOT / "pipeline" / "rollup" / "sql").glob("*.sql"))

OPENS = "pipeline/connections.py"
OWN_WAYS = {
    "connect",
    "sql",
    "query",
    "execute",
    "default_connection",
    "read_csv",
    "read_json",
    "read_parquet",
    "from_df",
}
"""What opens a connection, or takes the one that DuckDB keeps for everybody."""
PASSES_OVER = ("ignore_errors", "store_rejects", "rejects_table", "rejects_scan", "rejects_limit")
"""Options of DuckDB and polars that drop rows and go on."""


def _place(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def _uses(path: Path) -> Iterator[str]:
    """Functions of the module duckdb that a file uses by name, whatever name it gives the module or them."""
    text = path.read_text(encoding="utf-8")
    if "duckdb" not in text:
        return
    tree = ast.parse(text)
    modules, own = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            modules |= {a.asname or a.name for a in node.names if a.name == "duckdb"}
        elif isinstance(node, ast.ImportFrom) and node.module == "duckdb":
            own |= {a.asname or a.name for a in node.names if a.name in OWN_WAYS}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            yield node.attr
    yield from own


def test_connections_are_made_in_one_place() -> None:
    found = {_place(p) for p in SOURCES if OWN_WAYS & set(_uses(p))}
    assert OPENS in found, "the search finds nothing any more"
    assert found == {OPENS}


def test_rows_that_cannot_be_read_are_never_passed_over() -> None:
    """`shutil.rmtree(folder, ignore_errors=True)` is another thing: it is about folders."""
    for path in [*SOURCES, *(ROOT / "pipeline").rglob("*.sql")]:
        text = path.read_text(encoding="utf-8").replace(", ignore_errors=True)", "")
        for call in re.findall(r"rmtree[^\n]*", path.read_text(encoding="utf-8")):
            text = text.replace(call, "")
        for option in PASSES_OVER:
            assert option not in text, f"{_place(path)} holds {option}"


@pytest.mark.parametrize("where", ["memory", "spills", "file", "read only"])
def test_every_setting_is_ours_and_locked(tmp_path: Path, where: str) -> None:
    path = tmp_path / "x.duckdb" if where in ("file", "read only") else None
    if where == "read only":
        connect(path, memory_mb=100).close()
    spill = None if where == "memory" else tmp_path / "it's spilled"
    with connect(path, memory_mb=300, spill=spill, read_only=where == "read only", threads=1) as con:
        wanted = {
            "memory_limit": "286.1 MiB",  # 300 * 10^6 bytes
            "temp_directory": "" if spill is None else str(spill),
            "max_temp_directory_size": "0 bytes" if spill is None else "46.5 GiB",  # 50 * 10^9 bytes
            "checkpoint_threshold": "244.1 MiB",  # 256 * 10^6 bytes
            "threads": "1",
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "enable_progress_bar": "false",
            "preserve_insertion_order": "true",
            "TimeZone": "UTC",
            "lock_configuration": "true",
        }
        rows = con.execute("select name, value from duckdb_settings()").fetchall()
        assert {name: value for name, value in rows if name in wanted} == wanted
        for statement in ("set memory_limit = '10GB'", "set autoload_known_extensions = true", "reset temp_directory"):
            with pytest.raises(duckdb.InvalidInputException, match="locked"):
                con.execute(statement)


@pytest.mark.parametrize("step", SQL)
def test_the_files_of_the_rollup_are_cut_where_duckdb_would_cut_them(step: str) -> None:
    """The cut at every `;` is right only while no text, name or remark at the end of a line holds one."""
    text = (files("pipeline.rollup") / "sql" / f"{step}.sql").read_text(encoding="utf-8")
    names = {
        "filled": "pick",
        "asked": "pick",
        "numbered": "pick",
        "known_file": "'known'",
        "closed": "select 1, 2",
        "setup": "(select 1)",
        "counted": "select 1",
    }
    names |= {"first_hour": "timestamp '2026-11-16 08:00:00'", "end_of_hours": "timestamp '2026-11-16 10:00:00'"}
    names |= {"standing": standing(), "ends": "[null]"}
    names |= {prefix + name: prefix + name for name in READ for prefix in ("", "staged_")}
    ours = statements(step, names)
    for name in (*names, "counter_reach", "fault_reach"):
        text = text.replace(f"{{{name}}}", {"counter_reach": "12", "fault_reach": "5"}.get(name) or names[name])
    with connect(memory_mb=100) as con:
        theirs = con.extract_statements(text)
        assert len(ours) == len(theirs) > 0
        assert [len(con.extract_statements(s)) for s in ours] == [1] * len(ours)
    assert not any(";" in s for s in ours)


def test_no_statement_in_the_code_holds_another() -> None:
    """`execute("a; b")` runs both: the constant parts of what is executed hold no `;`, outside of texts in quotes."""
    seen = 0
    for path, text in ((p, p.read_text(encoding="utf-8")) for p in SOURCES):
        for node in ast.walk(ast.parse(text)) if ".execute" in text or ".sql(" in text else ():
            called = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
            if not called or node.func.attr not in ("execute", "executemany", "sql") or not node.args:  # type: ignore[attr-defined]
                continue
            parts = [
                n.value for n in ast.walk(node.args[0]) if isinstance(n, ast.Constant) and isinstance(n.value, str)
            ]  # type: ignore[attr-defined]
            seen += bool(parts)
            bare = re.sub(r"'[^']*'", "", "".join(parts))
            assert ";" not in bare, f"{_place(path)} line {node.lineno}: {bare}"  # type: ignore[attr-defined]
    assert seen > 50
