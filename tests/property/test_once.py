"""The same events twice, renamed, re-compressed, split, shuffled, overlapping or in any order give the same tallies.

Two ways must agree: the store's tallies, and plain Python counting the union of the lines.
"""

from __future__ import annotations

import itertools
import tempfile
from collections import Counter
from datetime import datetime
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline import settings as plant_settings
from pipeline.intake import find_files, take_in
from pipeline.store.database import open_store
from tests.plants import PickLine, make_plant, query, some_picks, tally_digest, write_picks

OUTCOME = {"OK": "placed", "MISS": "missed", "BAD": "rejected", "LOST": "dropped"}
ENDINGS = (".csv", ".csv.gz", ".csv.zst")
BEGIN = datetime(2026, 11, 16, 6)  # noqa: DTZ001


def _load(folder: Path, files: dict[str, list[PickLine]], passes: int = 1) -> Path:
    make_plant(folder)
    for name, lines in files.items():
        write_picks(folder / "inbox" / name, lines)
    plant = plant_settings.load(folder)
    for _ in range(passes):
        with open_store(plant, write=True) as con:
            taken = take_in(con, plant, find_files(plant, []))
            assert not taken.refused
            for result in taken.loaded:
                assert result.read == result.loaded + result.duplicate + result.refused
    return folder


@st.composite
def exports(draw: st.DrawFn) -> tuple[list[PickLine], dict[str, list[PickLine]]]:
    """A list of picks, and files that cover it: pieces that may overlap, in any order of names and of their lines.

    Some pieces come twice, under another name, packed alike or in another way, as they were or shuffled once more.
    """
    lines = some_picks(draw(st.integers(20, 120)), seed=draw(st.integers(0, 50)))
    cuts = sorted(draw(st.lists(st.integers(0, len(lines)), min_size=0, max_size=4)))
    edges = [0, *cuts, len(lines)]
    files: dict[str, list[PickLine]] = {}
    names = draw(st.permutations(range(12)))
    rng = draw(st.randoms(use_true_random=False))
    for i, (a, b) in enumerate(itertools.pairwise(edges)):
        overlap = draw(st.integers(0, 30))
        piece = lines[max(0, a - overlap) : b]
        if not piece:
            continue
        piece = rng.sample(piece, len(piece)) if draw(st.booleans()) else piece
        files[f"{names[i]}_picks{draw(st.sampled_from(ENDINGS))}"] = piece
        repeat = draw(st.sampled_from(["no", "no", "renamed", "shuffled"]))
        if repeat != "no":
            ending = draw(st.sampled_from(ENDINGS))
            files[f"{names[i + 6]}_picks{ending}"] = rng.sample(piece, len(piece)) if repeat == "shuffled" else piece
    return lines, files


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(exports())
def test_overlapping_exports_in_any_order_give_their_union(
    made: tuple[list[PickLine], dict[str, list[PickLine]]],
) -> None:
    lines, files = made
    with tempfile.TemporaryDirectory() as a, tempfile.TemporaryDirectory() as b:
        whole = _load(Path(a), {"all_picks.csv": lines})
        pieces = _load(Path(b), files, passes=2)
        assert tally_digest(whole) == tally_digest(pieces)
        counted = Counter((x.machine, x.nozzle, x.feeder, OUTCOME[x.result]) for x in lines)
        stored = Counter()
        for outcome in OUTCOME.values():
            rows = query(pieces, f"select machine, nozzle, feeder, sum({outcome}) from tally group by all")
            stored.update({(m, n, f, outcome): int(k) for m, n, f, k in rows if k})  # type: ignore[call-overload]
        assert stored == counted
        contents = {tuple(line.text() for line in piece) for piece in files.values()}
        ((loads, loaded, read),) = query(pieces, "select count(*), sum(rows_loaded), sum(rows_read) from load")
        assert (loads, loaded, read) == (len(contents), len(lines), sum(map(len, contents)))


def test_two_equal_lines_in_one_file_are_two_picks(tmp_path: Path) -> None:
    twice = [PickLine(BEGIN, result="MISS", code="V")] * 2
    plant = _load(tmp_path, {"a_picks.csv": twice})
    assert query(plant, "select sum(attempts), sum(missed) from tally") == [(2, 2)]


def test_a_later_export_with_one_more_copy_adds_only_that_one(tmp_path: Path) -> None:
    line = PickLine(BEGIN, result="MISS", code="V")
    plant = _load(tmp_path, {"a_picks.csv": [line, line], "b_picks.csv": [line, line, line]})
    assert query(plant, "select sum(missed) from tally") == [(3,)]
    assert query(plant, "select rows_read, rows_loaded, rows_duplicate from load order by file") == [
        (2, 2, 0),
        (3, 1, 2),
    ]


def test_same_content_under_another_name_and_packing_is_known(tmp_path: Path) -> None:
    lines = some_picks(50)
    plant = _load(tmp_path, {"a_picks.csv": lines, "b_picks.csv.gz": lines, "c_picks.csv.zst": lines})
    assert query(plant, "select count(*), sum(rows_loaded) from load") == [(1, 50)]


def test_identifiers_stay_byte_for_byte(tmp_path: Path) -> None:
    odd = [
        "0402",
        "01005",
        "1E5",
        "007",
        " x ",
        "NaN",
        "null",
        "1.0",
        "<b>x</b>",
        "=1+1",
        "'; drop table pick; --",
        "{{7*7}}",
    ]
    lines = [PickLine(BEGIN, part=name, nozzle=name, feeder=name) for name in odd if ";" not in name]
    plant = _load(tmp_path, {"a_picks.csv": lines})
    stored = {row[0] for row in query(plant, "select part from pick")}
    assert stored == {name for name in odd if ";" not in name}
