"""Readings from an instrument that is set up and asked by SCPI commands."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

from ovenwright.domain.live import Batch, Clock, Notice, NoticeKind, Stopping
from ovenwright.domain.sources.scpi import ScpiSource
from ovenwright.errors import InstrumentTrouble, OutOfRange
from ovenwright.sources.byte_links import ENDINGS, ByteLink, LineLink, SerialLink, TcpLink
from ovenwright.sources.opening import Opening
from ovenwright.sources.staying_connected import LinkLife, Pace
from ovenwright.wire.scpi_answers import (
    LONGEST,
    Identity,
    decode_error,
    decode_identity,
    decode_scan,
    ours_to_mend,
)

_MOST_ERRORS = 64
_BAD_SCANS = 3


class ScpiInstrument:
    """An instrument that answers SCPI commands over TCP or a serial line.

    After connecting it is asked who it is, its error queue is emptied, the plan's commands are sent
    one by one and each is followed by a look into the error queue. A scan that can't be read is told
    and left out; after three in a row the link is made anew.

    Parameters
    ----------
    plan : the instrument as the plan describes it
    clock : the time of day
    """

    def __init__(self, plan: ScpiSource, clock: Clock) -> None:
        self._plan = plan
        self._clock = clock

    @property
    def name(self) -> str:
        """What people call it."""
        return self._plan.name or f"scpi {self._where()}"

    def _where(self) -> str:
        plan = self._plan
        return plan.serial.device if plan.serial is not None else f"{plan.host}:{plan.port}"

    def run(self, deliver: Callable[[Batch], None], stopping: Stopping) -> None:
        """Deliver batches until told to stop.

        Raises
        ------
        InstrumentTrouble : if it is another instrument than the plan says, or refuses a command
        """
        life = LinkLife(
            waits_for=self._where(), deliver=deliver, stopping=stopping, clock=self._clock
        )
        pace = Pace(self._plan.interval_s, self._clock)
        life.keep(lambda: self._session(life, pace))

    def _open(self) -> ByteLink:
        plan = self._plan
        if plan.serial is not None:
            return SerialLink(plan.serial, timeout_s=plan.timeout_s)
        return TcpLink(plan.host, plan.port, timeout_s=plan.timeout_s)

    def _session(self, life: LinkLife, pace: Pace) -> None:
        plan = self._plan
        with closing(
            LineLink(
                self._open(),
                clock=self._clock,
                encoding="latin-1",
                longest=LONGEST,
                ending=ENDINGS[plan.ending],
            )
        ) as link:
            who = self._identify(link, life)
            module = plan.module or who.words() or self.name
            self._set_up(link, life, module)
            life.connected(f"{self._where()}: {who.words()}")
            life.deliver(Batch(notices=(self._says_who(who, module),)))
            bad = 0
            while True:
                missed = pace.wait(life.stopping)
                if life.stopping.is_set():
                    return
                if missed:
                    life.tell(NoticeKind.LOSS,
                              f"{missed} scans left out: one takes longer than {plan.interval_s:g} s",
                              module=module, value=float(missed * len(plan.fed())))  # fmt: skip
                link.forget()  # an answer that came too late is none to the next question
                link.send(plan.read)
                answer = link.answer(plan.timeout_s, life.stopping)
                try:
                    readings = decode_scan(
                        answer,
                        plan.fields,
                        received_ns=self._clock.now_ns(),
                        module=module,
                        numbers_each=plan.numbers_each,
                        number_at=plan.number_at,
                    )
                except OutOfRange as cause:
                    bad += 1
                    life.tell(NoticeKind.REFUSED, str(cause), module=module)
                    self._drain(link, life, module)
                    if bad >= _BAD_SCANS:
                        raise OSError(f"{bad} answers in a row can't be read") from cause
                    continue
                bad = 0
                life.worked()
                life.deliver(Batch(readings))

    def _identify(self, link: LineLink, life: LinkLife) -> Identity:
        plan = self._plan
        link.forget()
        link.send("*IDN?")
        answer = link.answer(plan.timeout_s, life.stopping)
        try:
            who = decode_identity(answer)
        except OutOfRange as cause:
            raise OSError(f"it does not say what it is: {cause.got}") from cause
        if plan.identity and plan.identity.casefold() not in answer.casefold():
            raise InstrumentTrouble(
                f"{answer.strip()!r} answers, which does not hold {plan.identity!r}",
                where=self.name,
                remedy="check the address, or mend identity in the plan",
            )
        return who

    def _says_who(self, who: Identity, module: str) -> Notice:
        serial = "" if who.serial == "0" else who.serial
        words = " ".join(w for w in (who.maker, who.model) if w)
        return Notice(
            NoticeKind.IDENTITY,
            self._clock.now_ns(),
            words,
            module,
            serial=serial,
            firmware=who.firmware,
        )

    def _set_up(self, link: LineLink, life: LinkLife, module: str) -> None:
        self._drain(link, life, module, of_ours=False)
        for command in self._plan.setup:
            link.send(command)
            if "?" in command:
                link.answer(self._plan.timeout_s, life.stopping)
            self._drain(link, life, module, command=command)

    def _drain(
        self,
        link: LineLink,
        life: LinkLife,
        module: str,
        *,
        command: str = "",
        of_ours: bool = True,
    ) -> None:
        """Empty the error queue; an error that our command caused is raised, others are told."""
        if not self._plan.errors:
            return
        for _ in range(_MOST_ERRORS):
            link.send(self._plan.errors)
            answer = link.answer(self._plan.timeout_s, life.stopping)
            try:
                code, text = decode_error(answer)
            except OutOfRange as cause:
                raise OSError(f"its error queue answers {cause.got}") from cause
            if code == 0:
                return
            if command and ours_to_mend(code):
                raise InstrumentTrouble(
                    f"it refuses {command!r}: {code}, {text}", where=self.name,
                    remedy="see the instrument's manual and mend setup in the plan",
                )  # fmt: skip
            if of_ours:
                life.tell(NoticeKind.REFUSED, f"it reports error {code}: {text}", module=module)
        raise OSError("its error queue does not end")


def open_scpi(plan: ScpiSource, opening: Opening) -> ScpiInstrument:
    """Return the source; nothing is connected before it runs."""
    return ScpiInstrument(plan, opening.clock)
