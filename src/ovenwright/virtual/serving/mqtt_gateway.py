"""A gateway that publishes to an MQTT broker, and stores what it can't get rid of.

One JSON message for each module and scan, on ``PREFIX/MODULE`` (prefix ``ovenwright/virtual``
unless the address names another), QoS 1::

    {
        "serial": "VO123456",
        "count": 2,
        "time": "2026-03-03T04:42:02.000Z",
        "unit": "degC",
        "junction": 25.3,
        "battery": 95.9,
        "radio": -61,
        "stored": false,
        "inputs": {"1": 29.1, "2": null, "3": "open"},
    }

``null`` is no reading. While the broker is away scans are stored, up to a limit; when it is back
what is new goes out at once and what was stored follows behind, marked as stored.
"""

from __future__ import annotations

import json
import random
import time
from collections import deque
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode

from ovenwright.errors import InstrumentTrouble
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.address import Address
from ovenwright.virtual.serving.frames import Frame, Shown, level_name
from ovenwright.virtual.serving.outlet import Mischief
from ovenwright.virtual.serving.truth import stamp_text

PREFIX = "ovenwright/virtual"

_MOST_STORED = 200_000
_MOST_ON_THE_WAY = 200
_STORED_A_TICK = 50
_FAREWELL_S = 5.0
_KEEPALIVE_S = 15


def message_of(frame: Frame, *, stored: bool) -> bytes:
    """Return a frame as a message."""
    inputs: dict[str, float | str | None] = {}
    for number, value in frame.shown.items():
        if isinstance(value, Shown):
            inputs[str(number)] = "open" if value is Shown.OPEN else None
        else:
            inputs[str(number)] = value
    said: dict[str, Any] = {
        "serial": frame.serial,
        "count": frame.sequence,
        "time": stamp_text(frame.stamp_ns),
        "unit": "degC",
        "junction": frame.reference_c,
        "battery": frame.battery,
        "radio": frame.signal,
        "stored": stored,
        "inputs": inputs,
    }
    return json.dumps(said).encode()


class MqttGateway:
    """An :class:`~ovenwright.virtual.serving.outlet.Outlet` that publishes to a broker."""

    def __init__(self, address: Address, scenario: Scenario, mischief: Mischief) -> None:
        self._address = address
        self._prefix = address.path or PREFIX
        self._mischief = mischief
        self._stored: deque[Frame] = deque()
        # each is counted up by one thread only, so no lock is held while the client has its own
        self._put = self._acknowledged = 0
        self._up = False
        self._refused = ""
        self._late = self._lost = self._twice = 0
        self._away = False
        self._last_s = -1.0
        self._rng = random.Random(len(scenario.sensors))  # noqa: S311  no secret hangs on it
        self._client = self._made()

    @property
    def url(self) -> str:
        """The broker it publishes to."""
        return self._address.url

    def _made(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"virtual-oven-{random.randrange(2**32):08x}",  # noqa: S311
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        client.reconnect_delay_set(1, 5)
        client.max_inflight_messages_set(_MOST_ON_THE_WAY)
        if self._address.user:
            client.username_pw_set(self._address.user, self._address.password or None)
        if self._address.scheme == "mqtts":
            try:
                client.tls_set(ca_certs=self._address.ca_file or None)
            except OSError as cause:
                raise InstrumentTrouble(
                    f"the certificate authority can't be read: {cause.strerror or cause}",
                    where=self._address.ca_file,
                    remedy="check the path",
                ) from cause
        client.on_connect = self._connected
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        return client

    # -- called in the client's thread ----------------------------------------------------------

    def _connected(
        self, _: object, __: object, ___: object, reason: ReasonCode, ____: object
    ) -> None:
        self._refused = str(reason) if reason.is_failure else ""
        self._up = not reason.is_failure

    def _disconnected(
        self, _: object, __: object, ___: object, ____: object, _____: object
    ) -> None:
        self._up = False

    def _published(self, _: object, __: object, ___: object, ____: object, _____: object) -> None:
        self._acknowledged += 1

    # -- called in the oven's thread ------------------------------------------------------------

    def open(self) -> None:
        """Begin to connect; a broker that is not there yet is waited for.

        Raises
        ------
        InstrumentTrouble : if the broker refuses user or password
        """
        self._client.connect_async(self._address.host, self._address.port, _KEEPALIVE_S)
        self._client.loop_start()
        until = time.monotonic() + 2.0
        while time.monotonic() < until and not self._up and not self._refused:
            time.sleep(0.01)
        if self._refused:
            why = self._refused
            self._client.loop_stop()
            raise InstrumentTrouble(
                f"the broker refuses: {why}", where=self.url, remedy="check user and password"
            )

    def send(self, frames: tuple[Frame, ...]) -> None:
        """Publish a scan, or store it while the broker is away."""
        elapsed = frames[0].elapsed_s if frames else self._last_s
        reboot = self._mischief.reboot_at_s
        if reboot is not None and self._last_s < reboot <= elapsed:
            self._lost += len(self._stored)
            self._stored.clear()
        self._last_s = elapsed
        self._away = self._mischief.is_away(elapsed)
        for frame in frames:
            if len(self._stored) >= _MOST_STORED:
                self._stored.popleft()
                self._lost += 1
            self._stored.append(frame)
        # what is new goes first, what was stored follows at each tick
        for _ in frames:
            if self._stored and self._free():
                self._publish(self._stored.pop(), stored=False)

    def _free(self) -> bool:
        return self._up and not self._away and self._put - self._acknowledged < _MOST_ON_THE_WAY

    def tick(self) -> None:
        """Send some of what was stored, the oldest first."""
        for _ in range(_STORED_A_TICK):
            if not self._stored or not self._free():
                return
            self._publish(self._stored.popleft(), stored=True)

    def _publish(self, frame: Frame, *, stored: bool) -> None:
        self._late += stored
        topic = f"{self._prefix}/{level_name(frame.module)}"
        again = self._rng.random() < self._mischief.repeat_share
        self._twice += again
        for _ in range(2 if again else 1):
            self._client.publish(topic, message_of(frame, stored=stored), qos=1)
            self._put += 1

    def close(self) -> None:
        """Wait a little for what is on the way, then leave."""
        self._away = False
        until = time.monotonic() + _FAREWELL_S
        while (
            time.monotonic() < until
            and self._up
            and (self._stored or self._put > self._acknowledged)
        ):
            self.tick()
            time.sleep(0.01)
        self._lost += len(self._stored)
        self._stored.clear()
        self._client.disconnect()
        self._client.loop_stop()

    def waits_for(self) -> str:
        """Return that the broker is awaited, where it is."""
        return "" if self._up else "the broker does not answer; readings are stored until it does"

    def story(self) -> str:
        """Return how many messages went out, late or never."""
        parts = [f"{self._put} messages sent"]
        if self._late:
            parts.append(f"{self._late} of them late from the store")
        if self._twice:
            parts.append(f"{self._twice} sent twice on purpose")
        if self._lost:
            parts.append(f"{self._lost} never sent")
        return ", ".join(parts)
