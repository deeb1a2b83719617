"""Looking for instruments on a broker: what is published there, and how a plan could read it."""

from __future__ import annotations

import itertools
import math
import re
import select
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as paho
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ovenwright.domain.heard import Heard, HeardChannel
from ovenwright.domain.live import Clock, Stopping
from ovenwright.domain.run import NS
from ovenwright.domain.sources.mqtt import MqttSource, MqttTls
from ovenwright.errors import InstrumentTrouble, OvenwrightError, UsageError
from ovenwright.sources.mqtt_client import BoundedClient, tls_context
from ovenwright.sources.secrets import read_secret
from ovenwright.wire.guessing_json import Guess, Sample, guess_mappings
from ovenwright.wire.json_mapping import decode_mapping
from ovenwright.wire.json_payload import Item, Message, decode_message

MOST_TOPICS = 4_096
MOST_BYTES = 64_000_000
MOST_EACH = 64
_MOST_MESSAGE = 256_000
_MOST_SILENT = 20
_CONNECT_S = 5.0


def hear(
    url: str,
    *,
    seconds: float,
    clock: Clock,
    user: str = "",
    password_env: str = "",
    ca_file: str = "",
    version: str = "5",
    stopping: Stopping | None = None,
) -> tuple[Heard, ...]:
    """Listen to a broker and say what modules and channels are heard.

    Nothing is sent but the wish to listen, and nothing is kept at the broker afterwards.

    Parameters
    ----------
    url : ``mqtt://HOST[:PORT][/TOPIC]``, ``mqtts://`` with TLS; TOPIC is a filter such as
        ``plant/#``, everything when left out
    seconds : how long to listen
    clock : the time of day
    user, password_env : name at the broker, and the environment variable that holds the password
    ca_file : authority that signed the broker's certificate
    version : "5" or "3.1.1"; 5 falls back where the broker does not speak it
    stopping : tells to stop earlier

    Returns
    -------
    one for each module, in the order of their names; topics without readings come last

    Raises
    ------
    UsageError : if the URL can't be read
    InstrumentTrouble : if the broker does not answer, turns us away or won't let us listen
    """
    place = _Place(url, user, password_env, ca_file)
    ear = _Ear(place, clock, version)
    try:
        ear.listen(seconds, stopping)
    except _OldBroker:
        ear = _Ear(place, clock, "3.1.1")
        ear.listen(seconds, stopping)
    return _told(place, ear)


class _OldBroker(Exception):
    """The broker does not speak the version asked for."""


class _Place:
    """Where to listen, read from a URL."""

    def __init__(self, url: str, user: str, password_env: str, ca_file: str) -> None:
        parts = urlsplit(url)
        try:
            port = parts.port
        except ValueError:
            port = -1
        if parts.scheme not in {"mqtt", "mqtts"} or not parts.hostname or port == -1:
            raise UsageError(
                f"{url!r} is no address of a broker",
                remedy="write it such as mqtt://127.0.0.1:1883 or mqtts://broker.plant:8883/oven3/#",
            )
        if parts.password is not None:
            raise UsageError(
                "a password has no place in an address",
                remedy="name an environment variable that holds it with password_env",
            )
        self.host = parts.hostname
        self.encrypted = parts.scheme == "mqtts"
        self.port = port or (8883 if self.encrypted else 1883)
        self.filter = unquote(parts.path.removeprefix("/") + ("#" if "#" in url else "")) or "#"
        self.user = user or unquote(parts.username or "")
        self.password_env = password_env
        self.ca_file = ca_file
        self.address = f"{parts.scheme}://{self.host}:{self.port}"

    def table(self, version: str) -> dict[str, Any]:
        """Return the keys of a plan's table that say where the broker is."""
        facts: dict[str, Any] = {"kind": "mqtt", "host": self.host, "port": self.port}
        if version != "5":
            facts["version"] = version
        if self.user:
            facts["user"] = self.user
        if self.password_env:
            facts["password_env"] = self.password_env
        if self.encrypted:
            facts["tls"] = {"ca_file": self.ca_file} if self.ca_file else {}
        return facts


