"""OPC UA values to readings: nothing that comes may do more than be refused."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.errors import InstrumentTrouble
from ovenwright.wire.opcua_values import (
    Arrived,
    decode,
    number_of,
    quality_of,
    severity_of,
    status_words,
    unit_code,
    unit_of,
    unix_ns,
    unix_ns_of_ticks,
)

NOW = 1_772_516_400_000_000_000
AT = datetime(2026, 3, 3, 5, 40, tzinfo=UTC)
AT_NS = int(AT.timestamp()) * 10**9


def came(value: object = 95.5, status: int = 0, **more: Any) -> Arrived:
    facts: dict[str, Any] = {"source_time": AT, "server_time": AT + timedelta(seconds=1)}
    return Arrived(value, status, received_ns=AT_NS + 2 * 10**9, **(facts | more))


def test_a_good_value() -> None:
    reading = decode(came(), channel="core left", module="block A", unit="degF")
    assert (reading.value, reading.unit, reading.quality) == (95.5, "degF", Quality.GOOD)
    assert (reading.channel, reading.module) == ("core left", "block A")
    assert reading.time_ns == AT_NS
    assert reading.received_ns == AT_NS + 2 * 10**9
    assert reading.sequence is None
    assert not reading.late


def test_which_time_counts() -> None:
    def stamp(**more: Any) -> int:
        kind = more.pop("time", "source")
        return decode(came(**more), channel="c", time=kind).time_ns - AT_NS

    second = 10**9
    assert stamp() == 0
    assert stamp(source_time=None) == second
    assert stamp(time="server") == second
    assert stamp(time="server", server_time=None) == 0
    assert stamp(time="received") == 2 * second
    assert stamp(source_time=None, server_time=None) == 2 * second


def test_late_is_by_the_servers_own_clock() -> None:
    assert decode(came(), channel="c", late_after_s=1.0).late
    assert not decode(came(), channel="c", late_after_s=3.0).late
    # a clock ten seconds slow makes nothing late
    assert not decode(came(), channel="c", late_after_s=1.0, offset_ns=-(10**10)).late
    assert not decode(came(source_time=None, server_time=None), channel="c", late_after_s=0.1).late


def test_what_is_no_number() -> None:
    for bad in (0x808C0000, 0x80310000, 0xC0000000):
        reading = decode(came(95.5, bad), channel="c")
        assert math.isnan(reading.value)
        assert reading.quality & Quality.MISSING
    for empty in (None, math.nan, math.inf, -math.inf):
        reading = decode(came(empty), channel="c")
        assert math.isnan(reading.value)
        assert reading.quality == Quality.MISSING


@pytest.mark.parametrize(
    ("value", "number"),
    [(7, 7.0), (7.25, 7.25), (Decimal("7.125"), 7.125), ("7.5", 7.5), (10**400, math.nan)],
)
def test_kinds_of_number(value: object, number: float) -> None:
    assert number_of(value) == pytest.approx(number, nan_ok=True, abs=0)


@pytest.mark.parametrize("value", [True, "hot", "", b"7", AT, object(), {"a": 1}, "9" * 1000])
def test_what_can_be_no_temperature_is_refused(value: object) -> None:
    with pytest.raises(InstrumentTrouble, match="the variable holds"):
        number_of(value)


def test_lists_need_an_index() -> None:
    assert number_of([1.0, 2.0], index=1) == 2.0
    with pytest.raises(InstrumentTrouble, match="give its index"):
        number_of([1.0, 2.0])
    with pytest.raises(InstrumentTrouble, match="beyond the list of 2"):
        number_of([1.0, 2.0], index=2)


def test_times() -> None:
    assert unix_ns(AT) == AT_NS
    assert unix_ns(AT.replace(tzinfo=None)) == AT_NS  # the standard knows UTC only
    assert unix_ns(AT.astimezone(timezone(timedelta(hours=2)))) == AT_NS
    assert unix_ns(AT + timedelta(microseconds=7)) == AT_NS + 7000
    assert unix_ns(None) is None
    assert unix_ns(datetime(1601, 1, 1, tzinfo=UTC)) is None
    assert unix_ns(datetime.max.replace(tzinfo=UTC)) is None


def test_units_by_sign_where_the_number_is_foreign() -> None:
    assert unit_of(-1, "°C") == "degC"
    assert unit_of(0, " °F ") == "degF"
    assert unit_of(5067858, "m/min") == ""
    with pytest.raises(InstrumentTrouble):
        unit_code("")
    with pytest.raises(InstrumentTrouble):
        unit_code("°C")


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.binary()
    | st.decimals() | st.datetimes() | st.complex_numbers(),
    lambda inner: st.lists(inner, max_size=5) | st.tuples(inner),
    max_leaves=10,
)  # fmt: skip


@given(
    value=anything,
    status=st.integers(-(2**40), 2**40),
    source=st.none() | st.datetimes(),
    server=st.none() | st.datetimes(),
    index=st.none() | st.integers(0, 5),
    time=st.sampled_from(["source", "server", "received"]),
)
def test_whatever_comes_is_a_reading_or_refused(  # noqa: PLR0917  hypothesis hands them over
    value: object,
    status: int,
    source: datetime | None,
    server: datetime | None,
    index: int | None,
    time: str,
) -> None:
    try:
        reading = decode(
            Arrived(value, status, source, server, NOW),
            channel="c",
            index=index,
            time=time,
            late_after_s=1.0,
        )
    except InstrumentTrouble as trouble:
        assert len(str(trouble)) < 300  # noqa: PT017  what was sent is not echoed whole
        return
    assert 0 < reading.time_ns < 2**63
    assert math.isnan(reading.value) == bool(reading.quality & Quality.MISSING)
    assert not math.isinf(reading.value)


@given(st.integers(0, 2**32 - 1))
def test_every_status_has_words_and_a_quality(status: int) -> None:
    assert status_words(status).startswith(severity_of(status).name.lower())
    assert quality_of(status) == quality_of(status)


@given(st.integers(-(2**63), 2**63 - 1))
def test_every_count_of_ticks_is_a_time_or_none(ticks: int) -> None:
    found = unix_ns_of_ticks(ticks)
    assert found is None or 0 < found < 2**63
