"""Whether the unit a plan gives an instrument's readings can come from the channels' sensors."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from ovenwright.domain.plan import Channel
from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.sources.described import KeyPath
from ovenwright.domain.sources.modbus import ModbusSource
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.wire.celsius import misfit


def unit_faults(
    source: SourcePlan, channels: Mapping[str, Channel]
) -> tuple[tuple[KeyPath, str, str], ...]:
    """Return what is wrong with the units of an instrument's readings.

    Parameters
    ----------
    source : the instrument as the plan describes it
    channels : the plan's channels by name; readings of others are passed over

    Returns
    -------
    (key path, what is wrong, remedy) each, one a key. A unit that the instrument itself tells may
    overrule the plan's and is not known here.
    """
    found: dict[KeyPath, tuple[KeyPath, str, str]] = {}
    for path, name, unit in _units(source):
        channel = channels.get(name)
        wrong = misfit(unit, channel) if channel is not None else ""
        if wrong and path not in found:
            remedy = "set the unit the instrument really gives, or mend the channel's sensor"
            found[path] = (path, f"readings in {unit} can't be used: {wrong}", remedy)
    return tuple(found.values())


def _units(source: SourcePlan) -> Iterator[tuple[KeyPath, str, str]]:
    if isinstance(source, ModbusSource):
        for i, register in enumerate(source.registers):
            if register.tells == "reading":
                yield ("registers", i, "unit"), register.channel, register.unit
    elif isinstance(source, ScpiSource):
        for i, field in enumerate(source.fields):
            if field.tells == "reading":
                yield ("fields", i, "unit"), field.channel, field.unit
    elif isinstance(source, OpcUaSource):
        for i, node in enumerate(source.nodes):
            if node.unit:
                yield ("nodes", i, "unit"), node.channel, node.unit
    else:
        unit = source.payload.unit if isinstance(source, MqttSource) else source.text.unit
        told = bool(source.payload.unit_path) if isinstance(source, MqttSource) else _told(source.text.item)  # fmt: skip
        key = "payload" if isinstance(source, MqttSource) else "text"
        for name in () if told else source.channels.values():
            yield (key, "unit"), name, unit


def _told(item: str) -> bool:
    return "{unit}" in item or "(?P<unit>" in item
