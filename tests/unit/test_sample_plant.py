"""The made-up plant: same seed same bytes, what truth.json says is in the data, and the logs hold what they should.

The expected values are those planted by sample_logs/generator/faults.py, checked against counts of the simulated picks
and against a second simulation of the same shifts without the faults.
"""

from __future__ import annotations

import csv
import fnmatch
import functools
import gzip
import hashlib
import io
import itertools
import json
import math
import os
import re
import subprocess
import sys
import tomllib
from collections import Counter
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from pipeline.schema import tables, words
from pipeline.schema.master_tables import MASTER_TABLES
from pipeline.schema.table import Table
from pipeline.settings import load
from sample_logs import PLANT, TRUTH
from sample_logs.generator import calendar, faults, simulate
from sample_logs.generator.__main__ import write
from sample_logs.generator.plant import BAD_LOT_PART, DROP, MISS, REJECT, WRONG_SIZE_PART, Works, build

INBOX = PLANT / "inbox"
ROOT = PLANT.parent
CODES = {
    "missed": (simulate.MISSED, MISS),
    "rejected": (simulate.REJECTED, REJECT),
    "dropped": (simulate.DROPPED, DROP),
}


def mask(works: Works, run: simulate.Run, kind: str, name: str, machine: str | None) -> np.ndarray:
    """Picks of a run that an item took part in."""
    program, at = run.program, run.placement
    if kind == "nozzle":
        return run.nozzles[program.station[at]] == works.nozzle_index(name)
    if kind == "feeder":
        return run.feeders[program.slot[at]] == works.feeder_index(name)
    if kind == "part":
        return program.part[at] == works.part_index(name)
    if kind == "lot":
        return np.array([r.lot == name for r in run.reels])[run.reel]
    assert kind == "head"
    hit = np.array([(s.machine, s.head) == (machine, name) for s in program.stations])
    return hit[program.station[at]]


def count(scale: float) -> tuple[dict[tuple[str, str], tuple[int, int]], int]:
    """Chances and losses of every planted item and kind of loss in W47, and all picks."""
    works = build(7)
    found: dict[tuple[str, str], tuple[int, int]] = {}
    picks = 0
    for run in simulate.simulate(works, 1, scale):
        picks += len(run.time)
        for fault in faults.FAULTS:
            mine = mask(works, run, fault.kind, fault.id, fault.machine)
            for loss, (code, column) in CODES.items():
                if column not in fault.odds_ratio:
                    continue
                chances = mine.copy()
                if column != MISS:
                    chances &= run.outcome != simulate.MISSED
                if column == DROP:
                    chances &= run.outcome != simulate.REJECTED
                before = found.get((fault.name, loss), (0, 0))
                lost = int((mine & (run.outcome == code)).sum())
                found[fault.name, loss] = before[0] + int(chances.sum()), before[1] + lost
    return found, picks


@pytest.fixture(scope="module")
def last_week() -> tuple[dict[tuple[str, str], tuple[int, int]], int]:
    return count(1.0)


