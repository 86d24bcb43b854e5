"""Bundle -> pages. Nothing here computes a statistic.

In:    a `Bundle` (pipeline/findings/model.py).
Out:   weekly.pdf, weekly.xlsx, weekly.html and a folder csv/.
After: all four say the same; the same bundle gives the same bytes.

    words       numbers to text          columns, fields, tables    flat tables  -> workbook, csv_files
    charts      numbers to drawings      cells, page_*              page tables  -> pages -> pdf, html
"""

from __future__ import annotations

from pathlib import Path

from pipeline.findings.model import Bundle
from reports.csv_files import write_csv
from reports.html import write_html
from reports.pdf import write_pdf
from reports.workbook import write_overage, write_workbook

__all__ = ["write_all", "write_csv", "write_html", "write_overage", "write_pdf", "write_workbook"]


def write_all(bundle: Bundle, folder: Path) -> dict[str, Path]:
    """Write everything into `folder`, which must exist and which the caller puts in place as a whole.

    Returns the paths by their names inside the folder: weekly.pdf, weekly.xlsx, weekly.html, csv.
    """
    made = {name: folder / name for name in ("weekly.pdf", "weekly.xlsx", "weekly.html", "csv")}
    made["csv"].mkdir(exist_ok=True)
    write_csv(bundle, made["csv"])
    write_workbook(bundle, made["weekly.xlsx"])
    write_html(bundle, made["weekly.html"])
    write_pdf(bundle, made["weekly.pdf"])
    return made
