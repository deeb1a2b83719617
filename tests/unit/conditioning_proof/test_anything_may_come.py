"""Whatever an instrument sends, the watch neither breaks nor grows."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.conditioning.proof import touching
from ovenwright.conditioning.proof.ambient import check_ambient
from ovenwright.conditioning.proof.fixed_point import check_fixed_point, ice_point
from ovenwright.conditioning.proof.gathering import Gathering
from ovenwright.conditioning.proof.touched import weigh_touches
from ovenwright.conditioning.proof.touching import TouchEvent, TouchWatch
from ovenwright.conditioning.proof.weighing import weigh
from ovenwright.conditioning.proof.windows import check_readings
from ovenwright.domain.live import Reading
from ovenwright.domain.plan import Plan
from ovenwright.domain.run import Quality
from ovenwright.storage.plan_file import parse_plan

NAMES = ("a", "b", "c")
TEXT = """title = "t"
[oven]
kind = "chamber"
name = "o"
width_m = 1.0
depth_m = 1.0
height_m = 1.0
[product]
name = "p"
[recording]
interval_s = 1.0
""" + "".join(f'[[channels]]\nname = "{n}"\nsensor = "K"\nrole = "air"\n' for n in NAMES)


def plan() -> Plan:
    return parse_plan(TEXT)


@st.composite
def readings(draw: st.DrawFn) -> list[Reading]:
    count = draw(st.integers(0, 120))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    scale = draw(st.sampled_from([0.0, 0.01, 1.0, 30.0, 5_000.0]))
    step = draw(st.sampled_from([0, 1, 250_000_000, 10**9, 3_600 * 10**9]))
    out = []
    stamp = draw(st.integers(0, 4 * 10**18))
    for _ in range(count):
        stamp += step * int(rng.integers(-1, 4))
        value = 20.0 + scale * rng.normal()
        odd = rng.random()
        if odd < 0.03:
            value = float(rng.choice([np.nan, np.inf, -np.inf, 9_999.0, -273.15]))
        out.append(
            Reading(
                str(rng.choice([*NAMES, "stranger"])), stamp, stamp + int(rng.integers(0, 10**9)),
                value, module=str(rng.choice(["", "g"])), late=bool(odd > 0.97),
            )
        )  # fmt: skip
    return out


@settings(max_examples=60, deadline=None)
@given(readings())
def test_any_readings_can_be_watched_and_weighed(many: list[Reading]) -> None:
    watch = TouchWatch(NAMES, modules=dict.fromkeys(NAMES, "g"))
    gathering = Gathering(plan())
    events: list[TouchEvent] = []
    for reading in many:
        events += watch.feed([reading])
        value = reading.value if np.isfinite(reading.value) else float("nan")
        gathering.take(reading, value, Quality.GOOD)
    events += watch.finish()
    found = weigh_touches(NAMES, events, order=NAMES)
    assert set(found.turns) | set(found.dead) == set(NAMES)
    windows = gathering.windows()
    check_readings(windows, interval_s=1.0)
    check_ambient(windows)
    check_fixed_point(windows, ice_point())
    proof = weigh(gathering, seconds=1.0, touches=events, order=NAMES)
    assert [c.channel for c in proof.channels] == list(NAMES)


def test_a_watch_left_running_does_not_grow() -> None:
    watch = TouchWatch(["a"])
    for k in range(24_000):
        value = 20.0 if k < 20 or k % 20 < 10 else 30.0
        watch.feed([Reading("a", k * 500_000_000, k * 500_000_000, value)])
    assert len(watch._done) <= touching._MOST_DONE
    assert len(watch._lanes[0]._held) < 1_000