@pytest.fixture(scope="module")
def healthy_week() -> dict[tuple[str, str], tuple[int, int]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(faults, "log_odds", lambda fault, when: np.zeros(3))
        return count(1.0)[0]


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    """Two processes whose sets and dicts of text are ordered differently."""
    sums = []
    for seed in ("1", "2"):
        out = tmp_path / seed
        command = [sys.executable, "-m", "sample_logs.generator", "--out", str(out), "--weeks", "2", "--scale", "0.05"]
        subprocess.run(command, check=True, capture_output=True, env={**os.environ, "PYTHONHASHSEED": seed})
        files = sorted(p for p in out.rglob("*") if p.is_file())
        sums.append([(p.relative_to(out), hashlib.sha256(p.read_bytes()).hexdigest()) for p in files])
    assert len(sums[0]) > 20
    assert sums[0] == sums[1]


@pytest.mark.long
def test_committed_sample_is_what_the_generator_writes(tmp_path: Path) -> None:
    """Compared unpacked: packed bytes may differ between versions of zlib."""
    write(tmp_path)
    made = {p.relative_to(tmp_path): unpacked(p) for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(ROOT): unpacked(p) for p in [*PLANT.rglob("*"), TRUTH] if p.is_file()}
    assert made.keys() <= kept.keys()
    assert [str(p) for p in made if made[p] != kept[p]] == []


def unpacked(path: Path) -> bytes:
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def test_truth_file_is_the_planted_truth() -> None:
    weeks = [calendar.week_label(day) for day in calendar.weeks_before(8)]
    assert json.loads(TRUTH.read_text()) == json.loads(json.dumps(faults.truth(7, weeks)))
    assert weeks[0] == "2026-W40"
    assert weeks[-1] == "2026-W47"


@pytest.mark.parametrize("entry", json.loads(TRUTH.read_text())["planted"], ids=lambda e: e["name"])
def test_each_planted_fault_costs_enough_in_the_last_week(
    entry: dict[str, str],
    last_week: tuple[dict[tuple[str, str], tuple[int, int]], int],
    healthy_week: dict[tuple[str, str], tuple[int, int]],
) -> None:
    lost = last_week[0][entry["name"], entry["loss"]][1]
    without = healthy_week[entry["name"], entry["loss"]][1]
    assert lost - without >= 40


def test_the_cleaned_nozzle_is_bad_until_it_is_cleaned() -> None:
    fault = next(f for f in faults.FAULTS if f.name == "cleaned nozzle")
    cleaned = next(s for s in faults.SERVICES if s[3] == fault.id)
    assert fault.strength(datetime.fromisoformat("2026-10-18 22:00")) == 0
    assert fault.strength(datetime.fromisoformat("2026-11-06 22:00")) == 1
    assert fault.strength(datetime.fromisoformat("2026-11-09 06:00")) == 0
    assert calendar.week_label(cleaned[0].date()) == "2026-W46"
    assert cleaned[0] <= fault.end


def test_planted_odds_ratios_are_in_the_data(monkeypatch: pytest.MonkeyPatch) -> None:
    """Odds with the fault over odds without, on the same shifts, against the planted odds ratio.

    Jams and the noise between shifts are switched off, as they do not depend on the faults. Other faults stay on in the
    first simulation only where they do not touch the item: one at a time. Tolerance 4 standard errors of the log
    odds ratio, sqrt(1/a + 1/b) for counts a and b.
    """
    monkeypatch.setattr(simulate, "_JAM", 0.0)
    original = faults.log_odds
    monkeypatch.setattr(faults, "log_odds", lambda fault, when: np.zeros(3))
    without, _ = count(2.0)
    checked = 0
    # Two simulations cover all: faults that share no item are switched on together.
    for names in (
        {"worn nozzle", "drifting feeder", "bad lot", "feeder still bad after service"},
        {"wrong taught size", "head losing vacuum"},
    ):
        monkeypatch.setattr(
            faults, "log_odds", lambda f, when, on=names: original(f, when) if f.name in on else np.zeros(3)
        )
        found, _ = count(2.0)
        for fault in faults.FAULTS:
            if fault.name not in names:
                continue
            for loss, (_, column) in CODES.items():
                if column not in fault.odds_ratio:
                    continue
                (n, a), (m, b) = found[fault.name, loss], without[fault.name, loss]
                measured = math.log(a / (n - a)) - math.log(b / (m - b))
                planted = math.log(fault.odds_ratio[column])
                # A drift acts with its share of the day.
                least = planted * fault.strength(datetime.fromisoformat("2026-11-16 06:00"))
                error = 4 * math.sqrt(1 / a + 1 / b)
                assert least - error <= measured <= planted + error, (fault.name, loss)
                checked += 1
    assert checked == 8


def test_last_week_is_busy_and_every_attempt_ends_once() -> None:
    works = build(7)
    by_week: Counter[str] = Counter()
    outcomes = np.zeros(6, int)
    for run in simulate.simulate(works, 8, 0.2):
        by_week[run.shift.week] += len(run.time)
        outcomes += np.bincount(run.outcome, minlength=6)
        assert (np.diff(run.time) >= 0).all()
        explained = (run.outcome != simulate.PLACED) & (run.outcome != simulate.UNKNOWN)
        assert np.array_equal(explained, run.reason != 0)
        assert np.isnan(run.dx[run.outcome == simulate.MISSED]).all()
        # A retry follows a loss, and only a loss; at most three tries.
        key = run.board * 1000 + run.placement
        for attempt in (1, 2):
            lost = key[(run.attempt == attempt) & (run.outcome != simulate.PLACED)]
            assert np.array_equal(np.sort(lost), np.sort(key[run.attempt == attempt + 1]))
        station = run.program.station[run.placement].astype(np.int64)
        assert len(np.unique(run.time * 100 + station)) == len(run.time)
    assert outcomes.sum() == sum(by_week.values())
    assert (outcomes[:4] > 0).all()
    assert 0.25 <= by_week["2026-W47"] / sum(by_week.values()) <= 0.30


@pytest.mark.parametrize("scale", [1.0, 2.0])
def test_items_can_be_told_apart(scale: float) -> None:
    """In the last week most parts run in two feeders or more, most feeders hold two parts or more, and nozzles move."""
    works = build(7)
    feeders: dict[int, set[int]] = {}
    spindles: dict[int, set[str]] = {}
    innocent: Counter[str] = Counter()
    module: Counter[int] = Counter()
    wrong_part_nozzles = set()
    lots = set()
    for run in simulate.simulate(works, 1, scale):
        program = run.program
        nozzle = run.nozzles[program.station[run.placement]]
        for slot in np.unique(program.slot[run.placement]):
            feeders.setdefault(int(run.feeders[slot]), set()).add(program.slots[slot].part)
        for n, i in enumerate(run.nozzles):
            s = program.stations[n]
            spindles.setdefault(int(i), set()).add(f"{s.machine}{s.head}{s.spindle}")
        mine = nozzle == works.nozzle_index(faults.INNOCENT_NOZZLE)
        innocent.update(works.parts[p].id for p in program.part[run.placement[mine]])
        at = program.part[run.placement]
        wrong_part_nozzles |= set(nozzle[at == works.part_index(WRONG_SIZE_PART)].tolist())
        lots |= {run.reels[r].lot for r in np.unique(run.reel[at == works.part_index(BAD_LOT_PART)])}
        module.update(run.outcome[at == works.part_index(faults.LOW_VOLUME_PART)].tolist())
    held: dict[int, int] = Counter(p for parts in feeders.values() for p in parts)
    assert np.mean([n >= 2 for n in held.values()]) > 0.7
    assert np.mean([len(p) >= 2 for p in feeders.values()]) > 0.7
    assert np.mean([len(s) >= 2 for s in spindles.values()]) > 0.6
    assert len(feeders[works.feeder_index(faults.DRIFT_FEEDER)]) >= 2
    assert len(spindles[works.nozzle_index(faults.WORN_NOZZLE)]) >= 2
    assert 0.6 <= innocent[WRONG_SIZE_PART] / innocent.total() <= 0.9
    assert len(innocent) >= 3
    assert len(wrong_part_nozzles) >= 5
    assert faults.BAD_LOT in lots
    assert len(lots) >= 3
    assert module == {simulate.PLACED: 9, simulate.REJECTED: 3}


def test_size_and_number_of_files() -> None:
    files = [p for p in ROOT.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 7_500_000
    assert 60 <= len(list(INBOX.iterdir())) <= 110


def test_plant_loads() -> None:
    plant = load(PLANT)
    assert plant.zone == "Europe/Berlin"
    tasks = [
        task["Task"]
        for message in messages()
        if message["MessageName"].endswith("MaintenancePerformed")
        for task in message["MessageBody"]["Tasks"]
    ]
    assert f"Adjust feeder {faults.STILL_BAD_FEEDER}" in tasks
    for task in tasks:
        assert [s for s in plant.maintenance if re.search(s.pattern, task)], task
    assert all(s.action in words.SERVICE_ACTIONS for s in plant.maintenance)


def master(name: str) -> list[dict[str, str]]:
    text = (PLANT / "masters" / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


# Nothing is renamed in the sample, and its logs tell what is in every slot: the last two tables are not needed.
@pytest.mark.parametrize("table", MASTER_TABLES[:-2], ids=lambda t: t.name)
def test_master_tables_follow_the_schema(table: Table) -> None:
    rows = master(f"{table.name.removeprefix('master_')}s")
    assert tuple(rows[0]) == table.names()
    assert all(row[c.name] for row in rows for c in table.columns if c.required)
    kinds = {"BIGINT": int, "DOUBLE": float, "VARCHAR": str}
    for row in rows:
        for column in table.columns:
            if row[column.name]:
                kinds[column.type](row[column.name])


def test_builds_name_known_parts_and_one_that_never_ran() -> None:
    parts = {r["part"]: r for r in master("parts")}
    rows = master("builds")
    sizes = Counter(r["build"] for r in rows)
    assert sorted(sizes.values()) == [30, 60]
    assert {r["part"] for r in rows} <= parts.keys()
    works = build(7)
    ran = {works.parts[p].id for program in works.programs.values() for p in program.part}
    assert {r["part"] for r in rows} - ran
    assert {"1E5", "004710"} <= ran
    assert any(float(parts[r["part"]]["unit_cost"]) == 80 and parts[r["part"]]["feeder_type"] == "tray" for r in rows)
    assert any(parts[r["part"]]["pack_size"] == "10000" and parts[r["part"]]["unit_cost"] == "0.0020" for r in rows)


def mappings() -> list[dict[str, object]]:
    return [tomllib.loads(p.read_text(encoding="utf-8")) for p in sorted((PLANT / "mappings").glob("*.toml"))]


def text_of(path: Path) -> str:
    data = unpacked(path)
    return data.decode("utf-16" if data[:2] == b"\xff\xfe" else "utf-8")


def test_each_delimited_file_has_one_mapping_and_its_columns() -> None:
    seen = Counter()
    for path in INBOX.iterdir():
        if ".csv" not in path.name:
            continue
        fitting = [m for m in mappings() if any(fnmatch.fnmatchcase(path.name, p) for p in m["files"])]
        assert len(fitting) == 1, path.name
        mapping = fitting[0]
        seen[mapping["name"]] += 1
        header = text_of(path).split("\n", 1)[0].split(";")
        assert set(mapping["columns"].values()) | set(mapping["time"]["columns"]) == set(header)
        columns = set(tables.table(mapping["table"]).names())
        assert mapping["columns"].keys() <= columns
        if "file_name" in mapping:
            found = re.match(mapping["file_name"]["pattern"], path.name)
            assert found
            assert found["machine"] == "L2M3"
    assert len(seen) == len(mappings()) == 6


def test_values_of_the_mappings_are_our_words() -> None:
    for mapping in mappings():
        assert set(mapping.get("outcome", {}).values()) <= set(words.OUTCOMES)
        assert set(mapping.get("reason", {}).values()) <= set(words.REASON_GROUPS)
        values = mapping.get("values", {})
        assert set(values.get("event", {}).values()) <= set(words.REEL_EVENTS)
        assert set(values.get("action", {}).values()) <= set(words.SERVICE_ACTIONS)


def pick_files() -> list[Path]:
    return sorted(p for p in INBOX.iterdir() if re.match(r"line2_20|L2M3_picks", p.name))


@functools.cache
def is_date(text: str) -> bool:
    try:
        datetime.strptime(text, "%d.%m.%Y")  # noqa: DTZ007
    except ValueError:
        return False
    return True


def test_damaged_lines_are_few_and_the_rest_is_whole() -> None:
    known = set(next(m for m in mappings() if "outcome" in m)["outcome"])
    damaged = 0
    encodings = Counter()
    for path in pick_files():
        encodings[path.suffix, unpacked(path)[:2] == b"\xff\xfe"] += 1
        head, *lines = [line.split(";") for line in text_of(path).splitlines()]
        result = head.index("RESULT")
        bad = sum(len(f) != len(head) or f[result] not in known or not is_date(f[0]) for f in lines)
        assert bad < 0.001 * len(lines), path.name
        damaged += bad
    assert damaged == 9
    assert encodings[".gz", True] == 1
    assert encodings[".csv", False] == 1


def test_two_exports_overlap() -> None:
    days = {p: set(text_of(p).splitlines()[1:]) for p in pick_files() if p.name.startswith("line2_2")}
    names = sorted(days)
    shared = {a.name: days[a] & days[b] for a, b in itertools.pairwise(names) if days[a] & days[b]}
    assert sorted(shared) == ["line2_2026-10-08.csv.gz", "line2_2026-11-18.csv.gz"]
    assert all(line.split(";")[1] >= "22:00" for lines in shared.values() for line in lines)


def test_repeated_hour_can_be_told_by_order() -> None:
    """25 October 2026, 03:00 back to 02:00 (IANA time zone database): the clock goes back once, in the night shift."""
    for name in ("line2_2026-10-25.csv.gz", "L2M3_picks_2026-W43.csv.gz", "line2_reels_2026-W43.csv.gz"):
        lines = [x.split(";") for x in text_of(INBOX / name).splitlines()[1:]]
        times = [x[1] for x in lines if x[0] == "25.10.2026"]
        back = [(a, b) for a, b in itertools.pairwise(times) if b < a]
        assert len(back) == 1, name
        assert back[0][0] >= "02:"
        assert back[0][1].startswith("02:")
    offsets = {m["TimeStamp"][-6:] for m in messages() if m["TimeStamp"].startswith("2026-10-25T02:")}
    assert offsets == {"+01:00", "+02:00"}


@functools.cache
def messages() -> list[dict[str, object]]:
    found = []
    for path in sorted(INBOX.iterdir()):
        if path.name.endswith(".ndjson.gz") and re.search("L1M1_2026-W4[36]", path.name):
            found += [json.loads(line) for line in text_of(path).splitlines()]
        elif path.suffix == ".json":
            one = json.loads(text_of(path))
            found += one if isinstance(one, list) else [one]
    return found


def test_messages_repeat_no_identity_but_the_planted_ones() -> None:
    seen: dict[str, dict[str, object]] = {}
    for path in sorted(INBOX.glob("L1M1*.ndjson.gz")):
        lines = [json.loads(line) for line in text_of(path).splitlines()]
        own = [m["UniqueID"] for m in lines]
        assert len(set(own)) == len(own)
        times = [datetime.fromisoformat(m["TimeStamp"]) for m in lines]
        again = [m for m in lines if m["UniqueID"] in seen]
        assert all(m == seen[m["UniqueID"]] for m in again)
        assert len(again) == (12 if "W42" in path.name else 0)
        assert all(a <= b for a, b in itertools.pairwise(times))
        seen |= {m["UniqueID"]: m for m in lines}
    assert len(seen) > 1000


def test_messages_hold_the_picks_once_and_their_totals(tmp_path: Path) -> None:
    written = write(tmp_path, 7, 1, 0.2)
    inbox = tmp_path / "plant" / "inbox"
    outcomes = Counter()
    totals = Counter()
    names = set()
    for path in inbox.glob("*.ndjson.gz"):
        for line in text_of(path).splitlines():
            message = json.loads(line)
            body, name = message["MessageBody"], message["MessageName"].rsplit(".", 1)[1]
            names.add(name)
            if name == "MaterialsInstalled":
                for material in body["InstalledMaterials"]:
                    placed, lost = material["InstalledComponents"], material.get("NonInstalledComponents", [])
                    assert len(placed) == material["QuantityInstalled"]
                    assert len(lost) == material["QuantityNonInstalled"]
                    outcomes["placed"] += len(placed)
                    outcomes["lost"] += sum(c.get("Location") != "MaterialCarrier" for c in lost)
                    outcomes["returned"] += sum(c.get("Location") == "MaterialCarrier" for c in lost)
            elif name == "MaterialsConsumed":
                totals["placed"] += sum(m["QuantityUsed"] for m in body["ConsumedMaterials"])
                totals["lost"] += sum(m["QuantitySpoiled"] for m in body["ConsumedMaterials"])
    assert outcomes["placed"] == totals["placed"]
    assert outcomes["lost"] == totals["lost"] > 0
    text = sum(len(text_of(p).splitlines()) - 1 for p in inbox.glob("*.csv.gz") if re.match("line2_20|L2M3", p.name))
    assert outcomes.total() + text - written.picks == overlap_and_damage(inbox) > 0
    assert names >= {"FaultOccurred", "ComponentsPlaced", "RecipeActivated", "MaterialsLoaded", "SplicePointDetected",
                     "StationStateChanged", "WorkStarted"}  # fmt: skip


def overlap_and_damage(inbox: Path) -> int:
    """Lines of the delimited picks that are not a pick of their own."""
    lines = [x for p in inbox.glob("line2_20*") for x in text_of(p).splitlines()[1:]]
    twice = len(lines) - len(set(lines))
    return twice + sum(len(x.split(";")) != 23 or x[:5] == "31.11" or "HUNG UP" in x for x in lines)


def test_offsets_drift_on_the_planted_feeder_only() -> None:
    """Mean offset of the last day within 4 standard errors of the planted 0.150 mm; of the others within their own."""
    works = build(7)
    mine: list[float] = []
    rest: dict[int, list[float]] = {}
    for run in simulate.simulate(works, 1, 1.0):
        feeder = run.feeders[run.program.slot[run.placement]]
        seen = ~np.isnan(run.dx)
        for which in np.unique(feeder[seen]):
            values = run.dx[seen & (feeder == which)].tolist()
            if which == works.feeder_index(faults.DRIFT_FEEDER):
                mine += values if run.shift.local.day >= 20 else []
            elif run.shift.line == 2:
                rest.setdefault(int(which), []).extend(values)
    assert abs(np.mean(mine) - faults.DRIFT_MM) < 4 * 0.017 / math.sqrt(len(mine)) + 0.0025 / 2
    means = [np.mean(v) for v in rest.values() if len(v) > 100]
    assert max(map(abs, means)) < 4 * 0.008 + 0.005


def test_wrong_taught_size_shows_in_the_measured_values() -> None:
    works = build(7)
    ratios: list[float] = []
    for run in simulate.simulate(works, 1, 1.0):
        mine = (run.program.part[run.placement] == works.part_index(WRONG_SIZE_PART)) & (
            run.reason == simulate.REASONS.index("size")
        )
        ratios += run.measured[mine & ~np.isnan(run.measured)].tolist()
    assert len(ratios) > 50
    assert np.mean(np.array(ratios) > 1.10) > 0.8
    assert all(r > 1.10 or r < 0.90 for r in ratios)


def test_a_plant_without_its_planted_items_or_weeks_is_refused() -> None:
    works = build(7)
    feeders = tuple((f"X{n}", kind, line) for n, (_, kind, line) in enumerate(works.feeders))
    other = Works(**{name: getattr(works, name) for name in works.__slots__} | {"feeders": feeders})
    with pytest.raises(KeyError):
        faults.check(other)
    nozzles = tuple((name, "S", machine) for name, _, machine in works.nozzles)
    other = Works(**{name: getattr(works, name) for name in works.__slots__} | {"nozzles": nozzles})
    with pytest.raises(ValueError, match="the faults need"):
        faults.check(other)
    with pytest.raises(ValueError, match="at least 1"):
        list(calendar.shifts(0))
