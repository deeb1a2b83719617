"""Faults that can be planted, each on one channel; times in seconds of the record."""

from __future__ import annotations

from dataclasses import dataclass

from ovenwright.errors import OutOfRange

FOREVER = float("inf")


@dataclass(frozen=True, slots=True)
class Dropout:
    """No readings at all for a while."""

    channel: str
    from_s: float
    for_s: float = 40.0


@dataclass(frozen=True, slots=True)
class FailingJunction:
    """A junction that lets go: bursts of noise and open circuits, ever closer together."""

    channel: str
    from_s: float
    to_s: float = FOREVER
    noise_k: float = 25.0
    every_s: float = 60.0
    burst_s: float = 12.0
    open_share: float = 0.3


@dataclass(frozen=True, slots=True)
class ReversedLeads:
    """Plus and minus swapped at the instrument."""

    channel: str


@dataclass(frozen=True, slots=True)
class ShortedLeads:
    """The wires touch on the way: the channel shows the reference junction."""

    channel: str
    from_s: float
    to_s: float = FOREVER


@dataclass(frozen=True, slots=True)
class SwappedLeads:
    """Two channels' wires sit in each other's terminals."""

    channel: str
    other: str


@dataclass(frozen=True, slots=True)
class Spikes:
    """Single readings far off."""

    channel: str
    from_s: float
    to_s: float
    count: int = 5
    size_k: float = 60.0


@dataclass(frozen=True, slots=True)
class Stuck:
    """The same number over and over."""

    channel: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Drift:
    """A slow departure from the time given on."""

    channel: str
    from_s: float
    k_per_hour: float


Fault = (
    Dropout | FailingJunction | ReversedLeads | ShortedLeads | SwappedLeads | Spikes | Stuck | Drift
)


@dataclass(frozen=True, slots=True)
class Planted:
    """One fault as it was planted, for tests to be held against."""

    channel: str
    kind: str
    from_s: float
    to_s: float
    note: str = ""


def span_of(fault: Fault, end_s: float) -> tuple[float, float]:
    """From when to when a fault acts, within a record that ends at ``end_s``.

    Raises
    ------
    OutOfRange : if it starts after the record's end
    """
    start = getattr(fault, "from_s", 0.0)
    if isinstance(fault, Dropout):
        stop = fault.from_s + fault.for_s
    else:
        stop = getattr(fault, "to_s", FOREVER)
    if not 0.0 <= start <= end_s:
        raise OutOfRange(
            f"{type(fault).__name__} on {fault.channel}: from_s",
            got=start,
            expected=f"0 to {end_s:g} s, the length of the record",
        )
    return float(start), float(min(stop, end_s))
