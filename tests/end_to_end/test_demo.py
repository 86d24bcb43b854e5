"""The whole job on the sample plant, as a user runs it: what was planted is found, what is innocent is left alone.

The truth is the generator's (sample_logs/truth.json); it never passes through the pipeline.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from pipeline.findings.to_json import from_json, to_json
from sample_logs import PLANT, TRUTH
from tests.plants import pickfall, query

TRUE = json.loads(TRUTH.read_text(encoding="utf-8"))
WEEK = "2026-W47"

SUSPECT_FIELDS = {
    "kind", "id", "machine", "loss", "attempts", "losses", "rate", "low", "high", "expected", "excess", "effect",
    "effect_low", "effect_high", "q", "flagged", "cause", "since", "cost_per_week", "not_separable_from", "evidence",
}  # fmt: skip
OVERAGE_FIELDS = {
    "part", "build", "need", "extra", "buy", "service_level", "loss_rate", "loss_low", "loss_high", "basis",
}  # fmt: skip


def _flagged(findings: dict[str, Any]) -> set[tuple[str, str, str | None]]:
    return {(s["kind"], s["id"], s["loss"]) for s in findings["suspects"] if s["flagged"]}


def _planted() -> list[dict[str, Any]]:
    return [p for p in TRUE["planted"] if p["from"] <= "2026-11-16" and p["to"] >= "2026-11-22"]


def test_all_outputs_are_there_and_their_paths_are_printed(demo: Path) -> None:
    week = demo / "out" / WEEK
    names = ["csv", "findings.json", "weekly.html", "weekly.pdf", "weekly.xlsx"]
    assert sorted(p.name for p in week.iterdir()) == names
    printed = (demo.parent / "printed.txt").read_text(encoding="utf-8").splitlines()
    assert printed == [str(week / n) for n in names]
    assert [p.name for p in (demo / "out").iterdir()] == [WEEK]


@pytest.mark.parametrize("fault", _planted(), ids=lambda f: f["name"])
def test_a_planted_fault_is_flagged_in_the_right_kind(fault: dict[str, Any], findings: dict[str, Any]) -> None:
    flagged = _flagged(findings)
    wanted = (fault["kind"], fault["id"], fault["loss"])
    assert wanted in flagged, sorted(flagged)
    suspect = next(s for s in findings["suspects"] if (s["kind"], s["id"], s["loss"]) == wanted)
    assert suspect["effect_low"] > 1
    assert suspect["cause"] in (fault["kind"], "cannot tell")


def test_nothing_else_is_flagged(findings: dict[str, Any]) -> None:
    """At a false discovery rate of 5 % one false flag among some twenty would be no surprise; a second would."""
    losses = [{p["loss"], *p["other_losses"], "all"} for p in _planted()]
    true = {(p["kind"], p["id"], loss) for p, which in zip(_planted(), losses, strict=True) for loss in which}
    wrong = {f for f in _flagged(findings) if f not in true}
    assert len(wrong) <= 1, sorted(wrong)


@pytest.mark.parametrize("group", ["recovered", "innocent", "low_volume"])
def test_the_innocent_are_not_flagged(group: str, findings: dict[str, Any]) -> None:
    items = {(i["kind"], i["id"]) for i in TRUE[group]}
    assert items
    seen = {(s["kind"], s["id"]) for s in findings["suspects"]}
    assert items <= seen
    assert not items & {(kind, item) for kind, item, _ in _flagged(findings)}


def test_flagged_items_come_first_by_what_they_save_at_least(findings: dict[str, Any]) -> None:
    flagged = [s for s in findings["suspects"] if s["flagged"]]
    assert flagged == findings["suspects"][: len(flagged)]
    worth = [s["cost_low"] for s in flagged]
    assert worth == sorted(worth, reverse=True)


def test_the_innocent_nozzle_is_explained_by_the_bad_part(findings: dict[str, Any]) -> None:
    nozzle = TRUE["innocent"][0]
    suspect = next(s for s in findings["suspects"] if s["id"] == nozzle["id"] and s["loss"] == "rejected")
    part = next(p for p in TRUE["planted"] if p["kind"] == "part")
    assert suspect["explained_by"] == f"part {part['id']}"


def test_the_low_volume_item_is_called_too_small_to_judge(findings: dict[str, Any]) -> None:
    item = TRUE["low_volume"][0]
    suspect = next(s for s in findings["suspects"] if s["id"] == item["id"] and s["loss"] == "all")
    assert suspect["enough"] is False
    assert suspect["effect"] is None
    assert suspect["q"] is None


def test_services_are_told_apart(findings: dict[str, Any]) -> None:
    recovered = TRUE["recovered"][0]
    verdicts = {(s["kind"], s["id"]): s["verdict"] for s in findings["services"]}
    assert verdicts[recovered["kind"], recovered["id"]] == "worked"
    still_bad = next(p for p in TRUE["planted"] if p["name"] == "feeder still bad after service")
    assert verdicts[still_bad["kind"], still_bad["id"]] == "did not work"


def test_the_drifting_feeder_is_seen_in_its_pick_position(findings: dict[str, Any]) -> None:
    feeder = next(p for p in TRUE["planted"] if "drift" in p["name"])
    moved = [d for d in findings["drifts"] if d["flagged"]]
    assert [d["feeder"] for d in moved] == [feeder["id"]]


def test_fields_of_the_contract(findings: dict[str, Any]) -> None:
    assert {"suspects", "overage", "services", "quality", "settings", "versions"} <= set(findings)
    assert all(set(s) >= SUSPECT_FIELDS for s in findings["suspects"])
    assert findings["overage"]
    assert all(set(o) >= OVERAGE_FIELDS for o in findings["overage"])


def test_every_rate_has_its_count_and_holds_its_estimate(findings: dict[str, Any]) -> None:
    assert len(findings["suspects"]) > 500
    for s in findings["suspects"]:
        assert 0 <= s["losses"] <= s["attempts"]
        assert s["low"] <= s["rate"] <= s["high"]


def test_balances(demo: Path, findings: dict[str, Any]) -> None:
    q = findings["quality"]
    assert q["rows_read"] == q["rows_loaded"] + q["rows_duplicate"] + q["rows_refused"]
    assert q["rows_refused"] > 0
    assert q["rows_duplicate"] > 0
    assert query(demo, "select count(*) from load where rows_read <> rows_loaded + rows_duplicate + rows_refused") == [
        (0,)
    ]
    uneven = "select count(*) from tally where attempts <> placed + missed + rejected + dropped + returned + unknown"
    assert query(demo, uneven) == [(0,)]
    picks = query(demo, "select count(*) from pick")
    assert query(demo, "select sum(attempts) from tally where grain = 'joint'") == picks


def test_no_pick_is_counted_twice(demo: Path) -> None:
    """Feeder counters and machine totals describe the same parts: no row of another grain may stand beside picks."""
    assert query(demo, "select distinct grain from tally") == [("joint",)]


def test_the_repeated_hour_of_autumn_is_told_apart(demo: Path) -> None:
    """25 October 2026: 02:00 to 03:00 local happens twice, at 00:00 and 01:00 UTC.

    Line 1 logs times with their offset, line 2 wall clock only. Both lines ran alike, so line 1 says how many picks
    line 2 must have in each of the two hours.
    """
    rows = query(
        demo,
        "select hour, cast(sum(attempts) filter (machine = 'L1M1') as INTEGER), "
        "cast(sum(attempts) filter (machine = 'L2M1') as INTEGER) from tally "
        "where hour >= '2026-10-24 23:00' and hour < '2026-10-25 02:00' group by hour order by hour",
    )
    assert len(rows) == 3
    for hour, first, second in rows:
        assert isinstance(first, int)
        assert isinstance(second, int)
        assert abs(first - second) <= 0.05 * first, hour
    assert rows[1][1] != rows[2][1]


@pytest.mark.long
def test_twice_gives_the_same_findings_byte_for_byte(demo: Path, tmp_path: Path) -> None:
    done = pickfall("demo", "--out", tmp_path / "again")
    assert done.returncode == 0, done.stderr
    assert _findings(tmp_path / "again") == _findings(demo)


@pytest.mark.long
def test_in_the_same_folder_it_gives_the_same_findings_byte_for_byte(demo: Path, tmp_path: Path) -> None:
    shutil.copytree(demo, tmp_path / "again")
    shutil.rmtree(tmp_path / "again" / "out")
    done = pickfall("demo", "--out", tmp_path / "again")
    assert done.returncode == 0, done.stderr
    assert _findings(tmp_path / "again") == _findings(demo)


def _findings(plant: Path) -> bytes:
    return (plant / "out" / WEEK / "findings.json").read_bytes()


def test_findings_survive_the_round_trip(demo: Path) -> None:
    text = (demo / "out" / WEEK / "findings.json").read_text(encoding="utf-8")
    assert to_json(from_json(text)) == text


def test_demo_leaves_a_folder_in_use_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    done = pickfall("demo", "--out", tmp_path)
    assert done.returncode == 2
    assert "not a pickfall demo" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_the_store_rooms_counts_tell_what_was_planted(findings: dict[str, Any]) -> None:
    """What misses, loads and splices take lies in the intervals; one part lacks pieces and leads the list by value."""
    planted = TRUE["counts"]
    told = {(f["what"], f["feeder_type"]): f for f in findings["loss_figures"] if f["source"] == "counted"}
    for what, kind, value in (
        ("share of missed picks that use a part", "tape", planted["miss_takes"]),
        ("parts lost per load", "tape", planted["load_takes"]),
        ("parts lost per splice", "tape", planted["splice_takes"]),
        ("scatter of what loads take, variance over mean", "all", planted["scatter"]),
    ):
        assert told[what, kind]["low"] <= value <= told[what, kind]["high"], what
    first, *rest = findings["unexplained"]
    assert first["part"] == planted["part"]
    assert 0 < first["low"] <= planted["pieces_a_count"] * first["reels"] <= first["high"]
    # Of the others no more disagree than 95 % intervals let pass by chance: the 99 % point of 55 is 7.
    assert sum(not u["low"] <= 0 <= u["high"] for u in rest) <= 7


def test_issues_and_returns_tell_the_same(demo: Path) -> None:
    """The same part leads when the store room's list is held against the logs; nothing else there is worth a euro."""
    done = pickfall("overage", "--plant", demo, "--moves", PLANT / "store_moves.csv", "--format", "json")
    assert done.returncode == 0, done.stderr
    first, *rest = json.loads(done.stdout)
    assert first["part"] == TRUE["counts"]["part"]
    assert first["low"] > 0
    assert all(u["low"] <= 0 or u["value"] < 1 for u in rest)
    assert "share of what was left that came back" in done.stderr
