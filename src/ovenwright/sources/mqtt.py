"""Readings from an MQTT broker, acknowledged only once they are durable."""

from __future__ import annotations

import hashlib
import secrets
import select
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ovenwright.domain.live import Batch, Clock, NoticeKind, Stopping
from ovenwright.domain.run import NS
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.mqtt_client import REFUSED_FOR_GOOD, BoundedClient, tls_context
from ovenwright.sources.mqtt_inbox import MqttInbox
from ovenwright.sources.opening import Opening
from ovenwright.sources.secrets import read_secret

_BURST_MESSAGES = 512
_BURST_READINGS = 20_000
_LINGER_S = 3.0
_BACKLOG_NS = 5 * NS
_SILENT_NS = 10 * NS
_CONNECT_S = 5.0
_POLL_S = 0.25

Acknowledgement = tuple[int, tuple[tuple[int, int], ...]]


def open_mqtt(plan: MqttSource, opening: Opening) -> MqttReader:
    """Return the source that reads a broker; see :func:`ovenwright.sources.opening.open_source`."""
    return MqttReader(
        plan,
        opening.clock,
        lasting=opening.lasting,
        folder=opening.folder,
        fresh=opening.fresh,
    )


class MqttReader:
    """Reads a broker in the thread that calls :meth:`run`.

    A message is acknowledged when the batch it came in is, by :attr:`Batch.acknowledge` from any
    thread: that only leaves word here, and the reader's own thread sends it. An acknowledgement
    that comes after the link broke is dropped, since the broker sends such a message again; the
    repeat is told by its count or time, passes through as a batch without readings, and is
    acknowledged after it.

    Parameters
    ----------
    plan : the instrument as the plan describes it
    clock : the time of day
    lasting : whether the broker keeps messages for us while we are away
    folder : where relative names of certificate files start
    fresh : whether to begin without what the broker kept for an earlier recording of this table

    Raises
    ------
    UsageError : if mapping, certificate files or password can't be had
    """

    def __init__(
        self,
        plan: MqttSource,
        clock: Clock,
        *,
        lasting: bool = True,
        folder: Path | None = None,
        fresh: bool = False,
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._lasting = lasting and plan.session_s > 0
        self._fresh = fresh and self._lasting  # until the first link is up
        self._inbox = MqttInbox(plan, clock)
        self._password = read_secret(plan.password_env) if plan.password_env else None
        self._tls = tls_context(plan.tls, folder or Path()) if plan.tls is not None else None
        self._acknowledgements: deque[Acknowledgement] = deque()
        self._owed = 0  # messages delivered and not yet acknowledged, over the present link
        self._wake: socket.socket | None = None
        self._wake_lock = threading.Lock()
        self._link = 0  # counts the links, so that an old acknowledgement is known as such
        self._ever_up = False
        self._up = False
        self._kept_for_us = False
        self._refusal = ""
        self._since_ns = 0
        self._silent_told = False

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"mqtt {self._plan.host}:{self._plan.port}"

    @property
    def repeats(self) -> int:
        """Readings that came again and were left out."""
        return self._inbox.repeats

    @property
    def client_id(self) -> str:
        """The name this recorder has at the broker: the same for the same table on the same computer."""
        if self._plan.client_id:
            return self._plan.client_id
        plan = self._plan
        facts = [socket.gethostname(), plan.name, plan.host, str(plan.port), plan.topic]
        facts += [f"{key}={name}" for key, name in sorted(plan.channels.items())]
        return "ovenwright-" + hashlib.sha256("\n".join(facts).encode()).hexdigest()[:12]

    # the thread ---------------------------------------------------------------------------

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop; see :class:`ovenwright.domain.live.Source`.

        Raises
        ------
        InstrumentTrouble : if the broker turns us away for a reason that waiting can't mend, or its
            certificate is not to be trusted
        """
        back_off = BackOff()
        self._inbox.begin_anew()
        self._up = self._ever_up = False
        ear, self._wake = socket.socketpair()
        ear.setblocking(False)
        self._wake.setblocking(False)
        client = self._client(clean=not self._lasting)
        self._inbox.tell(NoticeKind.WAITING, f"connecting to {self._address}")
        self._hand_over(deliver)
        try:
            while not stopping.is_set():
                if not self._connect(client):
                    self._hand_over(deliver)
                    if stopping.wait(back_off.next_s()):
                        break
                    continue
                if self._serve(client, deliver, stopping, ear):
                    back_off.worked()
                if stopping.is_set():
                    break
                self._hand_over(deliver)
                if stopping.wait(back_off.next_s()):
                    break
            self._leave(client, ear)
        finally:
            client.drop()
            with self._wake_lock:
                self._wake.close()
                self._wake = None
            ear.close()

    @property
    def _address(self) -> str:
        return f"the broker at {self._plan.host}:{self._plan.port}"

    def _client(self, *, clean: bool) -> BoundedClient:
        client = BoundedClient(
            client_id=self.client_id if self._lasting else f"ovenwright-{secrets.token_hex(6)}",
            version=self._plan.version,
            clean=clean,
            limit_bytes=self._plan.message_limit_bytes,
        )
        client.connect_timeout = _CONNECT_S
        if self._plan.user or self._password is not None:
            client.username_pw_set(self._plan.user, self._password)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _connect(self, client: BoundedClient) -> bool:
        """Open a link; return whether there is one, not yet whether the broker takes us."""
        self._link += 1
        self._owed = 0
        self._acknowledgements.clear()
        self._inbox.to_acknowledge.clear()
        try:
            if self._fresh:
                # not by a clean start: a session begun by one is not saved by every broker
                # (seen with Mosquitto 2.0.11), and its restart would lose what came meanwhile
                self._end_session()
            if self._plan.version == "5":
                wish = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                wish.SessionExpiryInterval = self._plan.session_s if self._lasting else 0
                wish.ReceiveMaximum = self._plan.in_flight
                client.connect(
                    self._plan.host,
                    self._plan.port,
                    keepalive=self._plan.keepalive_s,
                    clean_start=not self._lasting,
                    properties=wish,
                )
            else:
                client.connect(self._plan.host, self._plan.port, keepalive=self._plan.keepalive_s)
        except UnicodeError as trouble:
            raise InstrumentTrouble(
                f"no computer can be called {self._plan.host!r}",
                where=self.name,
                remedy="mend host in the plan's table",
            ) from trouble
        except OSError as trouble:
            self._check_certificate(trouble)
            self._inbox.grumble(
                NoticeKind.WAITING,
                f"{self._address} does not answer ({trouble.strerror or trouble}); trying again",
                about="connect",
            )
            client.drop()
            return False
        return True

    def _check_certificate(self, trouble: OSError) -> None:
        if isinstance(trouble, ssl.SSLCertVerificationError) and not self._ever_up:
            raise InstrumentTrouble(
                f"the broker's certificate is not to be trusted: {trouble.verify_message}",
                where=self._address,
                remedy="give the authority that signed it as tls.ca_file; the host must be named as "
                "the certificate names it",
            ) from trouble

    def _serve(
        self,
        client: BoundedClient,
        deliver: Callable[[Batch], None],
        stopping: Stopping,
        ear: socket.socket,
    ) -> bool:
        """Read until the link breaks or we are told to stop; return whether it was ever up."""
        began = self._clock.monotonic_ns()
        was_up = False
        self._refusal = ""
        while not stopping.is_set():
            if not self._step(client, ear, _POLL_S):
                break
            was_up |= self._up
            if not self._up and self._clock.monotonic_ns() - began > 2 * _CONNECT_S * NS:
                self._inbox.grumble(
                    NoticeKind.WAITING,
                    f"{self._address} took the link but says nothing; trying again",
                    about="connect",
                )
                break
            self._look_after()
            self._hand_over(deliver)
        if self._up and not stopping.is_set():
            self._inbox.tell(NoticeKind.LOST, f"the link to {self._address} broke; trying again")
        if self._refusal and not was_up:
            if not self._ever_up and self._refusal in REFUSED_FOR_GOOD:
                raise InstrumentTrouble(
                    f"the broker turns us away: {self._refusal.lower()}",
                    where=self._address,
                    remedy="check user, password_env, client_id and version in the plan's table",
                )
            self._inbox.grumble(
                NoticeKind.WAITING,
                f"{self._address} turns us away ({self._refusal.lower()}); trying again",
                about="connect",
            )
        if not stopping.is_set():
            self._up = False
            client.drop()
        return was_up

    def _step(self, client: BoundedClient, ear: socket.socket, wait_s: float) -> bool:
        """Send what is owed, read what is there; return whether the link still stands."""
        self._send_acknowledgements(client)
        sock: Any = client.socket()
        if sock is None:
            return False
        waits = [sock] if client.want_write() else []
        if client.holds_more:
            wait_s = 0.0
        try:
            readable, writable, _ = select.select([sock, ear], waits, [], wait_s)
        except (OSError, ValueError):
            return False
        if ear in readable:
            self._hear(ear)
            self._send_acknowledgements(client)
        if writable and client.loop_write() != paho.MQTT_ERR_SUCCESS:
            return False
        if (sock in readable or client.holds_more) and not self._read(client):
            return False
        return client.loop_misc() == paho.MQTT_ERR_SUCCESS and client.socket() is not None

    def _read(self, client: BoundedClient) -> bool:
        """Read one burst; return whether the link still stands."""
        for _ in range(_BURST_MESSAGES):
            before = self._inbox.messages
            if client.loop_read() != paho.MQTT_ERR_SUCCESS or client.socket() is None:
                return False
            if len(self._inbox.readings) >= _BURST_READINGS:
                break
            if self._inbox.messages == before and not client.holds_more:
                break
        return True

    @staticmethod
    def _hear(ear: socket.socket) -> None:
        try:
            while ear.recv(4096):
                pass
        except OSError:
            return

    def _leave(self, client: BoundedClient, ear: socket.socket) -> None:
        """Wait a moment for the last acknowledgements, then end the session if none is owed."""
        until = self._clock.monotonic_ns() + round(_LINGER_S * NS)
        while self._up and self._owed > 0 and self._clock.monotonic_ns() < until:
            # what comes now is neither delivered nor acknowledged: the broker keeps it
            if not self._step(client, ear, 0.05):
                break
            self._inbox.empty()
        if not self._up or client.socket() is None:
            return
        over = self._owed == 0
        if self._plan.version == "5":
            last = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
            if over:
                last.SessionExpiryInterval = 0
            client.disconnect(properties=last)
        else:
            client.disconnect()
            if over and self._lasting:
                self._end_session()

    def _end_session(self) -> None:
        """End a session that a broker may hold for us: connect once without one."""
        client = self._client(clean=True)
        client.on_connect = client.on_disconnect = client.on_message = client.on_subscribe = None
        try:
            clean: dict[str, Any] = {"clean_start": True} if self._plan.version == "5" else {}
            client.connect(
                self._plan.host, self._plan.port, keepalive=self._plan.keepalive_s, **clean
            )
            until = self._clock.monotonic_ns() + NS
            while not client.is_connected() and self._clock.monotonic_ns() < until:
                sock: Any = client.socket()
                if sock is None:
                    break
                select.select([sock], [], [], 0.05)
                client.loop_read()
            client.disconnect()
        except OSError:
            return  # the session stays; the broker's own limits hold it
        finally:
            client.drop()

    # what the library calls ---------------------------------------------------------------

    def _on_connect(
        self, client: paho.Client, _: Any, flags: Any, reason: ReasonCode, __: Any
    ) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
            return
        client.subscribe(self._inbox.mapping.topic.filter, qos=1)
        self._kept_for_us = bool(flags.session_present)
        self._since_ns = self._clock.monotonic_ns()
        self._silent_told = False
        text = f"connected to {self._address}"
        if self._kept_for_us:
            text += "; it kept for us what came while we were away"
        self._inbox.tell(NoticeKind.CONNECTED, text)
        if self._ever_up and self._lasting and not self._kept_for_us:
            self._inbox.tell(
                NoticeKind.LOSS,
                f"{self._address} no longer knew us: what was sent while we were away is lost",
            )
        self._up = self._ever_up = True
        self._fresh = False

    def _on_subscribe(
        self, _: Any, __: Any, ___: int, reasons: list[ReasonCode], ____: Any
    ) -> None:
        if any(r.is_failure for r in reasons):
            self._inbox.grumble(
                NoticeKind.WAITING,
                f"{self._address} does not let us listen to {self._inbox.mapping.topic.filter!r}: "
                "its rights for this user are too narrow",
                about="subscribe",
            )

    def _on_disconnect(self, _: Any, __: Any, flags: Any, reason: ReasonCode, ___: Any) -> None:
        if not flags.is_disconnect_packet_from_server:
            return
        if str(reason) == "Session taken over":
            self._inbox.grumble(
                NoticeKind.WAITING,
                f"another client took our name {self.client_id!r} at {self._address}; "
                "two recordings of one table need a client_id each",
                about="taken over",
            )

    def _on_message(self, client: paho.Client, _: Any, message: paho.MQTTMessage) -> None:
        assert isinstance(client, BoundedClient)  # noqa: S101
        backlog = self._kept_for_us and self._clock.monotonic_ns() - self._since_ns < _BACKLOG_NS
        self._inbox.take(message, oversized=client.oversized, backlog=backlog)

    # out ----------------------------------------------------------------------------------

    def _look_after(self) -> None:
        """Tell losses, and a link on which nothing comes."""
        self._inbox.note_losses()
        waited = self._clock.monotonic_ns() - self._since_ns
        if self._up and not self._silent_told and not self._inbox.messages and waited > _SILENT_NS:
            self._silent_told = True
            self._inbox.tell(
                NoticeKind.WAITING,
                f"connected, but nothing comes on {self._inbox.mapping.topic.filter!r}",
            )

    def _hand_over(self, deliver: Callable[[Batch], None]) -> None:
        if not self._inbox.waiting:
            return
        readings, notices, to_acknowledge = self._inbox.empty()
        owed = (self._link, to_acknowledge)
        self._owed += len(to_acknowledge)
        deliver(Batch(readings, notices, acknowledge=lambda: self._acknowledge(owed)))

    def _acknowledge(self, owed: Acknowledgement) -> None:
        """Leave word, from any thread, that a batch is durable."""
        if not owed[1]:
            return
        self._acknowledgements.append(owed)
        with self._wake_lock:
            if self._wake is not None:
                try:
                    self._wake.send(b"!")
                except OSError:
                    return  # a full wake is a wake; a closed one has nobody to wake

    def _send_acknowledgements(self, client: BoundedClient) -> None:
        while self._acknowledgements:
            link, owed = self._acknowledgements.popleft()
            if link != self._link:
                continue
            for mid, qos in owed:
                client.ack(mid, qos)
            self._owed -= len(owed)
