"""Rules of the store over made-up logs: shuffled, split into files, repeated. Each has a plain Python way beside it.

In memory, so that many stores can be made; the same loader and roll-up as in a plant.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import duckdb
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.rollup.tallies import check, recompute_all
from pipeline.settings import Plant, Retention
from pipeline.store import migrations
from pipeline.store.retention import retain
from tests.unit.rollup.staged import Row, at, digest, load

QUICK = settings(
    max_examples=5,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[
        Phase.explicit,
        Phase.reuse,
        Phase.generate,
    ],  # making a smaller example takes minutes: every try is a store
)
RATED = 5000
FAR = datetime(2030, 1, 1)  # noqa: DTZ001


@contextmanager
def memory(masters: str = "") -> Iterator[duckdb.DuckDBPyConnection]:
    """A store in memory with these statements run on its master tables."""
    con = duckdb.connect()
    try:
        migrations.migrate(con, None)
        if masters:
            con.execute(masters)
        recompute_all(con)
        yield con
        check(con, touched_only=False)
        for read, loaded, duplicate, refused in con.execute(
            "select rows_read, rows_loaded, rows_duplicate, rows_refused from load"
        ).fetchall():
            assert read == loaded + duplicate + refused
    finally:
        con.close()


def _split(rows: list[tuple[str, Row]], seed: int, files: int, *, again: bool) -> list[dict[str, list[Row]]]:
    """The rows (table, row) shuffled into files; with `again`, a last file that repeats some of them."""
    rng = random.Random(seed)
    made: list[dict[str, list[Row]]] = [{} for _ in range(files)]
    for table, row in rng.sample(rows, len(rows)):
        rng.choice(made).setdefault(table, []).append(row)
    if again and rows:
        more: dict[str, list[Row]] = {}
        for table, row in rng.sample(rows, 1 + len(rows) // 3):
            more.setdefault(table, []).append(row)
        made.append(more)
    return [m for m in made if m]


def _loaded(
    rows: list[tuple[str, Row]], how: list[dict[str, list[Row]]] | None, masters: str = ""
) -> tuple[str, list[Row]]:
    """Digest and tally rows of a store that took the rows in one file, or as `how` says."""
    whole: dict[str, list[Row]] = {}
    for table, row in rows:
        whole.setdefault(table, []).append(row)
    with memory(masters) as con:
        for number, tables in enumerate(how if how is not None else [whole]):
            load(con, f"file {number}", tables)
        found = con.execute("select * from tally").fetchall()
        names = [d[0] for d in con.description or []]
        return digest(con), [dict(zip(names, r, strict=True)) for r in found]


SPLITS = st.tuples(st.integers(0, 10**6), st.integers(1, 4), st.booleans())


# --- running counters -------------------------------------------------------------------------------------------------


@st.composite
def running(draw: st.DrawFn) -> list[Row]:
    """Readings of up to three counters of a machine, by the hour, that reset and wrap."""
    rows: list[Row] = []
    for nozzle in range(draw(st.integers(1, 3))):
        size = draw(st.sampled_from([10_000, 65_536, 2**32]))
        value = draw(st.sampled_from([0, size - 300, size // 2]))
        for hour in range(draw(st.integers(1, 7))):
            step = draw(st.sampled_from(["on", "on", "on", "reset", "rest"]))
            value = draw(st.integers(0, 6000)) if step == "reset" else (value + draw(st.integers(0, 400))) % size
            if step != "rest":
                rows.append({"time": at(hour + 0.25), "machine": "M", "grain": "nozzle", "nozzle": f"N{nozzle}",
                             "placed": value, "running": True})  # fmt: skip
    return rows


def _difference(before: int, after: int, hours: float) -> tuple[int, str | None]:
    """The rule in plain Python: how many were counted, and what the counter did."""
    if after >= before:
        return after - before, None
    for size in sorted([2**16, 2**32, *(10**k for k in range(4, 13))]):
        near = before < size <= before + size // 20 and after <= size // 20
        if near and after + size - before <= RATED * hours:
            return after + size - before, "wrap"
    return (after if after <= RATED * hours else 0), "reset"


@QUICK
@given(running(), SPLITS)
def test_running_counters_count_as_plain_python_does_in_any_files(rows: list[Row], how: tuple[int, int, bool]) -> None:
    masters = f"insert into master_machine values ('M', null, null, {RATED})"
    tagged = [("counter", r) for r in rows]
    one, tallies = _loaded(tagged, None, masters)
    other, _ = _loaded(tagged, _split(tagged, how[0], how[1], again=how[2]), masters)
    assert one == other
    expected: Counter[tuple[object, object]] = Counter()
    for nozzle in {r["nozzle"] for r in rows}:
        mine = sorted((r for r in rows if r["nozzle"] == nozzle), key=lambda r: r["time"])  # type: ignore[arg-type,return-value]
        for a, b in pairwise(mine):
            hours = (b["time"] - a["time"]).total_seconds() / 3600  # type: ignore[operator]
            stands = b["time"] - min(timedelta(minutes=30), (b["time"] - a["time"]) / 2)  # type: ignore[operator]
            expected[nozzle, stands.replace(minute=0)] += _difference(a["placed"], b["placed"], hours)[0]  # type: ignore[attr-defined,arg-type]
    assert all(t["placed"] >= 0 for t in tallies)  # type: ignore[operator]
    assert Counter({(t["nozzle"], t["hour"]): t["placed"] for t in tallies}) == expected  # type: ignore[misc]


@st.composite
def totals(draw: st.DrawFn) -> tuple[bool, list[Row]]:
    """Whether each nozzle has a total for every recipe, and readings of two nozzles through changes of the recipe.

    Totals of a recipe stand beside each other or only while it runs; they begin far apart, as lifetimes do.
    """
    rng = random.Random(draw(st.integers(0, 10**6)))
    each, together = draw(st.booleans()), draw(st.booleans())
    recipes, block = draw(st.sampled_from(["AB", "ABC"])), draw(st.integers(1, 3))
    total: dict[tuple[int, str], int] = {}
    rows: list[Row] = []
    for hour in range(draw(st.integers(4 * block, 5 * block))):
        ran = recipes[hour // block % len(recipes)]
        for nozzle in range(2):
            step = rng.randint(300, 700)
            for recipe in recipes if each and together else ran:
                key = (nozzle, recipe if each else "")
                total[key] = total.get(key, rng.randint(10_000, 90_000)) + (step if recipe == ran else 0)
                rows.append({"time": at(hour + 0.25), "machine": "M", "grain": "nozzle", "nozzle": f"N{nozzle}",
                             "recipe": recipe, "attempts": total[key], "running": True})  # fmt: skip
    return each, rows


@settings(QUICK, max_examples=3)
@given(totals(), SPLITS)
def test_whose_total_it_is_is_told_by_the_data_in_any_files(
    made: tuple[bool, list[Row]], how: tuple[int, int, bool]
) -> None:
    each, rows = made
    tagged = [("counter", r) for r in rows]
    _, tallies = _loaded(tagged, _split(tagged, how[0], how[1], again=how[2]))
    expected: Counter[object] = Counter()
    last: dict[object, int] = {}
    for r in sorted(rows, key=lambda r: r["time"]):  # type: ignore[arg-type,return-value]
        counter = (r["nozzle"], r["recipe"] if each else "")
        expected[r["nozzle"], r["recipe"]] += r["attempts"] - last.get(counter, r["attempts"])  # type: ignore[operator,call-overload]
        last[counter] = r["attempts"]  # type: ignore[assignment]
    counted: Counter[object] = Counter()
    for t in tallies:
        counted[t["nozzle"], t["recipe"]] += t["attempts"]  # type: ignore[operator]
    assert +counted == +expected


# --- keys over time ---------------------------------------------------------------------------------------------------


@st.composite
def shop(draw: st.DrawFn) -> list[tuple[str, Row]]:
    """Picks that name only machine and slot, and reels that come and go; no two events in the same minute."""
    minutes = draw(st.lists(st.integers(0, 300), min_size=1, max_size=10, unique=True))
    rows: list[tuple[str, Row]] = []
    for minute in minutes:
        event, reel, slot = (
            draw(st.sampled_from(["load", "load", "unload", "splice"])),
            draw(st.integers(1, 4)),
            draw(st.integers(1, 2)),
        )
        row: Row = {
            "time": at(minute / 60),
            "machine": "M",
            "event": event,
            "reel": f"R{reel}",
            "slot": str(slot),
            "lot": f"L{reel}",
        }
        if event == "splice":
            row["previous_reel"] = f"R{draw(st.integers(1, 4))}"
        rows.append(("reel_event", row))
    for number in range(draw(st.integers(1, 12))):
        time = at(draw(st.integers(0, 301)) / 60 + 0.005)
        row = {
            "time": time,
            "machine": draw(st.sampled_from(["M", "M old"])),
            "slot": str(draw(st.integers(1, 2))),
            "outcome": "placed",
            "designator": f"C{number}",
        }
        rows.append(("pick", row))
    return rows


def _reel_of(pick: Row, events: list[Row]) -> str | None:
    """The rule in plain Python: the reel put there last, if nothing speaks against it."""
    events = sorted(events, key=lambda e: e["time"])  # type: ignore[arg-type,return-value]
    here = [e for e in events if e["slot"] == pick["slot"]]
    before = [e for e in here if e["time"] <= pick["time"]]  # type: ignore[operator]
    if not before or before[-1]["event"] == "unload":
        return None
    put = before[-1]
    reel, after = put["reel"], [e for e in events if e["time"] > put["time"]]  # type: ignore[operator]
    gone = next(
        (e for e in after if (e["event"] == "unload" and e["reel"] == reel) or e.get("previous_reel") == reel
         or (e["reel"] == reel and e["slot"] != pick["slot"])), None)  # fmt: skip
    if gone is not None and gone["time"] <= pick["time"]:  # type: ignore[operator]
        return None
    following = next((e for e in after if e["slot"] == pick["slot"]), None)
    if following is not None and (gone is None or following["time"] <= gone["time"]):  # type: ignore[operator]
        left = following["reel"] if following["event"] == "unload" else following.get("previous_reel")
        if left is not None and left != reel:
            return None
    return str(reel)


@QUICK
@given(shop(), SPLITS)
def test_reels_are_filled_in_as_plain_python_does_in_any_files(
    rows: list[tuple[str, Row]], how: tuple[int, int, bool]
) -> None:
    masters = "insert into master_alias values ('machine', 'M old', 'M', null, null)"
    one, tallies = _loaded(rows, None, masters)
    assert one == _loaded(rows, _split(rows, how[0], how[1], again=how[2]), masters)[0]
    events = [r for table, r in rows if table == "reel_event"]
    expected: Counter[tuple[object, ...]] = Counter()
    for pick in (r for table, r in rows if table == "pick"):
        reel = _reel_of(pick, events)
        expected[pick["slot"], pick["time"].replace(minute=0, second=0), reel, reel and reel.replace("R", "L")] += 1  # type: ignore[attr-defined]
    found = Counter({(t["slot"], t["hour"], t["reel"], t["lot"]): t["attempts"] for t in tallies})  # type: ignore[misc]
    assert found == expected
    assert {t["machine"] for t in tallies} == {"M"}


# --- disagreements and retention --------------------------------------------------------------------------------------


@QUICK
@given(st.lists(st.sampled_from(["placed", "missed", "rejected"]), min_size=4, max_size=30), st.data())
def test_disagreeing_lines_leave_the_counts_of_the_first_export(outcomes: list[str], data: st.DataObject) -> None:
    picks: list[Row] = [
        {"time": at(i / 60), "machine": "M", "nozzle": "N1", "outcome": o} for i, o in enumerate(outcomes)
    ]
    changed = data.draw(st.sets(st.integers(1, len(picks) - 2)))
    start = data.draw(st.integers(0, len(picks) - 3))  # files that only meet in one instant are not compared
    first, second = picks[:-1], [
        {**p, "outcome": "dropped"} if i in changed else p for i, p in enumerate(picks)
    ][start:]  # fmt: skip
    overlap = range(start, len(picks) - 1)
    with memory() as con:
        load(con, "a", {"pick": first})
        for name in "bc":
            copy = second if name == "b" else second[::-1]
            result = load(con, name, {"pick": copy})
            assert result.duplicate == (len(overlap) if name == "b" else len(second))
        stored = dict(con.execute("select outcome, count(*) from pick group by outcome").fetchall())
        assert stored == Counter(outcomes)
        assert con.execute("select count(*) from disagreement").fetchall() == [(len(changed & set(overlap)),)]


@QUICK
@given(st.lists(st.integers(0, 60), min_size=1, max_size=25, unique=True), st.integers(1, 5), st.integers(0, 10**6))
def test_totals_do_not_move_when_picks_go(days: list[int], weeks: int, seed: int) -> None:
    plant = Plant(folder=Path("nowhere"), retention=Retention(pick_weeks=weeks))
    picks: list[Row] = [
        {"time": at(24 * d), "machine": "M", "nozzle": f"N{d % 3}", "outcome": "missed" if d % 4 else "placed"}
        for d in days
    ]
    half = random.Random(seed).sample(picks, len(picks))
    newest = max(days)
    with memory() as con, memory() as kept:
        for number, part in enumerate((half[: len(half) // 2], half[len(half) // 2 :], picks)):
            if part:
                load(kept, f"{number}", {"pick": part})
                result = load(con, f"{number}", {"pick": part})
                gone = retain(con, plant, FAR)
                assert result.loaded + result.duplicate + result.refused == len(part)
                assert gone >= 0
        tally = "select * from tally order by all"
        assert con.execute(tally).fetchall() == kept.execute(tally).fetchall()
        limit = (at(24 * newest) - timedelta(weeks=weeks)).replace(hour=0)
        there = con.execute("select count(*), min(time) >= ? from pick", [limit]).fetchall()
        assert there == [(sum(p["time"] >= limit for p in picks), True)]  # type: ignore[operator]
        assert con.execute("select count(*) from closed_hour").fetchall() == [(len(picks) - there[0][0],)]
