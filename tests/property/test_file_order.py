"""The same messages, in one file or split into any files that come in any order, give the same tallies."""

from __future__ import annotations

import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest import mock

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import settings as plant_settings
from pipeline.rollup import tallies
from pipeline.rollup.tallies import check
from pipeline.store.database import open_store
from tests.fixtures_ipc2591 import (
    CONSUMED,
    FAULT,
    HEAD,
    PACKAGE,
    PLACE,
    RECIPE,
    STARTED,
    envelope,
    failed,
    installed,
    material,
    placed,
    write,
)
from tests.plants import load_here, make_plant, query, tally_digest

Message = dict[str, Any]
MACHINES = st.sampled_from(["M1", "M2"])
MINUTES = st.integers(0, 5 * 60 - 1)
PROGRAMS = st.sampled_from(["P1", "P2", "P3"])


def _time(minute: int, second: int = 0) -> str:
    return f"2026-11-16T{6 + minute // 60:02d}:{minute % 60:02d}:{second:02d}+00:00"


@st.composite
def boards(draw: st.DrawFn) -> Message:
    """One board: listed picks, and some that only a quantity tells of."""
    minute, source = draw(MINUTES), draw(MACHINES)
    good = [placed(f"C{n}", InstallationTime=_time(minute, n)) for n in range(draw(st.integers(0, 3)))]
    bad = [
        failed(draw(st.sampled_from(["Unknown", "BadPressureTestAfterPickup"])), NonInstallationTime=_time(minute, n))
        for n in range(draw(st.integers(0, 3)))
    ]
    entry = material(
        good, bad,
        QuantityInstalled=len(good) + draw(st.integers(0, 2)),
        QuantityNonInstalled=len(bad) + draw(st.integers(0, 2)),
        Material={**PACKAGE, "UniqueIdentifier": draw(st.sampled_from(["R1", "R2"]))},
    )  # fmt: skip
    return installed(entry, TimeStamp=_time(minute, 10), Source=source)


@st.composite
def others(draw: st.DrawFn) -> Message:
    """A recipe, a board that names one, a feeder's counts, or a fault."""
    time, source = _time(draw(MINUTES)), draw(MACHINES)
    used = {"MaterialLocation": PLACE, "QuantityUsed": draw(st.integers(0, 9)), "QuantitySpoiled": 1}
    fault = {"PlacementFaultType": "PickupError", "HeadAndNozzle": HEAD, "OccurredAt": time}
    name, body = draw(
        st.sampled_from(
            [
                (RECIPE, {"RecipeName": draw(PROGRAMS)}),
                (RECIPE, {"RecipeName": draw(PROGRAMS), "Lane": 1}),
                (STARTED, {"TransactionID": "T1", "RecipeName": draw(st.one_of(st.none(), PROGRAMS))}),
                (CONSUMED, {"ConsumedMaterials": [used]}),
                (FAULT, {"Fault": fault}),
            ]
        )
    )
    return envelope(name, body, TimeStamp=time, Source=source)


@st.composite
def logs(draw: st.DrawFn) -> tuple[list[Message], list[list[Message]]]:
    """Messages in one order, and the same split into files in another."""
    messages = draw(st.lists(st.one_of(boards(), others()), min_size=2, max_size=14))
    for number, message in enumerate(messages):
        message["UniqueID"] = f"id{number}"
    mixed = draw(st.permutations(messages))
    cuts = sorted(draw(st.lists(st.integers(0, len(mixed)), max_size=4)))
    edges = [0, *cuts, len(mixed)]
    return messages, [mixed[a:b] for a, b in pairwise(edges) if b > a]


def _load(folder: Path, files: list[list[Message]]) -> Path:
    make_plant(folder)
    plant = plant_settings.load(folder)
    with open_store(plant, write=True) as con:
        for number, messages in enumerate(files):
            taken = load_here(con, plant, write(folder / "inbox" / f"{number}.ndjson", messages))
            assert (taken.read, taken.loaded, taken.refused) == (len(messages), len(messages), 0)
        check(con, touched_only=False)
    return folder


def _expected(messages: list[Message], machine: str) -> dict[str | None, int]:
    """Picks by recipe, counted without the store: the last recipe told at or before each pick."""
    told = sorted(
        (m["TimeStamp"], m["MessageBody"]["RecipeName"])
        for m in messages
        if m["Source"] == machine and m["MessageName"] in (RECIPE, STARTED) and m["MessageBody"].get("RecipeName")
    )
    counted: dict[str | None, int] = {}
    for message in messages:
        if message["Source"] != machine or "InstalledMaterials" not in message["MessageBody"]:
            continue
        (entry,) = message["MessageBody"]["InstalledMaterials"]
        good, bad = entry["InstalledComponents"], entry["NonInstalledComponents"]
        times = [c["InstallationTime"] for c in good] + [c["NonInstallationTime"] for c in bad]
        unlisted = entry["QuantityInstalled"] + entry["QuantityNonInstalled"] - len(times)
        for time in [*times, *[message["TimeStamp"]] * unlisted]:
            recipe = next((name for begin, name in reversed(told) if begin <= time), None)
            counted[recipe] = counted.get(recipe, 0) + 1
    return counted


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(logs())
def test_messages_in_any_files_and_order_give_the_same_tallies(made: tuple[list[Message], list[list[Message]]]) -> None:
    messages, files = made
    with tempfile.TemporaryDirectory() as a, tempfile.TemporaryDirectory() as b:
        whole, pieces = _load(Path(a), [messages]), _load(Path(b), files)
        assert tally_digest(whole) == tally_digest(pieces)
        for machine in ("M1", "M2"):
            stored = query(
                pieces,
                "select recipe, cast(sum(attempts) as BIGINT) from tally "
                f"where grain = 'joint' and machine = '{machine}' group by recipe",
            )
            assert dict(stored) == _expected(messages, machine)  # type: ignore[arg-type]


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(logs())
def test_a_roll_up_hour_by_hour_gives_what_one_at_once_gives(made: tuple[list[Message], list[list[Message]]]) -> None:
    """Large loads are rolled up in slices of time; tallies, counters and fills are the same."""
    messages, _ = made
    with tempfile.TemporaryDirectory() as a, tempfile.TemporaryDirectory() as b:
        whole = _load(Path(a), [messages])
        runs = mock.Mock(wraps=tallies.check)
        with mock.patch.object(tallies, "SLICE_PICKS", 1), mock.patch.object(tallies, "check", runs):
            sliced = _load(Path(b), [messages])
        hours = query(whole, "select distinct date_trunc('hour', time) from pick")
        assert runs.call_count >= len(hours)
        for table in ("tally", "reason_tally", "counter_event", "fill_tally"):
            every = f"select * from {table} order by all"
            assert query(sliced, every) == query(whole, every)
