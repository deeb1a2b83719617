"""What SCPI instruments tell of how they are set."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.errors import OutOfRange
from ovenwright.wire.scpi_setup import (
    MOST_CHANNELS,
    decode_channel_list,
    decode_measured,
    decode_temperature_units,
)


@pytest.mark.parametrize(
    ("answer", "channels"),
    [
        ("(@101,102)", ("101", "102")),
        ("(@101,103:105)\n", ("101", "103", "104", "105")),
        ("#214(@101,103:105)", ("101", "103", "104", "105")),
        ("(@5:3)", ("5", "4", "3")),
        ("(@)", ()),
        ("#13(@)", ()),
        ("(@2!1,2!3)", ("2!1", "2!3")),
    ],
)
def test_scan_lists(answer: str, channels: tuple[str, ...]) -> None:
    # ranges, both directions: SCPI 1999 volume 1, 8.3.2 (from memory)
    assert decode_channel_list(answer) == channels


@pytest.mark.parametrize("answer", ["", "21.5", "(101)", '-113,"Undefined header"', "(@1,,2)"])
def test_what_is_no_scan_list_is_refused(answer: str) -> None:
    with pytest.raises(OutOfRange):
        decode_channel_list(answer)


def test_a_scan_list_without_end_is_refused() -> None:
    with pytest.raises(OutOfRange, match=str(MOST_CHANNELS)):
        decode_channel_list("(@1:999999999)")


@pytest.mark.parametrize(
    ("answer", "measured"),
    [
        ('"TEMP TC,T,+1.0E+00","VOLT:DC +1.0E-1,+1.0E-7"', ("temperature", "voltage")),
        ('"TEMPERATURE"', ("temperature",)),
        ("TEMP TC,T", ("temperature",)),
        ('"FRES 1000,1E-3","FREQ 3","RES"', ("resistance", "", "resistance")),
        ('"SENS:CURR:DC"', ("current",)),
        ("42", ("",)),
        ("", ()),
    ],
)
def test_what_is_measured(answer: str, measured: tuple[str, ...]) -> None:
    assert decode_measured(answer) == measured


def test_units_of_temperature() -> None:
    assert decode_temperature_units("C") == ("degC",)
    assert decode_temperature_units("CEL,FAR,F,K\r") == ("degC", "degF", "degF", "K")
    with pytest.raises(OutOfRange):
        decode_temperature_units("V")


@given(st.text(max_size=200))
def test_anything_may_be_answered(answer: str) -> None:
    decode_measured(answer)
    for decode in (decode_channel_list, decode_temperature_units):
        with contextlib.suppress(OutOfRange):
            decode(answer)
