"""The MQTT library, held to bounded memory and told apart from what only it knows."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from ovenwright.domain.sources.mqtt import MqttTls
from ovenwright.errors import UsageError
from ovenwright.sources.secrets import read_secret

_CHUNK = 65_536
_KEEP = 4_096

REFUSED_FOR_GOOD = frozenset(
    {
        "Unsupported protocol version", "Client identifier not valid", "Bad user name or password",
        "Not authorized", "Banned", "Bad authentication method",
    }
)  # fmt: skip
"""Answers to a connection that waiting will not change (OASIS MQTT 5.0, table 3.1)."""


class BoundedClient(paho.Client):
    """Reads in chunks, and keeps only the head of a message that is too large.

    The library would hold any message a broker sends, up to 256 MB. What it would read is read here
    instead: the bytes of an oversized message are dropped as they come, and its head is kept so that
    it can be named and acknowledged.
    """

    def __init__(self, *, client_id: str, version: str, clean: bool, limit_bytes: int) -> None:
        five = version == "5"
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if five else clean,
            protocol=paho.MQTTv5 if five else paho.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        self.limit_bytes = limit_bytes
        self.oversized = 0  # bytes of the message being handled, where it was too large
        self._ahead = b""

    def drop(self) -> None:
        """Close the link without a word, so that the broker keeps the session."""
        if self.socket() is not None:
            self._sock_close()
        self._ahead = b""
        self.oversized = 0

    @property
    def holds_more(self) -> bool:
        """Whether bytes wait here that no select would tell of."""
        if self._ahead:
            return True
        sock: Any = self.socket()
        return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0

    def _ssl_wrap_socket(self, tcp_sock: Any) -> ssl.SSLSocket:
        # the library leaves the socket open where the handshake fails
        assert self._ssl_context is not None  # noqa: S101
        encrypted = self._ssl_context.wrap_socket(
            tcp_sock, server_hostname=self.host, do_handshake_on_connect=False
        )
        try:
            encrypted.settimeout(self.connect_timeout)
            encrypted.do_handshake()
        except BaseException:
            encrypted.close()
            raise
        return encrypted

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self._ahead:
            self._ahead = super()._sock_recv(_CHUNK)
        taken, self._ahead = self._ahead[:bufsize], self._ahead[bufsize:]
        coming = self._in_packet
        if coming["have_remaining"] == 0:
            self.oversized = 0
        elif coming["remaining_length"] > self.limit_bytes:
            self.oversized = coming["remaining_length"]
            del coming["packet"][_KEEP:]
        return taken


def tls_context(tls: MqttTls, folder: Path) -> ssl.SSLContext:
    """Return the encryption of a link.

    Parameters
    ----------
    tls : as the plan describes it
    folder : where relative file names start

    Raises
    ------
    UsageError : if a file is missing or not what it should be
    """
    if bool(tls.certificate_file) != bool(tls.key_file):
        raise UsageError(
            "certificate_file and key_file belong together",
            where="tls",
            remedy="give both or neither",
        )
    named = {
        key: folder / value
        for key in ("ca_file", "certificate_file", "key_file")
        if (value := getattr(tls, key))
    }
    for key, path in named.items():
        if not path.is_file():
            raise UsageError(
                f"there is no file {path}", where=f"tls.{key}", remedy="check the name in the plan"
            )
    try:
        context = ssl.create_default_context(cafile=named.get("ca_file"))
        if "certificate_file" in named:
            password = read_secret(tls.key_password_env) if tls.key_password_env else ""
            # a password that is asked for on the terminal would stop a recording
            context.load_cert_chain(
                named["certificate_file"], named["key_file"], password=lambda: password
            )
    except (ssl.SSLError, OSError, ValueError) as cause:
        raise UsageError(
            f"the certificate files can't be used: {cause}",
            where="tls",
            remedy="they must be PEM, and the key the certificate's own; set key_password_env if it "
            "is encrypted",
        ) from cause
    return context
