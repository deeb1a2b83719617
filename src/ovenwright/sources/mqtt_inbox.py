"""What came from a broker and waits to be handed over: readings, notices, what is to be acknowledged."""

from __future__ import annotations

import math

import paho.mqtt.client as paho

from ovenwright.domain.live import Clock, Notice, NoticeKind, Reading
from ovenwright.domain.run import NS
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.sources.grumbles import Grumbles
from ovenwright.wire.arrivals import Arrivals
from ovenwright.wire.json_mapping import decode_mapping
from ovenwright.wire.json_payload import ModuleState, decode_message

_AGAIN_NS = 60 * NS
_MOST_STATES = 8_192
_SHOWN = 120


class MqttInbox:
    """Takes messages in and gives out what to deliver; knows no socket.

    Parameters
    ----------
    plan : the instrument as the plan describes it
    clock : the time of day

    Raises
    ------
    UsageError : if the mapping has a fault
    """

    def __init__(self, plan: MqttSource, clock: Clock) -> None:
        self._plan = plan
        self._clock = clock
        self.mapping = decode_mapping(plan)
        self.repeats = 0
        self.begin_anew()

    def begin_anew(self) -> None:
        """Forget all: what an earlier run handed over may never have become durable."""
        plan = self._plan
        self.messages = 0
        self.readings: list[Reading] = []
        self.notices: list[Notice] = []
        self.to_acknowledge: list[tuple[int, int]] = []
        self._grumbles = Grumbles()
        self._serials: dict[str, str] = {}
        self._told_states: dict[tuple[NoticeKind, str], tuple[float, int]] = {}
        self._arrivals = Arrivals(
            plan.channels,
            per_channel=self.mapping.count_per_channel,
            modulus=plan.payload.sequence_modulus,
            late_after_s=plan.late_after_s,
            loss_after_s=plan.loss_after_s,
        )

    @property
    def waiting(self) -> bool:
        """Whether there is anything to hand over."""
        return bool(self.readings or self.notices or self.to_acknowledge)

    def empty(
        self,
    ) -> tuple[tuple[Reading, ...], tuple[Notice, ...], tuple[tuple[int, int], ...]]:
        """Return readings, notices and what is to be acknowledged, and begin with none."""
        taken = tuple(self.readings), tuple(self.notices), tuple(self.to_acknowledge)
        self.readings, self.notices, self.to_acknowledge = [], [], []
        return taken

    def take(self, message: paho.MQTTMessage, *, oversized: int, backlog: bool) -> None:
        """Take one message.

        Parameters
        ----------
        message : as the library gives it
        oversized : its bytes where it was too large to be kept, else 0
        backlog : whether it may have waited for us at the broker
        """
        self.messages += 1
        now = self._clock.now_ns()
        if message.qos:
            self.to_acknowledge.append((message.mid, message.qos))
        try:
            topic = message.topic
        except UnicodeDecodeError:
            self.grumble(NoticeKind.REFUSED, "a topic that is not UTF-8")
            return
        shown = topic[:_SHOWN] if topic.isprintable() else repr(topic[:_SHOWN])
        if oversized:
            self.grumble(
                NoticeKind.REFUSED,
                f"{shown}: a message of {oversized:,} bytes, more than the "
                f"{self._plan.message_limit_bytes:,} of message_limit_bytes",
                about=f"oversized {shown}",
            )
            return
        if message.retain:
            self.grumble(
                NoticeKind.REFUSED,
                f"{shown}: the broker's stored last message is not taken for a new reading",
                about=f"retained {shown}",
            )
            return
        found = decode_message(self.mapping, topic, message.payload)
        for trouble in found.troubles:
            self.grumble(NoticeKind.REFUSED, trouble)
        arrived = self._arrivals.take(found.items, now, backlog=backlog)
        self.readings += arrived.readings
        self.notices += arrived.notices
        self.repeats += arrived.repeats
        for state in found.states:
            self._say(NoticeKind.BATTERY, state, state.battery, now)
            self._say(NoticeKind.SIGNAL, state, state.signal, now)
            self._say_who(state, now)

    def _say(self, kind: NoticeKind, state: ModuleState, value: float, now: int) -> None:
        """Pass on what a module says of itself when it changes, and now and again."""
        if math.isnan(value):
            return
        key = (kind, state.module)
        told = self._told_states.get(key)
        if told is None and len(self._told_states) >= _MOST_STATES:
            return
        if told is None or told[0] != value or now - told[1] >= _AGAIN_NS:
            self._told_states[key] = (value, now)
            self.notices.append(Notice(kind, now, "", state.module, value))

    def _say_who(self, state: ModuleState, now: int) -> None:
        """Pass on a module's serial number, once and when it is another."""
        known = self._serials.get(state.module)
        if not state.serial or state.serial == known:
            return
        if known is None and len(self._serials) >= _MOST_STATES:
            return
        self._serials[state.module] = state.serial
        self.notices.append(Notice(NoticeKind.IDENTITY, now, "", state.module, serial=state.serial))

    def note_losses(self) -> None:
        """Tell gaps in the counts that stayed open too long."""
        self.notices += self._arrivals.losses(self._clock.now_ns())

    def tell(self, kind: NoticeKind, text: str) -> None:
        """Tell something."""
        self.notices.append(Notice(kind, self._clock.now_ns(), text))

    def grumble(self, kind: NoticeKind, text: str, *, about: str = "") -> None:
        """Tell a trouble, and the same again only now and then; see :class:`Grumbles`."""
        self.notices += self._grumbles.tell(kind, text, self._clock.now_ns(), about=about)
