"""Tables of words and typed access. The lists of words are IPC-2591's (versions 1.0 to 2.1)."""

from __future__ import annotations

import doctest
from datetime import UTC, datetime
from types import ModuleType

import pytest

from pipeline.ingest import ipc2591_structures, ipc2591_words
from pipeline.ingest.ipc2591_structures import Unusable, count, moment
from pipeline.ingest.ipc2591_words import BY_PLACE, FAULTS, MAINTENANCE, REJECTIONS, TESTED
from pipeline.ingest.ipc2591_words import tested as group_of
from pipeline.schema import words


@pytest.mark.parametrize("module", [ipc2591_structures, ipc2591_words])
def test_examples(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


def test_tables_use_our_closed_lists() -> None:
    outcomes = {outcome for outcome, _ in (*REJECTIONS.values(), *FAULTS.values())} - {None}
    groups = {group for _, group in (*REJECTIONS.values(), *FAULTS.values())} | {group for group, _ in TESTED}
    assert outcomes | set(BY_PLACE.values()) <= set(words.OUTCOMES)
    assert groups <= set(words.REASON_GROUPS)
    assert set(MAINTENANCE.values()) <= set(words.SERVICE_ACTIONS)


@pytest.mark.parametrize(
    ("name", "group"),
    [
        ("Length", "size"), ("BodyWidth", "size"), ("HEIGHT", "size"), ("component_size", "size"),
        ("Thickness", "size"), ("Area", "size"), ("Body", "size"),
        ("LeadLength", "lead_or_ball"), ("BallCount", "lead_or_ball"), ("balls", "lead_or_ball"),
        ("Pitch", "lead_or_ball"), ("Coplanarity", "lead_or_ball"), ("TerminalWidth", "lead_or_ball"),
        ("Angle", "orientation"), ("BodyRotation", "orientation"), ("Orientation", "orientation"),
        ("Polarity", "orientation"), ("Pin1", "orientation"), ("Flip", "orientation"),
        ("Shape", "shape"), ("ContourMatch", "shape"), ("BodyOutline", "shape"),
        ("Brightness", "lighting"), ("Contrast", "lighting"), ("BackLight", "lighting"),
        ("MatchScore", "other"), ("", "other"), ("17", "other"),
    ],
)  # fmt: skip
def test_words_of_a_failed_test(name: str, group: str) -> None:
    assert group_of(name) == group


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-29T02:30:15.5+01:00",
        "2026-03-29T01:30:15.5Z",
        "2026-03-29T01:30:15.500000+00:00",
        "2026-03-29T01:30:15.5000009+00:00",
        "2026-03-28T20:00:15.5-05:30",
        "20260329T013015.5+0000",
        "2026-03-29 01:30:15.5+00:00",
    ],
)
def test_one_moment_in_many_ways(written: str) -> None:
    """Checked against the standard library's own arithmetic; twice, as the second reading comes from memory."""
    exact = datetime(2026, 3, 29, 1, 30, 15, 500_000, UTC)
    for _ in range(2):
        got = moment(written, "TimeStamp")
        assert got is not None
        assert got == round(exact.timestamp() * 1_000_000)


@pytest.mark.parametrize(
    "written",
    ["2026-03-29T01:60:00Z", "2026-03-29T25:00:00Z", "2026-03-29T01:30:61Z", "2026-03-29", "x", "0001-01-02T00:00:00Z"],
)
def test_no_moment(written: str) -> None:
    for _ in range(2):
        with pytest.raises(Unusable):
            moment(written, "TimeStamp")


@pytest.mark.parametrize(
    ("value", "expected"), [(3, 3), ("3", 3), ("3.0", 3), (" 4 ", 4), ("1e3", 1000), (None, None), ("", None), (0, 0)]
)
def test_counts(value: object, expected: int | None) -> None:
    assert count({"Q": value}, "Q") == expected


@pytest.mark.parametrize("value", ["3,0", "1_000", "٣", "0x10", "inf", [], True, "1e400", 2**60, "-1"])
def test_no_counts(value: object) -> None:
    with pytest.raises(Unusable, match="whole number of parts"):
        count({"Q": value}, "Q")
