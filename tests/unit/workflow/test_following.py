"""A journal followed from outside: values, load-in, alarms, marks, and what came while nobody looked."""

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ovenwright.domain.live import NoticeKind, Reading
from ovenwright.domain.run import NS, Mark, MarkKind
from ovenwright.recording.assembling import mark_facts
from ovenwright.storage.journal import Journal, JournalHead
from ovenwright.storage.journal_frames import FrameKind
from ovenwright.workflow.following import Following, readings_after

START = 1_700_000_000 * NS
PLAN = """
title = "Followed"
[oven]
kind = "tunnel"
name = "oven"
belt_speed_m_min = 1.0
[[oven.zones]]
name = "zone 1"
length_m = 10.0
[product]
name = "loaf"
[recording]
interval_s = 1.0
[[channels]]
name = "core"
sensor = "T"
role = "core"
[[channels]]
name = "air"
sensor = "K"
role = "air"
[[crossings]]
level_c = 60.0
on = "core"
[[alarms]]
name = "too hot"
above_c = 90.0
on = ["air"]
"""


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    head = JournalHead("one", "Followed", ("core", "air"), PLAN, START, interval_s=1.0)
    with Journal.create(tmp_path, head) as made:
        yield made


def write(journal: Journal, second: float, core: float, air: float) -> None:
    at = START + round(second * NS)
    two = [Reading("core", at, at, core), Reading("air", at, at, air)]
    journal.append(two, now_ns=at)


def follow(journal: Journal) -> Following:
    following = Following(journal.files)
    while following.look().more:
        pass
    return following


def test_values_rates_and_crossings_ahead(journal: Journal) -> None:
    for k in range(40):
        write(journal, k, 20 + 0.5 * k, 80.0)
    following = follow(journal)
    core, air = following.shown(START + 39 * NS)
    assert core.value_c == pytest.approx(39.5)
    assert core.rate_k_min == pytest.approx(30.0, abs=0.01)  # 0.5 K/s
    assert air.rate_k_min == pytest.approx(0.0, abs=1e-6)
    (ahead,) = following.coming()
    assert ahead.in_s == pytest.approx((60 - 39.5) / 0.5, abs=0.1)
    assert following.counts() == (40, 40)
    following.close()


def test_the_product_is_seen_to_enter_even_by_one_who_came_later(journal: Journal) -> None:
    for first in range(0, 3000, 100):
        batch = []
        for k in range(first, first + 100):
            at = START + k * NS
            core = 20.0 if k < 1000 else 20 + 0.05 * (k - 1000)
            batch += [Reading("core", at, at, core), Reading("air", at, at, 25.0)]
        journal.append(batch, now_ns=batch[-1].time_ns)
    following = follow(journal)
    entry = following.now.entry
    assert entry is not None
    assert not entry.marked
    # a core counts as entered once it rose by 2 K: at 0.05 K/s that takes 40 s
    assert (entry.time_ns - START) / NS == pytest.approx(1040, abs=3)
    following.close()


def test_a_mark_by_hand_says_when_it_entered(journal: Journal) -> None:
    write(journal, 0, 20, 25)
    mark = Mark(MarkKind.LOAD_IN, START + 7 * NS, "in", by="person")
    # as the command asks for it, then as the recorder places it: one mark
    for at in (7, 8):
        placed = mark_facts(mark) | {"token": "t", "time_ns": START + at * NS}
        journal.append([], [(FrameKind.MARK, placed)], now_ns=START + 8 * NS)
    following = follow(journal)
    assert [m.time_ns for m in following.now.marks] == [START + 8 * NS]
    assert following.now.entry is not None
    assert following.now.entry.marked
    following.close()


def test_an_alarm_stands_until_the_recorder_says_it_is_over(journal: Journal) -> None:
    write(journal, 0, 20, 95)
    raised = Mark(MarkKind.FAULT, START, "too hot: air is at 95.0 °C", channel="air")
    journal.append([], [(FrameKind.MARK, mark_facts(raised))], now_ns=START)
    following = follow(journal)
    (standing,) = following.now.standing.values()
    assert (standing.name, standing.channel, standing.text) == (
        "too hot",
        "air",
        "air is at 95.0 °C",
    )
    over = Mark(MarkKind.NOTE, START + NS, "too hot: over: air is at 88.0 °C", channel="air")
    journal.append([], [(FrameKind.MARK, mark_facts(over))], now_ns=START + NS)
    following.look()
    assert not following.now.standing
    following.close()


def test_a_fahrenheit_instrument_and_a_missing_number(journal: Journal) -> None:
    rows = [
        Reading("core", START, START, 212.0, unit="degF"),
        Reading("air", START, START, math.nan),
    ]
    journal.append(rows, now_ns=START)
    following = Following(journal.files)
    news = following.look()
    assert news.value_c[0] == pytest.approx(100.0)
    assert np.isnan(news.value_c[1])
    following.close()


def test_a_link_that_went_is_told_once(journal: Journal) -> None:
    lost = {"kind": NoticeKind.LOST.value, "text": "no answer", "module": "gw", "value": None}
    for _ in range(3):
        journal.append([], [(FrameKind.NOTICE, lost)], now_ns=START)
    following = follow(journal)
    assert list(following.now.remarks) == ["gw: no answer"]
    following.close()


def test_why_nothing_comes_is_told_until_something_does(journal: Journal) -> None:
    for wait in ("0.2", "0.5"):
        words = f"10.0.0.7:502: no connection; trying again in {wait} s"
        waits = {"kind": NoticeKind.WAITING.value, "text": words, "module": "", "value": None}
        journal.append([], [(FrameKind.NOTICE, waits)], now_ns=START)
    waiting = follow(journal)
    assert list(waiting.now.remarks) == ["instrument: 10.0.0.7:502: no connection"]
    waiting.close()
    up = {"kind": NoticeKind.CONNECTED.value, "text": "10.0.0.7:502", "module": "", "value": None}
    journal.append([], [(FrameKind.NOTICE, up)], now_ns=START)
    write(journal, 1, 20, 80)
    following = follow(journal)
    journal.append([], [(FrameKind.NOTICE, waits)], now_ns=START)
    following.look()
    assert list(following.now.remarks) == ["instrument: connected to 10.0.0.7:502"]
    following.close()


def test_what_was_missed_can_be_asked_for(journal: Journal) -> None:
    for k in range(10):
        write(journal, k, 20 + k, 80)
    first, names = readings_after(journal.files, 0, limit=4)
    assert names == ("core", "air")
    assert first.more
    rest, _ = readings_after(journal.files, first.seq, limit=100)
    assert not rest.more
    both = [*first.value_c[first.channel == 0], *rest.value_c[rest.channel == 0]]
    assert both == [20.0 + k for k in range(10)]
    nothing, _ = readings_after(journal.files, rest.seq)
    assert nothing.empty
    assert nothing.seq == rest.seq


def test_a_clock_gone_astray_does_not_stretch_the_picture(journal: Journal) -> None:
    for k in range(5):
        write(journal, k, 20, 80)
    write(journal, 10 * 365 * 86400, 20, 80)
    following = follow(journal)
    assert following.overview.width_ns == NS
    assert following.now.newest_ns == START + 4 * NS
    assert following.now.readings == 12
    following.close()
