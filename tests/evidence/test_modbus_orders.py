"""Register orders against IEEE 754 bit patterns that are printed elsewhere."""

import struct

import pytest

from ovenwright.domain.sources.modbus import RegisterOrder, RegisterType
from ovenwright.wire.modbus_values import decode, encode, plausible_order, word_order_check

BIG, LITTLE = RegisterOrder.BIG, RegisterOrder.LITTLE

# IEEE 754-2019 binary32: sign, 8 bits of exponent biased by 127, 23 bits of fraction.
# 100 = 1.5625 × 2^6: exponent 133 = 0x85, fraction 0.5625 × 2^23 = 0x480000, so 0x42C80000.
# The others follow in the same way; 123456.0 = 0x47F12000 is the value that libmodbus's manual page
# modbus_set_float(3) works with.
SINGLES = [
    (100.0, 0x42C80000),
    (200.0, 0x43480000),
    (21.5, 0x41AC0000),
    (123456.0, 0x47F12000),
    (-18.5, 0xC1940000),
]


@pytest.mark.parametrize(("value", "bits"), SINGLES)
def test_the_protocols_own_order(value: float, bits: int) -> None:
    registers = (bits >> 16, bits & 0xFFFF)
    assert decode(registers, RegisterType.FLOAT32) == value
    assert encode(value, RegisterType.FLOAT32) == registers


def test_what_wrong_orders_make_of_a_room_temperature() -> None:
    # 21.5 °C = 0x41AC0000. The bits that each wrong order reads: words swapped 0x000041AC, bytes
    # swapped within words 0xAC410000, both 0x0000AC41. Binary32 without exponent is fraction × 2^-149.
    registers = (0x41AC, 0x0000)
    words = decode(registers, RegisterType.FLOAT32, word_order=LITTLE)
    assert words == 0x41AC * 2.0**-149
    assert words == pytest.approx(2.36e-41, rel=0.01)
    both = decode(registers, RegisterType.FLOAT32, word_order=LITTLE, byte_order=LITTLE)
    assert both == 0xAC41 * 2.0**-149
    assert both == pytest.approx(6.18e-41, rel=0.01)
    swapped = decode(registers, RegisterType.FLOAT32, byte_order=LITTLE)
    # 0xAC41: sign 1, exponent 0x58 = 88 − 127 = −39, fraction 0x41/0x80
    assert swapped == -(1 + 0x41 / 0x80) * 2.0**-39
    assert swapped == pytest.approx(-2.74e-12, rel=0.01)


def test_doubles_and_long_whole_numbers() -> None:
    # IEEE 754-2019 binary64: 100 has exponent 1023 + 6 = 0x405 and fraction 0.5625
    assert decode((0x4059, 0, 0, 0), RegisterType.FLOAT64) == 100.0
    assert decode((0, 0, 0, 0x4059), RegisterType.FLOAT64, word_order=LITTLE) == 100.0
    # two's complement: all ones is −1
    assert decode((0xFFFF, 0xFFFF), RegisterType.INT32) == -1.0
    assert decode((0xFFFF, 0xFFFF), RegisterType.UINT32) == 4_294_967_295.0
    assert decode((0x8000,), RegisterType.INT16) == -32_768.0
    assert decode((0x0001, 0x0000), RegisterType.INT32) == 65_536.0


@pytest.mark.parametrize("word_order", list(RegisterOrder))
@pytest.mark.parametrize("byte_order", list(RegisterOrder))
@pytest.mark.parametrize("at_c", [(21.5, 22.0, 180.25), (100.0,), (-12.5, 4.0), (250.0, 251.0)])
def test_the_order_check_finds_the_order_temperatures_were_laid_in(
    word_order: RegisterOrder, byte_order: RegisterOrder, at_c: tuple[float, ...]
) -> None:
    laid = []
    for t in at_c:
        raw = struct.pack(">f", t)  # laid by hand, not by our own encoder
        words = [raw[:2], raw[2:]]
        if byte_order is LITTLE:
            words = [w[::-1] for w in words]
        if word_order is LITTLE:
            words = words[::-1]
        laid.append(tuple(int.from_bytes(w, "big") for w in words))
    found = plausible_order(word_order_check(laid, RegisterType.FLOAT32))
    assert found is not None
    assert found.values == at_c
    assert (found.word_order, found.byte_order) == (word_order, byte_order)


def test_nothing_sane_is_not_guessed() -> None:
    assert plausible_order(word_order_check([(0x7F80, 0x7F80)], RegisterType.FLOAT32)) is None
    assert plausible_order(()) is None
