"""[constants] of a log mapping: a value that no row could hold is refused with the mapping, not with every row."""

from __future__ import annotations

import math

import pytest

from pipeline.ingest.local_time import zone_of
from pipeline.ingest.mapping_constants import constant_of
from pipeline.schema.tables import table


def _constant(where: str, name: str, value: object) -> str:
    (column,) = (c for c in table(where).columns if c.name == name)
    return constant_of(where, column, value)


@pytest.mark.parametrize(
    ("where", "name", "value", "message"),
    [
        ("counter", "running", "yes", "use one of true, false"),
        ("counter", "running", 1, "use one of true, false"),
        ("counter", "attempts", -5, "between 0 and"),
        ("counter", "attempts", 10**20, "between 0 and"),
        ("counter", "attempts", 1.5, "must be a number"),
        ("pick", "try_number", 99_999_999_999, "between 0 and"),
        ("pick", "dangle", math.nan, "between -3600 and 3600"),
        ("pick", "dx", math.inf, "between -10000 and 10000"),
        ("pick", "dx", True, "must be a number"),
        ("pick", "lane", 1, "must be a text"),
        ("counter", "grain", "nozzel", "use one of joint"),
        ("counter", "start", "2026-11-16", "is a time"),
    ],
)
def test_what_no_row_could_hold(where: str, name: str, value: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        _constant(where, name, value)


def test_what_a_row_may_hold() -> None:
    assert _constant("counter", "running", True) == _constant("counter", "running", "true") == "true"
    assert (_constant("counter", "attempts", 0), _constant("pick", "dx", -0.5)) == ("0", "-0.5")


@pytest.mark.parametrize("name", ["+25:00", "-24:00", "+01:60"])
def test_an_offset_that_is_none(name: str) -> None:
    with pytest.raises(ValueError, match="is not known"):
        zone_of(name)
