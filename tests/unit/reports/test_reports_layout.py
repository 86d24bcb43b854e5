"""What stands where on a page, and in which order; how settings and shares are written."""

from __future__ import annotations

import dataclasses
import tomllib

import pytest

from pipeline.findings.model import Action, QualityLine
from reports import (
    charts,
    page_buyer,
    page_engineer,
    page_quality,
    page_services,
    page_settings,
    page_summary,
    page_suspects,
    words,
)
from tests.fixtures_bundle import SETTINGS, actions, rich_bundle


def plain(text: str) -> str:
    return text.replace(words.THIN, " ")


def test_failed_services_stand_first_and_open_ones_apart() -> None:
    outcomes = rich_bundle().services * 5
    judged = page_services.judged(outcomes, limit=None)
    said = [row[1].text.split(":")[0][2:] for row in judged.rows]
    assert said == ["got worse"] * 10 + ["did not work"] * 10 + ["worked"] * 10
    for limit, shown in ((None, 10), (30, page_services.OPEN_SHOWN), (3, 3)):
        waiting = page_services.unjudged(outcomes, limit=limit)
        assert (len(waiting.rows), waiting.more) == (shown, 10 - shown)
    assert "fall is larger" in page_services.unjudged(outcomes, limit=None).rows[0][1].text
    assert page_services.unjudged(outcomes, limit=30).compact
    assert judged.heads[4].title == "Difference, peers allowed for", "not that of the two rates beside it"


def test_lines_to_order_come_first_due_first_with_their_reason() -> None:
    bundle = rich_bundle(overages=30)
    late = dataclasses.replace(bundle.overage[1], due="2026-11-20", buy=500, reason="two reels")
    bundle = dataclasses.replace(bundle, overage=(*bundle.overage, dataclasses.replace(late, part="PN-LATE")))
    table = page_buyer.section(bundle, limit=30).to_order
    assert len(table.rows) + table.more == sum(1 for x in bundle.overage if x.buy > 0)
    assert (table.rows[0][0].text, table.rows[0][6].text) == ("PN-LATE", "two reels")


def test_what_to_order_shows_the_kit_and_how_an_unknown_stock_counts() -> None:
    bundle = rich_bundle(overages=3)
    whole = dataclasses.replace(bundle.overage[0], need=9000, extra=40, kit=10_000, stock=None, on_order=4000, buy=6000)
    found = page_buyer.section(dataclasses.replace(bundle, overage=(whole,)), limit=30)
    kit = found.to_order.rows[0][2]
    assert (plain(kit.text), kit.sort) == ("10 000", 10_000)
    assert plain(str(kit.small)).split("\n") == ["9 000 + 40", "in whole packs"]
    assert found.unknown[0].startswith(
        "1 line with no stock figure (counted as none; orders on their way are counted): "
    )
    counted = dataclasses.replace(whole, kit=9040)
    (row,) = page_buyer.section(dataclasses.replace(bundle, overage=(counted,)), limit=30).to_order.rows
    assert (plain(row[2].text), plain(str(row[2].small))) == ("9 040", "9 000 + 40")


def test_stock_of_a_part_of_two_builds_is_not_counted_against_each() -> None:
    bundle = rich_bundle(overages=3)
    one = dataclasses.replace(
        bundle.overage[0], need=90, extra=10, kit=100, stock=60, on_order=0, buy=40, part="P", build="A"
    )
    two = dataclasses.replace(one, build="B", buy=100)
    shared = page_buyer.section(dataclasses.replace(bundle, overage=(one, two)), limit=30).to_order
    assert [(row[5].text, row[5].small) for row in shared.rows] == [("stock 60", "for 2 builds")] * 2
    alone = page_buyer.section(dataclasses.replace(bundle, overage=(one,)), limit=30).to_order
    assert plain(alone.rows[0][5].text) == "40 %"


def test_a_build_takes_one_line_a_part_on_paper_and_its_reasons_on_the_screen() -> None:
    bundle = rich_bundle(overages=30)
    paper, screen = page_buyer.section(bundle, limit=30), page_buyer.section(bundle, limit=None)
    assert all(table.compact for table in paper.tables)
    assert "two reel changes expected" in str(screen.tables)
    assert "two reel changes expected" not in str(paper.tables)
    for table in paper.tables:
        assert "order value EUR" in table.caption


def test_flagged_drifts_and_a_few_others() -> None:
    drifts = rich_bundle().drifts[::-1] * 4
    table = page_engineer.drift_table(drifts, limit=30)
    said = [row[2].text for row in table.rows]
    assert said == ["▲ drifts"] * 12 + ["steady"] * page_engineer.STEADY_SHOWN
    assert table.more == 16


