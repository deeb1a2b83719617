"""Tell something on an MQTT topic, once, on the broker an instrument of the plan uses."""

from __future__ import annotations

from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.mqtt_client import tls_context
from ovenwright.sources.secrets import read_secret


def publish_once(
    source: MqttSource, topic: str, payload: str, *, folder: Path, timeout_s: float = 5.0
) -> None:
    """Publish at QoS 1 and wait until the broker has it; opens and closes a link of its own.

    Raises
    ------
    InstrumentTrouble : if the broker does not take it in time
    UsageError : if a password or a certificate is missing
    """
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        protocol=paho.MQTTv5 if source.version == "5" else paho.MQTTv311,
    )
    client.connect_timeout = timeout_s
    if source.user:
        password = read_secret(source.password_env) if source.password_env else None
        client.username_pw_set(source.user, password)
    if source.tls is not None:
        client.tls_set_context(tls_context(source.tls, folder))
    try:
        client.connect(source.host, source.port)
        client.loop_start()
        told = client.publish(topic, payload, qos=1)
        told.wait_for_publish(timeout_s)
        done = told.is_published()
    except (OSError, ValueError, RuntimeError) as cause:
        raise InstrumentTrouble(
            f"the broker did not take the message ({cause})",
            where=f"{source.host}:{source.port} {topic}",
        ) from cause
    finally:
        client.disconnect()
        client.loop_stop()
    if not done:
        raise InstrumentTrouble(
            f"the broker did not take the message within {timeout_s:g} s",
            where=f"{source.host}:{source.port} {topic}",
            remedy="check that this user may write to the topic",
        )
