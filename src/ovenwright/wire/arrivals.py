"""What came: each reading once, in its place, and what is missing or late told.

Keeps no clock: the caller says when things were received. Memory is bounded whatever comes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

from ovenwright.domain.live import Notice, NoticeKind, Reading
from ovenwright.domain.run import NS, Quality
from ovenwright.wire.json_payload import Item

MOST_SCANS = 16_384
"""So many scans of all modules are remembered, to tell a repeat by."""
MOST_STREAMS = 4_096
MOST_GAPS = 64

_WRAPS = frozenset({2**8 - 1, 2**15 - 1, 2**16 - 1, 2**31 - 1, 2**32 - 1, 9_999, 65_536, 99_999})
_JUMP = 100_000  # more scans than that are no loss but a count that began elsewhere
_FALL = 65_536  # a count without a time that fell by more began anew
_SHARED = 64  # channels of a scan up to which equal lists of them are kept once
_NEAR = 16  # a count that goes on by so little continues, whatever the clock says
_WINDOW_NS = 30 * NS
_SETTLED_NS = 3 * NS
_CLOCK_STEP_NS = NS // 2


_Scan = tuple[str, int | None, int | None, int]


@dataclass(slots=True)
class _Stream:
    """One count: of a module, or of a channel that has its own."""

    module: str
    newest: int
    newest_ns: int | None
    width: int = 1
    gaps: list[tuple[int, int, int]] = field(default_factory=list)  # first, last, since


@dataclass(slots=True)
class _Clockwork:
    """An instrument's clock against ours: the least delay is the truest."""

    best_ns: int  # most recent window's largest (their time - our receipt)
    before_ns: int | None
    window_ns: int
    moved_ns: int
    told_ns: int | None = None

    @property
    def offset_ns(self) -> int:
        return self.best_ns if self.before_ns is None else max(self.best_ns, self.before_ns)


@dataclass(frozen=True, slots=True)
class Arrived:
    """What came of some items: readings to keep, notices to tell, how many were repeats."""

    readings: tuple[Reading, ...]
    notices: tuple[Notice, ...]
    repeats: int