@pytest.mark.parametrize(
    ("what", "value", "expected", "shown"),
    [
        ("lines refused", 3.35611423e-05, 0.01, ("0.0034 %", "1 %")),
        ("unknown nozzle", 1.0, 0.0, ("100 %", "0 %")),
        ("duplicates", 3807.0, None, ("3 807", "")),
        ("totals", 54466.0, 54465.0, ("54 466", "54 465")),
        ("silent shifts", 1.0, 0.0, ("1", "0")),
        ("clock", 4.5, 0.0, ("4.5", "0")),
        ("a new share", 0.25, 0.0, ("25 %", "0 %")),
    ],
)
def test_shares_are_per_cent_and_counts_are_counts(
    what: str, value: float, expected: float | None, shown: tuple[str, str]
) -> None:
    line = QualityLine("note", what, "In words.", None, value, expected)
    row = page_quality.quality_lines([line], limit=None).rows[0]
    assert (plain(row[4].text), plain(row[5].text)) == shown


def test_refused_lines_are_few_and_short_on_paper_only() -> None:
    group = dataclasses.replace(rich_bundle().quality.refusals[0], example="x" * 200)
    paper = page_quality.refusals([group] * 20, limit=30)
    assert (len(paper.rows), paper.more) == (page_quality.GROUPS_SHOWN, 20 - page_quality.GROUPS_SHOWN)
    assert paper.rows[0][4].text == "x" * 79 + "…"
    assert page_quality.refusals([group] * 20, limit=None).rows[0][4].text == "x" * 200


def test_settings_read_back_as_toml() -> None:
    patterns = ({"pattern": r"^Clean (?P<id>NZ\d+)$", "kind": "it's"}, {"pattern": 'a\\"b'})
    values = {**SETTINGS, "maintenance": patterns}
    text = "\n".join(line for _, line in page_settings.settings(values, cut=False).lines)
    read = tomllib.loads(text)
    assert read["statistics"] == SETTINGS["statistics"]
    assert read["shifts"] == {"begins": ["06:00", "14:00", "22:00"]}
    assert read["maintenance"] == list(patterns)
    assert read["plant"] == {key: SETTINGS[key] for key in ("name", "zone", "currency")}


def test_settings_are_cut_on_paper_and_say_so() -> None:
    values: dict[str, object] = {f"key_{n}": n for n in range(200)}
    cut = page_settings.settings(values, cut=True)
    assert (len(cut.lines), cut.more) == (page_settings.LINES_SHOWN, 201 - page_settings.LINES_SHOWN)
    assert page_settings.settings(values, cut=False).more == 0


def test_savings_and_order_values_are_kept_apart() -> None:
    bundle = rich_bundle()
    tables = dict(page_summary.actions(bundle, limit=None))
    assert tables["maintenance planner"].heads[2].title == "Saves per week"
    assert tables["buyer"].heads[2].title == "Order value"
    # 84 + 83 + ... + 77, the figures of the eight made-up lines.
    assert "8 lines, together EUR 644 saved per week" in tables["maintenance planner"].caption
    assert "together" not in tables["buyer"].caption
    first = dataclasses.replace(bundle.suspects[0], kind="nozzle", flagged=True, headline=True, mended=False)
    many = tuple(dataclasses.replace(first, id=f"N{n}") for n in range(18))
    settings = {**bundle.settings, "lists": {"worklist": 10, "table_rows": 30}}
    tables = dict(page_summary.actions(dataclasses.replace(bundle, suspects=many, settings=settings), limit=None))
    assert tables["maintenance planner"].caption.endswith("; 8 flagged items more in the worklist of the workbook)")
    assert page_summary.two_kinds(actions())
    mixed = dataclasses.replace(bundle, actions=(*actions(), Action("buyer", "x", "y", 5.0)))
    table = dict(page_summary.actions(mixed, limit=None))["buyer"]
    assert table.heads[2].title == "Worth"
    assert table.rows[0][2].small == "order value"


@pytest.mark.parametrize("label", ["W" * 60, "nozzle NZ054 of L2M1, missed", "漢" * 30, "i" * 90])
def test_labels_of_the_interval_plot_fit_their_room(label: str) -> None:
    pieces = charts._fitting(label, 180.0)
    assert "".join(pieces).replace(" ", "") == label.replace(" ", "")
    assert all(charts._width(piece) <= 180.0 for piece in pieces)


def test_the_page_of_everything_ends_where_a_browser_would_stall() -> None:
    suspect = rich_bundle(suspects=1).suspects[0]
    table = page_suspects.everything((suspect,) * 6_000, "EUR")
    assert (len(table.rows), table.more) == (5_000, 1_000)
