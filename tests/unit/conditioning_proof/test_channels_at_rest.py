"""Ambient agreement, and what readings and modules alone tell."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ovenwright.conditioning.proof.ambient import check_ambient
from ovenwright.conditioning.proof.modules import ModuleTale, PowerNeed, check_modules
from ovenwright.conditioning.proof.windows import Window, check_readings
from ovenwright.domain.live import Notice, NoticeKind
from ovenwright.domain.plan import Certificate, Channel, CorrectionPoint, SensorType
from ovenwright.domain.proof import Grade
from ovenwright.domain.run import Role

CLASS_1 = "IEC 60584-1 class 1"


def window(
    name: str,
    at_c: float,
    *,
    noise_k: float = 0.03,
    slope_k_min: float = 0.0,
    module: str = "gateway",
    junction_c: float = math.nan,
    count: int = 40,
    step_s: float = 0.5,
    tolerance: str = CLASS_1,
    certificate: Certificate | None = None,
    grid_k: float = 0.01,
) -> Window:
    rng = np.random.default_rng(sum(map(ord, name)))
    time_s = np.linspace(0.0, step_s * (count - 1), count)
    value = at_c + slope_k_min * time_s / 60.0 + noise_k * rng.normal(size=count)
    value = np.round(value / grid_k) * grid_k
    channel = Channel(
        name=name, sensor=SensorType.T, tolerance=tolerance, role=Role.AIR, module=module,
        certificate=certificate, reference_uncertainty_k=0.2,
    )  # fmt: skip
    return Window(channel, time_s, value, np.full(count, junction_c), module=module)


def test_channels_that_agree_leave_nothing_to_say() -> None:
    windows = [
        window(n, 21.0 + d) for n, d in zip("abcdef", (0, 0.1, -0.1, 0.2, -0.2, 0), strict=True)
    ]
    agreement, remarks = check_ambient(windows)
    assert remarks == []
    assert all(abs(a.offset_k) <= a.allowed_k for a in agreement)
    # class 1 type T is ±0.5 K near 21 °C (IEC 60584-1): 2 · 0.5/√3 · √(1 + π/10) and 0.3 K of room
    expected = 2 * 0.5 / math.sqrt(3) * math.sqrt(1 + math.pi / 2 / 5) + 0.3
    assert agreement[0].allowed_k == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize(
    ("off_k", "grade"), [(1.6, Grade.REMARK), (8.0, Grade.FAULT), (-8.0, Grade.FAULT)]
)
def test_an_outlier_is_named_with_by_how_much(off_k: float, grade: Grade) -> None:
    windows = [window(n, 21.0) for n in "abcde"] + [window("f", 21.0 + off_k)]
    _, remarks = check_ambient(windows)
    assert [(r.channel, r.grade) for r in remarks] == [("f", grade)]
    assert f"{abs(off_k):.0f}" in remarks[0].what or f"{abs(off_k):.1f}"[:3] in remarks[0].what
    assert ("warmer" if off_k > 0 else "colder") in remarks[0].what
    assert remarks[0].remedy


def test_a_certificate_narrows_what_is_allowed() -> None:
    record = Certificate(
        points=(CorrectionPoint(at_c=20.0, correction_k=0.0, expanded_uncertainty_k=0.05),)
    )
    sharp = [window(n, 21.0, certificate=record) for n in "abcde"]
    (first, *_), _ = check_ambient(sharp)
    (loose, *_), _ = check_ambient([window(n, 21.0) for n in "abcde"])
    assert first.allowed_k < 0.7 * loose.allowed_k


def test_modules_with_junctions_of_their_own_may_differ_more() -> None:
    one = [window(n, 21.0) for n in "abc"]
    apart = [*one, *(window(n, 21.0, module="second") for n in "def")]
    (same, *_), _ = check_ambient(one)
    (different, *_), _ = check_ambient(apart)
    assert different.allowed_k > same.allowed_k


def test_two_channels_can_not_tell_which_is_off() -> None:
    _, remarks = check_ambient([window("a", 21.0), window("b", 24.0)])
    assert [r.channel for r in remarks] == ["a", "b"]
    assert all("one of the two" in r.remedy for r in remarks)


def test_scattered_channels_are_told_once() -> None:
    windows = [
        window(n, t) for n, t in zip("abcdefgh", (29, 29, 29, 26, 27, 25, 22, 20), strict=True)
    ]
    _, remarks = check_ambient(windows)
    assert len(remarks) == 1
    assert "side by side" in remarks[0].remedy


def test_sensors_in_the_oven_or_on_their_way_are_told() -> None:
    _, hot = check_ambient([window(n, 180.0) for n in "abc"])
    assert "no room" in hot[0].what
    _, moving = check_ambient(
        [window(n, 21.0) for n in "abcd"] + [window("e", 21.0, slope_k_min=3.0)]
    )
    assert [r.channel for r in moving if "not at rest" in r.what] == ["e"]


def test_a_warm_instrument_is_told_by_its_reference_junction() -> None:
    _, near = check_ambient([window(n, 21.0, junction_c=24.0) for n in "abc"])
    assert near == []
    _, far = check_ambient([window(n, 21.0, junction_c=38.0) for n in "abc"])
    assert "reference junction is at 38.0" in far[0].what


def test_silent_open_and_torn_channels_forbid() -> None:
    empty = np.empty(0)
    channel = window("x", 20.0).channel
    silent = Window(channel, empty, empty, empty)
    open_one = window("o", 20.0)
    open_one = Window(
        open_one.channel, open_one.time_s, np.full(40, np.nan), open_one.reference_c, overflow=40
    )
    torn = window("t", 20.0)
    values = torn.value_c.copy()
    values[::5] = np.nan
    torn = Window(torn.channel, torn.time_s, values, torn.reference_c)
    found = {r.channel: r for r in check_readings([silent, open_one, torn], interval_s=0.5)}
    assert (found["x"].grade, found["o"].grade, found["t"].grade) == (
        Grade.FAULT, Grade.FAULT, Grade.REMARK,
    )  # fmt: skip
    assert "nothing came" in found["x"].what
    assert "open circuit" in found["o"].what


def test_noisy_frozen_copied_and_slow_channels_are_told() -> None:
    quiet = [window(n, 21.0) for n in "abc"]
    noisy = window("n", 21.0, noise_k=0.9)
    frozen = window("z", 21.0, noise_k=0.0)
    twin = Window(
        noisy.channel.model_copy(update={"name": "twin"}),
        noisy.time_s,
        noisy.value_c,
        noisy.reference_c,
    )
    slow = window("s", 21.0, step_s=2.0)
    found = check_readings([*quiet, noisy, frozen, twin, slow], interval_s=0.5)
    assert {r.channel for r in found if "noise" in r.what} == {"n", "twin"}
    assert [r.channel for r in found if "in a row" in r.what] == ["z"]
    assert [(r.channel, r.grade) for r in found if "exactly the readings of n" in r.what] == [
        ("twin", Grade.FAULT)
    ]
    assert [(r.channel, r.grade) for r in found if r.check == "interval"] == [("s", Grade.REMARK)]


def test_noise_and_step_are_found() -> None:
    w = window("a", 21.0, noise_k=0.2, count=400, grid_k=0.1)
    assert w.noise_k == pytest.approx(0.2, rel=0.15)
    assert w.resolution_k == pytest.approx(0.1, rel=0.01)
    slope, doubt = window("b", 21.0, slope_k_min=2.0).slope_k_min()
    assert abs(slope - 2.0) < 4 * doubt


def tale(**offsets: float) -> ModuleTale:
    out = ModuleTale("gw1", readings=100)
    for kind, value in offsets.items():
        if kind == "clock_s":
            out.offsets_s = [value] * 20
        else:
            out.notices.append(Notice(NoticeKind(kind), 0, value=value, module="gw1"))
    return out


@pytest.mark.parametrize(
    ("what", "grade", "check"),
    [
        (tale(clock_s=0.4), None, ""),
        (tale(clock_s=5.0), Grade.REMARK, "clock"),
        (tale(clock_s=7200.0), Grade.REMARK, "clock"),
        (tale(battery=0.9), None, ""),
        (tale(battery=0.1), Grade.REMARK, "battery"),
        (tale(signal=-60.0), None, ""),
        (tale(signal=-95.0), Grade.REMARK, "link"),
        (tale(loss=3.0), Grade.REMARK, "link"),
        (tale(lost=math.nan), Grade.REMARK, "link"),
    ],
)
def test_what_a_module_says_of_itself(what: ModuleTale, grade: Grade | None, check: str) -> None:
    found = check_modules([what], PowerNeed())
    assert [(r.grade, r.check) for r in found] == ([] if grade is None else [(grade, check)])


def test_a_time_zone_is_told_from_a_clock_that_drifts() -> None:
    (zone,) = check_modules([tale(clock_s=3600.4)], PowerNeed())
    (drift,) = check_modules([tale(clock_s=3300.0)], PowerNeed())
    assert "time zone" in zone.remedy
    assert "time zone" not in drift.remedy


@pytest.mark.parametrize(
    ("share", "grade"), [(0.9, Grade.NOTE), (0.35, Grade.REMARK), (0.2, Grade.FAULT)]
)
def test_battery_against_the_planned_length(share: float, grade: Grade) -> None:
    """A full one lasts 12 h, the test 3 h."""
    need = PowerNeed(length_s=3 * 3600.0, full_life_s=12 * 3600.0)
    assert [r.grade for r in check_modules([tale(battery=share)], need)] == [grade]
