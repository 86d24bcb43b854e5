"""Which exchange is proposed, with whom, and after how many picks it tells: small plants written out by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.proportion import samplesize_proportions_2indep_onetail

from pipeline.analysis.items import SEPARATOR
from pipeline.analysis.swaps import propose
from pipeline.findings.model import Swap

MONDAY = datetime(2026, 11, 16, 6)  # noqa: DTZ001
COLUMNS = ("machine", "head", "spindle", "nozzle", "nozzle_type", "feeder", "feeder_type", "slot", "part", "lot",
           "reel", "package", "chances")  # fmt: skip


def _cells(*rows: dict[str, Any], days: int = 1) -> pl.DataFrame:
    """Cells of the week; each row has a plain place on machine M1 unless it says otherwise."""
    plain = dict.fromkeys(COLUMNS) | {"machine": "M1", "head": "H1", "package": "0402", "chances": 1000}
    full = [{**plain, **r, "shift": MONDAY + timedelta(days=d)} for d in range(days) for r in rows]
    texts = dict.fromkeys(COLUMNS[:-1], pl.String())
    return pl.DataFrame(full, schema={**texts, "chances": pl.Int64(), "shift": pl.Datetime("us")})


def _nozzle(name: str, spindle: str, kind: str = "A", machine: str = "M1", chances: int = 1000) -> dict[str, Any]:
    return {"nozzle": name, "spindle": spindle, "nozzle_type": kind, "machine": machine, "chances": chances}


def _spindle(name: str) -> tuple[str, str]:
    return "spindle", SEPARATOR.join(("M1", "H1", name))


def _propose(frame: pl.DataFrame, suspect: tuple[str, str], *doubt: tuple[str, str], **bad: float) -> Swap | None:
    """bad: log odds of nozzles."""
    tables: Any = {"nozzle": SimpleNamespace(keys=list(bad), effect=np.array(list(bad.values())))}
    return propose(suspect, doubt, frame, tables, 4.0, 0.002, 1.0, 0.95)


def test_the_partner_is_of_the_same_type_and_machine_elsewhere_healthy_and_has_most_picks() -> None:
    frame = _cells(
        _nozzle("N1", "1"),
        _nozzle("other-type", "2", kind="B", chances=9000),
        _nozzle("other-machine", "3", machine="M2", chances=9000),
        _nozzle("same-spindle", "1", chances=9000),
        _nozzle("bad", "4", chances=9000),
        _nozzle("few", "5", chances=500),
        _nozzle("most", "6", chances=700),
        _nozzle("few-too", "7", chances=600),
    )
    swap = _propose(frame, ("nozzle", "N1"), _spindle("1"), bad=np.log(1.3), most=np.log(1.2))
    assert swap is not None
    assert swap.what == "Exchange nozzle N1 (on spindle H1/1 of M1) with nozzle most (on spindle H1/6 of M1)."
    assert swap.reads == (
        "If the losses go with nozzle N1, it is nozzle N1; if they stay behind, it is spindle H1/1 of M1."
    )
    alone = frame.filter(pl.col("nozzle").is_in(["N1", "other-type", "other-machine", "same-spindle", "bad"]))
    assert _propose(alone, ("nozzle", "N1"), _spindle("1"), bad=np.log(1.3)) is None


def test_of_two_partners_with_as_many_picks_the_first_by_name() -> None:
    frame = _cells(_nozzle("N1", "1"), _nozzle("N3", "3"), _nozzle("N2", "2"))
    swap = _propose(frame, ("nozzle", "N1"), _spindle("1"))
    assert swap is not None
    assert "with nozzle N2 (" in swap.what


def test_the_exchange_is_the_same_whichever_of_the_two_is_the_suspect() -> None:
    frame = _cells(_nozzle("N1", "1"), _nozzle("N2", "2"))
    one, other = _propose(frame, ("nozzle", "N1"), _spindle("1")), _propose(frame, _spindle("1"), ("nozzle", "N1"))
    assert one is not None
    assert other is not None
    assert (one.what, one.reads) == (other.what, other.reads)


def test_picks_and_days_until_the_answer() -> None:
    """Odds of 4 times those of 0.2 % are a rate of 0.7952 %; 2000 picks a day over five days."""
    frame = _cells(_nozzle("N1", "1", chances=2000), _nozzle("N2", "2"), days=5)
    rate = 4 * 0.002 / (0.998 + 4 * 0.002)
    assert rate == pytest.approx(0.007952, abs=1e-6)
    needed = samplesize_proportions_2indep_onetail(rate - 0.002, 0.002, 0.9, ratio=1, alpha=0.05)
    for dispersion in (0.5, 1.0, 3.0):
        swap = propose(("nozzle", "N1"), (_spindle("1"),), frame, {}, 4.0, 0.002, dispersion, 0.95)
        assert swap is not None
        assert swap.picks == pytest.approx(needed * max(dispersion, 1.0), abs=1.01)
        assert swap.days == pytest.approx(swap.picks / 2000)


@pytest.mark.parametrize(("effect", "rate"), [(1.0, 0.002), (0.5, 0.002), (4.0, 0.0), (4.0, 1.0)])
def test_what_loses_no_more_than_its_peers_needs_no_exchange(effect: float, rate: float) -> None:
    frame = _cells(_nozzle("N1", "1"), _nozzle("N2", "2"))
    assert propose(("nozzle", "N1"), (_spindle("1"),), frame, {}, effect, rate, 1.0, 0.95) is None
    assert propose(("nozzle", "N1"), (_spindle("1"),), frame, {}, 1.01, 0.002, 1.0, 0.95) is not None


def _feeder(name: str, slot: str, part: str, reel: str, kind: str | None = "tape") -> dict[str, Any]:
    return {"feeder": name, "slot": slot, "part": part, "reel": reel, "lot": f"L{reel}", "feeder_type": kind}


def test_a_feeder_changes_its_slot_with_the_reel_and_a_reel_its_feeder() -> None:
    frame = _cells(
        _feeder("F1", "1", "P1", "R1"),
        _feeder("F2", "2", "P1", "R2"),
        _feeder("F3", "3", "P2", "R3", kind="tray"),
        _feeder("F4", "4", "P2", "R4", kind=None),
    )
    slot = ("slot", SEPARATOR.join(("M1", "1")))
    moved = _propose(frame, ("feeder", "F1"), slot, ("part", "P1"))
    assert moved is not None
    assert moved.what == "Exchange feeder F1 (on slot 1 of M1) with feeder F2 (on slot 2 of M1)."
    assert moved.reads == (
        "If the losses go with feeder F1, it is feeder F1 or part P1; if they stay behind, it is slot 1 of M1."
    )
    reel = _propose(frame, ("reel", "R1"), ("feeder", "F1"))
    assert reel is not None
    assert reel.what == "Put reel R1 on feeder F2 (now with reel R2) instead of feeder F1."
    # P1 runs from F2 too: where it is put there it tells nothing new, so a feeder of another part is looked for.
    assert _propose(frame, ("part", "P1"), ("feeder", "F1")) is None
    more = _cells(*frame.select(COLUMNS).to_dicts(), _feeder("F5", "5", "P3", "R5"))
    part = _propose(more, ("part", "P1"), ("feeder", "F1"))
    assert part is not None
    assert part.what == "Put reel R1 on feeder F5 (now with reel R5) instead of feeder F1."
    assert part.reads == "If the losses go with reel R1, it is part P1; if they stay behind, it is feeder F1."
    assert _propose(frame.filter(pl.col("feeder") != "F2"), ("feeder", "F1"), slot) is None


@pytest.mark.parametrize(
    ("suspect", "other", "what", "stops", "goes_on"),
    [
        (("lot", "LR1"), ("part", "P1"), "Load another lot in place of lot LR1.", "lot LR1", "part P1"),
        (("part", "P1"), ("lot", "LR1"), "Load another lot in place of lot LR1.", "lot LR1", "part P1"),
        (("reel", "R1"), ("lot", "LR1"), "Load another reel in place of reel R1.", "reel R1", "lot LR1"),
        (("package", "0402"), ("part", "P1"), "Run another part of package 0402 from the same feeders and nozzles.",
         "part P1", "package 0402"),
    ],
)  # fmt: skip
def test_material_comes_apart_with_other_material(
    suspect: tuple[str, str], other: tuple[str, str], what: str, stops: str, goes_on: str
) -> None:
    frame = _cells(_feeder("F1", "1", "P1", "R1"), days=2)
    swap = _propose(frame, suspect, other)
    assert swap is not None
    assert swap.what == what
    assert swap.reads == f"If the losses stop, it is {stops}; if they go on, it is {goes_on}."
    assert swap.days == pytest.approx(swap.picks / 1000)
