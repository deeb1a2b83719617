"""Start and stop rules, alarms, and what the channels show."""

from __future__ import annotations

import math
from typing import Any

import pytest

from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.run import NS, Quality
from ovenwright.errors import PlanFaults, UnknownName, UsageError
from ovenwright.recording.alarms import AlarmNews, Alarms
from ovenwright.recording.latest import Health, Latest
from ovenwright.recording.rules import Start, StartKind, StartRule, StopRule
from ovenwright.testing.recording_bench import plan_of

T0 = 1_772_633_520 * NS


def feed(latest: Latest, channel: str, at_s: float, value: float, **more: Any) -> int:
    now = T0 + round(at_s * NS)
    latest.take([Reading(channel, now, now, value, **more)])
    return now


def test_a_start_by_temperature_waits_for_its_channel() -> None:
    plan, _ = plan_of()
    latest, rule = Latest(plan), StartRule(Start(StartKind.ABOVE, channel="core", level_c=30), plan)
    assert rule.met(latest, T0) == ""
    feed(latest, "air", 1, 200.0)
    feed(latest, "core", 1, 29.9)
    assert rule.met(latest, T0) == ""
    feed(latest, "core", 2, 30.1)
    assert "30.1" in rule.met(latest, T0)
    below = StartRule(Start(StartKind.BELOW, channel="core", level_c=30.5), plan)
    assert below.met(latest, T0)


def test_a_start_at_a_time_asks_only_the_clock() -> None:
    plan, _ = plan_of()
    rule = StartRule(Start(StartKind.AT, at_ns=T0), plan)
    assert rule.met(Latest(plan), T0 - 1) == ""
    assert rule.met(Latest(plan), T0)


def test_load_in_is_seen_in_the_product_and_not_in_slow_drift() -> None:
    plan, _ = plan_of()
    latest, rule = Latest(plan), StartRule(Start(StartKind.LOAD_IN), plan)
    for second in range(600):  # a kitchen that warms by 0.3 K a minute
        feed(latest, "core", second, 20 + second * 0.005)
        feed(latest, "air", second, 20 + second)  # the oven heating up is no load-in
        assert rule.met(latest, T0) == ""
    for second in range(600, 900):
        feed(latest, "core", second, 23 + (second - 600) * 0.05)
        if rule.met(latest, T0):
            break
    assert 600 < second < 660


def test_starts_that_can_never_come_are_refused() -> None:
    plan, _ = plan_of()
    with pytest.raises(UnknownName, match="'crust'"):
        StartRule(Start(StartKind.ABOVE, channel="crust", level_c=30), plan)
    wall_only, _ = plan_of()
    wall_only = wall_only.model_copy(
        update={
            "channels": tuple(
                c.model_copy(update={"role": type(c.role).WALL}) for c in plan.channels
            )
        }
    )
    with pytest.raises(UsageError, match="feel the product enter"):
        StartRule(Start(StartKind.LOAD_IN), wall_only)


def test_stops_by_time_crossing_and_all_ambient() -> None:
    plan, _ = plan_of("stop = { channel = 'core', reaches_c = 90.0, all_below_c = 40.0 }\n")
    latest, rule = Latest(plan), StopRule(plan, for_s=100)
    assert rule.planned_s == 100
    feed(latest, "core", 0, 20.0)
    feed(latest, "air", 0, 20.0)
    assert rule.met(latest, 5) == ""  # below, but never hot yet
    feed(latest, "air", 1, 200.0)
    assert rule.met(latest, 6) == ""
    feed(latest, "core", 2, 91.0)
    assert rule.met(latest, 7) == "core reached 90 °C"
    other = StopRule(plan)
    other.met(latest, 8)
    feed(latest, "core", 3, 39.0)
    assert "reached" in other.met(latest, 9)  # from above too
    feed(latest, "air", 4, 39.0)
    assert other.met(latest, 10) == "every channel is below 40 °C"
    assert "100 s are over" in rule.met(Latest(plan), 100.0)
    with pytest.raises(UsageError, match="more than 0"):
        StopRule(plan, for_s=0)


def test_a_plan_that_starts_hot_does_not_stop_at_once() -> None:
    plan, _ = plan_of("stop = { channel = 'core', reaches_c = 90.0 }\n")
    latest, rule = Latest(plan), StopRule(plan)
    feed(latest, "core", 0, 120.0)
    assert rule.met(latest, 0) == ""
    feed(latest, "core", 1, 89.0)
    assert rule.met(latest, 1)


ALARMS = """
[[alarms]]
name = "{name}"
{condition}
"""


def alarms_of(condition: str) -> tuple[Alarms, Latest]:
    plan, text = plan_of()
    from ovenwright.storage.plan_file import parse_plan

    plan = parse_plan(text + ALARMS.format(name="hot", condition=condition))
    return Alarms(plan, T0), Latest(plan)


