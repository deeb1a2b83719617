"""How one address is asked: what it means, which options suit it, what a plan knows of it already."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from ovenwright.domain.plan import Plan
from ovenwright.domain.sources.lines import SerialPort
from ovenwright.errors import UsageError

SCHEMES: Mapping[str, str] = {
    "mqtt": "mqtt",
    "mqtts": "mqtt",
    "modbus": "modbus",
    "modbus-rtu": "modbus",
    "opc.tcp": "opcua",
    "scpi": "scpi",
    "scpi-serial": "scpi",
    "serial": "serial-text",
}
"""How an address begins, and the kind of instrument in a plan."""
LINES = ("modbus-rtu", "scpi-serial", "serial")
"""Schemes that name a serial port."""
FRAMING = ("baud", "data_bits", "parity", "stop_bits")
SECURITY = (
    "security", "policy", "certificate_file", "key_file", "key_password_env",
    "server_certificate_file",
)  # fmt: skip
"""Keys of a plan's OPC UA table that say how the link is protected."""


@dataclass(frozen=True, slots=True)
class Asking:
    """How one address is asked.

    ``line`` holds how a serial port is set (keys of ``FRAMING``), ``protection`` how an OPC UA link
    is protected (keys of ``SECURITY``); both as a plan writes them, only what was given.
    """

    url: str
    seconds: float = 10.0
    user: str = ""
    password_env: str = ""
    ca_file: str = ""
    units: tuple[int, int] = (1, 16)  # of Modbus, first and last
    line: Mapping[str, Any] = field(default_factory=dict)
    protection: Mapping[str, str] = field(default_factory=dict)
    measure: bool = False  # let a SCPI instrument measure once where it holds no readings

    @property
    def scheme(self) -> str:
        """How the address begins."""
        return self.url.partition(":")[0].lower()


def check_asking(asking: Asking) -> None:
    """See that an address can be asked like that.

    Raises
    ------
    UsageError : if it is no address, or an option says nothing about such an instrument
    """
    scheme = asking.scheme
    if scheme not in SCHEMES or ":" not in asking.url:
        raise UsageError(
            f"{asking.url!r} is no address of an instrument",
            remedy="write mqtt://HOST:PORT, modbus://HOST:PORT, modbus-rtu:DEVICE, "
            "opc.tcp://HOST:PORT, scpi://HOST:PORT, scpi-serial:DEVICE or serial:DEVICE",
        )
    if not 0 < asking.seconds <= 3600:
        raise UsageError(f"{asking.seconds:g} s is no time to listen", where="--seconds")
    given = {
        **dict.fromkeys(asking.line, LINES),
        **dict.fromkeys(asking.protection, ("opc.tcp",)),
        **({"user": ("mqtt", "mqtts", "opc.tcp")} if asking.user else {}),
        **({"password_env": ("mqtt", "mqtts", "opc.tcp")} if asking.password_env else {}),
        **({"ca_file": ("mqtts",)} if asking.ca_file else {}),
        **({"measure": ("scpi", "scpi-serial")} if asking.measure else {}),
    }
    for key, schemes in given.items():
        if scheme not in schemes:
            raise UsageError(
                f"says nothing about {scheme}", where=f"--{key.replace('_', '-')}",
                remedy=f"it is for {', '.join(s + ':' for s in schemes)} only",
            )  # fmt: skip
    if scheme in LINES:
        serial_keys(asking)
    elif SCHEMES[scheme] in ("modbus", "scpi"):
        host_and_port(asking.url, usual_port(asking.url))


