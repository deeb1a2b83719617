"""From an OPC UA data value to a reading: status code, variant, timestamps, engineering unit.

Status codes carry their severity in the top two bits, the code proper in the upper sixteen and
flags below that leave the meaning alone (OPC 10000-4, 7.39.1, Table 180). Checked in
tests/evidence/test_opcua_facts.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from enum import IntEnum

from ovenwright.domain.live import Reading
from ovenwright.domain.run import Quality
from ovenwright.errors import InstrumentTrouble

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_TICKS_TO_1970 = 116_444_736_000_000_000  # 100 ns steps from 1601-01-01 to 1970-01-01
_LAST_NS = 9_223_372_036_854_775_807
_LONGEST_NUMBER = 64

_CODE = 0xFFFF_0000
_INFO_TYPE, _DATA_VALUE = 0x0C00, 0x0400  # the flags below tell of a value
_QUEUE_OVERFLOW = 0x0080
_LIMITS, _LOW, _HIGH = 0x0300, 0x0100, 0x0200

_OUT_OF_RANGE = 0x803C_0000
_SENSOR_FAILURE = 0x808C_0000

# the codes a temperature server has reason to send (OPC 10000-6, A.2, the foundation's StatusCode.csv)
_WORDS: dict[int, str] = {
    0x8031_0000: "no communication with the sensor's side",
    0x8032_0000: "waiting for the first value",
    0x8033_0000: "node id not valid",
    0x8034_0000: "no such node on the server",
    0x8035_0000: "the node has no value",
    _OUT_OF_RANGE: "out of range",
    0x8089_0000: "configuration error",
    0x808A_0000: "not connected",
    0x808B_0000: "device failure",
    _SENSOR_FAILURE: "sensor failure",
    0x808D_0000: "out of service",
    0x809B_0000: "no data",
    0x809D_0000: "data lost",
    0x408F_0000: "last value before communication was lost",
    0x4090_0000: "last usable value",
    0x4091_0000: "substitute value",
    0x4092_0000: "initial value",
    0x4093_0000: "sensor not accurate",
    0x4094_0000: "engineering units exceeded",
    0x4095_0000: "fewer good sources than it should have",
    0x420A_0000: "sensor being calibrated",
    0x4209_0000: "simulated value",
    0x0096_0000: "overridden locally",
}


class Severity(IntEnum):
    """The top two bits of a status code."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2
    RESERVED = 3


def severity_of(status: int) -> Severity:
    """Return what the top two bits of a status code say."""
    return Severity((status >> 30) & 0b11)


def status_words(status: int) -> str:
    """Return a status code in plain words, with its number where it has none here."""
    found = _WORDS.get(status & _CODE)
    word = severity_of(status).name.lower()
    return f"{word}: {found}" if found else f"{word} (0x{status & 0xFFFF_FFFF:08X})"


def queue_overflowed(status: int) -> bool:
    """Whether the server says that readings before or after this one were thrown away."""
    return status & _INFO_TYPE == _DATA_VALUE and bool(status & _QUEUE_OVERFLOW)


def quality_of(status: int) -> Quality:
    """Return the quality a status code stands for.

    Good is good, uncertain is doubt of the instrument's own, bad and the reserved severity are no
    number; a failed sensor and a value out of range are told as overflow. A good value at the low
    or high limit of its sensor (limit bits) is doubtful: it may well lie beyond.
    """
    severity = severity_of(status)
    if severity in (Severity.BAD, Severity.RESERVED):
        beyond = status & _CODE in (_OUT_OF_RANGE, _SENSOR_FAILURE)
        return Quality.MISSING | Quality.OVERFLOW if beyond else Quality.MISSING
    if severity is Severity.UNCERTAIN:
        return Quality.INSTRUMENT_DOUBT
    if status & _INFO_TYPE == _DATA_VALUE and status & _LIMITS in (_LOW, _HIGH):
        return Quality.INSTRUMENT_DOUBT
    return Quality.GOOD


# UN/CEFACT common codes packed one ASCII letter a byte (OPC 10000-8, 5.6.4.4)
UNITS: dict[int, str] = {
    4_408_652: "degC",  # CEL
    4_604_232: "degF",  # FAH
    4_932_940: "K",  # KEL
    12_890: "mV",  # 2Z
    5_195_853: "ohm",  # OHM
}
_SIGNS = {"°C": "degC", "°F": "degF", "℃": "degC", "℉": "degF", "K": "K", "mV": "mV", "Ω": "ohm"}