def test_a_high_alarm_is_raised_once_and_ends_only_well_below() -> None:
    alarms, latest = alarms_of('above_c = 100.0\non = ["core"]\nback_k = 2.0')
    seen = []
    for second, value in enumerate([99.0, 101.0, 103.0, 99.0, 98.5, 97.9, 99.0]):
        now = feed(latest, "core", second, value)
        seen += [(second, n.raised) for n in alarms.look(latest, now)]
    assert seen == [(1, True), (5, False)]
    assert alarms.standing == ()


def test_a_low_alarm_may_have_to_last() -> None:
    alarms, latest = alarms_of('below_c = 50.0\non = ["air"]\nlasting_s = 3.0')
    seen = []
    for second, value in enumerate([49.0, 51.0, 49.0, 49.0, 49.0, 49.0, 49.0]):
        now = feed(latest, "air", second, value)
        seen += [(second, n.raised) for n in alarms.look(latest, now)]
    assert seen == [(5, True)]
    assert alarms.standing == (("hot", "air"),)


def test_rate_alarms_know_rising_from_falling() -> None:
    for condition, slope, raised in (
        ("rises_k_min = 30.0", 1.0, True),
        ("rises_k_min = 30.0", -1.0, False),
        ("falls_k_min = 30.0", -1.0, True),
        ("falls_k_min = 90.0", -1.0, False),
    ):
        alarms, latest = alarms_of(condition + '\non = ["air"]')
        news: list[AlarmNews] = []
        for second in range(20):
            now = feed(latest, "air", second, 100 + slope * second)
            news += alarms.look(latest, now)
        assert bool(news) is raised, condition
        if raised:
            assert news[0].value == pytest.approx(60.0, rel=1e-6)


def test_a_channel_that_falls_silent_or_gives_no_number_is_lost() -> None:
    alarms, latest = alarms_of('silent_s = 10.0\non = ["core"]')
    now = feed(latest, "core", 0, 20.0)
    assert alarms.look(latest, now + 9 * NS) == ()
    for second in range(1, 12):  # still talking, but no number
        now = feed(latest, "core", second, math.nan, quality=Quality.OVERFLOW)
    assert [n.raised for n in alarms.look(latest, now)] == [True]
    now = feed(latest, "core", 13, 21.0)
    assert [n.raised for n in alarms.look(latest, now)] == [False]
    never, silent = alarms_of('silent_s = 10.0\non = ["core"]')
    assert never.look(silent, T0 + 11 * NS)


def test_an_alarm_without_or_with_two_conditions_is_a_fault_of_the_plan() -> None:
    with pytest.raises(PlanFaults, match="give one of above_c"):
        alarms_of("")
    with pytest.raises(PlanFaults, match="no MQTT instrument"):
        alarms_of('above_c = 1.0\ntopic = "oven/alarm"')
    with pytest.raises(PlanFaults, match="role wall"):
        alarms_of('above_c = 1.0\non = "wall"')
    with pytest.raises(PlanFaults, match="has above_c and below_c"):
        alarms_of("above_c = 1.0\nbelow_c = 0.0")
    with pytest.raises(PlanFaults, match="no channel 'crust'"):
        alarms_of('above_c = 1.0\non = ["crust"]')


def test_health_rate_and_the_next_crossing() -> None:
    plan, _ = plan_of()
    latest = Latest(plan)
    assert {s.health for s in latest.shown(T0)} == {Health.WAITING}
    for second in range(40):
        now = feed(latest, "core", second, 20 + second * 0.5)
        feed(latest, "air", second, 200.0)
    core, air = latest.shown(now)
    assert core.rate_k_min == pytest.approx(30.0)
    assert (core.health, core.count) == (Health.OK, 40)
    assert air.rate_k_min == pytest.approx(0.0)
    (ahead,) = latest.coming()
    assert ahead.in_s == pytest.approx((60 - 39.5) / 0.5)
    feed(latest, "core", 40, math.nan, quality=Quality.OVERFLOW)
    feed(latest, "air", 40, math.nan)
    core, air = latest.shown(now + NS)
    assert (core.health, air.health) == (Health.OPEN, Health.NO_NUMBER)
    assert math.isnan(core.value_c)
    assert {s.health for s in latest.shown(now + 60 * NS)} == {Health.SILENT}


def test_late_readings_change_nothing_that_is_shown_and_strangers_are_kept_apart() -> None:
    plan, _ = plan_of()
    latest = Latest(plan)
    feed(latest, "core", 10, 50.0)
    latest.take(
        [
            Reading("core", T0, T0 + 11 * NS, 20.0, late=True),
            Reading("x/1", T0, T0, 1.0, known=False),
        ],
        [Notice(NoticeKind.BATTERY, T0, module="gw", value=0.5)],
    )
    assert latest.value_c("core") == 50.0
    assert set(latest.strangers) == {"x/1"}
    assert latest.links() == ("gw: battery 50%",)
