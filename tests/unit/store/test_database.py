"""The store: created at the current version, locked settings, migrations whole or not at all."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline import settings
from pipeline.errors import PickfallError
from pipeline.schema.tables import TABLES
from pipeline.store import migrations
from pipeline.store.database import open_store
from tests.plants import make_plant


@pytest.fixture
def plant(tmp_path: Path) -> settings.Plant:
    return settings.load(make_plant(tmp_path))


def test_a_new_store_has_every_table_with_its_columns(plant: settings.Plant) -> None:
    with open_store(plant, write=True) as con:
        for table in TABLES:
            rows = con.execute(
                "select column_name, data_type, is_nullable from duckdb_columns() where table_name = ? "
                "order by column_index",
                [table.name],
            ).fetchall()
            assert rows == [(c.name, c.type, not c.required) for c in table.columns], table.name


def test_settings_that_matter_are_ours_and_cannot_be_changed(plant: settings.Plant) -> None:
    with open_store(plant, write=True) as con:
        wanted = {
            "TimeZone": "UTC",
            "autoinstall_known_extensions": "false",
            "autoload_known_extensions": "false",
            "enable_progress_bar": "false",
            "lock_configuration": "true",
            "preserve_insertion_order": "false",
        }
        found = dict(
            con.execute(
                "select name, value from duckdb_settings() where name in (select unnest(?))", [list(wanted)]
            ).fetchall()
        )
        assert found == wanted
        with pytest.raises(duckdb.InvalidInputException):
            con.execute("set memory_limit = '100GB'")


def test_readers_cannot_write(plant: settings.Plant) -> None:
    with open_store(plant, write=True):
        pass
    with open_store(plant, write=False) as con, pytest.raises(duckdb.InvalidInputException):
        con.execute("delete from tally")


def test_a_failing_step_leaves_the_version_before(plant: settings.Plant, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_store(plant, write=True):
        pass

    def broken(con: duckdb.DuckDBPyConnection) -> None:
        con.execute("create table half (a INTEGER)")
        raise RuntimeError("stop")

    monkeypatch.setattr(migrations, "STEPS", (*migrations.STEPS, broken))
    monkeypatch.setattr(migrations, "CURRENT", migrations.CURRENT + 1)
    with pytest.raises(RuntimeError, match="stop"), open_store(plant, write=True):
        pass
    monkeypatch.undo()
    with open_store(plant, write=True) as con:
        assert migrations.version(con) == migrations.CURRENT
        assert con.execute("select count(*) from duckdb_tables() where table_name = 'half'").fetchall() == [(0,)]


def test_a_database_of_something_else_is_left_alone(plant: settings.Plant) -> None:
    plant.database.parent.mkdir(parents=True)
    for statement in ("create table x (a integer)", "create table schema_version (x varchar)"):
        with duckdb.connect(str(plant.database)) as con:
            con.execute(statement)
        for write in (True, False):
            with pytest.raises(PickfallError, match="not a pickfall database"), open_store(plant, write=write):
                pass
        plant.database.unlink()


def test_a_query_that_ctrl_c_stopped_is_an_interruption(plant: settings.Plant) -> None:
    for error in (RuntimeError("Query interrupted"), duckdb.InterruptException("INTERRUPT Error: Interrupted!")):
        with pytest.raises(KeyboardInterrupt), open_store(plant, write=True):
            raise error
    with pytest.raises(RuntimeError, match="other"), open_store(plant, write=True):
        raise RuntimeError("other")
