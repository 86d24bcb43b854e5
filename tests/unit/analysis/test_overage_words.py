"""What the buyer reads of the test on the past: also that the plant's own rule would have cost less."""

from __future__ import annotations

import pytest

from pipeline.analysis.overage_words import kit, past
from pipeline.findings.buying import Rule


@pytest.mark.parametrize(("stops", "said"), [(20, True), (2, False)])
def test_a_flat_rule_that_would_have_cost_less_is_named(stops: int, said: bool) -> None:
    """20 stops at 100 against pieces over for 423; parts of a cent make every stop too dear."""
    advice = Rule("this advice", 0.979, 0.962, 0.989, stops, 8306, 83.06, 100.0 * stops + 24.92)
    flat = Rule("flat rule", 1.0, 0.996, 1.0, 0, 140_905, 1409.05, 422.72)
    none = Rule("perfect knowledge", 1.0, 0.996, 1.0, 0, 0, 0.0, 0.0)
    weeks, least = ("2026-W42", "2026-W47"), (60, 4)
    text = past((advice, flat, none), (960, 12), weeks, 0.958, "too careful", "EUR", None, least)
    assert ("the flat rule would have cost less, EUR 423 against EUR 2\u202f025" in text) is said
    assert ("a higher service_level or --by cost" in text) is said
    assert ("the parts cost more than they must" in text) is not said


def test_a_kit_of_one_line_is_not_called_lines_together() -> None:
    spent = (0.07, 20.0, "EUR")
    one = kit(("A", 1, 0.958, 0.958), spent, (), 0.0, "P1", ())
    assert one == "Build A: its one line is 95.8\u202f% sure with extras for EUR 0.07. Most likely to run short: P1."
    two = kit(("A", 2, 0.958, 0.9), spent, (), 0.0, "P1", ())
    assert "the 2 lines together are 95.8\u202f% sure" in two
    assert "line by line they would be 90\u202f% sure" in two
