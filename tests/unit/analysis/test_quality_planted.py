"""Each fault of the data, planted in a small line, is found with its figures; the line without a fault is silent."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.findings.model import QualityLine
from pipeline.store.database import open_store
from tests.quality_plant import BEFORE, BOARDS, MACHINE_TABLE, MACHINES, MONDAY, PLACES, WEEK, SmallPlant, picks

TUESDAY = MONDAY[WEEK] + timedelta(days=1)


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Both weeks without a fault."""
    plant = SmallPlant(tmp_path_factory.mktemp("clean") / "plant")
    plant.run(BEFORE)
    plant.run(WEEK)
    return plant.plant.folder


@pytest.fixture(scope="module")
def earlier(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The week before only."""
    plant = SmallPlant(tmp_path_factory.mktemp("earlier") / "plant")
    plant.run(BEFORE)
    return plant.plant.folder


def copy(folder: Path, target: Path, extra: str = "") -> SmallPlant:
    """A copy of a plant to plant a fault in."""
    shutil.copytree(folder, target / "plant", dirs_exist_ok=True)
    return SmallPlant(target / "plant", extra)


def test_a_clean_plant_is_silent(clean: Path, tmp_path: Path) -> None:
    assert copy(clean, tmp_path).lines() == ()


def test_an_early_week_without_history_is_silent(clean: Path, tmp_path: Path) -> None:
    assert copy(clean, tmp_path).lines(BEFORE) == ()


# Too fast


def test_hours_above_the_rated_speed_are_listed(earlier: Path, tmp_path: Path) -> None:
    """Two hours' work of Tuesday in one hour: the machine makes 80 an hour as a rule."""
    masters = MACHINE_TABLE.replace("M2,A,T,2000", "M2,A,T,100")
    shutil.copytree(earlier, tmp_path / "plant")
    plant = SmallPlant(tmp_path / "plant", masters=masters)
    late, early = TUESDAY.replace(hour=8), TUESDAY.replace(hour=7)
    moved = pl.when(pl.col("time").is_between(late, late + timedelta(minutes=59, seconds=59)))
    plant.run(
        WEEK,
        {"M2": lambda f: f.with_columns(time=moved.then(pl.col("time") - pl.duration(minutes=58)).otherwise("time"))},
    )
    with open_store(plant.plant, write=False) as con:
        ((busiest,),) = con.execute(
            "select max(n) from (select count(*) as n from pick where machine = 'M2' and time >= ? "
            "group by date_trunc('hour', time))",
            [MONDAY[WEEK]],
        ).fetchall()
    (line,) = [q for q in plant.lines() if q.what == "too fast"]
    assert (line.level, line.machine, line.value, line.expected) == ("problem", "M2", float(busiest), 100.0)
    assert f"{busiest} an hour from {early:%Y-%m-%d %H:%M}" in line.text


def test_without_a_rated_speed_sixteen_thousand_for_six_spindles_are_assumed(tmp_path: Path) -> None:
    """4 spindles are taken for 10 667 an hour, half more is 16 000: 16 100 picks in an hour are beyond, 15 900 not."""
    plant = SmallPlant(tmp_path / "plant", masters=MACHINE_TABLE.replace("2000", ""))
    for machine, count in (("M1", 16_100), ("M2", 15_900)):
        rows = picks(WEEK, machine).head(1)
        hour = TUESDAY.replace(hour=9)
        many = pl.concat([rows] * count).with_columns(
            line=pl.int_range(1, count + 1),
            time=pl.lit(hour) + pl.duration(microseconds=pl.int_range(count) * 200_000),
            spindle=(pl.int_range(count) % 4).cast(pl.String),
        )
        plant.load(f"{machine}.csv", pick=many)
    found = [q for q in plant.lines() if q.what == "too fast"]
    assert [(q.level, q.machine, q.value) for q in found] == [("warning", "M1", 16_100.0)]
    assert "machines.csv names no speed" in found[0].text


# Silent


def gap(first: int, last: int) -> pl.Expr:
    """Picks of Tuesday outside these hours, and all others."""
    return ~pl.col("time").is_between(
        TUESDAY.replace(hour=first), TUESDAY.replace(hour=last) - timedelta(microseconds=1)
    )


def test_a_missing_log_is_told_by_the_boards_that_passed(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M2": lambda f: f.filter(gap(8, 12))})
    line = plant.only("silent")
    assert (line.level, line.machine, line.value) == ("warning", "M2", 4.0)
    assert "2026-11-17 08:00 to 2026-11-17 12:00" in line.text
    assert "40 board(s) passed" in line.text
    assert "log is missing" in line.text


def test_a_machine_that_logs_other_events_stood_still(earlier: Path, tmp_path: Path) -> None:
    """The boards of those hours name other machines' boards: they say nothing here, the fault message does."""
    plant = copy(earlier, tmp_path)
    no_boards = {m: lambda f: f.with_columns(board=pl.lit(None, pl.String)) for m in ("M1", "M3")}
    plant.run(WEEK, {**no_boards, "M2": lambda f: f.filter(gap(8, 12)).with_columns(board=pl.lit(None, pl.String))})
    row = {"time": TUESDAY.replace(hour=9), "machine": "M2", "fault_type": "FeederError"}
    plant.load("faults.csv", fault=[row])
    line = plant.only("silent")
    assert (line.level, line.value) == ("note", 4.0)
    assert "stood still" in line.text


def test_silence_that_nothing_explains_says_so(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    bare = {m: lambda f: f.with_columns(board=pl.lit(None, pl.String)) for m in ("M1", "M3")}
    plant.run(WEEK, {**bare, "M2": lambda f: f.filter(gap(8, 12)).with_columns(board=pl.lit(None, pl.String))})
    line = plant.only("silent")
    assert line.level == "note"
    assert "cannot be told" in line.text


def test_one_silent_hour_is_no_finding_and_an_unknown_product_tells_nothing(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    friday = MONDAY[WEEK] + timedelta(days=4)
    other = pl.when(pl.col("time") >= friday).then(pl.lit("B2")).otherwise("recipe")
    plant.run(
        WEEK,
        {
            "M1": lambda f: f.with_columns(recipe=other),
            "M2": lambda f: f.filter(gap(8, 9) & (pl.col("time") < friday)),
            "M3": lambda f: f.with_columns(recipe=other),
        },
    )
    found = [q for q in plant.lines() if q.what == "silent"]
    # B2 ran on this one day only: whether M2 belongs to it cannot be known, so the day is told as it is.
    assert [(q.value, q.level) for q in found] == [(8.0, "note")]


def test_a_product_without_the_machine_is_no_finding(earlier: Path, tmp_path: Path) -> None:
    """B2 starts on Friday at 10:24 on the other two machines; M2 ends with B1."""
    plant = copy(earlier, tmp_path)
    start = MONDAY[WEEK] + timedelta(days=4, hours=10, minutes=24)
    other = pl.when(pl.col("time") >= start).then(pl.lit("B2")).otherwise("recipe")
    changes = {m: lambda f: f.with_columns(recipe=other) for m in ("M1", "M3")}
    plant.run(WEEK, {**changes, "M2": lambda f: f.filter(pl.col("time") < start)})
    assert plant.lines() == ()


def test_a_counter_over_a_day_says_nothing_about_its_hours(clean: Path, tmp_path: Path) -> None:
    plant = copy(clean, tmp_path)
    row = {"start": MONDAY[WEEK], "time": TUESDAY, "grain": "feeder", "machine": "M1", "feeder": "F1", "placed": 0}
    plant.load("day.csv", counter=[{**row, "machine": "M7", "placed": 600}])
    assert [q for q in plant.lines() if q.what == "silent"] == []


# Clocks


def test_a_clock_that_steps_back_within_a_file(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    step = pl.when(pl.col("time").is_between(TUESDAY.replace(hour=10), TUESDAY.replace(hour=12)))
    plant.run(
        WEEK,
        {"M3": lambda f: f.with_columns(time=step.then(pl.col("time") - pl.duration(minutes=37)).otherwise("time"))},
    )
    (line,) = [q for q in plant.lines() if q.what == "clock step"]
    assert (line.level, line.machine) == ("warning", "M3")
    assert line.value == pytest.approx(37 * 60 - 325, abs=1)  # the last board ended 325 s before
    assert "M3_2026-W47.csv" in line.text
    assert "jumps ahead by about as much 1 time(s)" in line.text


def test_a_file_that_is_not_in_order_tells_nothing_about_the_clock(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M3": lambda f: f.sort("nozzle", "time").with_columns(line=pl.int_range(1, pl.len() + 1)).sample(
        fraction=1.0, shuffle=True, seed=1).with_columns(line=pl.int_range(1, pl.len() + 1))})  # fmt: skip
    (line,) = plant.lines()
    assert (line.what, line.level, line.machine) == ("order of lines", "note", "M3")


def test_the_hour_of_the_zone_change_is_no_step(tmp_path: Path) -> None:
    """A night in which the log goes back by an hour: 25 October 2026, 03:00 summer time."""
    plant = SmallPlant(tmp_path / "plant")
    text = (plant.plant.folder / "plant.toml").read_text(encoding="utf-8")
    (plant.plant.folder / "plant.toml").write_text(text.replace('"UTC"', '"Europe/Berlin"'), encoding="utf-8")
    begin = datetime(2026, 10, 25, 0, 0)  # noqa: DTZ001
    rows = (
        picks(WEEK, "M1")
        .head(400)
        .with_columns(
            time=pl.lit(begin)
            + pl.duration(seconds=pl.int_range(400) * 18 - pl.when(pl.int_range(400) > 220).then(3600).otherwise(0))
        )
    )
    plant.load("night.csv", pick=rows)
    assert [q for q in plant.lines("2026-W43") if q.what == "clock step"] == []
    shifted = rows.with_columns(time=pl.col("time") - pl.duration(days=2))
    plant.load("friday.csv", pick=shifted)
    assert [q.value for q in plant.lines("2026-W43") if q.what == "clock step"] == [3600.0 - 18.0]


def test_a_clock_that_runs_off_is_told_from_its_neighbours(earlier: Path, tmp_path: Path) -> None:
    """M2 gains 90 s a day: 6 min between Monday and Friday."""
    plant = copy(earlier, tmp_path)
    gain = (pl.col("time").dt.weekday() - 1).cast(pl.Int64) * 90
    plant.run(WEEK, {"M2": lambda f: f.with_columns(time=pl.col("time") + pl.duration(seconds=gain))})
    found = [q for q in plant.lines() if q.what == "clock drift" and "moves" in q.text]
    assert [(q.machine, q.level, q.value, q.expected) for q in found] == [("M2", "warning", 360.0, 120.0)]
    assert "60 s apart on 2026-11-16" in found[0].text or "-60 s" in found[0].text


def test_boards_in_the_wrong_order(earlier: Path, tmp_path: Path) -> None:
    """M3 is 150 s early on half of Tuesday's boards: the median of that day hardly moves, the order does."""
    plant = copy(earlier, tmp_path)
    early = pl.when(pl.col("time").is_between(TUESDAY.replace(hour=6), TUESDAY.replace(hour=9)))
    plant.run(
        WEEK,
        {"M3": lambda f: f.with_columns(time=early.then(pl.col("time") - pl.duration(seconds=150)).otherwise("time"))},
    )
    found = [q for q in plant.lines() if q.what == "clock drift"]
    assert {q.machine for q in found} == {"M3"}
    assert all("before" in q.text for q in found)


# Counts that do not agree


def test_counters_whose_picks_are_not_their_outcomes(clean: Path, tmp_path: Path) -> None:
    plant = copy(clean, tmp_path)
    base = {"start": TUESDAY, "time": TUESDAY + timedelta(hours=1), "grain": "nozzle", "machine": "M9", "attempts": 500}
    plant.load(
        "counters.csv", counter=[
            {**base, "nozzle": "N1", "placed": 480, "missed": 0}, {**base, "nozzle": "N2", "placed": 500, "missed": 0}
        ]
    )  # fmt: skip
    (line,) = [q for q in plant.lines() if q.what == "balance"]
    assert (line.level, line.machine, line.value, line.expected) == ("warning", "M9", 980.0, 1000.0)
    even = copy(clean, tmp_path / "even")
    even.load("counters.csv", counter=[{**base, "nozzle": "N1", "placed": 480, "missed": 20}])
    assert [q for q in even.lines() if q.what == "balance"] == []


def reel(machine: str, place: int, first: int, last: int) -> list[dict[str, object]]:
    """A reel put on before the week and taken off after it."""
    row = {"machine": machine, "reel": f"{machine}-R{place}-{WEEK}", "part": f"P{place}"}
    times = MONDAY[WEEK] + timedelta(hours=1), MONDAY[WEEK] + timedelta(days=5)
    events = zip(times, ("load", "unload"), (first, last), strict=True)
    return [{**row, "time": t, "event": e, "quantity": q} for t, e, q in events]


def test_reels_that_lost_other_numbers_than_were_picked(clean: Path, tmp_path: Path) -> None:
    """400 picks of each reel in the week: counts that say 400 agree, counts that say 300 or 600 do not."""
    assert BOARDS * 5 == 400
    good = copy(clean, tmp_path / "good")
    good.load("reels.csv", reel_event=[r for p in range(PLACES) for r in reel("M1", p, 1000, 600)])
    assert good.lines() == ()
    bad = copy(clean, tmp_path / "bad")
    rows = [r for p in range(PLACES) for r in reel("M1", p, 1000, {0: 700, 1: 700, 2: 400}.get(p, 600))]
    bad.load("reels.csv", reel_event=rows)
    line = bad.only("reel count")
    assert (line.level, line.machine, line.value, line.expected) == ("warning", "M1", 1200.0, 1200.0)
    assert "3 of 8 reels" in line.text
    assert "600 gone" in line.text
    one = copy(clean, tmp_path / "one")
    one.load("reels.csv", reel_event=[r for p in range(PLACES) for r in reel("M1", p, 1000, 400 if p == 2 else 600)])
    assert one.only("reel count").level == "note"


def test_totals_and_feeder_counters_show_both_figures(clean: Path, tmp_path: Path) -> None:
    plant = copy(clean, tmp_path)
    week = picks(WEEK, "M1")
    day = week.filter(pl.col("time") < TUESDAY)
    placed, lost = day.filter(pl.col("outcome") == "placed").height, day.filter(pl.col("outcome") != "placed").height
    window = {"start": MONDAY[WEEK], "time": TUESDAY, "machine": "M1", "placed": placed, "not_placed": lost}
    plant.load("totals.csv", check_total=[window])
    (line,) = plant.lines()
    assert (line.what, line.level, line.value, line.expected) == ("totals", "note", 640.0, 640.0)
    worse = copy(clean, tmp_path / "worse")
    worse.load("totals.csv", check_total=[{**window, "placed": placed + 40}])
    line = worse.only("totals")
    assert (line.level, line.value, line.expected) == ("warning", 640.0, 680.0)
    counter = {
        "start": MONDAY[WEEK],
        "time": MONDAY[WEEK] + timedelta(days=5),
        "grain": "feeder",
        "machine": "M1",
        "feeder": "M1-F1",
    }
    counted = copy(clean, tmp_path / "counted")
    lost = week.height - week.filter(pl.col("outcome") == "placed").height
    counted.load("counters.csv", counter=[{**counter, "placed": week.height - lost, "unknown": lost}])
    assert counted.lines() == ()
    counted.load("more.csv", counter=[{**counter, "feeder": "M1-F2", "placed": 500, "unknown": 0}])
    line = counted.only("feeder counters")
    assert (line.level, line.value, line.expected) == ("warning", float(week.height), float(week.height + 500))


def test_totals_of_a_machine_that_only_counts_are_held_against_its_counters(clean: Path, tmp_path: Path) -> None:
    plant = copy(clean, tmp_path)
    ends = [MONDAY[WEEK] + timedelta(hours=1, minutes=10 * n) for n in range(60)]
    counter = {"machine": "M9", "grain": "feeder", "feeder": "M9-F1", "placed": 99, "unknown": 1}
    window = {"machine": "M9", "placed": 99, "not_placed": 1}
    plant.load("counts.csv", counter=[{**counter, "time": t} for t in ends])
    plant.load("totals.csv", check_total=[{**window, "start": t - timedelta(minutes=10), "time": t} for t in ends])
    (line,) = [q for q in plant.lines() if q.what == "totals"]
    assert (line.level, line.machine, line.value, line.expected) == ("note", "M9", 6000.0, 6000.0)
    assert "the counters in them say 5940 and 60." in line.text
    late = ends[-1] + timedelta(minutes=10)
    plant.load("more.csv", check_total=[{**window, "start": ends[-1], "time": late, "placed": 199}])
    line = plant.only("totals")
    assert (line.level, line.value, line.expected) == ("warning", 6000.0, 6200.0)


@pytest.mark.parametrize(("missed", "unknown", "said"), [(99, 1, ""), (80, 20, "too low"), (20, 80, "left out")])
def test_losses_without_a_kind_are_said(clean: Path, tmp_path: Path, missed: int, unknown: int, said: str) -> None:
    plant = copy(clean, tmp_path)
    time = MONDAY[WEEK] + timedelta(hours=3)
    counts = {"placed": 9900, "missed": missed, "rejected": 0, "dropped": 0, "unknown": unknown}
    plant.load("counts.csv", counter=[{"time": time, "machine": "M9", "grain": "feeder", "feeder": "F9", **counts}])
    found = [q for q in plant.lines() if q.what == "kinds not told"]
    assert [q.machine for q in found] == (["M9"] if said else [])
    assert all(said in q.text and f"{unknown} losses" in q.text for q in found)


@pytest.mark.parametrize("grain", ["nozzle", "machine"])
def test_counters_are_held_against_the_picks_of_their_own_times(clean: Path, tmp_path: Path, grain: str) -> None:
    """Counters of Monday and Thursday, by the hour and by picks and losses; nothing is said of the days between."""
    plant = copy(clean, tmp_path)
    week = picks(WEEK, "M1")
    nozzle = {"nozzle": "N1"} if grain == "nozzle" else {}
    rows: list[dict[str, object]] = []
    for day in (0, 3):
        for hour in range(24):
            begin = MONDAY[WEEK] + timedelta(days=day, hours=hour)
            mine = week.filter(pl.col("time").is_between(begin, begin + timedelta(hours=1), closed="left"))
            span = {"start": begin, "time": begin + timedelta(hours=1), "grain": grain, "machine": "M1", **nozzle}
            counts = {o: mine.filter(pl.col("outcome") == o).height for o in ("missed", "rejected", "dropped")}
            rows.append({**span, "attempts": mine.height, **counts})
    plant.load("counters.csv", counter=rows)
    assert [q for q in plant.lines() if q.level != "note"] == []
    later = {**rows[-1], "start": rows[-1]["time"], "time": MONDAY[WEEK] + timedelta(days=4), "attempts": 0}
    more = dict.fromkeys(("missed", "rejected", "dropped"), 0)
    short = {**rows[30], **more, "missed": 10, "attempts": 10, "reel": "another"}
    plant.load("more.csv", counter=[short, {**later, **more}])
    line = plant.only(f"{grain} counters")
    monday_thursday = week.filter(pl.col("time").dt.date().is_in([MONDAY[WEEK].date(), rows[-1]["start"].date()]))
    assert (line.level, line.value) == ("warning", float(monday_thursday.height))
    assert line.expected == monday_thursday.height + 10.0


@pytest.mark.parametrize("kinds", [("missed",), ("missed", "rejected", "dropped"), ("unknown",)])
def test_what_counters_do_not_count_is_said(earlier: Path, tmp_path: Path, kinds: tuple[str, ...]) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M2": lambda f: f.clear()})
    hours = [MONDAY[WEEK] + timedelta(days=day, hours=hour) for day in range(5) for hour in range(6, 14)]
    row = {"grain": "machine", "machine": "M2", "attempts": 80, **dict.fromkeys(kinds, 2)}
    plant.load("counts.csv", counter=[{**row, "start": h, "time": h + timedelta(hours=1)} for h in hours])
    said = [q for q in plant.lines() if q.what == "not counted"]
    if kinds != ("missed",):
        assert said == []
        return
    assert [(q.level, q.machine) for q in said] == [("warning", "M2")]
    assert "no figures for rejected and dropped picks" in said[0].text


def test_a_log_of_losses_only_is_a_problem(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M2": lambda f: f.filter(pl.col("outcome") != "placed")})
    (line,) = [q for q in plant.lines() if q.what == "only losses"]
    assert (line.level, line.machine, line.value) == ("problem", "M2", 1.0)
    lost = picks(WEEK, "M2").filter(pl.col("outcome") != "placed").height
    assert f"{lost} of the {lost} picks" in line.text


# What is logged


def test_a_kind_of_loss_that_never_comes(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    to = pl.when(pl.col("outcome") == "dropped").then(pl.lit("placed")).otherwise("outcome")
    code = pl.when(pl.col("outcome") == "dropped").then(None).otherwise("reason")
    plant.run(WEEK, {"M2": lambda f: f.with_columns(outcome=to, reason=code)})
    found = plant.lines()
    (line,) = [q for q in found if q.what == "none dropped"]
    assert (line.level, line.machine, line.value) == ("warning", "M2", 0.0)
    assert line.expected is not None
    assert line.expected > 13.8  # exp(-13.8) = 1e-6
    # The reason of the drops is gone as well, and nothing else is said.
    assert {q.what for q in found} <= {"none dropped", "reason change"}


def test_no_loss_at_all_is_a_problem(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M2": lambda f: f.with_columns(outcome=pl.lit("placed"), reason=pl.lit(None, pl.String))})
    (line,) = [q for q in plant.lines() if q.what == "no losses"]
    assert (line.level, line.machine, line.value) == ("problem", "M2", 0.0)


def test_few_picks_without_a_loss_are_luck(earlier: Path, tmp_path: Path) -> None:
    """100 picks at 6 % would lose 6: none has probability exp(-6) = 0.2 %."""
    plant = copy(earlier, tmp_path)
    plant.run(
        WEEK, {"M2": lambda f: f.head(100).with_columns(outcome=pl.lit("placed"), reason=pl.lit(None, pl.String))}
    )
    assert [q for q in plant.lines() if q.what.startswith("no")] == []


def test_a_reason_that_was_renamed(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    plant.run(WEEK, {"M1": lambda f: f.with_columns(pl.col("reason").replace("V1", "VAC"))})
    line = plant.only("reason change")
    assert (line.level, line.machine) == ("warning", "M1")
    assert 'vanished: "V1"' in line.text
    assert 'new: "VAC"' in line.text
    assert sorted((line.value or 0.0, line.expected or 0.0))[0] == 0.0
    assert max(line.value or 0.0, line.expected or 0.0) == pytest.approx(1 / 3, abs=0.1)


def test_a_reason_whose_share_moved_is_a_note(earlier: Path, tmp_path: Path) -> None:
    plant = copy(earlier, tmp_path)
    most = pl.when((pl.col("reason") != "V1") & (pl.col("line") % 8 != 0)).then(pl.lit("V1")).otherwise("reason")
    plant.run(WEEK, {"M1": lambda f: f.with_columns(reason=most)})
    line = plant.only("reason change")
    assert line.level == "note"
    assert "moved" in line.text


@pytest.mark.parametrize(
    ("share", "key", "said"), [(0.5, "nozzle", True), (0.0, "nozzle", False), (0.5, "lot", True), (0.1, "lot", False)]
)
def test_picks_that_no_longer_name_a_key(earlier: Path, tmp_path: Path, share: float, key: str, said: bool) -> None:
    plant = copy(earlier, tmp_path)
    lost = pl.when(pl.col("line") % 100 < share * 100).then(None).otherwise(key)
    plant.run(WEEK, {"M1": lambda f: f.with_columns(lost.alias(key))})
    found = [(q.level, q.machine, q.value) for q in plant.lines() if q.what == f"unknown {key}"]
    assert found == ([("warning", "M1", pytest.approx(share, abs=0.01))] if said else [])


# Files


@pytest.mark.parametrize("boards", [True, False])
def test_two_logs_of_one_machine(clean: Path, tmp_path: Path, boards: bool) -> None:
    """The same picks again, 7 s later, as another system would write them."""
    plant = copy(clean, tmp_path)
    again = picks(WEEK, "M2").with_columns(time=pl.col("time") + pl.duration(seconds=7))
    if not boards:
        again = again.with_columns(board=pl.lit(None, pl.String), designator=pl.lit(None, pl.String))
    plant.load("collector_M2.csv", pick=again)
    (line,) = [q for q in plant.lines() if q.what == "duplicate log"]
    assert (line.level, line.machine) == ("problem", "M2")
    assert line.value == pytest.approx(again.height, rel=0.01)
    assert "collector_M2.csv" in line.text
    assert "7 s apart" in line.text


def test_two_halves_of_one_machine_are_no_duplicate(earlier: Path, tmp_path: Path) -> None:
    """One file a spindle pair, and one file a day cut in the middle of an hour."""
    plant = copy(earlier, tmp_path)
    frame = picks(WEEK, "M1")
    for part in (0, 1):
        half = frame.filter(pl.col("spindle").cast(pl.Int64) // 2 == part)
        plant.load(f"M1_half{part}.csv", pick=half)
    second = picks(WEEK, "M2")
    cut = TUESDAY.replace(hour=9, minute=30)
    plant.load("M2_first.csv", pick=second.filter(pl.col("time") < cut))
    plant.load("M2_second.csv", pick=second.filter(pl.col("time") >= cut))
    plant.load("M3.csv", pick=picks(WEEK, "M3"))
    assert [q for q in plant.lines() if q.what == "duplicate log"] == []


def test_a_day_without_its_file(earlier: Path, tmp_path: Path) -> None:
    """A file a day for M1; the neighbours worked on Wednesday, the file of that day is not there."""
    plant = copy(earlier, tmp_path)
    wednesday = MONDAY[WEEK] + timedelta(days=2)
    for machine in MACHINES:
        frame = picks(WEEK, machine)
        if machine != "M1":
            plant.load(f"{machine}_{WEEK}.csv", pick=frame)
            continue
        for n in (0, 1, 3, 4):
            day = MONDAY[WEEK] + timedelta(days=n)
            plant.load(
                f"M1_{day:%Y-%m-%d}.csv", pick=frame.filter(pl.col("time").is_between(day, day + timedelta(hours=23)))
            )
    found = {q.what: q for q in plant.lines()}
    line = found["missing file"]
    assert (line.level, line.machine, line.value) == ("warning", "M1", 1.0)
    assert f"{wednesday:%Y-%m-%d}" in line.text
    assert "<date>" in line.text
    assert set(found) == {"missing file", "silent"}  # the machine was silent that day as well


def test_all_lines_carry_figures(clean: Path, tmp_path: Path) -> None:
    plant = copy(clean, tmp_path)
    plant.load("again.csv", pick=picks(WEEK, "M2").with_columns(time=pl.col("time") + pl.duration(seconds=7)))
    found: tuple[QualityLine, ...] = plant.lines()
    assert found
    assert all(q.value is not None for q in found)
