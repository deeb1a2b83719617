"""Advice on the presets against what the trade does, and the sums behind it."""

from __future__ import annotations

import pytest

from ovenwright.domain.plan import Plan
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.presets import preset_ids, read_preset
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.advice import Advice, Aims, advise

LIBRARY = read_reference_library()


def plan_of(name: str, *changes: tuple[str, str]) -> Plan:
    text = read_preset(name).text
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_plan(text)


def advice_on(name: str, *changes: tuple[str, str], aims: Aims | None = None) -> Advice:
    return advise(plan_of(name, *changes), LIBRARY, aims=aims)


def test_slow_loaf_and_fast_thin_product_as_the_trade_does_it() -> None:
    """2 to 3 s for slow bakes, 0.25 to 0.5 s for fast changes: common practice, no source."""
    slow, fast = advice_on("tin-bread"), advice_on("cookie")
    assert 2.0 <= slow.interval_s <= slow.worked_out_s <= 3.0
    assert 0.25 <= fast.interval_s <= fast.worked_out_s <= 0.5
    assert (slow.rule, slow.channel) == ("change", "air left")
    assert (fast.rule, fast.channel) == ("change", "air left")
    # a 205 K change through 20 s, 152 K through 3 s, 0.5 °C missed: tau sqrt(8 e/A)
    assert slow.worked_out_s == pytest.approx(20.0 * (4.0 / 205.0) ** 0.5)
    assert fast.worked_out_s == pytest.approx(3.0 * (4.0 / 152.0) ** 0.5)


def test_each_rule_can_decide() -> None:
    assert advice_on("tin-bread", aims=Aims(time_share=5e-4)).rule == "time"
    dry = advice_on("cookie", aims=Aims(lethality_share=1e-4))
    assert dry.rule == "lethality"
    assert dry.channel.startswith("core")
    floor = advice_on("tin-bread", aims=Aims(error_k=0.001))
    assert floor.rule == "sensor"
    surface = next(c for c in floor.channels if c.role == "surface")
    assert surface.interval_s >= 0.5  # a tenth of its 5 s


def test_lethality_rule_takes_z_from_the_kinetics() -> None:
    """dt <= 0.150 z/r for 1 %, with z 6.58 K of Channaiah et al. 2016."""
    core = next(c for c in advice_on("tin-bread").channels if c.role == "core")
    assert core.z_k == 6.58
    rate = core.step_k / max(core.time_constants_s)
    assert core.rules["lethality"] == pytest.approx(0.150 * 6.58 / rate, rel=0.005)


@pytest.mark.parametrize("name", preset_ids())
def test_every_preset_follows_its_own_advice(name: str) -> None:
    advice = advice_on(name)
    assert advice.planned_ok, (advice.planned_s, advice.worked_out_s, advice.reason)
    assert advice.planned_missed_k <= advice.aims.error_k
    assert advice.size is not None
    assert advice.size.readings == advice.size.scans * len(advice.channels)


def test_a_planned_interval_that_is_too_slow_is_told() -> None:
    advice = advice_on("tin-bread", ("interval_s = 2.0", "interval_s = 30.0"))
    assert not advice.planned_ok
    assert advice.planned_missed_k > 5.0


def test_rows_sizes_and_battery() -> None:
    # 45 min at 2 s: 1351 scans; 2600 mAh at 60 mA, 80 % usable: 34.67 h
    battery = "battery = { capacity_mah = 2600.0, draw_ma = 60.0 }\n"
    duration = "duration_s = 2700.0"
    advice = advice_on("tin-bread", (duration, battery + duration))
    assert advice.size is not None
    assert advice.size.scans == 1351
    assert advice.size.readings == 10_808
    assert advice.size.sealed_bytes == (13_402, 64_632)  # 1.24 and 5.98 bytes, measured
    assert advice.battery is not None
    assert advice.battery.life_s / 3600.0 == pytest.approx(34.667, abs=1e-3)
    assert advice.battery.answer == "enough"
    weak = battery.replace("2600.0", "50.0").replace("60.0", "55.0")
    tired = advice_on("tin-bread", (duration, weak + duration)).battery
    assert tired is not None
    assert tired.answer == "too little"


def test_duration_comes_from_the_belt_where_none_is_given() -> None:
    advice = advice_on("tin-bread", ("duration_s = 2700.0", "# none"))
    assert advice.size is not None
    assert advice.size.duration_s == pytest.approx(24.0 / 0.706 * 60.0)
    unknown = advice_on("hearth-bread", ("duration_s = 3300.0", ""))
    assert unknown.size is None
    assert any("no duration" in line for line in unknown.assumptions)


def test_what_is_not_known_is_told_and_taken_on_the_fast_side() -> None:
    known = advice_on("tin-bread")
    bare = advice_on("tin-bread", ("time_constant_s = 20.0", ""))
    assert bare.worked_out_s < known.worked_out_s
    assert any("air left: no time_constant_s" in line for line in bare.assumptions)
