"""The map's colours rise evenly in lightness; margins are on the side their verdict is."""

import itertools
import math

import numpy as np
import pytest

from ovenwright.domain.plan import Combine, Decision, Requirement
from ovenwright.domain.results import Unit
from ovenwright.domain.verdict import Decided, Outcome, RequirementVerdict
from ovenwright.reporting.margins import margins
from ovenwright.reporting.svg_evenness import heat_colour, ink_on, moment_span
from ovenwright.reporting.words import Shown


def lightness(colour: str) -> float:
    """CIE 1976 L* of an sRGB colour (IEC 61966-2-1 transfer, D65)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    y = float(np.dot([0.2126, 0.7152, 0.0722], linear))
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


def test_lightness_rises_evenly() -> None:
    found = [lightness(heat_colour(k / 20)) for k in range(21)]
    steps = [b - a for a, b in itertools.pairwise(found)]
    assert min(steps) > 0
    assert max(steps) < 1.6 * float(np.mean(steps))


def test_words_on_every_colour_can_be_read() -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 to 1."""
    for k in range(41):
        colour = heat_colour(k / 40)
        dark, light = sorted(
            ((lightness(c) + 16) / 116) ** 3 if lightness(c) > 8 else lightness(c) / 903.3
            for c in (colour, ink_on(colour))
        )
        assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_a_quiet_moment_is_not_dramatised() -> None:
    assert moment_span([200.0, 200.2, math.nan]) == pytest.approx((198.1, 202.1))
    assert moment_span([100.0, 140.0]) == pytest.approx((100.0, 140.0))
    assert moment_span([]) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("value", "limits", "margin", "words"),
    [
        (95.5, (95.0, None), 0.5, "0.50 K above the limit"),
        (94.0, (95.0, None), -1.0, "1.00 K below the limit"),
        (201.0, (None, 200.0), -1.0, "1.00 K above the limit"),
        (93.0, (90.0, 95.0), 2.0, "2.00 K below the limit"),
        (math.nan, (90.0, None), math.nan, "can't be evaluated"),
    ],
)
def test_margin_is_to_the_nearest_limit(
    value: float, limits: tuple[float | None, float | None], margin: float, words: str
) -> None:
    need = Requirement(name="x", measure="end_temperature", at_least=limits[0], at_most=limits[1])
    found = Decided(
        "core", value, Unit.CELSIUS, 0.25, (value - 0.5, value + 0.5), 0.9, Outcome.PASS, ""
    )
    item = RequirementVerdict(
        need, Decision(), Combine.WORST, found, (found,), limits, Outcome.PASS, ""
    )
    one = margins([item], Shown())[0]
    assert one.margin == pytest.approx(margin, nan_ok=True)
    assert one.words == words
    warm = margins([item], Shown(fahrenheit=True))[0]
    assert warm.margin == pytest.approx(1.8 * margin, nan_ok=True)


@pytest.mark.parametrize(
    ("measure", "words"),
    [
        ("share_to", "0.0880 of the process time below the limit"),
        ("extent", "0.0880 of the reaction below the limit"),
        ("dwell_share", "0.0880 times what the table asks below the limit"),
        ("somebody_s_own", "0.0880 (share or ratio) below the limit"),
    ],
)
def test_a_bare_number_says_what_it_is_a_number_of(measure: str, words: str) -> None:
    need = Requirement(name="x", measure=measure, at_most=0.6)
    found = Decided("core", 0.512, Unit.ONE, 0.0028, (0.5, 0.524), 0.9, Outcome.PASS, "")
    limits = (None, 0.6)
    item = RequirementVerdict(
        need, Decision(), Combine.WORST, found, (found,), limits, Outcome.PASS, ""
    )
    assert margins([item], Shown())[0].words == words