class Arrivals:
    """Turns items into readings, each once, with lateness, losses and restarts told.

    Parameters
    ----------
    channels : from the instrument's own key to the plan's channel name
    per_channel : whether each channel has a count of its own
    modulus : where the count begins anew, None where it does not
    late_after_s : seconds beyond the usual delay from which a reading is late
    loss_after_s : seconds a gap in the count may stay open before it is a loss
    """

    def __init__(
        self,
        channels: dict[str, str],
        *,
        per_channel: bool = False,
        modulus: int | None = None,
        late_after_s: float = 5.0,
        loss_after_s: float = 10.0,
    ) -> None:
        self._channels = channels
        self._per_channel = per_channel
        self._modulus = modulus
        self._late_after_ns = round(late_after_s * NS)
        self._loss_after_ns = round(loss_after_s * NS)
        self._seen: dict[_Scan, tuple[str, ...]] = {}
        self._in_order: deque[_Scan] = deque()
        self._names: dict[str, str] = {}
        self._wider: dict[tuple[tuple[str, ...], str], tuple[str, ...]] = {}
        self._streams: dict[str, _Stream] = {}
        self._clocks: dict[str, _Clockwork] = {}
        self._newest_ns: dict[str, dict[str, int]] = {}
        self._notices: list[Notice] = []
        self._crowded = False

    def take(self, items: Iterable[Item], received_ns: int, *, backlog: bool = False) -> Arrived:
        """Take what one message said.

        Parameters
        ----------
        items : in the order of the message
        received_ns : when it came, by our clock
        backlog : whether it may have waited for us at the broker
        """
        readings: list[Reading] = []
        repeats = 0
        for item in items:
            stream = item.key if self._per_channel else item.module
            if not self._is_new(stream, item):
                repeats += 1
                continue
            late = item.stored
            if item.count is not None:
                late |= self._follow_count(stream, item, received_ns)
            if item.time_ns is not None:
                late |= self._follow_clock(item, received_ns, backlog)
            time_ns = received_ns + item.after_ns if item.time_ns is None else item.time_ns
            key = item.key
            quality = item.quality
            if not self._is_newest(item, time_ns):
                late = True
                quality |= Quality.REORDERED
            name = self._channels.get(key)
            readings.append(
                Reading(
                    channel=key if name is None else name,
                    time_ns=time_ns,
                    received_ns=received_ns,
                    value=item.value,
                    unit=item.unit,
                    quality=quality,
                    reference_c=item.reference_c,
                    module=item.module,
                    sequence=item.count,
                    late=late,
                    known=name is not None,
                )
            )
        return Arrived(tuple(readings), self._told(), repeats)

    def losses(self, now_ns: int) -> tuple[Notice, ...]:
        """Return a notice for every gap that stayed open too long, once each."""
        for name, stream in self._streams.items():
            if not stream.gaps:
                continue
            still = [g for g in stream.gaps if now_ns - g[2] < self._loss_after_ns]
            for gap in stream.gaps:
                if now_ns - gap[2] >= self._loss_after_ns:
                    self._tell_loss(name, stream, gap, now_ns)
            stream.gaps = still
        return self._told()

    def _told(self) -> tuple[Notice, ...]:
        notices, self._notices = tuple(self._notices), []
        return notices

    def _is_new(self, stream: str, item: Item) -> bool:
        if item.count is None and item.time_ns is None:
            return True  # nothing to tell a repeat by
        # names come anew with every message: one of each is kept
        scan = (self._names.get(stream, stream), item.count, item.time_ns, item.after_ns)
        there = self._seen.get(scan)
        if there is None:
            if stream not in self._names and len(self._names) < MOST_STREAMS:
                self._names[stream] = stream
            self._seen[scan] = self._with((), item.channel)
            self._in_order.append(scan)
            if len(self._in_order) > MOST_SCANS:
                del self._seen[self._in_order.popleft()]
            return True
        if item.channel in there:
            return False
        self._seen[scan] = self._with(there, item.channel)
        known = self._streams.get(stream)
        if known is not None:
            known.width = max(known.width, len(there) + 1)
        return True

    def _with(self, there: tuple[str, ...], channel: str) -> tuple[str, ...]:
        """Return channels and one more; scan after scan has the same ones and shares them."""
        wider = self._wider.get((there, channel))
        if wider is None:
            wider = (*there, channel)
            if len(wider) <= _SHARED and len(self._wider) < MOST_STREAMS:
                self._wider[there, channel] = wider
        return wider

    def _is_newest(self, item: Item, time_ns: int) -> bool:
        channels = self._newest_ns.get(item.module)
        if channels is None:
            channels = {}
            if len(self._newest_ns) < MOST_STREAMS:
                self._newest_ns[item.module] = channels
        newest = channels.get(item.channel)
        if newest is not None and time_ns < newest:
            return False
        if newest is not None or len(channels) < MOST_STREAMS:
            channels[item.channel] = time_ns
        return True

    def _follow_count(self, name: str, item: Item, received_ns: int) -> bool:
        """Follow a stream's count; return whether the item fills an earlier place."""
        count, time_ns = item.count, item.time_ns
        assert count is not None  # noqa: S101
        stream = self._streams.get(name)
        if stream is None:
            if len(self._streams) >= MOST_STREAMS:
                if not self._crowded:
                    self._crowded = True
                    self._notices.append(
                        Notice(
                            NoticeKind.REFUSED,
                            received_ns,
                            f"more than {MOST_STREAMS} counts; losses are followed for the first only",
                        )
                    )
                return False
            self._streams[name] = _Stream(item.module, count, time_ns)
            return False
        ahead = count - stream.newest
        if self._modulus is not None:
            ahead = (ahead + self._modulus // 2) % self._modulus - self._modulus // 2
        older = time_ns is not None and stream.newest_ns is not None and time_ns < stream.newest_ns
        if ahead == 0:  # another channel, or another time of the same message
            if not older:
                stream.newest_ns = time_ns
            return older
        if ahead > 0 and (not older or ahead <= _NEAR):
            if ahead > _JUMP:
                self._tell_reboot(item, stream, received_ns, "jumped")
            elif ahead > 1:
                self._open_gap(name, stream, (count - ahead + 1, count - 1, received_ns))
            stream.newest, stream.newest_ns = count, time_ns
            return False
        if self._fill(stream, stream.newest + ahead):
            return True
        if older:
            return True
        newer = time_ns is not None and stream.newest_ns is not None  # and, by now, not older
        begun = newer or (time_ns is None and (count <= 1 or -ahead > _FALL))
        if not begun:
            return True
        if not (stream.newest in _WRAPS and count <= 1):
            self._tell_reboot(item, stream, received_ns, "began anew")
        for gap in stream.gaps:
            self._tell_loss(name, stream, gap, received_ns)
        stream.gaps.clear()
        stream.newest, stream.newest_ns = count, time_ns
        return False

    def _open_gap(self, name: str, stream: _Stream, gap: tuple[int, int, int]) -> None:
        if len(stream.gaps) >= MOST_GAPS:
            self._tell_loss(name, stream, stream.gaps.pop(0), gap[2])
        stream.gaps.append(gap)

    def _fill(self, stream: _Stream, count: int) -> bool:
        for i, (first, last, since) in enumerate(stream.gaps):
            if first <= count <= last:
                parts = [(first, count - 1, since), (count + 1, last, since)]
                stream.gaps[i : i + 1] = [p for p in parts if p[0] <= p[1]]
                return True
        return False

    def _tell_loss(
        self, name: str, stream: _Stream, gap: tuple[int, int, int], now_ns: int
    ) -> None:
        scans = gap[1] - gap[0] + 1
        first, last = gap[0], gap[1]
        if self._modulus is not None:
            first, last = first % self._modulus, last % self._modulus
        which = f"count {first}" if scans == 1 else f"counts {first} to {last}"
        self._notices.append(
            Notice(
                NoticeKind.LOSS,
                now_ns,
                f"{name or 'the instrument'}: {which} did not come",
                module=stream.module,
                value=float(scans * stream.width),
            )
        )

    def _tell_reboot(self, item: Item, stream: _Stream, received_ns: int, how: str) -> None:
        self._notices.append(
            Notice(
                NoticeKind.REBOOTED,
                received_ns,
                f"{item.key if self._per_channel else item.module or 'the instrument'}: its count "
                f"{how}, from {stream.newest} to {item.count}",
                module=item.module,
            )
        )

    def _follow_clock(self, item: Item, received_ns: int, backlog: bool) -> bool:
        """Compare an instrument's clock with ours; return whether the reading is late."""
        assert item.time_ns is not None  # noqa: S101
        offset = item.time_ns - received_ns
        clock = self._clocks.get(item.module)
        if clock is None:
            late = backlog and offset < -self._late_after_ns
            if len(self._clocks) < MOST_STREAMS and not item.stored:
                self._clocks[item.module] = _Clockwork(offset, None, received_ns, received_ns)
            return late
        late = offset < clock.offset_ns - self._late_after_ns or (
            backlog and offset < -self._late_after_ns
        )
        if item.stored:
            return True
        if received_ns - clock.window_ns >= _WINDOW_NS:
            clock.before_ns, clock.best_ns, clock.window_ns = clock.best_ns, offset, received_ns
        elif offset > clock.best_ns:
            if offset > clock.best_ns + _CLOCK_STEP_NS:
                clock.moved_ns = received_ns
            clock.best_ns = offset
        told = clock.told_ns
        if received_ns - clock.moved_ns >= _SETTLED_NS and (
            told is None or abs(clock.offset_ns - told) > _CLOCK_STEP_NS
        ):
            if told is not None and clock.offset_ns < told:
                # set back: what comes now is no longer out of order
                self._newest_ns.pop(item.module, None)
            clock.told_ns = clock.offset_ns
            self._notices.append(
                Notice(
                    NoticeKind.CLOCK,
                    received_ns,
                    f"{item.module or 'the instrument'}: its clock is "
                    f"{abs(clock.offset_ns) / NS:.2f} s {'ahead of' if clock.offset_ns > 0 else 'behind'} "
                    "ours",
                    module=item.module,
                    value=clock.offset_ns / NS,
                )
            )
        return late