def unit_code(common_code: str) -> int:
    """Return the number OPC UA packs a UN/CEFACT common code into, such as 4408652 for CEL.

    Raises
    ------
    InstrumentTrouble : if the code is not one to three ASCII characters
    """
    if not 1 <= len(common_code) <= 3 or not common_code.isascii():
        raise InstrumentTrouble(
            f"{common_code!r} is no common code of a unit", remedy="expected one to three letters"
        )
    return int.from_bytes(common_code.encode("ascii"), "big")


def unit_of(unit_id: int, display: str = "") -> str:
    """Return the unit of an engineering-unit record, or "" where it is none of ours."""
    return UNITS.get(unit_id, "") or _SIGNS.get(display.strip(), "")


def unix_ns(at: datetime | None) -> int | None:
    """Return UTC nanoseconds of a timestamp; a time without zone is UTC as the standard has it.

    The standard's zero, the start of 1601, means that there is no time: None.
    """
    if at is None:
        return None
    stamp = at.replace(tzinfo=UTC) if at.tzinfo is None else at
    found = ((stamp - _EPOCH) // _MICROSECOND) * 1000
    return found if 0 < found <= _LAST_NS else None


def unix_ns_of_ticks(ticks: int) -> int | None:
    """Return UTC nanoseconds of a count of 100 ns since 1601-01-01, None where it is no time."""
    found = (ticks - _TICKS_TO_1970) * 100
    return found if 0 < found <= _LAST_NS else None


def number_of(value: object, *, index: int | None = None) -> float:
    """Return the number a variant holds; NaN where it holds none.

    Raises
    ------
    InstrumentTrouble : if it is nothing that can be a temperature, or a list without an index
    """
    if isinstance(value, (list, tuple)):
        if index is None:
            raise InstrumentTrouble(
                f"the variable holds a list of {len(value)} values", remedy="give its index"
            )
        if index >= len(value):
            raise InstrumentTrouble(
                f"index {index} is beyond the list of {len(value)} values",
                remedy="the first has index 0",
            )
        return number_of(value[index])
    if value is None:
        return math.nan
    if isinstance(value, bool):
        raise InstrumentTrouble("the variable holds true or false", remedy="choose another node")
    if isinstance(value, (int, float, Decimal)):
        return _finite(value)
    if isinstance(value, str) and len(value) <= _LONGEST_NUMBER:
        try:
            return _finite(float(value))
        except ValueError:
            pass
    shown = repr(value)[:40] if isinstance(value, str) else f"a {type(value).__name__}"
    raise InstrumentTrouble(f"the variable holds {shown}", remedy="choose a node with a number")


def _finite(value: float | Decimal) -> float:
    try:
        number = float(value)
    except (OverflowError, ValueError):
        return math.nan
    return number if math.isfinite(number) else math.nan


@dataclass(frozen=True, slots=True)
class Arrived:
    """A data value as it came: variant, status and both timestamps."""

    value: object
    status: int
    source_time: datetime | None
    server_time: datetime | None
    received_ns: int


def decode(
    came: Arrived,
    *,
    channel: str,
    module: str = "",
    unit: str = "degC",
    index: int | None = None,
    time: str = "source",
    reference_c: float = math.nan,
    late_after_s: float = math.inf,
    offset_ns: int = 0,
) -> Reading:
    """Return the reading of one data value.

    Parameters
    ----------
    came : the data value
    channel, module, unit, index : from the plan's node
    time : which stamp counts, "source", "server" or "received"; the next best where it is missing
    reference_c : reference-junction temperature, °C, NaN if unknown
    late_after_s : older than this on arrival is late
    offset_ns : the server's clock minus ours, so that a wrong clock makes nothing late

    Raises
    ------
    InstrumentTrouble : if the value can't be a temperature
    """
    quality = quality_of(came.status)
    value = math.nan if quality & Quality.MISSING else number_of(came.value, index=index)
    if math.isnan(value):
        quality |= Quality.MISSING
    source, server = unix_ns(came.source_time), unix_ns(came.server_time)
    stamp: int | None = None
    if time == "source":
        stamp = source if source is not None else server
    elif time == "server":
        stamp = server if server is not None else source
    age_s = 0.0
    if stamp is not None:
        age_s = (came.received_ns + offset_ns - stamp) / 1e9
    return Reading(
        channel=channel,
        time_ns=came.received_ns if stamp is None else stamp,
        received_ns=came.received_ns,
        value=value,
        unit=unit,
        quality=quality,
        reference_c=reference_c,
        module=module,
        late=age_s > late_after_s,
    )
