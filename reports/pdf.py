"""The week on paper: A4, tagged, at most `lists.table_rows` rows a table.

In:    a `Bundle`.
Out:   a .pdf file.
After: the same bundle gives the same bytes; nothing was read from the network or the disk but fonts and our own
       templates: an address in a page stops the run.

Long tables are what costs time here, hence the cap; the workbook has every row.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import weasyprint
from markupsafe import Markup
from weasyprint.urls import FatalURLFetchingError, URLFetcher

from pipeline.findings.model import Bundle
from reports.pages import render, resource


class OutsideAddress(RuntimeError):
    """A page named an address outside itself: a bug of a template, or data that got out of its quotes."""


class DataOnly(URLFetcher):  # type: ignore[misc]  # the library carries no types
    """Fetches data: addresses, which carry their content; any other stops the run.

    `refused` keeps the first address that was not fetched: inside a drawing the library swallows every error.
    """

    def __init__(self) -> None:
        super().__init__(allowed_protocols=("data",), allow_redirects=False)
        self.refused = ""

    def fetch(self, url: str, headers: dict[str, str] | None = None) -> Any:
        """The content of a data: address."""
        if not url.lower().startswith("data:"):
            self.refused = self.refused or url
            raise FatalURLFetchingError(url)
        return super().fetch(url, headers)


def page(bundle: Bundle) -> str:
    """The HTML that the PDF is laid out from."""
    css = resource("styles", "common.css") + resource("styles", "paper.css")
    return render("pdf.html.j2", bundle, cut=True, css=Markup(css))


def layout(html: str) -> bytes:
    """HTML as PDF. Raises OutsideAddress when it names any address but data:."""
    fetcher = DataOnly()
    try:
        document = weasyprint.HTML(string=html, url_fetcher=fetcher)
        made: bytes = document.write_pdf(pdf_identifier=hashlib.sha256(html.encode()).digest()[:16], pdf_tags=True)
    except FatalURLFetchingError as error:
        raise OutsideAddress(f"a page names {error}; only data: addresses are allowed") from error
    if fetcher.refused:
        raise OutsideAddress(f"a drawing names {fetcher.refused}; only data: addresses are allowed")
    return made


def write_pdf(bundle: Bundle, path: Path) -> None:
    """Write `bundle` as PDF to `path`. OSError when the disk refuses."""
    path.write_bytes(layout(page(bundle)))
