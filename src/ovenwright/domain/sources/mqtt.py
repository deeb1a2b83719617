"""An instrument that publishes JSON to an MQTT broker, as a plan describes it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.strict import FiniteFloat, PositiveFloat, Strict

Unit = Literal["degC", "degF", "K", "mV", "ohm", "signal"]


class MqttTls(Strict):
    """Encryption of the link to the broker."""

    ca_file: str = ""
    """Certificate authority that signed the broker's certificate, PEM; the system's own when left out."""
    certificate_file: str = ""
    """This computer's own certificate, PEM, where the broker asks for one."""
    key_file: str = ""
    """Private key of that certificate, PEM."""
    key_password_env: str = ""
    """Environment variable with the password of the key file; never the password itself."""


class MqttPayload(Strict):
    """Where in a JSON message each thing stands.

    Paths are JSONPath (RFC 9535) cut down to names, indices and wildcards, with named parts:
    ``samples[*].t[{channel}]`` means every sample, and in each every number of the list ``t``, whose
    place in the list is the channel. An empty ``value`` means that the message is the number itself.
    """

    value: str = "value"
    """Path to the reading, or to many of them, with ``{channel}`` or ``[*]`` where it branches."""
    channel: str = ""
    """Path to the channel's own name, where neither topic nor the path to the value tells it."""
    module: str = ""
    """Path to the module's own name, where the topic does not tell it."""
    time: str = ""
    """Path to the time of the reading; the time of receipt when left out."""
    time_form: Literal["auto", "iso", "s", "ms", "us", "ns"] = "auto"
    """How the time is written: ISO 8601, or a count since 1970 UTC; "auto" tells by its size."""
    time_zone: str = ""
    """Zone of ISO times that carry none, such as "Europe/Riga"; without it they are not trusted."""
    spacing_s: PositiveFloat | None = None
    """Time between the values of a list that has one time for all of them."""
    time_of: Literal["first", "last"] = "first"
    """Which value of such a list the time belongs to."""
    unit: Unit = "degC"
    """Unit of the readings where the message does not tell it."""
    unit_path: str = ""
    """Path to the unit, where the message tells it."""
    reference: str = ""
    """Path to the temperature of the reference junction, for readings in millivolts."""
    reference_unit: Literal["degC", "degF", "K"] = "degC"
    """Unit of the reference-junction temperature."""
    sequence: str = ""
    """Path to the instrument's own count, for telling repeats and losses."""
    sequence_modulus: Annotated[int, Field(ge=2)] | None = None
    """Where that count begins anew, such as 256 or 65536; left out where it does not."""
    sequence_of: Literal["auto", "module", "channel"] = "auto"
    """What one count runs over; "auto" takes the channel where topic or path give each its own."""
    status: str = ""
    """Path to the instrument's own word on the reading."""
    good: tuple[str, ...] = ("good", "ok", "0", "192", "true")
    """Words that mean the reading is good; any other marks it as doubtful."""
    fault_values: tuple[FiniteFloat, ...] = ()
    """Numbers the instrument sends for an open or failed sensor."""
    late: str = ""
    """Path to a mark that the reading comes from the instrument's own store."""
    battery: str = ""
    """Path to the state of the battery."""
    battery_full: PositiveFloat = 100.0
    """What the instrument says when the battery is full: 100 for percent, 1 for a share."""
    signal: str = ""
    """Path to the strength of the radio signal, shown as the instrument gives it."""
    serial: str = ""
    """Path to the serial number."""

    def paths(self) -> dict[str, str]:
        """Return every path that is given, by key; ``value`` always."""
        keys = (
            "value", "channel", "module", "time", "unit_path", "reference", "sequence", "status",
            "late", "battery", "signal", "serial",
        )  # fmt: skip
        return {k: getattr(self, k) for k in keys if k == "value" or getattr(self, k)}


class MqttSource(DescribedSource):
    """An instrument, or a gateway for many, that publishes JSON to an MQTT broker."""

    kind: Literal["mqtt"]
    """"mqtt": messages from an MQTT broker."""
    host: str = Field(min_length=1)
    """Name or address of the broker."""
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    """Port of the broker; 8883 is usual with TLS."""
    topic: str = Field(min_length=1)
    """Topic to listen to, with named parts: ``plant/oven3/{module}/{channel}``; + and # as MQTT has them."""
    version: Literal["3.1.1", "5"] = "5"
    """Version of MQTT the broker speaks."""
    client_id: str = ""
    """Name this recorder has at the broker, the same each time; made from this table when left out."""
    user: str = ""
    """User name at the broker."""
    password_env: str = ""
    """Environment variable with the password; never the password itself."""
    tls: MqttTls | None = None
    """Encryption; left out, the link is open to anyone on the network."""
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 20
    """Longest silence on the link before it is tested."""
    session_s: Annotated[int, Field(ge=0, le=4_294_967_294)] = 86_400
    """How long the broker keeps messages for us while we are away (MQTT 5)."""
    in_flight: Annotated[int, Field(ge=1, le=65_535)] = 2_000
    """Messages the broker may send before the first of them is safe on disk (MQTT 5)."""
    message_limit_bytes: Annotated[int, Field(ge=256, le=16_000_000)] = 1_000_000
    """Larger messages are refused, and said so."""
    late_after_s: PositiveFloat = 5.0
    """A reading older than this, beyond the usual delay, counts as delivered late."""
    loss_after_s: PositiveFloat = 10.0
    """How long a gap in the count may stay open before it is told as a loss."""
    module: str = ""
    """Name of the module, where neither topic nor message tells it."""
    payload: MqttPayload = MqttPayload()
    """Where in a message each thing stands."""
    channels: dict[str, str] = Field(min_length=1)
    """From the instrument's own key, ``module/channel``, to the plan's channel name."""

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this instrument feeds, each with the key that says so."""
        return tuple((("channels", key), name) for key, name in self.channels.items())
