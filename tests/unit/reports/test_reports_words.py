"""Numbers in words. The rule for rates (three significant digits) is the plant's; no outside source."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import words


def plain(text: str) -> str:
    return text.replace(words.THIN, " ").replace(words.MINUS, "-")


@pytest.mark.parametrize(
    ("rate", "shown"),
    [
        (0.0021, "2 100 ppm"),
        (0.00000213, "2.13 ppm"),
        (0.0123456, "12 300 ppm"),
        (1.0, "1 000 000 ppm"),
        (0.0, "0 ppm"),
    ],
)
def test_ppm(rate: float, shown: str) -> None:
    assert plain(words.ppm(rate)) == shown


@given(st.floats(1e-8, 1.0))
def test_ppm_keeps_three_digits(rate: float) -> None:
    back = float(plain(words.ppm(rate, unit=False)).replace(" ", ""))
    assert math.isclose(back, rate * 1e6, rel_tol=0.00501)
    digits = plain(words.ppm(rate, unit=False)).replace(" ", "").replace(".", "").strip("0")
    assert len(digits) <= 3


@pytest.mark.parametrize("nothing", [None, math.nan, math.inf])
def test_nothing_never_becomes_a_number(nothing: float | None) -> None:
    assert words.ppm(nothing) == words.NOT_ENOUGH
    assert words.odds(nothing) == words.NOT_ENOUGH
    assert words.q_value(nothing) == words.NOT_ENOUGH
    for shown in (words.money(nothing, "EUR"), words.number(nothing), words.mm(nothing), words.share(nothing)):
        assert shown == words.NOT_KNOWN
    assert (
        words.ppm_interval(nothing, 0.1)
        == words.money_interval(nothing, None)
        == words.odds_interval(1.0, nothing)
        == ""
    )


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (-12.345, "EUR -12.35"),
        (99.999, "EUR 100"),
        (1234567.0, "EUR 1 234 567"),
        (0.004, "EUR under 0.01"),
        (-0.4, "EUR -0.40"),
    ],
)
def test_money(value: float, shown: str) -> None:
    assert plain(words.money(value, "EUR")) == shown


def test_share_never_rounds_to_certainty() -> None:
    assert plain(words.share(0.9999)) == "> 99.9 %"
    assert plain(words.share(0.00001)) == "< 0.1 %"
    assert plain(words.share(1.0)) == "100 %"
    assert plain(words.share(0.0)) == "0 %"


def test_one_sided_intervals_say_which_side() -> None:
    assert words.money_interval(5.0, None) == "at least 5.00"
    assert words.money_interval(None, 5.0) == "at most 5.00"


def test_weekday_agrees_with_the_calendar() -> None:
    # 16 November 2026 is a Monday: ISO week 47 begins on it (any calendar).
    assert words.day("2026-11-16") == "Mon 16 Nov 2026"
    assert words.moment("2026-11-16T06:05:00+01:00") == "Mon 16 Nov 2026 06:05"
    assert words.week("2026-W47") == "week 47 of 2026"
    assert words.week("<b>") == "<b>"


@pytest.mark.parametrize(("text", "shown"), [("N\x1f1", "N␟1"), ("\ud800", "\ufffd"), ("a\u2066b", "a[U+2066]b")])
def test_what_cannot_be_shown_is_made_visible(text: str, shown: str) -> None:
    assert words.visible(text) == shown


@given(st.text())
def test_visible_text_can_be_written_and_is_stable(text: str) -> None:
    shown = words.visible(text)
    shown.encode("utf-8")
    assert words.visible(shown) == shown
