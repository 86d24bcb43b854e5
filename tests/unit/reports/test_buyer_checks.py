"""The buyer's checks on the page: kits, past, counts, rules, and what is said when there is nothing."""

from __future__ import annotations

import dataclasses

import pytest

from reports import charts
from reports.page_buyer_checks import AGREEING, RULES, checks
from tests.fixtures_bundle import empty_bundle, rich_bundle


def test_everything_of_the_bundle_is_there() -> None:
    bundle = rich_bundle()
    found = checks(bundle, limit=None)
    assert len(found.kits.rows) == len(bundle.kits)
    assert len(found.standing.rows) == len(bundle.standing)
    assert len(found.counts.rows) == len(bundle.unexplained)
    assert [row[0].text for row in found.past.rows] == ["this advice", "flat rule", "perfect knowledge"]
    assert bundle.past_test is not None
    assert found.past_words == bundle.past_test.text
    assert found.counted == ("tape: 7.4 parts a load, counted.",)
    # WO-3 has overage lines and no kit: that is said.
    assert found.kit_words[:2] == tuple(k.text for k in bundle.kits)
    assert "No whole kit here for WO-3" in found.kit_words[2]


def test_paper_shows_the_rules_that_cost_most() -> None:
    bundle = rich_bundle()
    found = checks(bundle, limit=30)
    assert len(found.standing.rows) == RULES
    assert found.standing.more == len(bundle.standing) - RULES
    costs = [row[4].sort or 0.0 for row in found.standing.rows]
    assert costs == sorted((r.waste_cost or 0.0 for r in bundle.standing), reverse=True)[:RULES]


def test_paper_shows_clear_differences_of_reel_counts_before_those_that_agree() -> None:
    bundle = rich_bundle()
    agreeing, clear = (
        dataclasses.replace(bundle.unexplained[0], difference=d, low=d - 5, high=d + 5, value=v)
        for d, v in ((1.0, 9.0), (-7.0, -1.0))
    )
    many = tuple(dataclasses.replace(agreeing, part=f"P{i}") for i in range(30))
    last = dataclasses.replace(clear, part="GONE")
    found = checks(dataclasses.replace(bundle, unexplained=(*many, last)), limit=30).counts
    assert [row[0].text for row in found.rows] == ["GONE", *(f"P{i}" for i in range(AGREEING - 1))]
    assert found.more == 31 - AGREEING
    everything = checks(dataclasses.replace(bundle, unexplained=(*many, last)), limit=None).counts
    assert [row[0].text for row in everything.rows][-1] == "GONE"


def test_a_week_without_anything_says_so() -> None:
    found = checks(empty_bundle(), limit=30)
    assert found.past_words == ""
    assert not found.past_chart
    assert "not enough weeks" in found.past.empty
    assert "own books" in found.counts.empty
    assert found.kit_words == ()


def test_the_chart_has_a_bar_a_tenth_as_high_as_its_share() -> None:
    shares = tuple(0.01 * (n + 5.5) for n in range(10))
    drawn = charts.tenths(shares, 0.02, title="<b>")
    assert drawn.count("<rect") == 11  # ten bars and the band of chance
    assert "&lt;b&gt;" in drawn
    heights = [float(piece.split('height="')[1].split('"')[0]) for piece in drawn.split("<rect")[2:]]
    ratios = [h / s for h, s in zip(heights, shares, strict=True)]
    assert max(ratios) == pytest.approx(min(ratios), rel=0.02)


def test_no_chart_without_ten_figures() -> None:
    assert charts.tenths((0.5, 0.5), 0.1, title="x") == ""
    assert charts.tenths((float("nan"),) * 10, 0.1, title="x") == ""


def test_hidden_differences_keep_their_sign() -> None:
    bundle = rich_bundle()
    low = dataclasses.replace(bundle.unexplained[0], difference=-3.6, low=-9.0, high=2.0)
    row = checks(dataclasses.replace(bundle, unexplained=(low,)), limit=None).counts.rows[0]
    assert row[4].text == "\u22124"
    assert row[4].small == "\u22129 to +2"
