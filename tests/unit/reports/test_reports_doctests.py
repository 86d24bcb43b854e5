"""The examples in the docstrings of reports run."""

from __future__ import annotations

import doctest
from types import ModuleType

import pytest

from reports import charts, csv_files, html, page_settings, words, workbook


@pytest.mark.parametrize("module", [words, charts, csv_files, workbook, html, page_settings], ids=lambda m: m.__name__)
def test_examples(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
