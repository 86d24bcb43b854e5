"""Headless Chromium for tests of pages. A test that needs it fails where it is missing; it never skips."""

from __future__ import annotations

import os
from pathlib import Path

from playwright.sync_api import sync_playwright

CHROMIUM = os.environ.get("PICKFALL_CHROMIUM", "/usr/bin/chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def text_of(path: Path, tag: str) -> tuple[str, list[str]]:
    """All text of a page, hidden rows included, and the text of each element with that tag."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = browser.new_page()
        page.goto(path.as_uri())
        text = page.locator("body").text_content() or ""
        inside = [t.strip() for t in page.locator(tag).all_text_contents()]
        browser.close()
    return text, inside
