import math

import pytest

from ovenwright.domain.results import Unit
from ovenwright.reporting.words import Shown, basis_words, clock, decimals_for, plain, probability


@pytest.mark.parametrize(
    ("u", "decimals"),
    # JCGM 100:2008, 7.2.6: an uncertainty carries at most two figures, the value the same decimal
    [(0.35, 2), (0.0351, 3), (3.5, 1), (35.0, 0), (350.0, 0)],
)
def test_decimals_follow_the_uncertainty(u: float, decimals: int) -> None:
    assert decimals_for(u) == decimals


def test_no_uncertainty_gives_the_least_and_one() -> None:
    assert decimals_for(0.0, least=1) == 2
    assert decimals_for(math.nan) == 1


def test_plain_shows_a_real_minus_and_never_minus_zero() -> None:
    assert plain(-1.25, 1) == "−1.2"
    assert plain(-0.004, 1) == "0.0"
    assert plain(math.nan, 1) == "–"


def test_clock() -> None:
    assert clock(59.6) == "1:00"
    assert clock(3725.0) == "1:02:05"
    assert clock(-65.0) == "−1:05"


def test_probability_is_never_rounded_to_certainty() -> None:
    assert probability(1.0) == "> 99.9 %"
    assert probability(0.0) == "< 0.1 %"
    assert probability(0.953) == "95.3 %"
    assert probability(math.nan) == "–"


def test_fahrenheit_scales_differences_without_the_offset() -> None:
    shown = Shown(fahrenheit=True)
    assert shown.measure(100.0, Unit.CELSIUS, 1).text == "212.0 °F"
    assert shown.measure(10.0, Unit.KELVIN, 1).text == "18.0 °F"
    assert shown.uncertainty(1.0, Unit.CELSIUS, 1).text == "1.8"


def test_moment_is_local_and_says_so() -> None:
    shown = Shown(time_zone="Europe/Riga")
    # 2026-07-01 12:00 UTC is 15:00 in Riga's summer time
    assert shown.moment(1_782_907_200 * 10**9, absolute=True) == "2026-07-01 15:00:00 EEST"
    assert shown.moment(90 * 10**9, absolute=False) == "1:30 elapsed"


@pytest.mark.parametrize(
    ("kept", "said"),
    [
        (
            "kinetics bun_salm: Salmonella in dough, D 1 min at 60 °C (Somebody 2016)",
            "kinetics of Salmonella in dough, D 1 min at 60 °C (Somebody 2016)",
        ),
        ("table my.own-1: A table (law)", "the table A table (law)"),
        ("kinetics my_own", "kinetics my_own"),
        ("reference 70 °C and z 10 K as the plan states them",) * 2,
    ],
)
def test_the_plan_s_key_is_for_the_plan(kept: str, said: str) -> None:
    assert basis_words(kept) == said
