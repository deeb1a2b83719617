from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from ovenwright.domain.plan import Plan
from ovenwright.domain.verdict import Verdict
from ovenwright.reporting import charts
from ovenwright.reporting.ink import PAGE, PAPER, ticks
from ovenwright.reporting.svg_time import time_chart
from ovenwright.reporting.words import Shown


@given(arrays(np.float64, st.integers(1, 6000), elements=st.floats(-50, 400)))
@settings(deadline=None, max_examples=40)
def test_thinning_keeps_both_extremes(y: np.ndarray) -> None:
    x = np.arange(y.size, dtype=float)
    _, kept = charts.thin(x, y)
    assert np.nanmax(kept) == y.max()
    assert np.nanmin(kept) == y.min()
    assert kept.size <= charts.POINTS + 2


def test_thinning_keeps_a_gap_as_a_gap() -> None:
    x = np.arange(10_000.0)
    y = np.sin(x / 100.0)
    y[4000:4100] = np.nan
    px, py = charts.thin(x, y)
    (breaks,) = np.nonzero(np.isnan(py))
    assert breaks.size == 1
    assert px[breaks[0] - 1] < 4000
    assert px[breaks[0]] >= 4100


def test_thinning_nothing_gives_nothing() -> None:
    px, py = charts.thin(np.arange(5.0), np.full(5, np.nan))
    assert px.size == py.size == 0


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 12))
def test_ticks_are_round_and_inside(low: float, span: float, about: int) -> None:
    found = ticks(low, low + span, about)
    assert 1 <= len(found) <= about + 1
    assert all(low - 1e-6 * span <= t <= low + span * (1 + 1e-6) for t in found)


def test_the_history_carries_limits_crossings_and_bad_stretches(
    verdict: Verdict, plan: Plan
) -> None:
    chart = charts.history(verdict, plan, Shown())
    assert [round(limit.y, 6) for limit in chart.limits] == [95.0]
    assert chart.spots[0].x == 12.0
    assert [b.kind for b in chart.bands].count("zone") == 4
    assert any(b.kind == "bad" and "core right" in b.text for b in chart.bands)
    assert chart.events[0] == (0.0, "load-in")


def test_a_channel_without_a_reading_is_no_trouble(verdict: Verdict, plan: Plan) -> None:
    profile = verdict.results.profile
    for empty in (profile.temp_c.shape[1] - 1, slice(None)):
        temp_c = profile.temp_c.copy()
        temp_c[:, empty] = np.nan
        results = replace(verdict.results, profile=replace(profile, temp_c=temp_c))
        chart = charts.history(replace(verdict, results=results), plan, Shown())
        assert ("reached the highest reading" in chart.alt) is (empty != slice(None))
        assert ("none has a usable reading" in chart.alt) is (empty == slice(None))


def test_a_drawing_escapes_words_and_names_every_line(verdict: Verdict, plan: Plan) -> None:
    chart = charts.history(verdict, plan, Shown(fahrenheit=True))
    for ink in (PAGE, PAPER):
        drawn = time_chart(chart, ink)
        assert drawn.count("<path d=") >= len(chart.lines)
        assert all(line.name in drawn for line in chart.lines)
        assert "<desc" in drawn
        assert "nan" not in drawn


def test_every_line_has_a_second_cue_beside_colour(verdict: Verdict, plan: Plan) -> None:
    from ovenwright.reporting.ink import COLOURS, dash_of, marker_of

    cues = {(look % len(COLOURS), marker_of(look), dash_of(look)) for look in range(32)}
    assert len(cues) == 32
