"""Where a request comes from: the host name it was sent to, and the page that sent it.

A name that is not this server's means that somebody made another name point here; a page of
another site has no business with it at all.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


@dataclass(frozen=True, slots=True)
class Hosts:
    """The names this server answers to.

    ``any_address`` lets every plain address in: no name server can make one point elsewhere.
    """

    names: frozenset[str] = LOOPBACK
    any_address: bool = False

    def knows(self, header: str) -> bool:
        """Tell whether a request with this ``Host`` header was meant for this server."""
        name = host_of(header)
        if name is None:
            return False
        return name in self.names or (self.any_address and _address(name) is not None)


def shared_hosts(host: str, names: tuple[str, ...] = ()) -> Hosts:
    """Return the names of a server shared under ``host``; further ``names`` come from its owner."""
    own = {socket.gethostname().lower(), host.lower(), *(n.strip().lower() for n in names)}
    with suppress(OSError):
        own.add(socket.getfqdn().lower())
    return Hosts(LOOPBACK | frozenset(n for n in own if n), any_address=True)


def host_of(header: str) -> str | None:
    """Return the name in a ``Host`` header without its port; None where it is malformed."""
    try:
        parts = urlsplit(f"//{header}")
        _ = parts.port  # refuses a port that is none
    except ValueError:
        return None
    whole = header and parts.netloc == header and "@" not in header
    return parts.hostname.rstrip(".").lower() if whole and parts.hostname else None


def _address(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(name)
    except ValueError:
        return None


def is_this_machine(peer: str) -> bool:
    """Tell whether a peer's address is one of this machine's own; names, as in tests, are."""
    address = _address(peer.split("%", 1)[0])
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return address is None or address.is_loopback


def was_forwarded(headers: Mapping[str, str]) -> bool:
    """Tell whether another server passed the request on, so that its peer says nothing."""
    return any(name in headers for name in ("forwarded", "x-forwarded-for", "x-real-ip", "via"))


def from_browser(headers: Mapping[str, str]) -> bool:
    """Tell whether a page, rather than a script of its own, sent the request."""
    return "origin" in headers or "sec-fetch-site" in headers


def cross_site_fault(scheme: str, method: str, headers: Mapping[str, str]) -> str:
    """Return why a request may not come from where it does, or nothing.

    Reading by following a link from elsewhere is allowed, as is typing the address; everything
    else must come from a page of this very server.

    Parameters
    ----------
    scheme : http, https, ws or wss
    """
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    reads = method in {"GET", "HEAD"} and scheme in {"http", "https"}
    if origin is not None and not _same(origin, scheme, headers.get("host", "")):
        return f"a page of {origin[:80]} sent this"
    if site in {None, "same-origin", "none"}:
        return ""
    follows = headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") in {
        "document",
        None,
    }
    return "" if reads and follows else "a page of another site sent this"


def _same(origin: str, scheme: str, host: str) -> bool:
    ours = {"ws": "http", "wss": "https"}.get(scheme, scheme)
    return origin.lower() == f"{ours}://{host.lower()}"
