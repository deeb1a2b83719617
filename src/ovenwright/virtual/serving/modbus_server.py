"""A Modbus TCP server with the oven's readings as float32 registers.

It is small and of its own make, so that what reads it in the tool is tried against a stranger.
Framing and exception codes follow the Modbus Application Protocol Specification V1.1b3 and the
Messaging on TCP/IP Implementation Guide V1.0b.

Every module is a unit, numbered from 1; function 3 (holding) and 4 (input) read the same registers:

========  ======================  =====================================================
address   type                    what
========  ======================  =====================================================
0, 2, …   float32                 input 1, 2, … in °C; −9999 no reading, 9999 open sensor
1000      float32                 reference junction, °C
1002      uint16                  battery, tenths of a percent
1003      int16                   radio signal, dBm
1004      uint32                  count of scans
1006      uint32                  the instrument's own time, seconds since 1970 UTC
1008      uint16                  milliseconds of it
========  ======================  =====================================================
"""

from __future__ import annotations

import socketserver
import struct
import threading

from ovenwright.errors import InstrumentTrouble
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.address import Address
from ovenwright.virtual.serving.frames import Frame, Shown
from ovenwright.virtual.serving.outlet import Mischief

NO_READING, OPEN = -9999.0, 9999.0
REFERENCE, BATTERY, SIGNAL, COUNT, SECONDS, MILLISECONDS = 1000, 1002, 1003, 1004, 1006, 1008

_READ_HOLDING, _READ_INPUT = 3, 4
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE, _NO_TARGET = 1, 2, 3, 11
_MOST_REGISTERS = 125
_HEADER = struct.Struct(">HHHB")
_NS = 1_000_000_000


class _Registers:
    """The registers of every unit, changed as one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._units: dict[int, dict[int, int]] = {}

    def put(self, units: dict[int, dict[int, int]]) -> None:
        with self._lock:
            self._units = units

    def read(self, unit: int, address: int, count: int) -> list[int] | int:
        """Return registers, or the exception code."""
        with self._lock:
            # 0 and 255 mean the device itself where there is no serial line behind it
            table = self._units.get(1 if unit in (0, 255) else unit)
        if table is None:
            return _NO_TARGET
        try:
            return [table[a] for a in range(address, address + count)]
        except KeyError:
            return _ILLEGAL_ADDRESS


class _Server(socketserver.ThreadingTCPServer):
    allow_reuse_address = True
    daemon_threads = True
    block_on_close = True

    def __init__(self, place: tuple[str, int], registers: _Registers) -> None:
        self.registers = registers
        self.closing = threading.Event()
        super().__init__(place, _Connection)


class _Connection(socketserver.BaseRequestHandler):
    """One client, until it leaves or says something that is no Modbus."""

    server: _Server

    def handle(self) -> None:
        self.request.settimeout(0.25)
        waiting = b""
        while not self.server.closing.is_set():
            try:
                piece = self.request.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not piece:
                return
            waiting += piece
            while len(waiting) >= _HEADER.size:
                number, protocol, length, unit = _HEADER.unpack_from(waiting)
                if protocol != 0 or not 2 <= length <= 254:
                    return
                if len(waiting) < 6 + length:
                    break
                body, waiting = waiting[7 : 6 + length], waiting[6 + length :]
                answer = _answer(body, unit, self.server.registers)
                head = _HEADER.pack(number, 0, len(answer) + 1, unit)
                try:
                    self.request.sendall(head + answer)
                except OSError:
                    return


def _answer(body: bytes, unit: int, registers: _Registers) -> bytes:
    function = body[0]
    if function not in (_READ_HOLDING, _READ_INPUT):
        return bytes([function | 0x80, _ILLEGAL_FUNCTION])
    if len(body) != 5:
        return bytes([function | 0x80, _ILLEGAL_VALUE])
    address, count = struct.unpack(">HH", body[1:])
    if not 1 <= count <= _MOST_REGISTERS:
        return bytes([function | 0x80, _ILLEGAL_VALUE])
    found = registers.read(unit, address, count)
    if isinstance(found, int):
        return bytes([function | 0x80, found])
    return bytes([function, 2 * count]) + struct.pack(f">{count}H", *found)


class ModbusServer:
    """An :class:`~ovenwright.virtual.serving.outlet.Outlet` that answers Modbus TCP."""

    def __init__(self, address: Address, scenario: Scenario, mischief: Mischief) -> None:
        del scenario, mischief  # what happens on the way to a client is the network's own
        self._address = address
        self._registers = _Registers()
        self._server: _Server | None = None
        self._thread: threading.Thread | None = None
        self._port = address.port

    @property
    def url(self) -> str:
        """Where it answers."""
        return f"modbus://{self._address.host}:{self._port}"

    def open(self) -> None:
        """Begin to answer.

        Raises
        ------
        InstrumentTrouble : if the port can't be taken
        """
        try:
            self._server = _Server((self._address.host, self._address.port), self._registers)
        except OSError as cause:
            raise InstrumentTrouble(
                f"the port can't be taken: {cause.strerror or cause}",
                where=self.url,
                remedy="choose another port; those below 1024 need rights",
            ) from cause
        self._port = int(self._server.server_address[1])
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, name="modbus server"
        )
        self._thread.start()

    def send(self, frames: tuple[Frame, ...]) -> None:
        """Put a scan into the registers, all units at once."""
        self._registers.put({f.number: self._table(f) for f in frames})

    def tick(self) -> None:
        """Nothing waits here."""

    def close(self) -> None:
        """Stop answering."""
        if self._server is None or self._thread is None:
            return
        self._server.closing.set()
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()
        self._server = None

    def waits_for(self) -> str:
        """Nothing: whoever wants readings comes for them."""
        return ""

    def story(self) -> str:
        """Nothing to tell."""
        return ""

    def _table(self, frame: Frame) -> dict[int, int]:
        table: dict[int, int] = {}

        def put(address: int, data: bytes) -> None:
            words = list(struct.unpack(f">{len(data) // 2}H", data))
            if self._address.little_words:
                words.reverse()
            table.update(zip(range(address, address + len(words)), words, strict=True))

        for number, value in frame.shown.items():
            code = NO_READING if value is Shown.NOTHING else OPEN
            put(2 * (number - 1), struct.pack(">f", value if isinstance(value, float) else code))
        put(REFERENCE, struct.pack(">f", frame.reference_c))
        put(BATTERY, struct.pack(">H", round(frame.battery * 10)))
        put(SIGNAL, struct.pack(">h", frame.signal))
        put(COUNT, struct.pack(">I", frame.sequence % 2**32))
        seconds, rest = divmod(frame.stamp_ns, _NS)
        put(SECONDS, struct.pack(">I", seconds % 2**32))
        put(MILLISECONDS, struct.pack(">H", rest // 1_000_000))
        return table
