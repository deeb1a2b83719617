"""Registers to readings: faults, bounds, grouping."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.run import Quality
from ovenwright.domain.sources.modbus import FaultCode, Register, RegisterOrder, RegisterType
from ovenwright.errors import OutOfRange
from ovenwright.wire.modbus_requests import group_requests, split_request
from ovenwright.wire.modbus_values import decode, decode_reading, encode, guess_map

WORDS = st.integers(0, 0xFFFF)


@pytest.mark.parametrize(
    ("raw", "kind", "code", "means", "quality"),
    [
        (0x7FFF, "int16", 32_767, "open", Quality.OVERFLOW),
        (0x8000, "int16", 0x8000, "open", Quality.OVERFLOW),  # written as bits
        (0x8000, "int16", -32_768, "missing", Quality.MISSING),  # written as the number
        (0xFFFF, "uint16", -1, "missing", Quality.MISSING),
        (0x7FFF, "int16", 32_766, "open", Quality.GOOD),
    ],
)
def test_fault_codes(raw: int, kind: str, code: int, means: str, quality: Quality) -> None:
    fault = FaultCode.model_validate({"code": code, "means": means})
    value, found = decode_reading((raw,), RegisterType(kind), faults=(fault,))
    assert found == quality
    assert math.isnan(value) is bool(quality)


def test_a_doubtful_code_keeps_its_number() -> None:
    fault = FaultCode(code=85, means="doubtful")
    assert decode_reading((85,), RegisterType.INT16, faults=(fault,)) == (
        85.0,
        Quality.INSTRUMENT_DOUBT,
    )


def test_a_float_code_is_met_as_a_float_holds_it() -> None:
    fault = FaultCode(code=-9999.9)
    raw = encode(-9999.9, RegisterType.FLOAT32)
    assert decode_reading(raw, RegisterType.FLOAT32, faults=(fault,))[1] == Quality.OVERFLOW


@pytest.mark.parametrize(("mark", "bit"), [(9.9e37, Quality.OVERFLOW), (-9.9e37, Quality.OVERFLOW), (9.91e37, Quality.MISSING), (math.inf, Quality.OVERFLOW), (math.nan, Quality.MISSING)])  # fmt: skip
@pytest.mark.parametrize("kind", [RegisterType.FLOAT32, RegisterType.FLOAT64])
def test_marks_within_floats(mark: float, bit: Quality, kind: RegisterType) -> None:
    value, quality = decode_reading(encode(mark, kind), kind)
    assert math.isnan(value)
    assert quality == bit


@given(st.integers(-2000, 18_000))
def test_tenths_that_went_through_a_float_come_out_as_tenths(tenths: int) -> None:
    value = tenths / 10
    assert decode_reading(encode(value, RegisterType.FLOAT32), RegisterType.FLOAT32)[0] == value


def test_scaled_as_it_would_be_written() -> None:
    assert decode_reading((235,), RegisterType.INT16, scale=0.1)[0] == 23.5
    assert decode_reading((2353,), RegisterType.INT16, scale=0.01, offset=-10)[0] == 13.53


@pytest.mark.parametrize("registers", [(), (1,), (1, 2, 3), (70_000, 0), (-1, 0)])
def test_what_is_no_pair_of_registers_is_refused(registers: tuple[int, ...]) -> None:
    with pytest.raises(OutOfRange):
        decode(registers, RegisterType.FLOAT32)


@given(st.lists(st.integers(-(2**20), 2**20), max_size=6), st.sampled_from(RegisterType), st.sampled_from(RegisterOrder), st.sampled_from(RegisterOrder))  # fmt: skip
def test_any_registers_give_a_reading_or_our_own_error(
    registers: list[int], kind: RegisterType, words: RegisterOrder, order: RegisterOrder
) -> None:
    try:
        value, quality = decode_reading(
            registers, kind, word_order=words, byte_order=order, scale=0.1
        )
    except OutOfRange:
        assert len(registers) != kind.registers or not all(0 <= r <= 0xFFFF for r in registers)
    else:
        assert math.isnan(value) is bool(quality & (Quality.MISSING | Quality.OVERFLOW))
        assert not math.isinf(value)


@given(st.data(), st.sampled_from(RegisterType), st.sampled_from(RegisterOrder), st.sampled_from(RegisterOrder))  # fmt: skip
def test_what_is_laid_in_comes_out(
    data: st.DataObject, kind: RegisterType, words: RegisterOrder, order: RegisterOrder
) -> None:
    registers = tuple(data.draw(st.lists(WORDS, min_size=kind.registers, max_size=kind.registers)))
    value = decode(registers, kind, word_order=words, byte_order=order)
    if math.isnan(value):
        return  # a NaN has many patterns
    assert encode(value, kind, word_order=words, byte_order=order) == registers


@given(st.dictionaries(st.integers(0, 300), WORDS, max_size=64))
def test_guessing_never_fails_and_stays_within_what_was_read(registers: dict[int, int]) -> None:
    for guess in guess_map(registers):
        assert guess.address in registers
        assert 2.0 <= guess.value <= 350.0


@given(
    st.lists(
        st.tuples(st.integers(0, 400), st.sampled_from(RegisterType), st.sampled_from(["holding", "input"]), st.sampled_from([None, 1, 2, 9])),
        min_size=1, max_size=40,
    ),
    st.integers(4, 125),
    st.integers(0, 20),
)  # fmt: skip
def test_every_number_is_asked_for_once_and_whole(
    told: list[tuple[int, RegisterType, str, int | None]], most: int, bridge: int
) -> None:
    registers = [
        Register.model_validate(
            {"channel": "c", "address": a, "type": t, "function": f, "unit_id": u}
        )
        for a, t, f, u in told
    ]
    requests = group_requests(registers, unit_id=1, most=most, bridge=bridge)
    seen = sorted(i for r in requests for i, _ in r.numbers)
    assert seen == list(range(len(registers)))
    for request in requests:
        assert 1 <= request.count <= most
        for i, place in request.numbers:
            register = registers[i]
            assert request.address + place == register.address
            assert place + register.type.registers <= request.count
            assert request.function == register.function
            assert request.unit_id == (register.unit_id or 1)
        assert len(split_request(registers, request)) == len(request.numbers)


def test_neighbours_share_a_request() -> None:
    registers = [Register(channel="c", address=2 * i, type=RegisterType.FLOAT32) for i in range(62)]
    assert [r.count for r in group_requests(registers, unit_id=1)] == [124]
    apart = [Register(channel="c", address=a) for a in (0, 9, 19)]
    assert [r.count for r in group_requests(apart, unit_id=1, bridge=8)] == [10, 1]
