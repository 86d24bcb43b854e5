"""Counts of the store room in the sample plant: they add nothing to the picks, and hold what was planted.

The expected values are those planted by sample_logs/generator/faults.py; a second, plain reckoning of each reel from
the simulated picks stands against the counts.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections import Counter
from datetime import datetime

import numpy as np
import pytest

from sample_logs import PLANT
from sample_logs.generator import faults, simulate, write_counts
from sample_logs.generator.files import Shelf
from sample_logs.generator.plant import build


def counted() -> list[dict[str, str]]:
    text = gzip.decompress((PLANT / "inbox" / write_counts.NAME).read_bytes()).decode()
    return list(csv.DictReader(io.StringIO(text), delimiter=";"))


def test_counts_are_in_order_of_time_and_name_known_parts() -> None:
    rows = counted()
    times = [datetime.strptime(f"{r['DATE']} {r['TIME']}", "%d.%m.%Y %H:%M:%S.%f") for r in rows]  # noqa: DTZ007
    assert times == sorted(times)
    works = build(7)
    assert {r["ITEM"] for r in rows} <= {p.id for p in works.parts}
    assert {r["WHAT"] for r in rows} == {"COUNTED"}
    assert 150 <= len(rows) <= 400
    assert Counter(r["ITEM"] for r in rows)[faults.HELPED_PART] >= 15


def test_counts_lack_what_was_planted(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Parts gone beyond those placed and lost: 15 a count of one part; of the others what loads and misses take."""
    works = build(7)
    rows: list[tuple[str, float, float]] = []
    with Shelf(tmp_path_factory.mktemp("shelf")) as shelf:
        writer = write_counts.CountWriter(shelf, works)
        label: dict[int, int] = {}
        used: Counter[int] = Counter()
        due: Counter[int] = Counter()
        for run in simulate.simulate(works, 2, 0.5):
            if run.shift.line != 2:
                continue
            for event in run.events:
                label.setdefault(event.reel, event.quantity)
            writer.write(run)
            tape = np.array([p.package.feeder not in ("tray", "tube") for p in works.parts])
            for event in run.events:
                if event.event != "unload" and tape[run.reels[event.reel].part]:
                    due[event.reel] += faults.LOAD_TAKES if event.event == "load" else faults.SPLICE_TAKES
            gone = (run.outcome != simulate.MISSED) & (run.outcome != simulate.RETURNED)
            for reel, n in zip(*np.unique(run.reel[gone], return_counts=True), strict=True):
                used[int(reel)] += int(n)
            for reel, n in zip(*np.unique(run.reel[run.outcome == simulate.MISSED], return_counts=True), strict=True):
                due[int(reel)] += faults.MISS_TAKES * int(n)
        reels = run.reels
        for reel, left in writer._left.items():
            rows.append((works.parts[reels[reel].part].id, label[reel] - left - used[reel], due[reel]))
    helped = [away - expected for part, away, expected in rows if part == faults.HELPED_PART]
    others = [away - expected for part, away, expected in rows if part != faults.HELPED_PART]
    assert sum(helped) > 2 * faults.HELPED_PIECES
    # Mean of the rest is 0 within four standard errors: nothing else was planted.
    assert abs(np.mean(others)) <= 4 * np.std(others) / np.sqrt(len(others))


def test_the_list_of_issues_and_returns_names_parts_of_line_2_alone() -> None:
    works = build(7)
    programs = [(line, {works.parts[p].id for p in g.part.tolist()}) for (line, _), g in works.programs.items()]
    line_1 = set().union(*(parts for line, parts in programs if line == 1))
    line_2 = set().union(*(parts for line, parts in programs if line == 2))
    rows = list(csv.DictReader(io.StringIO((PLANT / write_counts.NAME_MOVES).read_text(encoding="utf-8"))))
    assert {r["part"] for r in rows} == line_2 - line_1
    assert faults.HELPED_PART in {r["part"] for r in rows}
    assert all(int(r["issued"]) % 200 == 0 and 0 < int(r["returned"]) < int(r["issued"]) for r in rows)
