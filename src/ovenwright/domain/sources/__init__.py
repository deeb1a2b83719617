"""Instruments as a plan describes them: one strict model for each kind of link."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource
from ovenwright.domain.sources.follow_file import FollowFileSource, StandardInputSource
from ovenwright.domain.sources.modbus import ModbusSource
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.domain.sources.serial_text import SerialTextSource

SourcePlan = Annotated[
    MqttSource
    | ModbusSource
    | OpcUaSource
    | ScpiSource
    | SerialTextSource
    | FollowFileSource
    | StandardInputSource,
    Field(discriminator="kind"),
]
"""Any instrument a plan can describe, told apart by ``kind``."""

__all__ = ["DescribedSource", "SourcePlan"]
