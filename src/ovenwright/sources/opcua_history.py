"""What an OPC UA server kept of the past, for the time in which nothing of it came here.

Only servers that historize a variable can give it (OPC 10000-11); others are named, and the gap
stays one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from asyncua import ua
from asyncua.common.node import Node
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.uaerrors import UaStatusCodeError

from ovenwright.wire.opcua_values import Arrived, status_words

MOST_VALUES = 500_000
"""Values fetched of one variable at most."""
_AT_ONCE = 5_000
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001  the library takes UTC without a zone
_MAY_READ_HISTORY = 1 << ua.AccessLevel.HistoryRead.value


@dataclass(frozen=True, slots=True)
class Past:
    """Values of one variable as the server kept them, oldest first, or why there are none."""

    values: tuple[Arrived, ...] = ()
    refused: str = ""


async def keeps_history(node: Node) -> bool:
    """Whether the server lets us read what a variable was."""
    found = await node.read_attributes([AttributeIds.UserAccessLevel, AttributeIds.AccessLevel])
    for one in found:  # what this user may do goes before what anybody may
        if one.StatusCode is not None and not one.StatusCode.is_good():
            continue
        level = one.Value.Value if one.Value is not None else None
        if isinstance(level, int):
            return bool(level & _MAY_READ_HISTORY)
    return False


async def read_past(node: Node, begin_ns: int, end_ns: int, *, received_ns: int) -> Past:
    """Fetch the values of a variable between two times, both times taken along.

    Parameters
    ----------
    node : the variable
    begin_ns, end_ns : UTC nanoseconds of the server's clock
    received_ns : stamped on each as the time of receipt

    Raises
    ------
    OSError, TimeoutError : if the link breaks meanwhile; nothing is then taken
    """
    wish = ua.ReadRawModifiedDetails()
    wish.IsReadModified = False
    wish.StartTime = _at(begin_ns)
    wish.EndTime = _at(end_ns)
    wish.NumValuesPerNode = ua.UInt32(_AT_ONCE)
    wish.ReturnBounds = False
    values: list[Arrived] = []
    more: bytes | None = None
    while len(values) < MOST_VALUES:
        try:
            result = await node.history_read(wish, more)
        except UaStatusCodeError as cause:  # the whole service is refused
            return Past(refused=status_words(cause.code))
        if result.StatusCode.is_bad():
            return Past(refused=status_words(result.StatusCode.value))
        came = getattr(result.HistoryData, "DataValues", None) or []
        values += [_arrived(v, received_ns) for v in came]
        before, more = more, result.ContinuationPoint
        if not more or more == before:
            break
    return Past(tuple(values))


def _at(time_ns: int) -> datetime:
    return _EPOCH + timedelta(microseconds=time_ns // 1_000)


def _arrived(value: ua.DataValue, received_ns: int) -> Arrived:
    return Arrived(
        value=value.Value.Value if value.Value is not None else None,
        status=value.StatusCode.value if value.StatusCode is not None else 0,
        source_time=value.SourceTimestamp,
        server_time=value.ServerTimestamp,
        received_ns=received_ns,
    )
