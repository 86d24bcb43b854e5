"""The PDF read back: sections, cautions, literal names, size and speed."""

from __future__ import annotations

import dataclasses
import logging
import re
import time
from pathlib import Path

import pytest
import weasyprint
from pypdf import PdfReader
from weasyprint.formatting_structure.boxes import TableCellBox, TextBox

from pipeline.findings.model import Bundle
from reports.pdf import DataOnly, OutsideAddress, layout, page, write_pdf
from tests.fixtures_bundle import HOSTILE, SETTINGS, empty_bundle, hostile_bundle, nothing_known, rich_bundle

SECTIONS = ("For the maintenance planner", "For the buyer", "For the engineer", "The data behind this report")


def pages_of(bundle: Bundle, folder: Path) -> list[str]:
    write_pdf(bundle, folder / "weekly.pdf")
    return [sheet.extract_text() for sheet in PdfReader(folder / "weekly.pdf").pages]


def squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


@pytest.fixture(scope="module")
def rich(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rich bundle as PDF, laid out once."""
    folder = tmp_path_factory.mktemp("rich")
    logging.getLogger("weasyprint").propagate = True
    complaints: list[str] = []
    handler = logging.Handler()
    handler.emit = lambda record: complaints.append(record.getMessage())  # type: ignore[method-assign]
    logging.getLogger("weasyprint").addHandler(handler)
    write_pdf(rich_bundle(), folder / "weekly.pdf")
    logging.getLogger("weasyprint").removeHandler(handler)
    (folder / "complaints.txt").write_text("\n".join(complaints), encoding="utf-8")
    return folder / "weekly.pdf"


@pytest.fixture(scope="module")
def rich_pages(rich: Path) -> list[str]:
    return [sheet.extract_text() for sheet in PdfReader(rich).pages]


def test_sections_cautions_and_figures(rich_pages: list[str]) -> None:
    pages = rich_pages
    whole = "\n".join(pages)
    assert "Weekly attrition report: Made-up plant" in pages[0]
    assert SECTIONS[0] in pages[1], "the summary is one page"
    for title in (*SECTIONS, "How to read the figures"):
        assert title in whole
    assert whole.count("Before a hand goes into a machine") == 3
    for word in ("lockout procedure", "maker's manual", "guards and interlocks", "ESD", "qualified people"):
        assert squeezed(word) in squeezed(whole)
    # 1810 missed of 1 860 000 picks are 973 ppm.
    assert "973ppm" in squeezed(pages[0])
    assert "1810of1860000picks" in squeezed(pages[0])
    assert "2 more in the workbook" in whole
    assert "None" not in whole
    assert "DP" + "MO" not in whole


def test_no_figure_with_too_many_digits(rich_pages: list[str]) -> None:
    whole = "\n".join(rich_pages)
    assert not re.search(r"\d\.\d{5,}", whole)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_literal_text(name: str, hostile_text: str) -> None:
    assert squeezed(name) in hostile_text


@pytest.fixture(scope="module")
def hostile_pdf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("hostile") / "weekly.pdf"
    write_pdf(hostile_bundle(suspects=40, flagged=8, overages=9, finding=3), path)
    return path


@pytest.fixture(scope="module")
def hostile_text(hostile_pdf: Path) -> str:
    return squeezed("".join(sheet.extract_text() for sheet in PdfReader(hostile_pdf).pages))


def test_nothing_is_embedded_or_linked_outside(hostile_pdf: Path) -> None:
    reader = PdfReader(hostile_pdf)
    assert not reader.attachments
    for sheet in reader.pages:
        for note in sheet.get("/Annots", ()):
            assert "/URI" not in note.get_object().get("/A", {})


def test_long_ids_are_wrapped_not_cut() -> None:
    long = "NZ" + "".join(f"{n:03d}" for n in range(45))
    bundle = rich_bundle(suspects=8, flagged=8, overages=2, finding=1)
    named = tuple(dataclasses.replace(s, id=long, explained_by=long, cause=long) for s in bundle.suspects)
    bought = tuple(dataclasses.replace(x, part=long, build=long, basis=long) for x in bundle.overage)
    html = page(dataclasses.replace(bundle, suspects=named, overage=bought, plant=long))
    document = weasyprint.HTML(string=html, url_fetcher=DataOnly()).render()
    texts = []
    for sheet in document.pages:
        for box in sheet._page_box.descendants():
            if isinstance(box, TextBox) and box.text.strip():
                assert 0 <= box.position_x <= box.position_x + box.width <= sheet.width, box.text
                texts.append(box.text)
    assert "".join(texts).count(long) >= 8


def test_no_cell_runs_into_its_neighbour() -> None:
    html = page(hostile_bundle(suspects=40, flagged=8, overages=9, finding=3))
    document = weasyprint.HTML(string=html, url_fetcher=DataOnly()).render()
    cells = [b for sheet in document.pages for b in sheet._page_box.descendants() if isinstance(b, TableCellBox)]
    assert len(cells) > 300
    for cell in cells:
        for box in cell.descendants():
            if isinstance(box, TextBox) and box.text.strip():
                assert box.position_x + box.width <= cell.position_x + cell.border_width() + 0.5, box.text


def test_empty_week_says_why(tmp_path: Path) -> None:
    pages = pages_of(empty_bundle(), tmp_path)
    whole = squeezed(" ".join(pages))
    for reason in (
        "There are no picks in this week, so there is no rate.",
        "There are no picks in this week, so nothing can be flagged.",
        "There is no open build in the build table, so there is nothing to kit or buy.",
        "No part had enough recognition rejects to ask what they follow",
        "No machine sent picks this week.",
        "No line was refused.",
        "No service was logged",
    ):
        assert squeezed(reason) in whole


def test_nothing_known_prints_words(tmp_path: Path) -> None:
    whole = "\n".join(pages_of(nothing_known(rich_bundle(suspects=20, flagged=4, overages=4)), tmp_path))
    assert "not enough picks" in whole
    assert "not known" in whole
    assert not re.search(r"\bNone\b|\bnan\b", whole)


def test_3000_suspects_stay_under_30_seconds(tmp_path: Path) -> None:
    big = rich_bundle(suspects=3000, flagged=300, overages=900, finding=100, machines=40)
    big = dataclasses.replace(big, settings=SETTINGS)
    begin = time.process_time()
    write_pdf(big, tmp_path / "weekly.pdf")
    assert time.process_time() - begin < 30
    pages = PdfReader(tmp_path / "weekly.pdf").pages
    assert "290morein" in squeezed(pages[1].extract_text()), "a list of 10 of 300 flagged items"
    assert len(pages) < 60


def test_tagged_with_language_and_the_weeks_date(rich: Path) -> None:
    reader = PdfReader(rich)
    catalog = reader.trailer["/Root"]
    assert catalog["/MarkInfo"]["/Marked"]
    assert catalog["/Lang"] == "en-GB"
    assert reader.metadata is not None
    assert reader.metadata.creation_date_raw == "D:20261123000000+01'00"
    # A4 is 210 x 297 mm (ISO 216).
    for sheet in reader.pages:
        assert float(sheet.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=0.1)
        assert float(sheet.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=0.1)


def test_the_layout_engine_has_no_complaints(rich: Path) -> None:
    assert (rich.parent / "complaints.txt").read_text(encoding="utf-8") == ""


@pytest.mark.parametrize(
    "html",
    [
        '<img src="file:///etc/hostname">',
        '<img src="http://127.0.0.1:9/x.png">',
        '<link rel="stylesheet" href="file:///etc/hostname">',
        '<link rel="attachment" href="file:///etc/hostname">',
        "<style>@import url(http://127.0.0.1:9/x.css);</style>",
        "<style>body { background: url(FILE:///etc/hostname) }</style><p>x</p>",
        '<svg width="9" height="9"><image href="file:///etc/hostname" width="9" height="9"/></svg>',
    ],
)
def test_any_address_but_data_stops_the_run(html: str) -> None:
    with pytest.raises(OutsideAddress):
        layout(html)


def test_data_addresses_are_allowed() -> None:
    pixel = "R0lGODlhAQABAIAAAAAAAP///yH5BAEAAAAALAAAAAABAAEAAAIBRAA7"
    assert layout(f'<img alt="x" src="data:image/gif;base64,{pixel}">').startswith(b"%PDF")
