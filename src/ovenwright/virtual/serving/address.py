"""Where to serve, as one word: ``mqtt://HOST:PORT``, ``modbus://HOST:PORT``, ``serial:PATH``."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from ovenwright.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from ovenwright.virtual.scenario import Scenario
    from ovenwright.virtual.serving.outlet import Mischief, Outlet

_PORTS = {"mqtt": 1883, "mqtts": 8883, "modbus": 502}
_FORMS = "mqtt://HOST:PORT, modbus://HOST:PORT or serial:PATH"
# scheme: (module, class taking (address, scenario, mischief)); loaded only when asked for
_OUTLETS = {
    "mqtt": ("mqtt_gateway", "MqttGateway"),
    "mqtts": ("mqtt_gateway", "MqttGateway"),
    "modbus": ("modbus_server", "ModbusServer"),
    "serial": ("serial_line", "SerialLine"),
}


@dataclass(frozen=True, slots=True)
class Address:
    """A place to serve at, taken apart.

    ``path`` is the topic in front of the module's name for MQTT, the port's path for serial.
    ``little_words`` has a Modbus float's low word first.
    """

    scheme: str
    host: str = ""
    port: int = 0
    path: str = ""
    user: str = ""
    password: str = ""
    ca_file: str = ""
    little_words: bool = False

    @property
    def url(self) -> str:
        """The address as it is written, without a password."""
        if self.scheme == "serial":
            return f"serial:{self.path}"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}:{self.port}"


def read_address(
    text: str, *, password: str = "", ca_file: str = "", little_words: bool = False
) -> Address:
    """Return an address taken apart.

    Raises
    ------
    UsageError : if it is none of the three forms, or carries a password
    """
    scheme, colon, rest = text.partition(":")
    if scheme == "serial" and colon and rest.strip("/"):
        return Address("serial", path=rest.removeprefix("//"))
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError as cause:
        raise UsageError(f"{text!r} is no address: {cause}", remedy=f"write {_FORMS}") from cause
    if parts.scheme not in _PORTS or not parts.hostname or parts.query or parts.fragment:
        raise UsageError(f"{text!r} is no address to serve at", remedy=f"write {_FORMS}")
    if parts.password is not None:
        raise UsageError(
            "a password does not belong into an address, where others can read it",
            remedy="put it into an environment variable and name that",
        )
    path = unquote(parts.path).strip("/")
    if parts.scheme == "modbus" and path:
        raise UsageError(f"{text!r}: Modbus has no path", remedy=f"write {_FORMS}")
    if any(c in path for c in "+#"):
        raise UsageError(f"{text!r}: a topic to publish on has no + or #", remedy="take them out")
    return Address(
        parts.scheme,
        host=parts.hostname,
        port=_PORTS[parts.scheme] if port is None else port,
        path=path,
        user=unquote(parts.username or ""),
        password=password,
        ca_file=ca_file,
        little_words=little_words,
    )


def open_outlet(address: Address, scenario: Scenario, mischief: Mischief) -> Outlet:
    """Return the outlet for an address, not yet serving."""
    module, name = _OUTLETS[address.scheme]
    made: Callable[[Address, Scenario, Mischief], Outlet] = getattr(
        import_module(f"ovenwright.virtual.serving.{module}"), name
    )
    return made(address, scenario, mischief)