class _Ear:
    """Listens once."""

    def __init__(self, place: _Place, clock: Clock, version: str) -> None:
        self.place = place
        self.clock = clock
        self.version = version
        self.samples: dict[str, list[Sample]] = defaultdict(list)
        self.counts: dict[str, int] = defaultdict(int)
        self.bytes = 0
        self.left_out = 0
        self._refusal = ""
        self._listening = False
        self._denied = False

    def listen(self, seconds: float, stopping: Stopping | None) -> None:
        client = BoundedClient(
            client_id=f"ovenwright-find-{self.clock.monotonic_ns() % 10**12}",
            version=self.version,
            clean=True,
            limit_bytes=_MOST_MESSAGE,
        )
        client.connect_timeout = _CONNECT_S
        password = read_secret(self.place.password_env) if self.place.password_env else None
        if self.place.user or password is not None:
            client.username_pw_set(self.place.user, password)
        if self.place.encrypted:
            client.tls_set_context(tls_context(MqttTls(ca_file=self.place.ca_file), Path()))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        try:
            self._listen(client, seconds, stopping)
        except OSError as trouble:
            raise InstrumentTrouble(
                f"no broker answers: {trouble.strerror or trouble}",
                where=self.place.address,
                remedy="check address and port, and that the broker takes connections from here",
            ) from trouble
        finally:
            client.drop()

    def _listen(self, client: BoundedClient, seconds: float, stopping: Stopping | None) -> None:
        client.connect(self.place.host, self.place.port, keepalive=30)
        began = self.clock.monotonic_ns()
        until = began + round((seconds + _CONNECT_S) * NS)
        while self.clock.monotonic_ns() < until and not (
            stopping is not None and stopping.is_set()
        ):
            sock: Any = client.socket()
            if sock is None:
                break
            was_listening = self._listening
            wait = 0.0 if client.holds_more else 0.1
            readable, _, _ = select.select([sock], [], [], wait)
            if readable or client.holds_more:
                client.loop_read()
            if client.want_write():
                client.loop_write()
            client.loop_misc()
            if self._listening and not was_listening:
                until = self.clock.monotonic_ns() + round(seconds * NS)
            if self._refusal or self._denied:
                break
        if self._refusal == "Unsupported protocol version" and self.version == "5":
            raise _OldBroker
        if self._refusal or self._denied or not self._listening:
            what = (
                f"the broker turns us away: {self._refusal.lower()}"
                if self._refusal
                else f"the broker does not let us listen to {self.place.filter!r}"
                if self._denied
                else "something answers, but not as a broker does"
            )
            raise InstrumentTrouble(
                what,
                where=self.place.address,
                remedy="check user and password, the topic, and whether the port wants TLS (mqtts://)",
            )
        client.disconnect()

    def _on_connect(
        self, client: paho.Client, _: Any, __: Any, reason: ReasonCode, ___: Properties | None
    ) -> None:
        if reason.is_failure:
            self._refusal = str(reason)
        else:
            client.subscribe(self.place.filter, qos=0)

    def _on_subscribe(
        self, _: Any, __: Any, ___: int, reasons: list[ReasonCode], ____: Properties | None
    ) -> None:
        self._denied = any(r.is_failure for r in reasons)
        self._listening = not self._denied

    def _on_message(self, client: paho.Client, _: Any, message: paho.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self.left_out += 1
            return
        size = len(message.payload) + len(topic)
        crowded = topic not in self.samples and len(self.samples) >= MOST_TOPICS
        oversized = isinstance(client, BoundedClient) and client.oversized
        if crowded or oversized or self.bytes + size > MOST_BYTES:
            self.left_out += 1
            return
        kept = self.samples[topic]
        self.counts[topic] += 1
        if len(kept) >= MOST_EACH:
            # the first tells since when, the latest what
            self.bytes -= len(kept.pop(1).payload)
        kept.append(
            Sample(topic, bytes(message.payload), self.clock.now_ns(), stored=message.retain)
        )
        self.bytes += size


def _told(place: _Place, ear: _Ear) -> tuple[Heard, ...]:
    samples = [s for kept in ear.samples.values() for s in kept]
    guesses, silent = guess_mappings(samples)
    found: list[Heard] = []
    for guess in guesses:
        found += _modules(place, ear, guess)
    found.sort(key=lambda h: _natural(h.module))
    for topic in silent[:_MOST_SILENT]:
        found.append(
            Heard(place.address, "", detail=topic, remarks=("nothing in it looks like a reading",))
        )
    if len(silent) > _MOST_SILENT or ear.left_out:
        more = max(0, len(silent) - _MOST_SILENT)
        found.append(
            Heard(
                place.address,
                "",
                remarks=(f"{more} more topics and {ear.left_out} messages were left out",),
            )
        )
    return tuple(found)


def _modules(place: _Place, ear: _Ear, guess: Guess) -> list[Heard]:
    """Return what one guess reads, module by module."""
    proposal = place.table(ear.version) | {"topic": guess.topic, "payload": guess.payload}
    try:
        mapping = decode_mapping(MqttSource.model_validate(proposal | {"channels": {"": ""}}))
    except (OvenwrightError, ValueError) as trouble:
        return [
            Heard(
                place.address,
                "",
                detail=guess.topic,
                remarks=(f"no mapping could be made: {trouble}",),
            )
        ]
    modules: dict[str, _Module] = {}
    for sample in guess.samples:
        message = decode_message(mapping, sample.topic, sample.payload)
        items = tuple(i for i in message.items if i.channel not in guess.beside)
        _sort_in(modules, sample, replace(message, items=items))
    keys = {
        key: key.replace("/", " ")
        for name in sorted(modules, key=_natural)
        for key in sorted(modules[name].items, key=_natural)
    }
    proposal["channels"] = keys
    found = []
    for name, module in modules.items():
        stored = all(s for _, s in module.heard)
        remarks = list(guess.remarks)
        if stored:
            remarks.append("only the broker's stored last message: it may be silent now")
        found.append(
            Heard(
                address=place.address,
                module=name,
                channels=tuple(
                    _channel(key, items, ear)
                    for key, items in sorted(module.items.items(), key=lambda p: _natural(p[0]))
                ),
                serial=module.serial,
                battery=module.battery,
                signal=module.signal,
                detail=guess.topic,
                proposal=proposal,
                remarks=tuple(remarks),
            )
        )
    return found


class _Module:
    """What was heard of one module."""

    def __init__(self) -> None:
        self.items: dict[str, list[tuple[Item, Sample]]] = defaultdict(list)
        self.heard: list[tuple[int, bool]] = []
        self.serial = ""
        self.battery = math.nan
        self.signal = math.nan


def _sort_in(modules: dict[str, _Module], sample: Sample, message: Message) -> None:
    for item in message.items:
        module = modules.setdefault(item.module, _Module())
        module.items[item.key].append((item, sample))
    for name in {item.module for item in message.items}:
        modules[name].heard.append((sample.received_ns, sample.stored))
    for state in message.states:
        module = modules.setdefault(state.module, _Module())
        module.serial = state.serial or module.serial
        module.battery = module.battery if math.isnan(state.battery) else state.battery
        module.signal = module.signal if math.isnan(state.signal) else state.signal


def _channel(key: str, items: list[tuple[Item, Sample]], ear: _Ear) -> HeardChannel:
    last, sample = items[-1]
    live = [(item, s) for item, s in items if not s.stored]
    times = sorted({s.received_ns if item.time_ns is None else item.time_ns for item, s in live})
    # many messages of one topic are kept as its first and its latest: the count tells the rest
    topics = {s.topic for _, s in live}
    thinned = any(ear.counts[t] > MOST_EACH for t in topics)
    rate = math.nan
    if thinned:
        received = sorted(s.received_ns for _, s in live)
        total = sum(ear.counts[t] for t in topics)
        rate = (total - 1) * NS / max(1, received[-1] - received[0])
    elif len(times) > 1:
        gaps = sorted(b - a for a, b in itertools.pairwise(times))
        rate = NS / max(1, gaps[len(gaps) // 2])
    return HeardChannel(
        key=key,
        value=last.value,
        unit=last.unit,
        quality=last.quality,
        rate_hz=rate,
        count=len(live) if not thinned else sum(ear.counts[t] for t in topics),
        last_ns=sample.received_ns if last.time_ns is None else last.time_ns,
    )


def _natural(text: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts "g10" after "g9"."""
    return [
        (0, int(p), "") if p.isdigit() and p.isascii() else (1, 0, p)
        for p in re.split(r"(\d{1,18})", text)
        if p
    ]
