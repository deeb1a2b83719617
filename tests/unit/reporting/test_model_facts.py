"""Pictures of what the model says: bands lie where the quantiles lie, words say what is drawn."""

from __future__ import annotations

import re

import numpy as np
import pytest

from ovenwright.modelling.curves import FittedCurve, Funnel
from ovenwright.modelling.forecasting import Passing
from ovenwright.reporting.ink import PAPER
from ovenwright.reporting.model_facts import fit_charts, funnel_chart, funnel_charts
from ovenwright.reporting.svg_time import time_chart
from ovenwright.reporting.words import Shown

AHEAD = np.linspace(600.0, 900.0, 7)
MIDDLE = np.linspace(60.0, 95.0, 7)
SPREAD = np.array([-5.0, -2.0, 0.0, 2.0, 5.0])[:, None] * np.linspace(0.0, 1.0, 7)


def one(name: str = "core left") -> Funnel:
    seen = np.arange(0.0, 601.0, 10.0)
    return Funnel(name, seen, np.linspace(20.0, 60.0, seen.size), AHEAD, MIDDLE + SPREAD)


PASS = Passing(90.0, 857.0, (845.0, 870.0), (830.0, 890.0))


def test_the_band_is_drawn_between_its_quantiles() -> None:
    chart = funnel_chart([one()], [("core left", PASS)], Shown(), until_s=600.0)
    wide, narrow = chart.areas
    assert (wide.sure, narrow.sure) == (0.9, 0.5)
    assert wide.high[-1] == pytest.approx(100.0)
    assert wide.low[-1] == pytest.approx(90.0)
    assert narrow.high[-1] == pytest.approx(97.0)
    drawn = time_chart(chart, PAPER)
    frame = re.search(r'data-frame="([^"]+)"', drawn)
    assert frame
    x0, x1, y0, y1, left, top, width, height, _ = (float(v) for v in frame.group(1).split())
    areas = re.findall(r'<polygon points="([^"]+)" fill="[^"]+" fill-opacity="0.14"', drawn)
    assert len(areas) == 1
    corners = [tuple(float(v) for v in p.split(",")) for p in areas[0].split()]
    # the last upper corner: the 95 % quantile at the end of the band, in the picture's own scale
    x, y = corners[AHEAD.size - 1]
    assert x == pytest.approx(left + (15.0 - x0) / (x1 - x0) * width, abs=0.06)
    assert y == pytest.approx(top + height - (100.0 - y0) / (y1 - y0) * height, abs=0.06)


def test_the_picture_is_told_in_words() -> None:
    chart = funnel_chart([one()], [("core left", PASS)], Shown(), until_s=600.0)
    assert chart.alt == "core left likely passes 90 °C at 14:17, nine in ten 13:50 to 14:50."
    assert chart.events == ((10.0, "known up to here"),)
    gone = Passing(40.0, 300.0, (300.0, 300.0), (300.0, 300.0), passed=True)
    assert funnel_chart([one()], [("core left", gone)], Shown(), until_s=600.0).spots == ()


def test_fahrenheit_reaches_curves_bands_and_words() -> None:
    chart = funnel_chart([one()], [("core left", PASS)], Shown(fahrenheit=True), until_s=600.0)
    assert chart.areas[0].high[-1] == pytest.approx(212.0)
    assert chart.lines[0].y[0] == pytest.approx(68.0)
    assert "194 °F" in chart.alt


def test_many_funnels_get_a_picture_each() -> None:
    names = [f"core {i}" for i in range(5)]
    pairs = [(n, PASS) for n in names]
    many = funnel_charts([one(n) for n in names], pairs, Shown(), until_s=600.0)
    assert [c.title for c in many] == names
    assert len({c.id for c in many}) == 5
    assert all(n in c.alt for n, c in zip(names, many, strict=True))
    assert len(funnel_charts([one(n) for n in names[:4]], pairs, Shown(), until_s=600.0)) == 1
    assert funnel_charts([], [], Shown(), until_s=600.0) == ()


def test_what_a_fit_misses_is_named() -> None:
    grid = np.linspace(0.0, 600.0, 7)
    middle = np.linspace(20.0, 80.0, 7)
    miss = np.array([0.0, 0.5, -3.0, 1.0, 0.0, np.nan, 0.2])
    curve = FittedCurve("core", grid, middle + np.nan_to_num(miss), grid, middle + SPREAD, miss)
    fit, residuals = fit_charts([curve], Shown())
    assert fit.alt == "core: the middle of the fitted bodies is at most 3.0 K off its readings."
    assert "−3.0 K on core at 3:20" in residuals.alt
    assert residuals.limits[0].y == 0.0
    assert fit_charts([curve], Shown(fahrenheit=True))[1].lines[0].y[2] == pytest.approx(-5.4)
