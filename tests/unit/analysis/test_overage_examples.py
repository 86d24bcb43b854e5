"""The examples of docs/overage.md: made-up history in, the very figures of the page out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.analysis.overage_cost import findings_by_cost
from pipeline.analysis.overage_kit import whole_kit
from pipeline.analysis.overage_lines import recommend, suffices
from pipeline.analysis.overage_standing import standing_overage
from pipeline.analysis.overage_words import count, sure
from pipeline.commands.build_list import read_build_list
from tests.unit.analysis.test_overage import NO_LOADS, PLANT, builds_of, cell, lines_of, parts_of, usage_of

PAGE = Path(__file__).parents[3] / "docs" / "overage.md"


def _history() -> list[dict[str, Any]]:
    """Twelve chip parts at about 0.14 %, a 0603 at 0.2 %, four ICs on trays, and one new part with 3 lost in 200."""
    rows = []
    for j in range(12):
        for k in range(10):
            lost = 1 + (5 * j + 3 * k) % 4
            rows.append(cell(f"R{j}", 5 * k + j % 5, 2000 - lost, lost, missed=(j + k) % 3, lot=f"R{j}-{k // 4}"))
    rows.append(cell("C-NEW", 50, 197, 3))
    for k in range(40):
        lost = 1 + k % 4
        rows.append(cell("C-REEL", k, 1250 - lost, lost, package="0603", lot=f"C-{k // 8}"))
    for j in range(4):
        for k in range(6):
            lost = int((j + k) % 5 == 0)
            rows.append(cell(f"IC{j}", 8 * k, 150, lost, package="QFP100", feeder_type="tray", lot=f"IC{j}-{k // 3}"))
    return rows


TABLE = parts_of(
    {"part": "C-NEW", "package": "0402", "unit_cost": 0.004, "feeder_type": "tape", "pack_size": 10_000, "stock": 0},
    {"part": "R-NEVER", "package": "0402", "unit_cost": 0.004, "feeder_type": "tape", "pack_size": 10_000, "stock": 0},
    {"part": "X-NEVER", "package": "shield", "unit_cost": 1.2, "feeder_type": "tape", "pack_size": 1000, "stock": 0},
    {"part": "IC0", "package": "QFP100", "unit_cost": 80.0, "feeder_type": "tray", "pack_size": 60, "stock": 100},
    {"part": "C-REEL", "package": "0603", "unit_cost": 0.002, "feeder_type": "tape", "pack_size": 10_000, "stock": 0},
    {"part": "R0", "package": "0402", "unit_cost": 0.004, "feeder_type": "tape", "pack_size": 10_000, "stock": 500},
)
BUILDS = builds_of(
    ("A", "C-NEW", 4, 500, "2026-12-01"),
    ("A", "R-NEVER", 4, 500, "2026-12-01"),
    ("A", "X-NEVER", 1, 500, "2026-12-01"),
    ("A", "IC0", 1, 200, "2026-12-01"),
    ("A", "C-REEL", 20, 500, "2026-12-01"),
    ("FIVE", "R0", 12, 5, "2026-12-02"),
    ("FIVE", "IC0", 1, 5, "2026-12-02"),
)


def expected_lines() -> list[str]:
    """Rows of the page's tables, as the code has them now."""
    usage = usage_of(*_history())
    lines = []
    for o in recommend(usage, NO_LOADS, TABLE, BUILDS, PLANT):
        lines.append(f"| {o.build} | {o.part} | {o.need} | {o.extra} | {o.kit} | {o.buy} | {o.basis} | {o.reason} |")
    for o in findings_by_cost(lines_of(usage, TABLE, BUILDS), PLANT):
        sure = f"{100 * o.service_level:.1f}" if o.service_level < 0.9995 else "over 99.9"
        lines.append(f"| {o.build} | {o.part} | {o.unit_cost:g} | {o.extra} | {sure}\u202f% |")
    kit = whole_kit(lines_of(usage, TABLE, BUILDS), "A", PLANT)
    lines += [f"| {part} | {extra} |" for part, extra in kit.extras]
    lines.append(kit.text)
    for rule in standing_overage(usage, NO_LOADS, TABLE, PLANT):
        lines.append(f"| {rule.part} | {rule.fixed} | {100 * rule.share:.2f}\u202f% | {rule.waste:.0f} |")
    return lines


def questions() -> list[str]:
    """Will these do? As `pickfall overage --part R0 --need 1200 --have ...` answers."""
    lines = lines_of(usage_of(*_history()), TABLE, builds_of(("asked", "R0", 1, 1200, None)))
    enough = [(have, suffices(lines, 0, have)) for have in (1340, 1210)]
    return [
        f"{count(have)} pieces for 1\u202f200 placements of R0: {'yes' if p >= 0.95 else 'no'}, {sure(p)}."
        for have, p in enough
    ]


@pytest.mark.parametrize("line", [*expected_lines(), *questions()])
def test_the_page_shows_what_the_code_gives(line: str) -> None:
    assert line in PAGE.read_text(encoding="utf-8")


def test_the_page_shows_what_is_said_of_a_list_with_mistakes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rows = (
        "build;part;per board;boards;stock",
        "WO1;C-NEW;4;500;120",
        "WO1;NOBODY;2;500;",
        "WO1;IC0;1;0;",
        "WO1;R0;12;500;-40",
        "WO1;C-NEW;1;500;",
        "WO1;C-REEL;twenty;500;",
        "WO1;R-NEVER;4;500;plenty",
    )
    Path("list.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    found = read_build_list(Path("list.csv"), set(TABLE["part"]), PLANT.limits)
    assert (found.read, found.refused, found.builds.height) == (7, 2, 4)
    assert len(found.said) == 6
    for said in found.said:
        assert said in PAGE.read_text(encoding="utf-8").splitlines()
