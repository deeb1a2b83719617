"""Answers of SCPI instruments."""

import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.domain.sources.scpi import ScpiField
from ovenwright.errors import OutOfRange
from ovenwright.wire.scpi_answers import (
    Identity,
    decode_error,
    decode_identity,
    decode_numbers,
    decode_scan,
    ours_to_mend,
)


def test_identity_has_four_fields() -> None:
    # IEEE 488.2, *IDN?: maker, model, serial number, firmware level between commas (from memory)
    who = decode_identity("Invented Works,TX-20,0042,1.7,b\n")
    assert who == Identity("Invented Works", "TX-20", "0042", "1.7,b")
    assert who.words() == "TX-20, serial 0042"
    assert decode_identity("Lone").words() == "Lone"
    assert decode_identity("Maker,M1,0,1").words() == "M1"  # 0 stands for no serial number


def test_error_queue() -> None:
    assert decode_error('-113,"Undefined header"') == (-113, "Undefined header")
    assert decode_error('+0,"No error"\r\n') == (0, "No error")
    assert decode_error("0") == (0, "")
    with pytest.raises(OutOfRange):
        decode_error("No error")
    assert ours_to_mend(-113)
    assert ours_to_mend(-222)
    assert not ours_to_mend(-350)
    assert not ours_to_mend(501)


@pytest.mark.parametrize(
    ("cell", "value", "quality", "unit"),
    [
        ("+2.150E+01", 21.5, Quality.GOOD, ""),
        (" 21.5 C", 21.5, Quality.GOOD, "C"),
        ("+1.23E-03 VDC", 0.00123, Quality.GOOD, "VDC"),
        # SCPI 1999, volume 1, section 7.2.1: ±9.9E37 infinity, 9.91E37 not a number (from memory)
        ("+9.90000000E+37", math.nan, Quality.OVERFLOW, ""),
        ("-9.9E37", math.nan, Quality.OVERFLOW, ""),
        ("9.91E37", math.nan, Quality.MISSING, ""),
        ("NAN", math.nan, Quality.MISSING, ""),
        ("-INF", math.nan, Quality.OVERFLOW, ""),
        ("", math.nan, Quality.MISSING, ""),
        ("(@101)", math.nan, Quality.MISSING, "(@101)"),
    ],
)
def test_numbers(cell: str, value: float, quality: Quality, unit: str) -> None:
    found = decode_numbers(cell)[0]
    assert found[0] == pytest.approx(value, nan_ok=True)
    assert found[1:] == (quality, unit)


def test_a_block_of_bytes_is_refused() -> None:
    with pytest.raises(OutOfRange, match="block"):
        decode_numbers("#3128...")
    with pytest.raises(OutOfRange, match="letters"):
        decode_numbers("1," * 40_000)


def test_a_scan_with_reference_and_volts() -> None:
    fields = (
        ScpiField(channel="core", unit="mV", scale=1000.0),
        ScpiField(tells="reference"),
        ScpiField(),
        ScpiField(channel="air"),
    )
    readings = decode_scan("+3.285E-03,+2.51E+01,7,+1.8E+02", fields, received_ns=5, module="m")
    assert [(r.channel, r.value, r.unit, r.reference_c) for r in readings] == [
        ("core", 3.285, "mV", 25.1),
        ("air", 180.0, "degC", 25.1),
    ]


def test_numbers_beside_the_reading_are_passed_over() -> None:
    fields = (ScpiField(channel="a"), ScpiField(channel="b"))
    readings = decode_scan("21.5,101,0,22.5,102,0", fields, received_ns=5, numbers_each=3)
    assert [r.value for r in readings] == [21.5, 22.5]


def test_a_written_unit_overrules_the_plan() -> None:
    read = decode_scan("212.0 F", (ScpiField(channel="a"),), received_ns=5)
    assert (read[0].value, read[0].unit) == (212.0, "degF")
    volts = decode_scan("+1.0E-3 VDC", (ScpiField(channel="a", unit="mV"),), received_ns=5)
    assert (volts[0].value, volts[0].unit) == (1.0, "mV")


@given(st.text(max_size=200))
def test_any_text_is_readings_or_our_own_error(text: str) -> None:
    fields = (ScpiField(channel="a"), ScpiField(channel="b"))
    for decoder in (decode_identity, decode_error, decode_numbers):
        with suppress(OutOfRange):
            decoder(text)
    try:
        readings = decode_scan(text, fields, received_ns=5)
    except OutOfRange:
        return
    assert len(readings) == 2
    assert all(math.isnan(r.value) or math.isfinite(r.value) for r in readings)
    assert all(not math.isnan(r.value) or r.quality for r in readings)


@given(
    st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32), min_size=1, max_size=20)
)
def test_what_an_instrument_prints_is_read(values: list[float]) -> None:
    text = ",".join(f"{v:+.8E}" for v in values)
    assert [v for v, _, _ in decode_numbers(text)] == [
        pytest.approx(v, rel=1e-8) if abs(v) < 9.8e37 else pytest.approx(math.nan, nan_ok=True)
        for v in values
    ]
