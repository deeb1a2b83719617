"""Each reading once and in its place; losses, restarts, lateness and clocks told."""

from __future__ import annotations

import math
import random
import tracemalloc
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.run import NS, Quality
from ovenwright.wire import arrivals as room
from ovenwright.wire.arrivals import Arrivals
from ovenwright.wire.json_payload import Item

T0 = 1_795_595_400 * NS
STEP = NS // 4


def item(
    count: int | None, time_ns: int | None, *, channel: str = "1", module: str = "g", **more: object
) -> Item:
    return Item(module, channel, 20.5, "degC", Quality.GOOD, time_ns, count=count, **more)  # type: ignore[arg-type]


def feed(
    to: Arrivals, items: Iterable[Item], *, delay_ns: int = 10_000_000, start_ns: int = T0
) -> tuple[list[Reading], list[Notice]]:
    readings: list[Reading] = []
    notices: list[Notice] = []
    for i, one in enumerate(items):
        found = to.take([one], start_ns + i * STEP + delay_ns)
        readings += found.readings
        notices += found.notices
    return readings, notices


def scans(*counts: int) -> list[Item]:
    return [item(c, T0 + c * STEP) for c in counts]


def test_in_order_nothing_is_told() -> None:
    readings, notices = feed(Arrivals({"g/1": "core"}), scans(*range(8)))
    assert [r.sequence for r in readings] == list(range(8))
    assert all(r.channel == "core" and r.known and not r.late for r in readings)
    assert notices == []


def test_an_unknown_channel_keeps_its_own_key_and_says_so() -> None:
    readings, _ = feed(Arrivals({"g/1": "core"}), [item(0, T0, channel="7")])
    assert (readings[0].channel, readings[0].known) == ("g/7", False)


@given(st.permutations(list(range(30))), st.integers(0, 2**32))
@settings(max_examples=40)
def test_shuffled_and_repeated_each_comes_once(order: list[int], seed: int) -> None:
    luck = random.Random(seed)
    sent = [c for c in order for _ in range(luck.choice((1, 1, 2, 3)))]
    luck.shuffle(sent)
    to = Arrivals({})
    readings, _ = feed(to, scans(*sent))
    assert sorted(r.sequence or 0 for r in readings) == list(range(30))
    newest = -1
    for r in readings:  # the mark says exactly which came after a later one
        assert r.sequence is not None
        assert bool(r.quality & Quality.REORDERED) is (r.sequence < newest)
        assert r.late or r.sequence > newest
        newest = max(newest, r.sequence)
    assert [n for n in to.losses(T0 + 10**12) if n.kind is NoticeKind.LOSS and newest == 29] == []


def test_without_a_count_the_time_tells_repeats() -> None:
    to = Arrivals({})
    found = to.take([item(None, T0), item(None, T0), item(None, T0, channel="2")], T0)
    assert (len(found.readings), found.repeats) == (2, 1)


def test_with_neither_count_nor_time_all_are_kept() -> None:
    found = Arrivals({}).take([item(None, None), item(None, None)], T0)
    assert [r.time_ns for r in found.readings] == [T0, T0]


def test_a_gap_that_is_filled_is_no_loss_and_one_that_is_not_is() -> None:
    to = Arrivals({}, loss_after_s=2.0)
    feed(to, scans(0, 1, 5, 6, 3))
    assert to.losses(T0 + 2 * NS) == ()
    lost = to.losses(T0 + 60 * NS)
    assert [(n.value, n.text) for n in lost] == [
        (1.0, "g: count 2 did not come"), (1.0, "g: count 4 did not come"),
    ]  # fmt: skip
    assert to.losses(T0 + 120 * NS) == ()


def test_a_loss_counts_every_channel_of_a_scan() -> None:
    to = Arrivals({}, loss_after_s=1.0)
    for c in (0, 1, 5):
        to.take([item(c, T0 + c * STEP, channel=str(k)) for k in range(8)], T0 + c * STEP)
    assert [n.value for n in to.losses(T0 + 60 * NS)] == [24.0]


def test_a_restart_is_told_and_what_follows_is_in_order() -> None:
    to = Arrivals({})
    later = [item(c, T0 + (1000 + c) * STEP) for c in range(3)]
    readings, notices = feed(to, scans(500, 501, 502) + later)
    assert [n.kind for n in notices] == [NoticeKind.REBOOTED]
    assert "from 502 to 0" in notices[0].text
    assert len(readings) == 6
    assert not any(r.late for r in readings)


def test_what_a_module_kept_from_before_its_restart_is_late_not_lost() -> None:
    to = Arrivals({})
    feed(to, scans(500, 501), start_ns=T0 + 500 * STEP)
    anew, kept, on = ([item(0, T0 + 900 * STEP)], scans(502, 503), [item(1, T0 + 901 * STEP)])
    _, notices = feed(to, anew, start_ns=T0 + 900 * STEP)
    assert [n.kind for n in notices].count(NoticeKind.REBOOTED) == 1
    readings, notices = feed(to, kept, start_ns=T0 + 900 * STEP)
    assert all(r.late and r.quality is Quality.REORDERED for r in readings)
    assert NoticeKind.REBOOTED not in [n.kind for n in notices]
    readings, _ = feed(to, on, start_ns=T0 + 901 * STEP)
    assert not readings[0].late


@pytest.mark.parametrize("top", [255, 65_535, 2**32 - 1])
def test_a_count_that_wraps_is_no_restart(top: int) -> None:
    items = [item(c, T0 + i * STEP) for i, c in enumerate((top - 1, top, 0, 1))]
    for modulus in (None, top + 1):
        assert feed(Arrivals({}, modulus=modulus), items)[1] == []


