"""Readings from an instrument that writes lines of text to a serial port."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Reading, Stopping
from ovenwright.domain.sources.serial_text import SerialTextSource
from ovenwright.sources.back_off import BackOff
from ovenwright.sources.byte_links import ENDINGS, LineLink, SerialLink
from ovenwright.sources.opening import Opening
from ovenwright.sources.staying_connected import LinkLife, Pace
from ovenwright.wire.text_lines import TextReader

_LOOK_S = 0.1
_QUIET_S = 0.5
"""After so long a silence the next byte begins a line."""
_NS = 1_000_000_000


class LineTaker:
    """Turns lines into batches, and tells silences and what had to be thrown away.

    Parameters
    ----------
    reader : how readings stand in a line
    silent_after_s : a silence longer than this is told
    life : the link the lines come over
    """

    def __init__(self, reader: TextReader, *, silent_after_s: float, life: LinkLife) -> None:
        self.reader = reader
        self._silent_ns = round(silent_after_s * _NS)
        self._life = life
        self._heard_ns = life.clock.monotonic_ns()
        self._silent = False
        self._dropped = 0

    def begin(self) -> None:
        """Begin anew to wait for lines: the link was just made."""
        self._heard_ns, self._silent, self._dropped = self._life.clock.monotonic_ns(), False, 0

    def take(self, lines: list[str], *, dropped: int = 0, late: bool = False) -> int:
        """Deliver what the lines say.

        Parameters
        ----------
        lines : whole lines
        dropped : lines thrown away so far because they were too long
        late : whether they come from the instrument's own store

        Returns
        -------
        readings delivered
        """
        now_ns = self._life.clock.monotonic_ns()
        readings: list[Reading] = []
        notices: list[Notice] = []
        received_ns = self._life.clock.now_ns()
        for line in lines:
            said = self.reader.decode(line, received_ns=received_ns, late=late)
            readings += said.readings
            notices += said.notices
        if dropped != self._dropped:
            if dropped > self._dropped:
                notices.append(
                    Notice(NoticeKind.REFUSED, received_ns, "a line too long was thrown away",
                           value=float(dropped - self._dropped))
                )  # fmt: skip
            self._dropped = dropped
        if lines:
            self._heard_ns, self._silent = now_ns, False
        elif not self._silent and now_ns - self._heard_ns > self._silent_ns:
            self._silent = True
            quiet_s = (now_ns - self._heard_ns) / _NS
            notices.append(
                Notice(NoticeKind.WAITING, received_ns,
                       f"{self._life.waits_for}: nothing heard for {quiet_s:.0f} s")
            )  # fmt: skip
        if readings or notices:
            self._life.deliver(Batch(tuple(readings), tuple(notices)))
        if readings:
            self._life.worked()
        return len(readings)


class SerialTextInstrument:
    """An instrument on a serial port, by the :class:`~ovenwright.domain.live.Source` port.

    Parameters
    ----------
    plan : the instrument as the plan describes it
    clock : the time of day

    Raises
    ------
    UsageError : if the mapping of the text can't be used
    """

    def __init__(self, plan: SerialTextSource, clock: Clock) -> None:
        self._plan = plan
        self._clock = clock
        self._reader = TextReader(plan.text, plan.channels)

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"serial {self._plan.serial.device}"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop."""
        life = LinkLife(
            waits_for=self._plan.serial.device,
            deliver=deliver,
            stopping=stopping,
            clock=self._clock,
            back_off=BackOff(first_s=0.2, most_s=5.0),
        )
        taker = LineTaker(self._reader, silent_after_s=self._plan.silent_after_s, life=life)
        life.keep(lambda: self._session(life, taker))

    def _session(self, life: LinkLife, taker: LineTaker) -> None:
        plan = self._plan
        with closing(
            LineLink(
                SerialLink(plan.serial, timeout_s=2.0),
                clock=self._clock,
                encoding=plan.text.encoding,
                longest=plan.text.longest_line,
                ending=ENDINGS[plan.ending],
            )
        ) as link:
            life.connected()
            taker.begin()
            for line in plan.begin:
                link.send(line)
            pace = Pace(plan.interval_s, self._clock)
            opened_ns = self._clock.monotonic_ns()
            # the port may have been opened in the middle of a line, whose rest could pass for a reading
            broken = not plan.ask
            while not life.stopping.is_set():
                if plan.ask and pace.due():
                    link.send(plan.ask)
                lines = link.lines(_LOOK_S)
                if broken:
                    if lines:
                        lines, broken = lines[1:], False
                    elif (
                        not link.unfinished
                        and self._clock.monotonic_ns() - opened_ns > _QUIET_S * _NS
                    ):
                        broken = False
                taker.take(lines, dropped=link.dropped)


def open_serial_text(plan: SerialTextSource, opening: Opening) -> SerialTextInstrument:
    """Return the source; nothing is opened before it runs."""
    return SerialTextInstrument(plan, opening.clock)
