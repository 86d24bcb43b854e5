"""What holds for any recorded file of IPC-2591 messages."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fixtures_ipc2591 import (
    CONSUMED,
    FAULT,
    LOADED,
    MAINTAINED,
    RECIPE,
    SPLICED,
    STARTED,
    TOTALS,
    UNLOADED,
    Staged,
    envelope,
    failed,
    installed,
    material,
    placed,
    stage,
)

TABLES = ("pick", "measurement", "counter", "check_total", "reel_event", "service", "fault", "activity", "message")

REASONS = st.sampled_from(
    [None, "Unknown", "BadVisionTestAfterPickup", "BadPressureTestAfterPickup", "ErrorAfterPlacement", "Else"]
)
DESIGNATORS = st.one_of(st.none(), st.sampled_from(["C1", "C2", "C3"]))
SECONDS = st.integers(0, 59)
JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text(max_size=5)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=3), inner, max_size=3)),
    max_leaves=6,
)
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def materials(draw: st.DrawFn) -> dict[str, Any]:
    """One entry of InstalledMaterials; its quantities may be missing or larger than its lists."""
    good = draw(st.lists(st.builds(placed, DESIGNATORS, SECONDS), max_size=4))
    bad = draw(st.lists(st.builds(failed, REASONS, DESIGNATORS, SECONDS), max_size=4))
    more = st.one_of(st.none(), st.integers(0, 3))
    extra_good, extra_bad = draw(more), draw(more)
    return material(
        good, bad,
        QuantityInstalled=None if extra_good is None else len(good) + extra_good,
        QuantityNonInstalled=None if extra_bad is None else len(bad) + extra_bad,
    )  # fmt: skip


@st.composite
def known(draw: st.DrawFn) -> dict[str, Any]:
    """A known message whose body, or a part of it, is any JSON."""
    name, field = draw(
        st.sampled_from(
            [
                (CONSUMED, "ConsumedMaterials"), (TOTALS, "TotalComponentsPlaced"), (FAULT, "Fault"),
                (LOADED, "Materials"), (UNLOADED, "MaterialPackageIdentifiers"), (SPLICED, "DepletedMaterial"),
                (RECIPE, "RecipeName"), (STARTED, "WorkOrderIdentifier"), (MAINTAINED, "Tasks"),
            ]
        )
    )  # fmt: skip
    return envelope(name, {field: draw(JSON)})


@st.composite
def mutated(draw: st.DrawFn) -> dict[str, Any]:
    """A MaterialsInstalled message in which one value anywhere was exchanged for any JSON."""
    message = json.loads(json.dumps(installed(draw(materials()), UniqueID="id")))
    places: list[tuple[Any, Any]] = []
    left: list[Any] = [message]
    while left:
        holder = left.pop()
        for key, value in holder.items() if isinstance(holder, dict) else enumerate(holder):
            places.append((holder, key))
            if isinstance(value, (dict, list)):
                left.append(value)
    holder, key = draw(st.sampled_from(places))
    holder[key] = draw(JSON)
    return dict(message)


def _stage(content: str) -> Staged:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.json"
        path.write_bytes(content.encode("utf-8", "surrogatepass"))
        return stage(path)


def _balanced(got: Staged) -> None:
    """Read = envelopes with a message row + refused; every other row belongs to such an envelope."""
    loaded = {row[0] for row in got.rows("message", "line")}
    refused = {row[0] for row in got.rows("refused", "line")}
    filled = {row[0] for table in TABLES if table != "message" for row in got.rows(table, "line")}
    assert got.read == len(loaded) + len(refused)
    assert got.count("message") == len(loaded)
    assert not loaded & refused
    assert filled <= loaded
    assert got.ignored == len(loaded - filled)


@QUICK
@given(st.lists(st.one_of(known(), mutated(), JSON), max_size=6))
def test_any_json_is_loaded_or_refused(messages: list[Any]) -> None:
    got = _stage(json.dumps(messages, ensure_ascii=False))
    assert got.read == len(messages)
    _balanced(got)


@QUICK
@given(st.lists(st.one_of(st.builds(json.dumps, known()), st.text(max_size=20)), max_size=6))
def test_any_lines_are_loaded_or_refused(lines: list[str]) -> None:
    first = json.dumps(envelope("CFX.Heartbeat", {}))
    content = "\n".join([first, *(line.replace("\n", " ").replace("\ud800", "") for line in lines)])
    content = content.encode("utf-8", "ignore").decode("utf-8")
    got = _stage(content)
    assert got.read == sum(bool(line.strip()) for line in content.split("\n"))
    _balanced(got)


@QUICK
@given(st.lists(st.one_of(known(), st.builds(installed, materials())), min_size=1, max_size=4), st.data())
def test_repeated_message_has_the_same_identity(messages: list[dict[str, Any]], data: st.DataObject) -> None:
    again = data.draw(st.sampled_from(messages))
    turned = dict(reversed(list(again.items())))
    got = _stage("\n".join(json.dumps(m) for m in [*messages, turned]))
    identities = dict(got.rows("message", "line", "message_id"))
    assert identities.get(messages.index(again) + 1) == identities.get(len(messages) + 1)
    distinct = {json.dumps(m, sort_keys=True) for n, m in enumerate(messages, 1) if n in identities}
    assert len(set(identities.values())) == len(distinct)


@QUICK
@given(st.lists(materials(), max_size=4))
def test_attempts_are_installed_plus_not_installed(entries: list[dict[str, Any]]) -> None:
    got = _stage(json.dumps(installed(*entries)))
    expected = sum(
        max(len(entry["InstalledComponents"]), entry["QuantityInstalled"] or 0)
        + max(len(entry["NonInstalledComponents"]), entry["QuantityNonInstalled"] or 0)
        for entry in entries
    )
    good = sum(max(len(entry["InstalledComponents"]), entry["QuantityInstalled"] or 0) for entry in entries)
    assert got.count("pick") == expected
    assert got.rows("pick", "outcome").count(("placed",)) == good
    assert got.count("counter") == 0


@QUICK
@given(st.lists(materials(), min_size=1, max_size=3))
def test_tries_of_a_placement_count_from_one(entries: list[dict[str, Any]]) -> None:
    got = _stage(json.dumps(installed(*entries)))
    tries: dict[str, list[tuple[Any, ...]]] = {}
    for designator, number, time, outcome in got.rows("pick", "designator", "try_number", "time", "outcome"):
        tries.setdefault(designator, []).append((number, time, outcome))
    for designator, found in tries.items():
        placed_ones = [time for _, time, outcome in found if outcome == "placed"]
        if designator is not None and len(placed_ones) == 1 and max(time for _, time, _ in found) == placed_ones[0]:
            assert sorted(number for number, _, _ in found) == list(range(1, len(found) + 1))
            assert [outcome for _, _, outcome in sorted(found)][-1] == "placed"
        else:
            assert {number for number, _, _ in found} == {None}
