"""Delimited logs that fill other tables than `pick`: counts, closed lists, intervals."""

# ruff: noqa: DTZ001 - times in the store are UTC without a zone
from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from tests.fixtures_delimited import stage


def other(table: str, columns: str, more: str = "") -> str:
    head = f'format = 1\nname = "x"\ntable = "{table}"\nfiles = ["*.csv"]\n'
    return head + f'[time]\ncolumns = ["T"]\nformat = "%Y-%m-%d %H:%M"\n[columns]\n{columns}\n{more}'


def test_counters(tmp_path: Path) -> None:
    mapping = other("counter", 'machine="M"\nattempts="A"\nstart=["S"]', '[constants]\ngrain = "nozzle"\n')
    mapping = mapping.replace("[columns]", 'zone = "Europe/Berlin"\n[columns]', 1)
    cells = ["5", "1E5", "1.5", "-1", "9223372036854775808", "+7", "1_0", "9007199254740993"]
    text = "T,M,A,S\n" + "".join(f"2026-11-16 06:00,M1,{c},2026-11-16 05:00\n" for c in cells)
    got = stage(tmp_path, text, mapping)
    assert got.rows("grain, attempts, start") == [("nozzle", n, datetime(2026, 11, 16, 4)) for n in (5, 7)]
    assert [n for n, _, _ in got.refused] == [3, 4, 5, 6, 8, 9]
    assert got.refused[-1][2] == 'attempts "9007199254740993" is more than 9007199254740992: damaged. Line refused.'
    assert got.refused[0][2] == 'attempts "1E5" in column "A" is not a whole number of 0 or more. Line refused.'


@pytest.mark.parametrize(
    ("rules", "cells", "counts"),
    [
        ("", ["1780.0", "5.00", "0.000000", "1780.5", "1.000", "5.", "5,0"], [1780, 5, 0]),
        ('decimal = ","\nthousands = "."', ["1780,0", "1.780,00", "1.780", "1780.0", "1,780"], [1780, 1780, 1780]),
    ],
)
def test_counts_with_a_fraction_of_zeros_are_whole(
    tmp_path: Path, rules: str, cells: list[str], counts: list[int]
) -> None:
    """As they come out of a frame or a sheet. Three zeros may be thousands, which the mapping does not name."""
    mapping = other("counter", 'machine="M"\nattempts="A"', '[constants]\ngrain = "nozzle"\n[text]\ndelimiter=";"\n')
    text = "T;M;A\n" + "".join(f"2026-11-16 06:00;M1;{c}\n" for c in cells)
    got = stage(tmp_path, text, mapping + rules)
    assert got.one("attempts") == counts
    assert [line for line, *_ in got.refused] == list(range(2 + len(counts), 2 + len(cells)))


def test_the_begin_of_an_interval_at_a_clock_change(tmp_path: Path) -> None:
    mapping = other("counter", 'machine="M"\nattempts="A"\nstart="S"', '[constants]\ngrain = "nozzle"\n')
    mapping = mapping.replace("[columns]", 'zone = "Europe/Berlin"\n[columns]', 1)
    rows = [
        "2026-10-25 03:00,M1,1,2026-10-25 02:30",
        "2026-10-25 03:10,M1,1,2026-10-25 01:30",
        "2026-03-29 03:10,M1,1,2026-03-29 02:30",
    ]
    got = stage(tmp_path, "T,M,A,S\n" + "\n".join(rows), mapping)
    assert got.one("start") == [datetime(2026, 10, 25, 1, 30), datetime(2026, 10, 24, 23, 30)]
    assert 'start "2026-03-29 02:30:00" does not exist' in got.refused[0][2]


def test_closed_lists(tmp_path: Path) -> None:
    mapping = other("reel_event", 'event="E"\nreel="R"\nquantity="Q"', '[values.event]\nin = "load"\n')
    got = stage(tmp_path, "T,E,R,Q\n2026-11-16 06:00,in,R1,5000\n2026-11-16 06:00,load,R1,1\n", mapping)
    assert got.rows("event, reel, quantity, machine") == [("load", "R1", 5000, None)]
    assert got.refused[0][2] == 'event "load" is not in the mapping. Add it to [values.event] to accept the line.'
    mapping = other(
        "measurement", 'machine="M"\nwhat="W"\nmeasured="V"\ngood="G"', '[values.good]\nOK = "true"\nNG = "false"\n'
    )
    got = stage(
        tmp_path,
        "T,M,W,V,G\n2026-11-16 06:00,M1,w,1e-3,OK\n2026-11-16 06:00,M1,w,1,NG\n2026-11-16 06:00,M1,w,1,\n",
        mapping,
    )
    assert got.rows("measured, good") == [(0.001, True), (1.0, False), (1.0, None)]


def test_faults_services_totals_and_activities(tmp_path: Path) -> None:
    mapping = other(
        "fault", 'machine="M"\nfault_type="F"\noutcome="F2"', '[outcome]\nv = "missed"\n[reason]\nvac = "vacuum"\n'
    )
    got = stage(tmp_path, "T,M,F,F2\n2026-11-16 06:00,M1,vac,v\n2026-11-16 06:00,M1,door,\n", mapping)
    assert got.rows("fault_type, outcome, reason_group") == [("vac", "missed", "vacuum"), ("door", None, "other")]
    mapping = other("service", 'kind="K"\nid="I"\naction="A"')
    got = stage(tmp_path, "T,K,I,A\n2026-11-16 06:00,nozzle,0402,cleaned\n2026-11-16 06:00,nozzle,1,washed\n", mapping)
    assert got.rows("kind, id, action") == [("nozzle", "0402", "cleaned")]
    mapping = other("check_total", 'machine="M"\nplaced="P"\nstart="S"')
    got = stage(tmp_path, "T,M,P,S\n2026-11-16 06:00,M1,9,2026-11-16 05:50\n2026-11-16 06:00,M1,9,\n", mapping)
    assert got.rows("placed") == [(9,)]
    assert "start is missing" in got.refused[0][2]
    mapping = other("activity", 'machine="M"\nevent="E"', '[values.event]\nb = "board_start"\n')
    assert stage(tmp_path, "T,M,E\n2026-11-16 06:00,M1,b\n", mapping).one("event") == ["board_start"]
