"""The HTML page in a browser: literal names, sorting, filtering, no network, no script needed.

These tests fail, and are not skipped, where Chromium is missing.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.findings.model import Bundle
from reports.html import page as html_of
from reports.html import write_html
from tests.end_to_end.browser import ARGUMENTS, CHROMIUM
from tests.fixtures_bundle import HOSTILE, empty_bundle, hostile_bundle, nothing_known, rich_bundle

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield started
        started.close()


class Opened:
    """A page with everything that it asked for or complained about."""

    def __init__(self, browser: Browser, bundle: Bundle, folder: Path, *, script: bool = True) -> None:
        write_html(bundle, folder / "weekly.html")
        self.context = browser.new_context(java_script_enabled=script, viewport={"width": 1366, "height": 850})
        self.page: Page = self.context.new_page()
        self.asked: list[str] = []
        self.said: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.said.append(dialog.message), dialog.dismiss()))
        self.page.goto((folder / "weekly.html").as_uri())

    def __enter__(self) -> Opened:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()


def shown(opened: Opened, name: str, place: int = 0) -> list[str]:
    rows = opened.page.locator(f"#t-{name} tbody tr:not([hidden])")
    return rows.evaluate_all(f"rows => rows.map(r => r.cells[{place}].innerText.split('\\n')[0])")


def keys(opened: Opened, name: str, place: int) -> list[float]:
    rows = opened.page.locator(f"#t-{name} tbody tr:not([hidden])")
    found = rows.evaluate_all(f"rows => rows.map(r => r.cells[{place}].dataset.sort)")
    return [float(value) for value in found if value is not None]


def test_hostile_names_are_literal_text(browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, hostile_bundle(), tmp_path) as opened:
        opened.page.wait_for_timeout(200)
        text = opened.page.locator("body").evaluate("b => b.textContent")
        squeezed = re.sub(r"\s", "", text)
        for name in HOSTILE:
            assert re.sub(r"\s", "", name) in squeezed, name
        counted = opened.page.evaluate(
            "() => [...document.querySelectorAll('b')].filter(b => b.textContent === 'x').length"
        )
        assert counted == 0
        assert opened.page.locator("script").count() == 1
        assert opened.page.locator("style").count() == 1
        assert opened.page.locator("[style]").count() == 0
        assert opened.page.locator("#planner").is_visible()
        assert opened.said == []
        assert len(opened.asked) == 1, "the file itself and nothing else"


@pytest.mark.parametrize("bundle", [rich_bundle(), empty_bundle(), nothing_known(rich_bundle())])
def test_every_section_is_there_without_complaints(bundle: Bundle, browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, bundle, tmp_path) as opened:
        for name in ("summary", "planner", "buyer", "engineer", "quality", "everything", "reading"):
            opened.page.locator(f"nav a[href='#{name}']").click()
            assert opened.page.locator(f"section#{name}").is_visible()
        assert opened.said == []
        assert not re.search(r"\bNone\b|\bundefined\b|\bNaN\b", opened.page.locator("main").inner_text())
        assert opened.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        for caption in opened.page.locator("table > caption").all_inner_texts():
            assert caption.strip()
        assert opened.page.locator("table:not(:has(caption))").count() == 0


def test_on_a_narrow_screen_figures_stay_whole_and_tables_scroll(browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, rich_bundle(), tmp_path) as opened:
        opened.page.set_viewport_size({"width": 360, "height": 740})
        broken = opened.page.evaluate(
            """() => [...document.querySelectorAll("td.right")].map(cell => cell.firstChild).filter(text => {
                if (!text || text.nodeType !== 3 || !/^[\\d\\u202f.]+$/.test(text.data.trim())) { return false; }
                const range = document.createRange();
                range.selectNodeContents(text);
                return new Set([...range.getClientRects()].filter(r => r.width).map(r => r.top)).size > 1;
            }).map(text => text.data.trim())"""
        )
        assert broken == []
        assert opened.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_sorting_by_click_and_key(browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, rich_bundle(suspects=40), tmp_path) as opened:
        head = opened.page.locator("#t-all-suspects th").nth(1)
        head.locator("button").click()
        assert head.get_attribute("aria-sort") == "ascending"
        rates = keys(opened, "all-suspects", 1)
        assert len(rates) == 42
        assert rates == sorted(rates)
        head.locator("button").focus()
        opened.page.keyboard.press("Enter")
        assert head.get_attribute("aria-sort") == "descending"
        assert keys(opened, "all-suspects", 1) == sorted(rates, reverse=True)
        name = opened.page.locator("#t-all-suspects th").nth(0)
        name.locator("button").click()
        assert head.get_attribute("aria-sort") is None
        feeders = [n for n in shown(opened, "all-suspects") if n.startswith("feeder")]
        assert feeders == sorted(feeders)


def test_figures_that_are_not_known_stay_last(browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, rich_bundle(suspects=20), tmp_path) as opened:
        button = opened.page.locator("#t-all-suspects th").nth(3).locator("button")
        for _ in range(2):
            button.click()
            assert shown(opened, "all-suspects", 3)[-1] == "not enough picks"


def test_dates_sort_by_time(browser: Browser, tmp_path: Path) -> None:
    import dataclasses

    bundle = rich_bundle(suspects=3, flagged=3)
    days = ("2026-11-20", "2026-02-03", "2026-10-01")
    dated = tuple(dataclasses.replace(s, since=day) for s, day in zip(bundle.suspects[:3], days, strict=True))
    with Opened(browser, dataclasses.replace(bundle, suspects=dated), tmp_path) as opened:
        opened.page.locator("#t-worklist th").nth(5).locator("button").click()
        assert shown(opened, "worklist", 5) == ["Tue 3 Feb 2026", "Thu 1 Oct 2026", "Fri 20 Nov 2026"]


def test_filter_and_show_all(browser: Browser, tmp_path: Path) -> None:
    bundle = rich_bundle(suspects=200)
    with Opened(browser, bundle, tmp_path) as opened:
        assert len(shown(opened, "all-suspects")) == 50
        bar = opened.page.locator("#everything .bar")
        assert bar.get_by_role("status").inner_text() == "50 of 202 rows shown"
        bar.get_by_role("button").click()
        assert len(shown(opened, "all-suspects")) == 202
        bar.get_by_role("searchbox").fill("FEEDER")
        expected = [s for s in bundle.suspects if s.kind == "feeder"]
        found = shown(opened, "all-suspects")
        assert len(found) == len(expected) > 0
        assert all(name.startswith("feeder") for name in found)
        bar.get_by_role("searchbox").fill("nothing of that name")
        assert shown(opened, "all-suspects") == []
        assert bar.get_by_role("status").inner_text().startswith("0 found")


def test_without_a_script_all_rows_are_there(browser: Browser, tmp_path: Path) -> None:
    bundle = rich_bundle(suspects=200)
    with Opened(browser, bundle, tmp_path, script=False) as opened:
        rows = opened.page.locator("#t-all-suspects tbody tr")
        assert rows.count() == 202
        assert rows.nth(201).is_visible()
        assert opened.page.locator("button").count() == 0


def test_the_policy_stops_what_is_not_ours(browser: Browser, tmp_path: Path) -> None:
    with Opened(browser, rich_bundle(suspects=3), tmp_path) as opened:
        opened.page.evaluate(
            """() => {
                const script = document.createElement('script');
                script.textContent = 'window.ran = true';
                document.body.append(script);
                const image = document.createElement('img');
                image.src = 'http://127.0.0.1:9/x.png';
                document.body.append(image);
            }"""
        )
        opened.page.wait_for_timeout(200)
        assert opened.page.evaluate("window.ran") is None
        assert sum("Content Security Policy" in line for line in opened.said) >= 2


def test_the_page_names_no_address() -> None:
    text = html_of(rich_bundle()).replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?://|//[a-z]", text.split("</style>")[1].split("<script>")[0])
    assert "default-src 'none'" in text
    assert "unsafe" not in text.split("</head>")[0]
