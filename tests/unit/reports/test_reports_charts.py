"""Drawings: well-formed, escaped, in scale, and silent about what is not known."""

from __future__ import annotations

import dataclasses
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.findings.model import Measured, TrendPoint
from reports import charts
from tests.fixtures_bundle import HOSTILE, nothing_known, rich_bundle

SVG = "{http://www.w3.org/2000/svg}"


def parsed(drawing: str) -> ET.Element:
    return ET.fromstring(drawing)


def texts(drawing: str) -> str:
    return "".join("".join(node.itertext()) for node in parsed(drawing).iter(f"{SVG}text"))


@pytest.mark.parametrize("name", HOSTILE)
def test_labels_come_out_as_they_are(name: str) -> None:
    drawing = charts.interval_plot([charts.Interval(name, 0.001, 0.0005, 0.002, 0.0007)], title=name)
    assert re.sub(r"\s", "", name) in re.sub(r"\s", "", texts(drawing))
    assert parsed(drawing).attrib["aria-label"] == name


def test_interval_plot_is_in_scale() -> None:
    rows = [charts.Interval("a", 0.001, 0.0001, 0.01, 0.001)]
    circle = parsed(charts.interval_plot(rows, title="t")).find(f"{SVG}circle")
    line = [
        n for n in parsed(charts.interval_plot(rows, title="t")).iter(f"{SVG}line") if n.get("stroke-width") == "1.4"
    ]
    assert circle is not None
    # On a logarithmic axis 1000 ppm lies halfway between 100 and 10 000 ppm.
    middle = (float(line[0].attrib["x1"]) + float(line[0].attrib["x2"])) / 2
    assert float(circle.attrib["cx"]) == pytest.approx(middle, abs=0.11)


def test_zero_low_end_runs_off_with_an_arrow() -> None:
    rows = [charts.Interval("a", 0.0001, 0.0, 0.01), charts.Interval("b", 0.002, 0.001, 0.003)]
    assert "l4 -2.5" in charts.interval_plot(rows, title="t")


def test_a_row_without_rate_says_so() -> None:
    rows = [charts.Interval("a", None, None, None), charts.Interval("b", 0.002, 0.001, 0.003)]
    assert "not enough picks" in texts(charts.interval_plot(rows, title="t"))


def test_nothing_known_draws_nothing() -> None:
    assert charts.interval_plot([charts.Interval("a", None, None, None)], title="t") == ""
    assert charts.trend((), title="t") == ""
    points = (TrendPoint("a", 0, 0, None, None, None), TrendPoint("b", 0, 0, None, None, None))
    assert charts.trend(points, title="t") == ""


def test_a_week_without_picks_is_a_gap() -> None:
    known = [TrendPoint(str(n), 100, 1, 0.01, 0.002, 0.05) for n in range(5)]
    known[2] = TrendPoint("2", 0, 0, None, None, None)
    assert len(list(parsed(charts.trend(known, title="t")).iter(f"{SVG}polyline"))) == 2


def test_measured_dot_lies_right_of_the_limit_it_exceeds() -> None:
    item = Measured("length", "mm", 10, 1.0, 0.9, 1.1, 1.2, 1.19, 1.21, 0.02)
    root = parsed(charts.against_limits(item, title="t"))
    band, dot = root.find(f"{SVG}rect"), root.find(f"{SVG}circle")
    assert band is not None
    assert dot is not None
    assert float(dot.attrib["cx"]) > float(band.attrib["x"]) + float(band.attrib["width"])


@pytest.mark.parametrize("known", [True, False])
def test_every_drawing_of_a_bundle_parses_and_has_no_style(known: bool) -> None:
    bundle = rich_bundle() if known else nothing_known(rich_bundle())
    drawings = [charts.trend(s.history, title=s.id) for s in bundle.suspects]
    drawings += [charts.drift(d, title=d.feeder) for d in bundle.drifts]
    drawings += [charts.against_limits(m, title=m.what) for f in bundle.recognition for m in f.measured]
    drawn = [d for d in drawings if d]
    assert drawn
    for drawing in drawn:
        root = parsed(drawing)
        assert all("style" not in node.attrib for node in root.iter())
        assert "nan" not in drawing.lower()


def test_a_flat_series_draws() -> None:
    flat = dataclasses.replace(rich_bundle().drifts[0], start=0.0, end=0.0, days=(("a", 0.0, 5), ("b", 0.0, 5)))
    assert parsed(charts.drift(flat, title="t")).tag == f"{SVG}svg"
    zero = tuple(TrendPoint(str(n), 10, 0, 0.0, 0.0, 0.0) for n in range(3))
    assert parsed(charts.trend(zero, title="t")).tag == f"{SVG}svg"


@given(st.floats(1e-7, 0.1), st.floats(1.5, 1e5))
def test_ticks_lie_inside_and_rise(low: float, ratio: float) -> None:
    for log in (False, True):
        marks = charts.ticks(low, low * ratio, log=log)
        assert all(low * (1 - 1e-6) <= mark <= low * ratio * (1 + 1e-6) for mark in marks)
        assert marks == sorted(set(marks))
        assert len(marks) <= 8


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P"]), max_size=80), st.integers(3, 30))
def test_wrap_loses_nothing(label: str, width: int) -> None:
    pieces = charts.wrap(label, width)
    assert "".join(pieces).replace(" ", "") == "".join(label.split())
    assert all(len(piece) <= width for piece in pieces)


def test_axis_ends() -> None:
    axis = charts.Axis(1.0, 100.0, 0.0, 10.0, log=True)
    assert math.isclose(axis.at(10.0), 5.0)
    assert axis.at(0.001) == 0.0
    assert axis.at(1e9) == 10.0
