"""What the commands say beside their rows."""

from __future__ import annotations

import dataclasses
from datetime import datetime

from pipeline.commands import listing
from tests.fixtures_bundle import empty_bundle


def test_the_report_of_a_week_that_is_not_over_or_not_begun_says_so() -> None:
    bundle = dataclasses.replace(
        empty_bundle(), week="2026-W48", start="2026-11-23T00:00:00+01:00", end="2026-11-30T00:00:00+01:00"
    )
    for now, said in (
        ("2026-11-29T22:59:59+00:00", "2026-W48 is not over: "),
        ("2026-11-22T22:59:59+00:00", "2026-W48 has not begun by this computer's clock, and yet "),
        ("2026-11-29T23:00:00+00:00", ""),
    ):
        found = listing.early(bundle, datetime.fromisoformat(now))
        assert found.startswith(said)
        assert bool(found) == bool(said)
