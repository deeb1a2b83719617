"""An instrument that keeps its readings in Modbus registers, as a plan describes it."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.sources.lines import ReadingUnit, SerialPort
from ovenwright.domain.strict import FiniteFloat, PositiveFloat, Strict


class RegisterType(StrEnum):
    """How a number is laid into 16-bit registers."""

    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def registers(self) -> int:
        """How many registers one number takes."""
        return {"16": 1, "32": 2, "64": 4}[self.value[-2:]]


class RegisterOrder(StrEnum):
    """Which end of a number comes first."""

    BIG = "big"  # the most significant first, as the protocol itself has it within a register
    LITTLE = "little"


class FaultCode(Strict):
    """A number that stands for no reading."""

    code: FiniteFloat
    """The number as it stands in the register, before scale and offset."""
    means: Literal["open", "missing", "doubtful"] = "open"
    """"open" for an open sensor or a value beyond range, "missing" for no reading, "doubtful" for one not to be trusted."""


class Register(Strict):
    """One number of the register map."""

    channel: str = ""
    """The plan's channel this number belongs to; left out where it tells something else."""
    tells: Literal["reading", "reference", "battery", "signal", "lost"] = "reading"
    """What the number is: a reading, the module's reference-junction temperature, state of the battery, strength of the radio signal, or count of lost readings."""
    address: Annotated[int, Field(ge=0, le=65_535)]
    """Address on the wire, counted from 0: the manual's register 40001 or 30001 is address 0."""
    function: Literal["holding", "input"] = "holding"
    """Which table: holding registers (the manual's 4xxxx) or input registers (3xxxx)."""
    type: RegisterType = RegisterType.INT16
    """int16, uint16, int32, uint32, float32 or float64."""
    unit_id: Annotated[int, Field(ge=0, le=255)] | None = None
    """Unit (station) that answers, where it differs from the source's."""
    word_order: RegisterOrder | None = None
    """Which register of a long number comes first, where it differs from the source's."""
    byte_order: RegisterOrder | None = None
    """Which byte of a register comes first, where it differs from the source's."""
    scale: FiniteFloat = 1.0
    """The number times this, plus offset, is the reading: 0.1 for tenths of a degree."""
    offset: FiniteFloat = 0.0
    """Added after scaling."""
    unit: ReadingUnit = "degC"
    """Unit of the reading after scaling."""
    faults: tuple[FaultCode, ...] = ()
    """Numbers that stand for no reading."""
    module: str = ""
    """Module this number belongs to; the unit's own name when left out."""


class ModbusSource(DescribedSource):
    """An instrument that answers Modbus requests, over a network or a serial line."""

    kind: Literal["modbus"]
    """"modbus": registers read over Modbus TCP or RTU."""
    host: str = ""
    """Name or address of the instrument or gateway, for Modbus TCP."""
    port: Annotated[int, Field(ge=1, le=65_535)] = 502
    """Port of the instrument, for Modbus TCP."""
    serial: SerialPort | None = None
    """The serial line, for Modbus RTU; give this or host."""
    unit_id: Annotated[int, Field(ge=0, le=255)] = 1
    """Unit (station) that answers, where a register does not name its own."""
    interval_s: PositiveFloat = 1.0
    """Time from one scan of all registers to the next."""
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    """How long an answer is waited for."""
    pause_s: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Rest between two requests, for instruments that need it."""
    most_registers: Annotated[int, Field(ge=1, le=125)] = 125
    """Most registers asked for at once; the protocol allows 125, some instruments fewer."""
    bridge_registers: Annotated[int, Field(ge=0, le=100)] = 8
    """Registers that may be read along and thrown away to save a request; 0 where gaps are forbidden."""
    word_order: RegisterOrder = RegisterOrder.BIG
    """Which register of a long number comes first: "big" is the most significant."""
    byte_order: RegisterOrder = RegisterOrder.BIG
    """Which byte of a register comes first; the protocol says "big"."""
    battery_full: PositiveFloat = 100.0
    """What a battery register holds, after scaling, when the battery is full."""
    registers: tuple[Register, ...] = Field(min_length=1)
    """The register map."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this instrument feeds, each with the key that says so."""
        return tuple(
            (("registers", i, "channel"), r.channel)
            for i, r in enumerate(self.registers)
            if r.tells == "reading"
        )

    def places(self) -> tuple[tuple[KeyPath, str, str], ...]:
        """Return faults across the keys of this table: (key path, what is wrong, remedy)."""
        found: list[tuple[KeyPath, str, str]] = []
        if bool(self.host) == (self.serial is not None):
            found.append((("host",), "host and serial are both given or both missing",
                          "give host for Modbus TCP, or serial for Modbus RTU"))  # fmt: skip
        for i, r in enumerate(self.registers):
            if r.tells == "reading" and not r.channel:
                found.append((("registers", i, "channel"), "a reading without a channel",
                              "name the plan's channel, or say what it tells"))  # fmt: skip
            if r.tells != "reading" and r.channel:
                found.append((("registers", i, "channel"), f"a channel beside tells = {r.tells!r}",
                              "take the channel out"))  # fmt: skip
            if r.address + r.type.registers > 65_536:
                found.append((("registers", i, "address"), "the number reaches beyond the last address",
                              "check address and type"))  # fmt: skip
            if r.type.registers > self.most_registers:
                found.append((("most_registers",), f"a {r.type} takes {r.type.registers} registers",
                              "allow at least as many"))  # fmt: skip
            if r.scale == 0:
                found.append((("registers", i, "scale"), "a scale of 0 makes every reading alike",
                              "give the factor from the manual"))  # fmt: skip
        return tuple(found)
