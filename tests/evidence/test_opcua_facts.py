"""Facts of the OPC UA standard, each with its place."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ovenwright.domain.run import Quality
from ovenwright.wire.opcua_values import (
    UNITS,
    Severity,
    quality_of,
    queue_overflowed,
    severity_of,
    status_words,
    unit_code,
    unit_of,
    unix_ns_of_ticks,
)

# OPC 10000-6, A.2: the foundation's StatusCode.csv
CODES = {
    "Good": (0x00000000, Severity.GOOD, Quality.GOOD),
    "GoodLocalOverride": (0x00960000, Severity.GOOD, Quality.GOOD),
    "UncertainLastUsableValue": (0x40900000, Severity.UNCERTAIN, Quality.INSTRUMENT_DOUBT),
    "UncertainSubstituteValue": (0x40910000, Severity.UNCERTAIN, Quality.INSTRUMENT_DOUBT),
    "UncertainSensorNotAccurate": (0x40930000, Severity.UNCERTAIN, Quality.INSTRUMENT_DOUBT),
    "UncertainEngineeringUnitsExceeded": (
        0x40940000,
        Severity.UNCERTAIN,
        Quality.INSTRUMENT_DOUBT,
    ),
    "UncertainSensorCalibration": (0x420A0000, Severity.UNCERTAIN, Quality.INSTRUMENT_DOUBT),
    "UncertainSimulatedValue": (0x42090000, Severity.UNCERTAIN, Quality.INSTRUMENT_DOUBT),
    "BadNoCommunication": (0x80310000, Severity.BAD, Quality.MISSING),
    "BadWaitingForInitialData": (0x80320000, Severity.BAD, Quality.MISSING),
    "BadOutOfRange": (0x803C0000, Severity.BAD, Quality.MISSING | Quality.OVERFLOW),
    "BadNotConnected": (0x808A0000, Severity.BAD, Quality.MISSING),
    "BadDeviceFailure": (0x808B0000, Severity.BAD, Quality.MISSING),
    "BadSensorFailure": (0x808C0000, Severity.BAD, Quality.MISSING | Quality.OVERFLOW),
    "BadOutOfService": (0x808D0000, Severity.BAD, Quality.MISSING),
    "BadNoData": (0x809B0000, Severity.BAD, Quality.MISSING),
    "BadDataLost": (0x809D0000, Severity.BAD, Quality.MISSING),
}


@pytest.mark.parametrize("name", CODES)
def test_status_codes_and_their_severity(name: str) -> None:
    code, severity, quality = CODES[name]
    assert severity_of(code) is severity
    assert quality_of(code) == quality
    # OPC 10000-4, 7.39.1: the lower sixteen bits do not change the meaning
    assert quality_of(code | 0x0080) == quality
    assert severity_of(code | 0xFFFF) is severity
    assert status_words(code | 0x0480) == status_words(code) or name == "Good"


def test_the_libraries_numbers_are_the_same() -> None:
    from asyncua.ua.status_codes import StatusCodes

    for name, (code, _, _) in CODES.items():
        assert getattr(StatusCodes, name) == code


def test_flags_of_a_data_value() -> None:
    # OPC 10000-4, 7.39.1, table of the InfoBits of a DataValue: InfoType 01 (bit 10) says the flags are of a data value,
    # bit 7 that the queue overflowed, bits 8 and 9 that the value is at its low or high limit
    assert queue_overflowed(0x0480)
    assert not queue_overflowed(0x0080)  # no info type: the bit means nothing
    assert quality_of(0x0500) == Quality.INSTRUMENT_DOUBT  # low limit
    assert quality_of(0x0600) == Quality.INSTRUMENT_DOUBT  # high limit
    assert quality_of(0x0700) == Quality.GOOD  # constant
    assert quality_of(0x0100) == Quality.GOOD


def test_reserved_severity_is_no_number() -> None:
    # OPC 10000-4, 7.39.1, Table 180: 11 is reserved; that it counts as bad is from memory
    assert quality_of(0xC0000000) == Quality.MISSING


@pytest.mark.parametrize(
    ("letters", "number", "unit"),
    [
        # OPC 10000-8, 5.6.4.4: the UN/CEFACT common code, one ASCII letter a byte;
        # numbers as in the foundation's UNECE_to_OPCUA.csv
        ("CEL", 4408652, "degC"),
        ("FAH", 4604232, "degF"),
        ("KEL", 4932940, "K"),
        ("2Z", 12890, "mV"),
        ("OHM", 5195853, "ohm"),
    ],
)
def test_engineering_units(letters: str, number: int, unit: str) -> None:
    assert unit_code(letters) == number
    assert UNITS[number] == unit
    assert unit_of(number) == unit


def test_time_counts_from_1601() -> None:
    # OPC 10000-6, 5.2.2.5: 100 ns steps since 1601-01-01T00:00:00Z; 369 years with 89 leap days
    at_1970 = (369 * 365 + 89) * 86_400 * 10_000_000
    moment = datetime(2026, 3, 3, 5, 40, tzinfo=UTC)
    ticks = at_1970 + int(moment.timestamp()) * 10_000_000 + 1_234_567
    assert unix_ns_of_ticks(ticks) == int(moment.timestamp()) * 10**9 + 123_456_700
    assert unix_ns_of_ticks(0) is None  # the standard's "no time"
