"""Readings from Modbus registers, asked for at a steady pace."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, field, replace

from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Reading, Stopping
from ovenwright.domain.sources.modbus import ModbusSource, Register
from ovenwright.errors import InstrumentTrouble
from ovenwright.physics.units import to_celsius
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.modbus_link import (
    ILLEGAL,
    NOT_THERE,
    ModbusLink,
    UnitRefused,
    UnitSilent,
)
from ovenwright.sources.opening import Opening
from ovenwright.sources.staying_connected import LinkLife, Pace
from ovenwright.wire.modbus_requests import Request, group_requests, split_request
from ovenwright.wire.modbus_values import decode_reading

_NS = 1_000_000_000
_REFUSED_AGAIN_NS = 60 * _NS
_HEALTH_AGAIN_NS = 60 * _NS
_SCALES = ("degC", "degF", "K")


@dataclass(slots=True)
class _Unit:
    """How one unit on the line has answered."""

    back_off: BackOff = field(default_factory=lambda: BackOff(first_s=0.5, most_s=15.0))
    rests_until_ns: int = 0
    silent: bool = False


@dataclass(slots=True)
class _Scan:
    """What one scan brought."""

    readings: list[Reading] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)


class ModbusInstrument:
    """A Modbus instrument, or several units behind one gateway or on one line.

    A unit that does not answer is asked less and less often and holds up the others for one
    ``timeout_s`` each time; registers that a unit refuses are asked one by one, then left alone for
    a minute. Modbus carries no time: readings bear the time of receipt.

    Parameters
    ----------
    plan : the instrument as the plan describes it
    clock : the time of day
    """

    def __init__(self, plan: ModbusSource, clock: Clock) -> None:
        self._plan = plan
        self._clock = clock
        self._requests = list(
            group_requests(
                plan.registers, unit_id=plan.unit_id, most=plan.most_registers,
                bridge=plan.bridge_registers,
            )
        )  # fmt: skip
        self._units: dict[int, _Unit] = {r.unit_id: _Unit() for r in self._requests}
        self._refused: dict[int, int] = {}  # place in the register map: asked again from, monotonic
        self._read: set[int] = set()  # places that were read at least once
        self._told: dict[int, tuple[float, int]] = {}
        self._lost: dict[int, float] = {}

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"modbus {self._where()}"

    def _where(self) -> str:
        plan = self._plan
        return plan.serial.device if plan.serial is not None else f"{plan.host}:{plan.port}"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop.

        Raises
        ------
        InstrumentTrouble : if every register is refused, or this user may not open the port
        """
        life = LinkLife(
            waits_for=self._where(), deliver=deliver, stopping=stopping, clock=self._clock
        )
        pace = Pace(self._plan.interval_s, self._clock)
        life.keep(lambda: self._session(life, pace))

    def _session(self, life: LinkLife, pace: Pace) -> None:
        plan = self._plan
        link = ModbusLink(
            host=plan.host, port=plan.port, serial=plan.serial, timeout_s=plan.timeout_s
        )
        with closing(link):
            link.open()
            life.connected()
            while True:
                missed = pace.wait(life.stopping)
                if life.stopping.is_set():
                    return
                scan = _Scan()
                if missed:
                    scan.notices.append(
                        Notice(NoticeKind.LOSS, self._clock.now_ns(),
                               f"{missed} scans left out: one takes longer than {plan.interval_s:g} s",
                               value=float(missed * len(plan.fed())))
                    )  # fmt: skip
                try:
                    self._scan(link, scan, life.stopping)
                finally:
                    if scan.readings:
                        life.worked()
                    if scan.readings or scan.notices:
                        life.deliver(Batch(tuple(scan.readings), tuple(scan.notices)))

    def _scan(self, link: ModbusLink, scan: _Scan, stopping: Stopping) -> None:
        found: dict[int, tuple[tuple[int, ...], int]] = {}
        first = True
        for request in tuple(self._requests):
            unit = self._units[request.unit_id]
            now_ns = self._clock.monotonic_ns()
            if now_ns < unit.rests_until_ns or self._left_alone(request, now_ns):
                continue
            if not first and self._plan.pause_s:
                stopping.wait(self._plan.pause_s)
            if stopping.is_set():
                break
            first = False
            try:
                link.open()
                answer = link.read(
                    request.unit_id, request.function, request.address, request.count
                )
            except UnitSilent as cause:
                self._silent(request, str(cause), scan)
                continue
            except UnitRefused as cause:
                self._refuse(request, cause, scan)
                continue
            received_ns = self._clock.now_ns()
            self._answered(request, unit, scan, received_ns)
            for place, at in request.numbers:
                size = self._plan.registers[place].type.registers
                found[place] = (tuple(answer[at : at + size]), received_ns)
                self._read.add(place)
                self._refused.pop(place, None)
        self._gather(found, scan)

    # units that trouble --------------------------------------------------------------------

    def _left_alone(self, request: Request, now_ns: int) -> bool:
        return all(now_ns < self._refused.get(place, 0) for place, _ in request.numbers)

    def _rest(self, unit: _Unit) -> float:
        wait_s = unit.back_off.next_s()
        unit.rests_until_ns = self._clock.monotonic_ns() + round(wait_s * _NS)
        return wait_s

    def _silent(self, request: Request, why: str, scan: _Scan) -> None:
        unit = self._units[request.unit_id]
        wait_s = self._rest(unit)
        kind = NoticeKind.WAITING if unit.silent else NoticeKind.LOST
        unit.silent = True
        scan.notices.append(
            Notice(kind, self._clock.now_ns(),
                   f"unit {request.unit_id}: {why}; trying again in {wait_s:.1f} s",
                   self._module(request))
        )  # fmt: skip

    def _answered(self, request: Request, unit: _Unit, scan: _Scan, received_ns: int) -> None:
        unit.back_off.worked()
        if unit.silent:
            unit.silent = False
            scan.notices.append(
                Notice(NoticeKind.CONNECTED, received_ns, f"unit {request.unit_id} answers again",
                       self._module(request))
            )  # fmt: skip

    def _refuse(self, request: Request, cause: UnitRefused, scan: _Scan) -> None:
        if cause.code in NOT_THERE:
            self._silent(request, str(cause), scan)
            return
        now_ns = self._clock.now_ns()
        if cause.code not in ILLEGAL:
            wait_s = self._rest(self._units[request.unit_id])
            scan.notices.append(
                Notice(NoticeKind.WAITING, now_ns,
                       f"unit {request.unit_id}: {cause}; trying again in {wait_s:.1f} s",
                       self._module(request))
            )  # fmt: skip
            return
        if len(request.numbers) > 1:
            at = self._requests.index(request)
            self._requests[at : at + 1] = split_request(self._plan.registers, request)
            return
        place, _ = request.numbers[0]
        self._refused[place] = self._clock.monotonic_ns() + _REFUSED_AGAIN_NS
        text = f"unit {request.unit_id}, {request.function} register {request.address}: {cause}"
        scan.notices.append(Notice(NoticeKind.REFUSED, now_ns, text, self._module(request)))
        if not self._read and len(self._refused) == len(self._plan.registers):
            raise InstrumentTrouble(
                f"every register of the plan is refused; the last: {text}", where=self.name,
                remedy="addresses count from 0 (the manual's 40001 is 0); check function, unit_id and type",
            )  # fmt: skip

    # numbers ------------------------------------------------------------------------------

    def _module(self, request: Request) -> str:
        return self._module_of(self._plan.registers[request.numbers[0][0]])

    def _module_of(self, register: Register) -> str:
        unit_id = self._plan.unit_id if register.unit_id is None else register.unit_id
        return register.module or f"{self.name} unit {unit_id}"

    def _gather(self, found: dict[int, tuple[tuple[int, ...], int]], scan: _Scan) -> None:
        plan = self._plan
        reference_c: dict[str, float] = {}
        pending: list[Reading] = []
        for place, (raw, received_ns) in sorted(found.items()):
            register = plan.registers[place]
            module = self._module_of(register)
            value, quality = decode_reading(
                raw,
                register.type,
                word_order=register.word_order or plan.word_order,
                byte_order=register.byte_order or plan.byte_order,
                scale=register.scale,
                offset=register.offset,
                faults=register.faults,
            )
            if register.tells == "reading":
                pending.append(
                    Reading(
                        register.channel, received_ns, received_ns, value, register.unit, quality,
                        module=module,
                    )
                )  # fmt: skip
            elif register.tells == "reference":
                if math.isfinite(value) and register.unit in _SCALES:
                    reference_c[module] = float(to_celsius(value, register.unit))
            elif math.isfinite(value):
                self._tell(place, value, module=module, received_ns=received_ns, scan=scan)
        scan.readings += [
            replace(reading, reference_c=reference_c.get(reading.module, math.nan))
            for reading in pending
        ]

    def _tell(
        self, place: int, value: float, *, module: str, received_ns: int, scan: _Scan
    ) -> None:
        register = self._plan.registers[place]
        if register.tells == "lost":
            more = value - self._lost.get(place, value)
            self._lost[place] = value
            if more > 0:
                scan.notices.append(
                    Notice(NoticeKind.LOSS, received_ns,
                           "readings the instrument says were lost", module, more)
                )  # fmt: skip
            return
        battery = register.tells == "battery"
        shown = value / self._plan.battery_full if battery else value
        before = self._told.get(place)
        if before is not None and before[0] == shown and received_ns - before[1] < _HEALTH_AGAIN_NS:
            return
        self._told[place] = (shown, received_ns)
        kind = NoticeKind.BATTERY if battery else NoticeKind.SIGNAL
        scan.notices.append(Notice(kind, received_ns, f"{register.tells} {value:g}", module, shown))


def open_modbus(plan: ModbusSource, opening: Opening) -> ModbusInstrument:
    """Return the source; nothing is connected before it runs."""
    return ModbusInstrument(plan, opening.clock)