def serial_keys(asking: Asking) -> dict[str, Any]:
    """Return the keys of a plan's ``serial`` table that an address and its options give.

    An address may carry them itself, such as ``modbus-rtu:/dev/ttyUSB0?baud=19200&parity=even``.

    Raises
    ------
    UsageError : if a key is not known, is given twice unlike, or has a value no port can have
    """
    rest = asking.url.partition(":")[2].removeprefix("//")
    device, _, query = rest.partition("?")
    keys: dict[str, Any] = dict(parse_qsl(query, keep_blank_values=True))
    strange = [k for k in keys if k not in FRAMING]
    if strange:
        raise UsageError(
            f"{strange[0]!r} says nothing about a serial port",
            where=asking.url, remedy=f"known: {', '.join(FRAMING)}",
        )  # fmt: skip
    for key, text in keys.items():
        if key == "parity":
            continue
        if not text.isdecimal():
            raise UsageError(f"{key} {text!r} is no number", where=asking.url)
        keys[key] = int(text)
    for key, value in asking.line.items():
        if keys.get(key, value) != value:
            raise UsageError(
                f"{key} is {keys[key]} in the address and {value} beside it", where=asking.url
            )
    keys |= asking.line
    try:
        SerialPort.model_validate({"device": device or "-"} | keys)
    except ValueError as cause:
        first: Any = getattr(cause, "errors", lambda: [{}])()[0]
        key = next((str(k) for k in first.get("loc", ())), "")
        raise UsageError(
            f"{key} {keys.get(key)!r} is nothing a serial port can be set to",
            where=asking.url,
            remedy="parity none, even or odd; 5 to 8 data bits; 1 or 2 stop bits; baud such as 19200",
        ) from cause
    return ({"device": device} if device else {}) | keys


def usual_port(url: str) -> int:
    """Return the port an address means that names none."""
    return {"mqtt": 1883, "mqtts": 8883, "modbus": 502, "scpi": 5025}[url.partition(":")[0].lower()]


def host_and_port(url: str, usual: int) -> tuple[str, int]:
    """Return host and port of an address, the usual port where it names none."""
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        port = None
        parts = parts._replace(netloc="")
    if not parts.hostname:
        raise UsageError(f"{url!r} is no address", remedy="write it such as modbus://192.168.1.20:502")  # fmt: skip
    return parts.hostname, port or usual


def same_place(facts: Mapping[str, Any], url: str) -> bool:
    """Whether an instrument of a plan, as plain data, is reached at an address."""
    scheme = url.partition(":")[0].lower()
    if SCHEMES.get(scheme) != facts["kind"]:
        return False
    if scheme == "opc.tcp":
        return str(facts["url"]).rstrip("/").casefold() == url.rstrip("/").casefold()
    if scheme in LINES:
        device = url.partition(":")[2].removeprefix("//").partition("?")[0]
        return bool(facts.get("serial")) and device in ("", facts["serial"]["device"])
    host, port = host_and_port(url, usual_port(url))
    return (plain_host(facts["host"]), facts["port"]) == (plain_host(host), port)


def plain_host(host: str) -> str:
    """Return a host's name in one way of writing."""
    folded = host.casefold()
    return "127.0.0.1" if folded == "localhost" else folded


def as_the_plan(asking: Asking, plan: Plan | None, folder: Path) -> Asking:
    """Fill in what a plan knows already of the way to an instrument, and make file names whole.

    Parameters
    ----------
    asking : as it was asked for; what it gives goes before the plan
    plan : a plan that may read the same instrument
    folder : where the plan's relative file names start
    """
    here = Path.cwd()
    given = {k: _whole(k, v, here) for k, v in asking.protection.items()}
    asking = replace(asking, protection=given, ca_file=_whole("ca_file", asking.ca_file, here))
    table = next(
        (
            one.model_dump(mode="json", exclude_defaults=True)
            for one in (plan.instruments if plan is not None else ())
            if same_place(one.model_dump(mode="json"), asking.url)
        ),
        None,
    )
    if table is None:
        return asking
    if asking.scheme in LINES:
        asked = serial_keys(asking)
        device = asked.pop("device", "")
        if not device:  # every port there is
            return asking
        known = {k: v for k, v in table["serial"].items() if k in FRAMING}
        return replace(asking, line=known | asked, url=f"{asking.scheme}:{device}")
    if asking.protection or asking.user or asking.ca_file:
        return asking  # whoever gives a part of it gives all of it
    return replace(
        asking,
        user=table.get("user", ""),
        password_env=table.get("password_env", ""),
        ca_file=_whole("ca_file", (table.get("tls") or {}).get("ca_file", ""), folder)
        if asking.scheme == "mqtts"
        else "",
        protection={k: _whole(k, v, folder) for k, v in table.items() if k in SECURITY},
    )


def _whole(key: str, value: str, folder: Path) -> str:
    if not key.endswith("_file") or not value:
        return value
    return str(folder.absolute() / Path(value).expanduser())
