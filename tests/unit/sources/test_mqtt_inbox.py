"""What a broker's messages leave to be handed over."""

from __future__ import annotations

import json

import paho.mqtt.client as paho

from ovenwright.domain.live import NoticeKind
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.sources.mqtt_inbox import MqttInbox


class StillClock:
    """A clock that stands."""

    def now_ns(self) -> int:
        return 1_795_595_400_000_000_000

    def monotonic_ns(self) -> int:
        return 0


def test_a_serial_number_is_told_once_and_again_when_it_is_another() -> None:
    plan = MqttSource.model_validate(
        {
            "kind": "mqtt",
            "host": "127.0.0.1",
            "topic": "plant/{module}/t",
            "payload": {"value": "c.{channel}", "serial": "sn"},
            "channels": {"gw1/1": "core"},
        }
    )
    inbox = MqttInbox(plan, StillClock())
    for module, serial in (("gw1", "A3"), ("gw2", "B7"), ("gw1", "A3"), ("gw1", ""), ("gw1", "A4")):
        message = paho.MQTTMessage(topic=f"plant/{module}/t".encode())
        message.payload = json.dumps({"sn": serial, "c": {"1": 20.5}}).encode()
        inbox.take(message, oversized=0, backlog=False)
    told = [(n.module, n.serial) for n in inbox.notices if n.kind is NoticeKind.IDENTITY]
    assert told == [("gw1", "A3"), ("gw2", "B7"), ("gw1", "A4")]
    assert len(inbox.readings) == 5
