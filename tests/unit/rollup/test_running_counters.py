"""Counters that only go up: differences, resets and wraps. Every expected count is worked out by hand."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.mapping import load_mapping
from tests.unit.rollup.staged import Row, at, digest, load, store

RATED = {"machines.csv": "machine,rated_picks_per_hour\nM,10000\n"}


def _reading(hours: float, placed: int | None, **more: object) -> Row:
    return {
        "time": at(hours),
        "machine": "M",
        "grain": "nozzle",
        "nozzle": "N1",
        "placed": placed,
        "running": True,
        **more,
    }


def _hourly(con: duckdb.DuckDBPyConnection, what: str = "placed") -> list[tuple[int, int]]:
    """Counts by hour: what was read at 7:00 was counted in hour 6."""
    rows = con.execute(
        f"select hour(hour), cast(sum({what}) as BIGINT) from tally group by hour order by hour"
    ).fetchall()
    return [(int(h), int(n)) for h, n in rows]


def _events(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    return con.execute("select hour(time), kind, before, after, key from counter_event order by time, key").fetchall()


def test_a_reading_counts_from_the_one_before(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        # Missed picks are told from seven o'clock on, where their total says nothing yet, and not at eight.
        told = [_reading(1, 1300, missed=9), _reading(2, 1300), _reading(3, 2000, missed=12)]
        load(con, "a", {"counter": [_reading(0, 1000), *told]})
        assert _hourly(con) == [(6, 300), (8, 700)]
        assert _hourly(con, "missed") == [(6, 0), (8, 3)]
        assert _events(con) == []


def test_each_key_has_its_own_counter(tmp_path: Path) -> None:
    other = [_reading(0, 50, nozzle="N2"), _reading(1, 60, nozzle="N2"), _reading(1, 7, machine="M2")]
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 1000), *other, _reading(1, 1300)]})
        assert con.execute("select machine, nozzle, placed from tally order by all").fetchall() == [
            ("M", "N1", 300),
            ("M", "N2", 10),
        ]


def test_after_a_reset_the_new_value_counts_and_is_listed(tmp_path: Path) -> None:
    with store(tmp_path, RATED) as con:
        load(
            con,
            "a",
            {"counter": [_reading(0, 5000, missed=40), _reading(1, 800, missed=2), _reading(2, 900, missed=3)]},
        )
        assert _hourly(con) == [(6, 800), (7, 100)]
        assert _hourly(con, "missed") == [(6, 2), (7, 1)]
        assert _events(con) == [
            (7, "reset", 40, 2, "nozzle, nozzle N1: missed"),
            (7, "reset", 5000, 800, "nozzle, nozzle N1: placed"),
        ]


def test_a_reset_is_one_of_all_counts_of_the_reading(tmp_path: Path) -> None:
    """`missed` rose from 2 to 5 over the reset: all 5 were counted since."""
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 5000, missed=2), _reading(1, 800, missed=5)]})
        assert (_hourly(con), _hourly(con, "missed")) == ([(6, 800)], [(6, 5)])


def test_a_value_after_a_reset_beyond_the_rated_speed_counts_nothing(tmp_path: Path) -> None:
    with store(tmp_path, RATED) as con:
        load(con, "a", {"counter": [_reading(0, 50_000), _reading(1, 30_000), _reading(2, 31_000)]})
        assert _hourly(con) == [(7, 1000)]
        assert [e[:4] for e in _events(con)] == [(7, "reset", 50_000, 30_000)]


def _set_back() -> list[Row]:
    """Readings by the hour; after the sixth the clock is set back by 165 minutes, and 200 are placed every hour."""
    hours = [*range(6), *(h - 2.75 for h in range(6, 14))]
    return [_reading(h, 1000 + 200 * n, line=n + 1) for n, h in enumerate(hours)]


def test_readings_of_a_time_that_comes_again_do_not_count_as_resets(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": _set_back()})
        assert sum(n for _, n in _hourly(con)) == 13 * 200
        assert _events(con) == []


def test_a_late_reading_from_before_a_reset_is_no_clock_that_was_set_back(tmp_path: Path) -> None:
    """Its total is higher than that of the line before it, and the line after it goes on from the reset."""
    rows = [*((h, 1000 + 200 * h) for h in range(10)), (10, 1), (9.5, 2900), (11, 101)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(h, n, line=i) for i, (h, n) in enumerate(rows, 1)]})
        assert sum(n for _, n in _hourly(con)) == 9 * 200 + 100 + 1 + 100


def test_readings_with_the_newest_first_count_as_before(tmp_path: Path) -> None:
    rows = [_reading(h, 1000 + 200 * h, line=20 - h) for h in range(12)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert sum(n for _, n in _hourly(con)) == 11 * 200


def test_a_rated_speed_that_is_told_later_counts_for_what_is_there(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 50_000), _reading(1, 30_000), _reading(2, 31_000)]})
        assert _hourly(con) == [(6, 30_000), (7, 1000)]
    with store(tmp_path, RATED) as con:
        assert _hourly(con) == [(7, 1000)]


def test_without_a_rated_speed_the_value_after_a_reset_counts(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 50_000), _reading(1, 30_000)]})
        assert _hourly(con) == [(6, 30_000)]


@pytest.mark.parametrize(
    ("before", "after", "counted"),
    [
        (65_500, 64, 100),  # 2^16 = 65 536
        (4_294_967_290, 4, 10),  # 2^32 = 4 294 967 296
        (9_990, 5, 15),
        (999_999, 0, 1),
        (999_000, 1_000, 2_000),
    ],
)
def test_a_wrap_counts_through_the_last_digit(tmp_path: Path, before: int, after: int, counted: int) -> None:
    with store(tmp_path, RATED) as con:
        load(con, "a", {"counter": [_reading(0, before), _reading(1, after)]})
        assert _hourly(con) == [(6, counted)]
        assert _events(con) == [(7, "wrap", before, after, "nozzle, nozzle N1: placed")]


def test_a_wrap_leaves_the_other_counts_of_the_reading_as_they_go_on(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 65_530, missed=7), _reading(1, 14, missed=9)]})
        assert (_hourly(con), _hourly(con, "missed")) == ([(6, 20)], [(6, 2)])


def test_a_wrap_faster_than_the_machine_is_a_reset(tmp_path: Path) -> None:
    """2^32: from 100 million below to 100 million above in an hour; no machine does, nor what is shown then."""
    with store(tmp_path, RATED) as con:
        load(con, "a", {"counter": [_reading(0, 4_200_000_000), _reading(1, 100_000_000)]})
        assert _hourly(con) == []
        assert [e[1] for e in _events(con)] == ["reset"]


def test_a_late_file_between_two_readings_parts_their_difference(tmp_path: Path) -> None:
    with store(tmp_path / "a") as con:
        load(con, "a", {"counter": [_reading(0, 100), _reading(5, 600)]})
        assert _hourly(con) == [(10, 500)]
        load(con, "b", {"counter": [_reading(2, 250)]})
        assert _hourly(con) == [(7, 150), (10, 350)]
        one = digest(con)
    with store(tmp_path / "b") as con:
        load(con, "b", {"counter": [_reading(2, 250)]})
        load(con, "a", {"counter": [_reading(0, 100), _reading(5, 600)]})
        assert digest(con) == one


def test_a_late_reading_takes_an_event_away_that_was_none(tmp_path: Path) -> None:
    """Between 900 and 200 lies 1 000: what fell is the later pair."""
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_reading(0, 900), _reading(4, 200)]})
        assert [e[:4] for e in _events(con)] == [(10, "reset", 900, 200)]
        load(con, "b", {"counter": [_reading(2, 1000)]})
        assert [e[:4] for e in _events(con)] == [(10, "reset", 1000, 200)]
        assert _hourly(con) == [(7, 100), (9, 200)]


def test_running_counters_count_only_where_there_are_no_picks(tmp_path: Path) -> None:
    pick = {"time": at(0.5), "machine": "M", "nozzle": "N1", "outcome": "placed"}
    for order in ("ab", "ba"):
        with store(tmp_path / order) as con:
            files = {"a": {"counter": [_reading(0, 100), _reading(1, 600), _reading(2, 700)]}, "b": {"pick": [pick]}}
            for name in order:
                load(con, name, files[name])
            assert con.execute("select grain, hour(hour), attempts from tally order by all").fetchall() == [
                ("joint", 6, 1),
                ("nozzle", 7, 100),
            ]


@pytest.mark.parametrize(
    ("start", "end", "hour"),
    [
        (0.0, 1.0, 6),  # from 6:00 to 7:00
        (0.001, 1.001, 6),  # written some seconds after the hour
        (0.25, 0.5, 6),
        (0.7, 1.25, 6),  # most of it in the hour before
        (0.85, 1.25, 7),
        (1.0, 1.25, 7),
        (-8.0, 0.0, 5),  # the night shift, from 22:00 to 6:00
        (-6.0, 18.0, 23),  # the day, to midnight
        (-6.0, 18.01, 23),
        (None, 1.0, 6),
        (None, 1.2, 6),  # its begin is not known
        (None, 1.58, 6),
        (None, 1.6, 7),
    ],
)
def test_counts_stand_where_their_interval_was(
    tmp_path: Path,
    start: float | None,
    end: float,
    hour: int,
) -> None:
    """Counts of a day stand in it, of a shift in the shift, of an hour in the hour, whenever they were written."""
    row = {**_reading(end, 90), "running": False, "start": None if start is None else at(start)}
    with store(tmp_path) as con:
        load(con, "a", {"counter": [row]})
        assert _hourly(con) == [(hour, 90)]


def test_counts_up_to_the_hour_stay_where_picks_begin_at_it(tmp_path: Path) -> None:
    """From 7:00 on the machine logs single picks: counts of 6:00 to 7:00 are of other parts, those to 7:06 may not."""
    for end, grains in ((1.0, [("nozzle", 6, 90), ("joint", 7, 1)]), (1.1, [("joint", 7, 1)])):
        for order in ("ab", "ba"):
            counts = {**_reading(end, 90), "running": False, "start": at(end - 1.0)}
            pick = {"time": at(1.05), "machine": "M", "nozzle": "N1", "outcome": "placed"}
            files = {"a": {"counter": [counts]}, "b": {"pick": [pick]}}
            with store(tmp_path / f"{order}{end}") as con:
                for name in order:
                    load(con, name, files[name])
                found = con.execute("select grain, hour(hour), attempts from tally order by hour").fetchall()
                assert found == grains


def test_picks_without_placed_mean_that_the_rest_was_placed(tmp_path: Path) -> None:
    readings = [_reading(0, None, attempts=1000, missed=10), _reading(1, None, attempts=1500, missed=14)]
    plain = {"time": at(1), "machine": "P", "grain": "nozzle", "nozzle": "N1", "attempts": 200, "rejected": 3}
    with store(tmp_path) as con:
        load(con, "a", {"counter": [*readings, plain]})
        found = con.execute("select machine, attempts, placed, missed, rejected from tally order by all").fetchall()
        assert found == [("M", 500, 496, 4, 0), ("P", 200, 197, 0, 3)]


def test_a_mapping_can_say_that_its_counters_run(tmp_path: Path) -> None:
    path = tmp_path / "nozzles.toml"
    path.write_text(
        'format = 1\nname = "n"\ntable = "counter"\nfiles = ["*"]\n[time]\ncolumns = ["T"]\n'
        'format = "%Y-%m-%d %H"\nzone = "UTC"\n'
        '[columns]\nmachine = "M"\nplaced = "P"\n[constants]\ngrain = "nozzle"\nrunning = true\n',
        encoding="utf-8",
    )
    assert load_mapping(path).constants["running"] == "true"


def test_a_rated_speed_given_later_counts_anew(tmp_path: Path) -> None:
    """The counter ran over 10^4 if the machine does 800 picks an hour, and was reset if it is slower."""
    readings = {"counter": [_reading(0, 9600), _reading(1, 400)]}
    slow = {"machines.csv": "machine,rated_picks_per_hour\nM,600\n"}
    with store(tmp_path) as con:
        load(con, "a", readings)
        assert (_hourly(con), [e[1] for e in _events(con)]) == ([(6, 800)], ["wrap"])
    with store(tmp_path, slow) as con:
        assert (_hourly(con), [e[1] for e in _events(con)]) == ([(6, 400)], ["reset"])
        one = digest(con)
    with store(tmp_path / "fresh", slow) as con:
        load(con, "a", readings)
        assert digest(con) == one
