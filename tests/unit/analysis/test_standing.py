"""One run among several: the band of the others, how far outside, where each measure stands."""

import numpy as np
import pytest

from ovenwright.analysis.standing import stand
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.results import Unit
from ovenwright.domain.standing import Outline, OutlinedChannel, OutlinedMeasure
from ovenwright.errors import TooLittleData
from ovenwright.reporting.standing_facts import place_words, tell_standing
from ovenwright.reporting.words import Shown

GRID = np.arange(0.0, 60.0, 10.0)


def run(
    name: str,
    *temps: FloatArray | float,
    role: str = "core",
    value: float = 90.0,
    unit: Unit = Unit.CELSIUS,
    doubt: float = 0.1,
) -> Outline:
    channels = tuple(
        OutlinedChannel(f"{role} {i}", role, np.broadcast_to(t, 6) + 0.0, np.full(6, doubt))
        for i, t in enumerate(temps)
    )
    return Outline(name, 60.0, channels, (OutlinedMeasure("end", "core 0", unit, value, doubt),))


def test_band_is_of_every_channel_of_the_role_in_every_other_run() -> None:
    found = stand(run("a", 92.0), [run("b", 90.0, 91.0), run("c", 94.0)], GRID)
    (core,) = found.roles
    assert core.low_c.tolist() == [90.0] * 6
    assert core.median_c.tolist() == [91.0] * 6
    assert core.high_c.tolist() == [94.0] * 6
    assert core.channels[0].share_outside == 0.0
    assert core.channels[0].outside_k == 0.0


def test_a_run_outside_the_band_is_told_with_sign_moment_and_doubt() -> None:
    dip = np.array([92.0, 92.0, 87.0, 92.0, 89.9, 92.0])
    found = stand(run("a", dip), [run("b", 90.0), run("c", 94.0)], GRID)
    core = found.roles[0].channels[0]
    assert core.outside_k == pytest.approx(-3.0)
    assert core.outside_at_s == 20.0
    assert core.outside_standard_k == pytest.approx(np.hypot(0.1, 0.1))
    assert core.share_outside == pytest.approx(2 / 6)
    assert core.share_beyond_doubt == pytest.approx(1 / 6)  # 0.1 K is within two of 0.14 K


def test_no_gap_is_bridged_and_fewer_runs_are_told() -> None:
    short = np.array([90.0, 90.0, 90.0, np.nan, np.nan, np.nan])
    hole = np.array([92.0, np.nan, 92.0, 92.0, 92.0, 92.0])
    found = stand(run("a", hole), [run("b", short), run("c", 94.0)], GRID)
    (core,) = found.roles
    assert core.runs.tolist() == [2, 2, 2, 1, 1, 1]
    assert core.low_c.tolist() == [90.0, 90.0, 90.0, 94.0, 94.0, 94.0]
    assert core.channels[0].share_outside == pytest.approx(3 / 5)
    assert any("fewer than 2 runs" in n for n in tell_standing(found, Shown()).first_page[-1].items)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("value", "words", "beyond"),
    [
        (89.9, "below all 3, within doubt", False),
        (80.0, "below all 3, beyond doubt", True),
        (90.0, "1 alike, 2 higher", False),
        (91.5, "2 lower, 1 higher", False),
        (95.0, "above all 3, beyond doubt", True),
        (np.nan, "not evaluated", False),
    ],
)
def test_where_a_measure_stands(value: float, words: str, beyond: bool) -> None:
    others = [run("b", 90.0, value=90.0), run("c", 90.0, value=91.0), run("d", 90.0, value=92.0)]
    measure = stand(run("a", 90.0, value=value), others, GRID).measures[0]
    assert (place_words(measure), measure.beyond_doubt) == (words, beyond)
    assert (measure.lowest, measure.median, measure.highest) == (90.0, 91.0, 92.0)


def test_kills_past_counting_are_alike() -> None:
    others = [run("b", 90.0, value=30.0, unit=Unit.LOG10), run("c", 90.0, value=40.0)]
    measure = stand(run("a", 90.0, value=500.0, unit=Unit.LOG10), others, GRID).measures[0]
    assert not measure.outside
    assert not measure.beyond_doubt
    assert place_words(measure) == "all > 20"


def test_a_role_that_no_other_has_is_named() -> None:
    mine = run("a", 92.0)
    air = OutlinedChannel("air left", "air", np.full(6, 200.0), np.full(6, 0.1))
    both = Outline("a", 60.0, (*mine.channels, air), mine.measures)
    assert stand(both, [run("b", 90.0), run("c", 91.0)], GRID).lonely == ("air left",)
    with pytest.raises(TooLittleData, match="a role that this run has"):
        stand(mine, [run("b", 200.0, role="air"), run("c", 200.0, role="air")], GRID)


def test_one_other_makes_no_range() -> None:
    with pytest.raises(TooLittleData, match=r"only b can .*; c: no plan; .*compare just the two"):
        stand(run("a", 92.0), [run("b", 90.0)], GRID, left_out=(("c", "no plan"),))
    with pytest.raises(TooLittleData, match="none of them can"):
        stand(run("a", 92.0), [], GRID)


def test_pictures_and_words_are_in_the_unit_shown() -> None:
    found = stand(run("a", 100.0), [run("b", 90.0), run("c", 95.0)], GRID)
    document = tell_standing(found, Shown(fahrenheit=True), named={"a": "Loaf"})
    chart = document.first_page[1]
    assert chart.areas[0].high.tolist() == pytest.approx([203.0] * 6)  # type: ignore[union-attr]
    assert chart.lines[1].y.tolist() == pytest.approx([212.0] * 6)  # type: ignore[union-attr]
    assert document.title == "Loaf among 2 other runs"
    assert document.outcome == "outside the others"
