"""What the data-quality page says of keys filled in, counters that fell, grains and files that disagree."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from pipeline import settings
from pipeline.checking import collect
from pipeline.store import frames
from pipeline.store.retention import retain
from tests.unit.rollup.staged import Row, at, load, store


def test_the_page_gives_each_with_its_figures(tmp_path: Path) -> None:
    picks: list[Row] = [
        {"time": at(h), "machine": "M", "nozzle": f"N{s}", "slot": s, "outcome": "placed"}
        for h in (1, 2, 3)
        for s in "12"
    ]
    counters: list[Row] = [
        {"time": at(h), "machine": "C", "grain": "nozzle", "nozzle": "N", "placed": n, "running": True}
        for h, n in ((0, 500), (1, 20), (2, 99_999), (3, 4))
    ]
    with store(tmp_path) as con:
        load(
            con,
            "a",
            {"pick": picks, "reel_event": [{"time": at(0), "event": "load", "machine": "M", "slot": "1", "reel": "R"}]},
        )
        load(con, "b", {"pick": [*picks[:2], {**picks[2], "outcome": "missed"}, *picks[3:]], "counter": counters})
        facts = collect(con, settings.load(tmp_path), frames.iso_week("2026-W47", frames.ZoneInfo("UTC")))
    said = {(q.machine, q.what): q.text for q in facts.worked_out if q.what != "running counters"}
    assert said["M", "reel filled in"].startswith("The reel of 50.0% of the picks was filled in")
    assert "0.0% say it themselves, 50.0% stay unknown" in said["M", "reel filled in"]
    assert "b line 3 says missed, a line 3 says placed" in said["M", "files disagree"]
    fell = [q.text for q in facts.worked_out if q.what == "running counters"]
    assert [("reset" in t, "last digit" in t) for t in fell] == [(True, False), (False, True)]
    grains = [q.text for q in facts.worked_out if q.what == "counters"]
    assert (
        "In 3 hour(s) with counts the figures of nozzles and heads come from nozzle counters: "
        "there are no single picks." in grains
    )
    assert (
        "In 3 hour(s) with counts the figures of feeders, parts and reels are not known: there are no single picks, "
        "and no counter names them." in grains
    )


def test_a_clock_that_was_set_back_and_picks_that_were_removed_are_said(tmp_path: Path) -> None:
    hours = [*range(6), *(h - 2.75 for h in range(6, 14))]
    totals: list[Row] = [
        {"line": n, "time": at(h), "machine": "C", "grain": "nozzle", "nozzle": "N", "placed": 100 * n, "running": True}
        for n, h in enumerate(hours, 1)
    ]
    picks: list[Row] = [{"time": at(h), "machine": "M", "outcome": "placed"} for h in (0, 7 * 24 * 3)]
    with store(tmp_path, more="[retention]\npick_weeks = 2\n") as con:
        load(con, "a", {"counter": totals})
        load(con, "b", {"pick": picks})
        plant, week = settings.load(tmp_path), frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))
        before = {q.what: q.text for q in collect(con, plant, week).worked_out}
        retain(con, plant, datetime(2027, 1, 1))  # noqa: DTZ001
        after = {q.what: q.text for q in collect(con, plant, week).worked_out}
    assert "In a the time goes back 1 time(s) while running totals go on; line 7: from " in before["clock of totals"]
    assert "picks removed" not in before
    assert after["picks removed"].startswith("The single picks of 1 of 1 machine hours")
