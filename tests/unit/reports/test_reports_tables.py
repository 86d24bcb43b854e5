"""Tables hold every field of the model, cut where they must, and add up what is known."""

from __future__ import annotations

import dataclasses

import pytest
from jinja2 import UndefinedError

from pipeline.findings import model
from pipeline.findings.model import Bundle
from reports import page_buyer, page_quality, pages
from reports.cells import PageTable
from reports.columns import Table
from reports.csv_files import cell
from reports.tables import TABLES, table
from reports.workbook import created
from tests.fixtures_bundle import empty_bundle, hostile_bundle, nothing_known, rich_bundle

# Fields that stand in a table of their own, or are spread over several columns.
ELSEWHERE = {
    "suspects": (model.Suspect, {"evidence", "history"}),
    "suspect_evidence": (model.Evidence, set()),
    "actions": (model.Action, set()),
    "services": (model.ServiceOutcome, {"before", "after", "history"}),
    "recognition": (model.RecognitionFinding, {"rejects", "measured", "lots", "heads", "history"}),
    "recognition_measured": (model.Measured, set()),
    "overage": (model.Overage, set()),
    "drift": (model.OffsetDrift, {"days"}),
    "quality": (model.QualityLine, set()),
    "machines": (model.MachineWeek, {"loss"}),
    "refused": (model.RefusalGroup, set()),
    "losses": (model.LossSummary, {"this_week", "last_week", "trend"}),
    "loss_trend": (model.TrendPoint, {"label"}),
    "suspect_trend": (model.TrendPoint, {"label"}),
    "service_trend": (model.TrendPoint, {"label"}),
    "recognition_trend": (model.TrendPoint, {"label"}),
    "recognition_where": (model.Rate, set()),
}


@pytest.mark.parametrize("name", ELSEWHERE)
def test_no_field_of_the_model_is_lost(name: str) -> None:
    kind, elsewhere = ELSEWHERE[name]
    fields = {f.name for f in dataclasses.fields(kind)} - elsewhere
    assert fields <= {column.field for column in table(name).columns}


@pytest.mark.parametrize("content", TABLES, ids=lambda t: t.name)
@pytest.mark.parametrize("bundle", [rich_bundle(), empty_bundle(), nothing_known(rich_bundle()), hostile_bundle()])
def test_rows_fit_their_columns(content: Table, bundle: Bundle) -> None:
    names = [column.field for column in content.columns]
    assert len(names) == len(set(names))
    for row in content.rows(bundle):
        assert len(row) == len(names)
        assert all(value is None or isinstance(value, (str, int, float, bool)) for value in row)


def test_unknown_table() -> None:
    with pytest.raises(KeyError):
        table("nothing")


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_a_spreadsheet_would_run_is_guarded(first: str) -> None:
    assert cell(f"{first}1").startswith("'")
    assert cell(-1.5) == "-1.5"
    assert cell(float("nan")) == ""


def walk(value: object) -> list[PageTable]:
    if isinstance(value, PageTable):
        return [value]
    if isinstance(value, (list, tuple)):
        return [found for inner in value for found in walk(inner)]
    if dataclasses.is_dataclass(value) and not isinstance(value, (type, Bundle)):
        return [found for f in dataclasses.fields(value) for found in walk(getattr(value, f.name))]
    return []


@pytest.mark.parametrize("rows", [3, 30])
def test_paper_tables_are_cut_and_say_so(rows: int) -> None:
    big = rich_bundle(suspects=3000, flagged=400, overages=900, finding=100, machines=40)
    settings = {**big.settings, "lists": {"worklist": 500, "table_rows": rows}}
    big = dataclasses.replace(big, settings=settings, services=big.services * 10, drifts=big.drifts * 10)
    cut = {t.name: t for value in pages.context(big, cut=True).values() for t in walk(value)}
    full = {t.name: t for value in pages.context(big, cut=False).values() for t in walk(value)}
    assert max(len(t.rows) for t in cut.values()) == rows
    for name, t in cut.items():
        assert len(t.rows) + t.more == len(full[name].rows) + full[name].more
    assert len(full["worklist"].rows) == 400


def test_widths_fill_the_page() -> None:
    for t in (t for value in pages.context(rich_bundle(), cut=True).values() for t in walk(value)):
        assert sum(head.width for head in t.heads) == 100, t.name


def test_a_misspelt_name_in_a_template_raises() -> None:
    with pytest.raises(UndefinedError):
        pages.environment().from_string("{{ nothing_of_that_name }}").render()
    with pytest.raises(ValueError, match="None"):
        pages.environment().from_string("{{ value }}").render(value=None)


def test_totals_leave_out_what_has_no_price_and_say_so() -> None:
    items = rich_bundle(overages=30).overage
    total = page_buyer.total("all", items)
    priced = [x for x in items if x.extra_cost is not None]
    assert total.unpriced == len(items) - len(priced) > 0
    assert total.extra_cost == pytest.approx(sum(x.extra_cost or 0 for x in priced))
    assert page_buyer.total("none", nothing_known(rich_bundle()).overage).extra_cost is None


def test_what_stock_does_not_cover() -> None:
    item = dataclasses.replace(rich_bundle().overage[0], need=90, extra=10, kit=100, stock=20, on_order=5)
    assert page_buyer.shortage(dataclasses.replace(item, kit=200)) == pytest.approx(0.875), "whole packs"
    assert page_buyer.shortage(item) == pytest.approx(0.75)
    assert page_buyer.shortage(dataclasses.replace(item, stock=500)) == 0
    assert page_buyer.shortage(dataclasses.replace(item, stock=None)) is None


def test_rows_that_do_not_add_up_are_called_out() -> None:
    quality = rich_bundle().quality
    assert "It adds up" in page_quality.balance(quality)
    assert "NOT add up" in page_quality.balance(dataclasses.replace(quality, rows_loaded=quality.rows_loaded - 1))


def test_a_week_that_is_no_date_still_gets_one() -> None:
    assert created("no date").year == 2000
