"""A register map to few requests: neighbours are read together, within what the protocol allows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from ovenwright.domain.sources.modbus import Register


@dataclass(frozen=True, slots=True)
class Request:
    """One request and where in its answer each number stands.

    ``numbers`` holds pairs of (index in the register map, place in the answer).
    """

    unit_id: int
    function: Literal["holding", "input"]
    address: int
    count: int
    numbers: tuple[tuple[int, int], ...]


def group_requests(
    registers: Sequence[Register], *, unit_id: int, most: int = 125, bridge: int = 8
) -> tuple[Request, ...]:
    """Return the requests that read a register map.

    Parameters
    ----------
    registers : the register map
    unit_id : unit of the registers that name none
    most : most registers of one request, 125 by the protocol
    bridge : most registers between two numbers that may be read along

    Returns
    -------
    requests by unit, table and address; a number is never split over two

    Source: Modbus application protocol V1.1b3, sections 6.3 and 6.4 (1 to 125 registers).
    """
    tables: dict[tuple[int, str], list[int]] = defaultdict(list)
    for i, r in enumerate(registers):
        tables[(unit_id if r.unit_id is None else r.unit_id, r.function)].append(i)
    found: list[Request] = []
    for (unit, _), members in sorted(tables.items()):
        members.sort(key=lambda i: (registers[i].address, registers[i].type.registers))
        batch: list[int] = []
        end = 0
        for i in members:
            r = registers[i]
            stop = r.address + r.type.registers
            if batch and (
                r.address - end > bridge or max(stop, end) - registers[batch[0]].address > most
            ):
                found.append(_request(registers, unit, batch, end))
                batch = []
            end = stop if not batch else max(end, stop)
            batch.append(i)
        found.append(_request(registers, unit, batch, end))
    return tuple(found)


def split_request(registers: Sequence[Register], request: Request) -> tuple[Request, ...]:
    """Return one request for each number of a request, for instruments that forbid its gaps."""
    return tuple(
        _request(
            registers, request.unit_id, [i], registers[i].address + registers[i].type.registers
        )
        for i, _ in request.numbers
    )


def _request(registers: Sequence[Register], unit: int, batch: Sequence[int], end: int) -> Request:
    first = registers[batch[0]]
    return Request(
        unit_id=unit,
        function=first.function,
        address=first.address,
        count=end - first.address,
        numbers=tuple((i, registers[i].address - first.address) for i in batch),
    )
