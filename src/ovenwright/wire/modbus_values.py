"""Modbus registers to numbers, and which order of words and bytes makes sense of them."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ovenwright.domain.run import Quality
from ovenwright.domain.sources.modbus import FaultCode, RegisterOrder, RegisterType
from ovenwright.errors import OutOfRange

_FORMS = {
    RegisterType.INT16: ">h",
    RegisterType.UINT16: ">H",
    RegisterType.INT32: ">i",
    RegisterType.UINT32: ">I",
    RegisterType.FLOAT32: ">f",
    RegisterType.FLOAT64: ">d",
}
_MEANS = {
    "open": Quality.OVERFLOW,
    "missing": Quality.MISSING,
    "doubtful": Quality.INSTRUMENT_DOUBT,
}
BEYOND = 9.8e37
"""A float at or above this is an instrument's mark for an open sensor, as SCPI's 9.9E37 is."""


def _bytes_of(
    registers: Sequence[int], word_order: RegisterOrder, byte_order: RegisterOrder
) -> bytes:
    for register in registers:
        if not 0 <= register <= 0xFFFF:
            raise OutOfRange("register", got=register, expected="0 to 65535")
    words = registers if word_order is RegisterOrder.BIG else registers[::-1]
    end = "big" if byte_order is RegisterOrder.BIG else "little"
    return b"".join(int(w).to_bytes(2, end) for w in words)  # type: ignore[arg-type]


def decode(
    registers: Sequence[int],
    number: RegisterType,
    *,
    word_order: RegisterOrder = RegisterOrder.BIG,
    byte_order: RegisterOrder = RegisterOrder.BIG,
) -> float:
    """Return the number that registers hold.

    Parameters
    ----------
    registers : as many as `number` takes, each 0 to 65535, the lowest address first
    number : how the number is laid into registers
    word_order : BIG where the lowest address holds the most significant register
    byte_order : BIG where a register's high byte is the more significant, as the protocol says

    Returns
    -------
    the number, unscaled; NaN or infinite where a float holds that

    Raises
    ------
    OutOfRange : if there are too few or too many registers, or one is no 16-bit number

    Source: Modbus application protocol V1.1b3, section 4.2 (most significant byte first); the order
    of registers of a long number is not standardised. Checked in
    tests/evidence/test_modbus_orders.py.
    """
    if len(registers) != number.registers:
        raise OutOfRange(
            "registers", got=len(registers), expected=f"{number.registers} for {number}"
        )
    raw = _bytes_of(registers, word_order, byte_order)
    found: int | float = struct.unpack(_FORMS[number], raw)[0]
    return float(found)


def encode(
    value: float,
    number: RegisterType,
    *,
    word_order: RegisterOrder = RegisterOrder.BIG,
    byte_order: RegisterOrder = RegisterOrder.BIG,
) -> tuple[int, ...]:
    """Return the registers that hold a number, the inverse of `decode`.

    Parameters
    ----------
    value : the number; rounded where the type holds whole numbers only
    number, word_order, byte_order : as for `decode`

    Raises
    ------
    OutOfRange : if the type can't hold the number
    """
    try:
        whole = "float" not in number.value
        raw = struct.pack(_FORMS[number], round(value) if whole else value)
    except (struct.error, OverflowError, ValueError) as cause:
        raise OutOfRange("value", got=value, expected=f"a number that {number} can hold") from cause
    end = "big" if byte_order is RegisterOrder.BIG else "little"
    words = [int.from_bytes(raw[i : i + 2], end) for i in range(0, len(raw), 2)]  # type: ignore[arg-type]
    return tuple(words if word_order is RegisterOrder.BIG else words[::-1])


def decode_reading(
    registers: Sequence[int],
    number: RegisterType,
    *,
    word_order: RegisterOrder = RegisterOrder.BIG,
    byte_order: RegisterOrder = RegisterOrder.BIG,
    scale: float = 1.0,
    offset: float = 0.0,
    faults: Sequence[FaultCode] = (),
) -> tuple[float, Quality]:
    """Return a scaled reading and what is known of it.

    Parameters
    ----------
    registers, number, word_order, byte_order : as for `decode`
    scale, offset : reading = number × scale + offset
    faults : numbers that stand for no reading. Of whole numbers a code fits by its bits, so that
        0xFFFF and −1 are the same code of an int16.

    Returns
    -------
    (value, quality): of a float32 the shortest decimal number that it stands for. NaN with MISSING or OVERFLOW where a code says so, where a float is NaN, or
    infinite or as large as the marks instruments use

    Raises
    ------
    OutOfRange : as for `decode`
    """
    raw = decode(registers, number, word_order=word_order, byte_order=byte_order)
    quality = Quality.GOOD
    for fault in faults:
        if _same(raw, fault.code, number):
            quality |= _MEANS[fault.means]
    if math.isnan(raw) and not quality:
        quality |= Quality.MISSING
    if abs(raw) >= BEYOND and not quality:
        quality |= Quality.MISSING if _same(raw, 9.91e37, number) else Quality.OVERFLOW
    if quality & (Quality.MISSING | Quality.OVERFLOW) or math.isnan(raw):
        return math.nan, quality
    if number is RegisterType.FLOAT32:  # 29.7 as a float is 29.70000076…: the shortest is meant
        raw = float(str(np.float32(raw)))
    # tenths and hundredths come out as they would be written: 235 × 0.1 is 23.5
    return _written(raw * scale + offset), quality


def _same(raw: float, code: float, number: RegisterType) -> bool:
    if raw == code:
        return True
    if number is RegisterType.FLOAT32 and math.isfinite(code):
        return abs(code) < 3.4e38 and raw == float(np.float32(code))
    if "int" in number.value and float(code).is_integer():
        return (int(raw) - int(code)) % (1 << 16 * number.registers) == 0 and abs(code) < 2**32
    return False


def _written(value: float) -> float:
    return float(f"{value:.13g}") if math.isfinite(value) else value


@dataclass(frozen=True, slots=True)
class OrderGuess:
    """One way to read a set of numbers, and what it gives."""

    word_order: RegisterOrder
    byte_order: RegisterOrder
    values: tuple[float, ...]
    sane: int  # how many are temperatures an oven sensor can have
    room: int  # how many of those lie between -10 and 350 °C

    def words(self) -> str:
        """Return the order and what it gives, in one phrase for people."""
        shown = ", ".join(f"{v:.6g}" for v in self.values[:4])
        return f"word order {self.word_order}, byte order {self.byte_order}: {shown}"


SANE_C = (-50.0, 1800.0)
ROOM_C = (-10.0, 350.0)
_WHISPER = 1e-3
"""A float this near 0 that is not 0 is a wrong order, not a temperature."""


def word_order_check(
    registers: Sequence[Sequence[int]],
    number: RegisterType,
    *,
    scale: float = 1.0,
    offset: float = 0.0,
) -> tuple[OrderGuess, ...]:
    """Return every order of words and bytes, the one that gives the sanest temperatures first.

    Parameters
    ----------
    registers : (n, k) registers of n readings in °C, k as `number` takes
    number : how the numbers are laid into registers
    scale, offset : reading = number × scale + offset

    Returns
    -------
    the orders, best first: most values within −50 to 1800 °C, then most within −10 to 350 °C, then
    the values that lie closest together, then the protocol's own order. The first is to be believed
    only where its ``sane`` counts every value and the second's does not, or its values agree better.

    Raises
    ------
    OutOfRange : as for `decode`
    """
    orders = (RegisterOrder.BIG, RegisterOrder.LITTLE)
    words = orders if number.registers > 1 else orders[:1]
    found: list[tuple[tuple[float, ...], OrderGuess]] = []
    for place, (byte_order, word_order) in enumerate((b, w) for b in orders for w in words):
        values = tuple(
            _written(
                decode(r, number, word_order=word_order, byte_order=byte_order) * scale + offset
            )
            for r in registers
        )
        sane = [v for v in values if SANE_C[0] <= v <= SANE_C[1] and not 0 < abs(v) < _WHISPER]
        room = [v for v in sane if ROOM_C[0] <= v <= ROOM_C[1]]
        spread = max(sane) - min(sane) if sane else math.inf
        guess = OrderGuess(word_order, byte_order, values, len(sane), len(room))
        found.append(((-len(sane), -len(room), spread, float(place)), guess))
    found.sort(key=lambda pair: pair[0])
    return tuple(guess for _, guess in found)


def plausible_order(guesses: Sequence[OrderGuess]) -> OrderGuess | None:
    """Return the order to believe, None where nothing is sane or two orders do equally well.

    Parameters
    ----------
    guesses : what `word_order_check` answered
    """
    if not guesses or guesses[0].sane < len(guesses[0].values) or not guesses[0].values:
        return None
    first = guesses[0]
    for other in guesses[1:]:
        if (other.sane, other.room) == (first.sane, first.room) and other.values != first.values:
            return None
    return first


@dataclass(frozen=True, slots=True)
class Guess:
    """A number among registers of unknown meaning that looks like a temperature."""

    address: int
    type: RegisterType
    word_order: RegisterOrder
    byte_order: RegisterOrder
    scale: float
    value: float


LIKELY_C = (2.0, 350.0)


def guess_map(registers: Mapping[int, int]) -> tuple[Guess, ...]:
    """Return what looks like temperatures among registers of unknown meaning.

    Floats are looked for first, in every order; where few are found, 16-bit tenths of a degree. A
    guess is for a person to confirm, never to be recorded unseen.

    Parameters
    ----------
    registers : address to content, 0 to 65535 each

    Returns
    -------
    guesses by address, all of one type and order

    Raises
    ------
    OutOfRange : if a register is no 16-bit number
    """
    filled = sum(1 for v in registers.values() if v not in (0, 0xFFFF, 0x8000, 0x7FFF))
    best: list[Guess] = []
    # round numbers fit two orders, one register apart; most tables begin at an even address
    for parity in (0, 1):
        for byte_order in RegisterOrder:
            for word_order in RegisterOrder:
                found = _floats(registers, word_order, byte_order, parity)
                if len(found) > len(best):
                    best = found
    # a float fills one register or two
    if best and 2 * len(best) >= 0.6 * filled:
        return tuple(best)
    tenths = [
        Guess(a, RegisterType.INT16, RegisterOrder.BIG, RegisterOrder.BIG, 0.1, v)
        for a, raw in sorted(registers.items())
        if LIKELY_C[0] <= (v := decode_reading((raw,), RegisterType.INT16, scale=0.1)[0]) <= LIKELY_C[1]
        and raw >= 100
    ]  # fmt: skip
    return tuple(tenths if len(tenths) > len(best) else best)


def _floats(
    registers: Mapping[int, int], word_order: RegisterOrder, byte_order: RegisterOrder, parity: int
) -> list[Guess]:
    found: list[Guess] = []
    for address in sorted(registers):
        if address % 2 != parity or address + 1 not in registers:
            continue
        pair = (registers[address], registers[address + 1])
        value = decode(pair, RegisterType.FLOAT32, word_order=word_order, byte_order=byte_order)
        if LIKELY_C[0] <= value <= LIKELY_C[1]:
            shown = _written(float(f"{value:.7g}"))
            found.append(Guess(address, RegisterType.FLOAT32, word_order, byte_order, 1.0, shown))
    return found
