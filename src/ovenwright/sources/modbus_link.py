"""The Modbus library, told apart by what its troubles mean for us."""

from __future__ import annotations

import logging
import math
import os
import time
from collections.abc import Sequence
from typing import Any

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException

from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.byte_links import PARITIES, TERMINAL_TROUBLE, no_host, not_set_so

# the library speaks of every missed answer; what matters is told by notices
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

ILLEGAL = {
    1: "it does not know this kind of request",
    2: "it has no such address",
    3: "it refuses this count of registers",
}
"""Answers that come back as long as the plan is the same (Modbus protocol V1.1b3, section 7)."""
PASSING = {
    4: "it has failed",
    5: "it is still at work on an earlier request",
    6: "it is busy",
    8: "its memory has failed",
    10: "the gateway has no path to it",
    11: "it does not answer the gateway",
}
NOT_THERE = (10, 11)


class UnitSilent(OSError):
    """A unit did not answer; the link itself may be sound."""


class UnitRefused(Exception):
    """A unit answered that it will not."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(ILLEGAL.get(code) or PASSING.get(code) or f"exception {code}")


class _SteadySerialClient(ModbusSerialClient):
    """Waits by a clock that never steps.

    The library waits by the time of day: a clock set back by an hour while an answer is missing would
    hold up the line for that hour. The test that steps the clock fails if a later version of the
    library no longer asks here.
    """

    def _wait_for_data(self) -> int:
        end_s = time.monotonic() + float(self.comm_params.timeout_connect)
        size = 0
        while time.monotonic() < end_s:
            there = int(self._in_waiting())  # type: ignore[no-untyped-call]
            if there and there == size:
                break  # no more came while four letters could have
            size = there
            time.sleep(self._recv_interval)
        return size


class ModbusLink:
    """One connection to a Modbus instrument or gateway; blocking, for one thread.

    Parameters
    ----------
    host, port : for Modbus TCP
    serial : for Modbus RTU; then host and port are not used
    timeout_s : how long an answer is waited for
    """

    def __init__(
        self, *, host: str = "", port: int = 502, serial: SerialPort | None = None, timeout_s: float
    ) -> None:
        self._serial = serial
        self._host = host
        self._client: ModbusTcpClient | ModbusSerialClient
        if serial is None:
            self._client = ModbusTcpClient(host, port=port, timeout=timeout_s, retries=0)
        else:
            self._client = _SteadySerialClient(
                serial.device,
                baudrate=serial.baud,
                bytesize=serial.data_bits,
                parity=PARITIES[serial.parity],
                stopbits=serial.stop_bits,
                timeout=timeout_s,
                retries=0,
            )

    def open(self) -> None:
        """Make the connection.

        Raises
        ------
        OSError : if there is none
        InstrumentTrouble : if this user may not open the port, it can't be set so, or no host can be
            called so
        """
        if self._serial is not None:
            device = self._serial.device
            if not os.path.exists(device):  # noqa: PTH110  a port name such as COM3 is no path
                raise OSError("the port is not there; is it plugged in?")
            if os.name == "posix" and not os.access(device, os.R_OK | os.W_OK):
                raise InstrumentTrouble(
                    "this user may not open the port", where=device,
                    remedy="join the group that owns it, usually: sudo usermod -aG dialout $USER, then log in again",
                )  # fmt: skip
        try:
            there = bool(self._client.connect())
        except ModbusException as cause:
            raise OSError(_plain(cause)) from cause
        except UnicodeError as cause:
            raise no_host(self._host) from cause
        except (ValueError, TERMINAL_TROUBLE) as cause:
            if self._serial is None:
                raise
            raise not_set_so(self._serial) from cause
        if not there:
            raise OSError("no connection")

    def read(self, unit_id: int, function: str, address: int, count: int) -> Sequence[int]:
        """Return registers.

        Raises
        ------
        UnitSilent : if the unit does not answer, or answers nonsense
        UnitRefused : if it answers that it will not
        OSError : if the connection has gone
        """
        ask: Any = (
            self._client.read_holding_registers
            if function == "holding"
            else self._client.read_input_registers
        )
        answer = self._ask(ask, address, count=count, device_id=unit_id)
        registers = list(answer.registers)
        if len(registers) != count:
            raise UnitSilent(f"{len(registers)} registers came where {count} were asked for")
        return registers

    def identity(self, unit_id: int) -> dict[int, str]:
        """Return what the unit says of itself: 0 maker, 1 product, 2 revision.

        Raises
        ------
        UnitSilent, UnitRefused, OSError : as for `read`
        """
        answer = self._ask(
            self._client.read_device_information, read_code=1, object_id=0, device_id=unit_id
        )
        told = getattr(answer, "information", {})
        return {
            int(k): v.decode("utf-8", "replace") for k, v in told.items() if isinstance(v, bytes)
        }

    def _ask(self, request: Any, *args: int, **named: int) -> Any:
        try:
            answer = request(*args, **named)
        except ConnectionException as cause:
            raise OSError("it closed the connection") from cause
        except ModbusException as cause:
            self._begin_anew()
            raise UnitSilent(_plain(cause)) from cause
        # a frame that fits no answer makes the library fail in its own ways
        except (ValueError, IndexError, KeyError, TypeError, AttributeError, ArithmeticError) as cause:  # fmt: skip
            self._begin_anew()
            raise UnitSilent(f"it answered nonsense: {cause}") from cause
        if answer is None:
            self._begin_anew()
            raise UnitSilent("it does not answer")
        if answer.isError():
            code = getattr(answer, "exception_code", math.nan)
            raise UnitRefused(int(code) if code == code else 0)  # noqa: PLR0124  NaN
        return answer

    def _begin_anew(self) -> None:
        """Drop what may still come in answer to a request given up, lest it pass for the next."""
        self._client.close()  # type: ignore[no-untyped-call]

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()  # type: ignore[no-untyped-call]


def _plain(cause: Exception) -> str:
    text = str(cause)
    return "it does not answer" if "No response" in text else text.removeprefix("Modbus Error: ")