def test_losses_across_a_wrap_are_counted() -> None:
    to = Arrivals({}, modulus=256, loss_after_s=1.0)
    feed(to, [item(c, T0 + i * STEP) for i, c in enumerate((253, 2))])
    assert [(n.value, n.text) for n in to.losses(T0 + 60 * NS)] == [
        (4.0, "g: counts 254 to 1 did not come")
    ]


def test_readings_from_a_store_are_late_and_in_their_place() -> None:
    """A module that was cut off for a minute sends what it kept, then goes on."""
    to = Arrivals({})
    feed(to, scans(*range(40)))
    burst_ns = T0 + 280 * STEP
    found = to.take([item(c, T0 + c * STEP) for c in range(40, 280)], burst_ns)
    late = [r for r in found.readings if r.late]
    # older than 5 s beyond the usual delay: up to count 279 - 20 - 1
    assert [r.sequence for r in late] == list(range(40, 260))
    assert not any(r.quality & Quality.REORDERED for r in found.readings)
    assert [r.time_ns for r in found.readings] == [T0 + c * STEP for c in range(40, 280)]


def test_what_waited_at_the_broker_is_late_from_the_first() -> None:
    to = Arrivals({})
    found = to.take(scans(*range(100)), T0 + 100 * STEP, backlog=True)
    assert sum(r.late for r in found.readings) == 80
    assert not Arrivals({}).take(scans(0), T0 + 100 * STEP).readings[0].late


def test_the_instrument_may_say_itself_that_it_kept_a_reading() -> None:
    found = Arrivals({}).take([item(0, T0, stored=True)], T0)
    assert found.readings[0].late


def test_a_clock_that_is_off_is_told_once_and_nothing_is_late() -> None:
    to = Arrivals({})
    off = [item(c, T0 + c * STEP - 3600 * NS) for c in range(80)]
    readings, notices = feed(to, off)
    assert [n.kind for n in notices] == [NoticeKind.CLOCK]
    assert notices[0].value == pytest.approx(-3600.01, abs=0.001)
    assert not any(r.late for r in readings)


def test_a_clock_set_back_an_hour_is_told_and_then_followed() -> None:
    to = Arrivals({})
    feed(to, scans(*range(40)))
    back = [item(c, T0 + c * STEP - 3600 * NS) for c in range(40, 500)]
    readings, notices = feed(to, back, start_ns=T0 + 40 * STEP)
    assert NoticeKind.REBOOTED not in [n.kind for n in notices]
    assert [round(n.value) for n in notices if n.kind is NoticeKind.CLOCK][-1] == -3600
    assert not any(r.late for r in readings[-100:])
    assert not any(r.quality for r in readings[-100:])


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "MOST_SCANS", 50)
    monkeypatch.setattr(room, "MOST_STREAMS", 20)
    to = Arrivals({})
    _, notices = feed(to, (item(c, T0 + c, module=f"g{c}") for c in range(500)))
    for c in range(0, 5000, 3):
        to.take([item(c, T0 + c * STEP)], T0 + c * STEP)
    assert len(to._seen) == len(to._in_order) == 50
    assert len(to._names) <= 20
    assert len(to._wider) <= 20
    assert len(to._streams) <= 20
    assert len(to._newest_ns) <= 20
    assert all(len(s.gaps) <= room.MOST_GAPS for s in to._streams.values())
    assert any("losses are followed for the first only" in n.text for n in notices)


def test_memory_of_scans_stops_growing_when_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "MOST_SCANS", 512)
    to = Arrivals({})
    held: list[int] = []
    came: list[Item] = []
    tracemalloc.start()
    try:
        for scan in range(160):
            for m in range(16):
                at_ns = T0 + scan * STEP + m
                came = [item(scan, at_ns, channel=str(10 + c), module=f"gw{m}") for c in range(8)]
                to.take(came, at_ns)
            held.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    full = 512 // 16  # scans; the table of them may be laid anew once more after that
    assert held[full - 1] > 2 * held[full // 4]
    assert max(held[2 * full :]) < 1.15 * max(held[full : 2 * full])
    again = to.take(came, at_ns)
    assert (again.readings, again.repeats) == ((), 8)


MODULI = st.sampled_from([None, 2, 256, 65_536])
ITEMS = st.builds(
    lambda c, t, ch, m, a: item(c, None if t is None else T0 + t, channel=ch, module=m, after_ns=a),
    st.none() | st.integers(0, 2**62),
    st.none() | st.integers(-(10**15), 10**15),
    st.sampled_from(["1", "2", ""]),
    st.sampled_from(["g", "h", ""]),
    st.sampled_from([0, -STEP, STEP]),
)


@given(st.lists(ITEMS, max_size=40), MODULI, st.booleans(), st.booleans())
@settings(max_examples=150)
def test_whatever_comes_is_kept_or_is_a_repeat(
    items: list[Item],
    modulus: int | None,
    per_channel: bool,
    backlog: bool,
) -> None:
    to = Arrivals({"g/1": "core"}, modulus=modulus, per_channel=per_channel)
    kept = repeats = 0
    for i, one in enumerate(items):
        found = to.take([one], T0 + i * STEP, backlog=backlog)
        kept += len(found.readings)
        repeats += found.repeats
        for notice in found.notices:
            assert notice.text
    assert kept + repeats == len(items)
    assert all(not math.isnan(n.value) and n.value > 0 for n in to.losses(T0 + 10**14))
