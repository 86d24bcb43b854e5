"""Many small plants in one store, with everything at once: plain Python counts the same.

Single picks, counters and running totals; exports that overlap and come again, under old and new names, with and
without the lots; lines that are refused at first and read again; files in any order, in one group or in several.
"""

from __future__ import annotations

import random
from collections import Counter
from datetime import timedelta
from pathlib import Path

from pipeline.ingest.dialect import SourceFile
from pipeline.rollup.tallies import recompute_all
from pipeline.store.loading import LoadGroup, load_again
from tests.property.test_store_rules import memory
from tests.unit.rollup.staged import Row, at, stage

PLANTS = 12
OUTCOMES = ("placed", "placed", "placed", "missed", "rejected", "dropped")
Lines = list[tuple[str, Row]]


def _picks(rng: random.Random, machine: str) -> Lines:
    """Picks of some hours; some stand twice, and are two."""
    rows: Lines = []
    time = at(rng.random())
    for number in range(rng.randint(10, 40)):
        time += timedelta(seconds=rng.choice([1, 7, 300, 900]))
        nozzle = f"N{(number // 7 + rng.randint(0, 1)) % 3}"
        row: Row = {"time": time, "machine": machine, "nozzle": nozzle, "feeder": f"F{rng.randint(1, 2)}",
                    "lot": rng.choice(["L1", "L2"]), "outcome": rng.choice(OUTCOMES)}  # fmt: skip
        rows += [("pick", row)] * rng.choice([1, 1, 1, 1, 2])
    return rows


def _counts(rng: random.Random, machine: str) -> Lines:
    """Nozzle counters by the hour: of each hour, or totals that run on and are set back."""
    rows: Lines = []
    running, total = rng.random() < 0.5, 900
    for hour in range(rng.randint(2, 6)):
        total = rng.randint(0, 50) if rng.random() < 0.2 else total + rng.choice([0, rng.randint(1, 300)])
        row: Row = {"time": at(hour + 1), "machine": machine, "grain": "nozzle", "nozzle": "N1", "head": "H1"}
        more: Row = (
            {"attempts": total, "running": True} if running else {"start": at(hour), "placed": 1000 * hour + total}
        )
        rows.append(("counter", row | more))
    return rows


def _files(rng: random.Random, lines: Lines) -> list[Lines]:
    """Files that cover the lines, cut where the time changes; each may reach back, know less, and come twice."""
    cuts = [0, *(i for i in range(1, len(lines)) if lines[i][1]["time"] != lines[i - 1][1]["time"])]
    edges = sorted({0, *rng.sample(cuts, min(len(cuts), rng.randint(0, 3)))})
    files: list[Lines] = []
    for begin, end in zip(edges, [*edges[1:], len(lines)], strict=True):
        first = rng.choice([c for c in cuts if begin - 8 <= c <= begin])
        part = lines[first:end]
        for _ in range(rng.choice([1, 1, 2])):
            rng.shuffle(copy := [(table, dict(row)) for table, row in part])
            if rng.random() < 0.3:
                copy = [(table, row | {"machine": f"{row['machine']} old"}) for table, row in copy]
            files.append(copy)
    return files


def _poorer(rng: random.Random, lines: Lines) -> Lines:
    """The same export, which does not know lots or heads; only where no two lines become alike."""
    left = "lot" if lines[0][0] == "pick" else "head"
    poor = [(table, {k: v for k, v in row.items() if k != left}) for table, row in lines]
    return rng.sample(poor, len(poor)) if len({repr(p) for p in poor}) == len(poor) else []


def _expected(lines: Lines) -> Counter[tuple[object, ...]]:
    """Machine, hour, nozzle, feeder, lot and outcome -> how many."""
    counted: Counter[tuple[object, ...]] = Counter()
    before: Row = {}
    for table, row in lines:
        key = (row["machine"], row["nozzle"], row.get("feeder"), row.get("lot"))
        if table == "pick":
            counted[(row["time"].replace(minute=0, second=0, microsecond=0), *key, row["outcome"])] += 1  # type: ignore[attr-defined]
            continue
        number = row.get("placed", 0)
        if row.get("running"):
            now, last = row["attempts"], before.get("attempts", row["attempts"])
            number = now - last if now >= last else now  # type: ignore[operator]
            before = row
        counted[(row["time"] - timedelta(hours=1), *key, "placed")] += number  # type: ignore[operator, assignment]
    return +counted


def test_plants_of_everything_in_any_files_count_as_plain_python_does() -> None:
    rng = random.Random(1)  # a store of many plants is cheaper than many stores
    made = [rng.choice([_picks, _counts])(rng, f"M{number}") for number in range(PLANTS)]
    expected = sum(map(_expected, made), Counter())
    queues: list[list[Lines]] = []
    for lines in made:
        files = _files(rng, lines)
        if rng.random() < 0.5 and (poor := _poorer(rng, lines)):
            files.insert(rng.randint(0, len(files)), poor)
        queues.append(rng.sample(files, len(files)))
    aliases = "insert into master_alias " + " union all ".join(
        f"select 'machine', 'M{n} old', 'M{n}', null, null" for n in range(PLANTS)
    )
    again: list[tuple[str, dict[str, list[Row]]]] = []
    with memory(aliases) as con:
        recompute_all(con)
        group = LoadGroup(con)
        for number in range(max(map(len, queues))):
            tables: dict[str, list[Row]] = {}
            whole = [line for queue in queues if number < len(queue) for line in queue[number]]
            for place, (table, row) in enumerate(whole, 1):
                tables.setdefault(table, []).append({"line": place, **row})
            spoilt = rng.choice([0, 0, 0.2])
            bad = {n for n in range(1, len(whole) + 1) if rng.random() < spoilt}
            good = {name: [r for r in rows if r["line"] not in bad] for name, rows in tables.items()}
            name = f"file {number}"
            source = SourceFile(Path(name), Path(name), f"hash of {name}", 1, "utf-8", "")
            group.add(stage(con, good, tuple(sorted(bad))), source, name, "test", "m 1")
            again += [(source.content_hash, tables)] if bad else []
            if rng.random() < 0.3:
                group.commit()
        group.commit()
        for content, tables in rng.sample(again, len(again)):
            load_again(con, stage(con, tables), content, "m 2")
        found: Counter[tuple[object, ...]] = Counter()
        for outcome in sorted(set(OUTCOMES)):
            rows = con.execute(f"select hour, machine, nozzle, feeder, lot, sum({outcome}) from tally group by all")
            found.update({(*key, outcome): int(n) for *key, n in rows.fetchall() if n})
        assert found == expected
