"""Instruments as a plan describes them: one strict model for each kind of link."""

from __future__ import annotations

from ovenwright.domain.sources.described import DescribedSource
from ovenwright.domain.sources.mqtt import MqttSource

# a second kind makes this: Annotated[MqttSource | Other, Field(discriminator="kind")]
SourcePlan = MqttSource
"""Any instrument a plan can describe, told apart by ``kind``."""

__all__ = ["DescribedSource", "SourcePlan"]
