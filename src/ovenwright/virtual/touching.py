"""Sensors on a bench, warmed one after another between finger and thumb.

Each sensor is one lump. It gives heat to still air (its time constant), takes it from a finger while
it is held (a contact several times better than still air), and passes some along its lead to its
neighbours. The instrument adds noise, partly lasting from reading to reading as a draught does, and
its own step; it can have leads reversed, inputs dead, and inputs that hear each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange, UnknownName

BATHS = ("", "ice", "boiling")


@dataclass(frozen=True, slots=True)
class Touch:
    """One sensor held from one moment to another."""

    sensor: str
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class BenchSpec:
    """A bench in a room in place of an oven, and who is warmed on it when.

    ``bath`` has the sensors hang in melting ice ("ice") or in water that boils at the scenario's air
    pressure ("boiling") all the time instead of lying in room air; nobody is warmed there. The other
    numbers are those of :class:`TouchBench`.
    """

    touches: tuple[Touch, ...]
    ambient_c: float = 22.0
    finger_c: float = 33.0
    contact: float = 12.0
    neighbour: float = 0.02
    draught_k: float = 0.02
    draught_s: float = 4.0
    bath: str = ""

    def __post_init__(self) -> None:
        if self.bath not in BATHS:
            raise UnknownName("bath", self.bath, known=BATHS[1:])
        if self.bath and self.touches:
            raise OutOfRange("touches", got=len(self.touches), expected="none in a bath")


@dataclass(frozen=True, slots=True)
class TouchBench:
    """What stands on the bench; ``time_constant_s`` has one entry for each name.

    ``contact`` and ``neighbour`` are heat taken from a finger and given to each neighbour, over that
    given to still air for the same difference. ``cross`` is the share of its neighbour's signal an
    input lets through.
    """

    names: Sequence[str]
    time_constant_s: Sequence[float]
    interval_s: float = 0.25
    room_c: float = 22.0
    finger_c: float = 33.0
    contact: float = 12.0
    neighbour: float = 0.0
    cross: float = 0.0
    noise_k: float = 0.04
    draught_k: float = 0.03
    draught_s: float = 4.0
    resolution_k: float = 0.01
    drift_k_s: float = 0.0
    reversed_leads: Sequence[str] = ()
    dead: Sequence[str] = ()
    offset_k: dict[str, float] = field(default_factory=dict)
    seed: int = 1

    def __post_init__(self) -> None:
        if len(self.names) != len(self.time_constant_s) or not self.names:
            raise OutOfRange(
                "time_constant_s", got=len(self.time_constant_s), expected="one for each name"
            )
        if not min(self.time_constant_s) > 0 or not self.interval_s > 0:
            raise OutOfRange("time_constant_s, interval_s", got="0 or less", expected="above 0 s")

    def shown(
        self, touches: Sequence[Touch], *, until_s: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return what the instrument shows.

        Parameters
        ----------
        touches : who is held when
        until_s : how long

        Returns
        -------
        (n,) seconds and (n, sensors) °C

        Raises
        ------
        OutOfRange : if a sensor that is not there is touched
        """
        time_s, true_c = self.still(touches, until_s=until_s)
        place = {name: i for i, name in enumerate(self.names)}
        shown = true_c.copy()
        if self.cross:
            shown[:, 1:] += self.cross * (true_c[:, :-1] - self.room_c)
        for name in self.reversed_leads:
            shown[:, place[name]] = 2.0 * self.room_c - true_c[:, place[name]]
        for name in self.dead:
            shown[:, place[name]] = self.room_c
        for name, offset in self.offset_k.items():
            shown[:, place[name]] += offset
        rng = np.random.default_rng(self.seed)
        shown += self.draught(shown.shape, rng)
        shown += self.noise_k * rng.normal(size=shown.shape)
        if self.resolution_k:
            shown = np.round(shown / self.resolution_k) * self.resolution_k
        return time_s, shown

    def still(
        self, touches: Sequence[Touch], *, until_s: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the sensors' own temperatures, without draught or instrument; see :meth:`shown`.

        Raises
        ------
        OutOfRange : if a sensor that is not there is touched
        """
        for touch in touches:
            if touch.sensor not in self.names:
                raise OutOfRange("touch", got=touch.sensor, expected=", ".join(self.names))
        place = {name: i for i, name in enumerate(self.names)}
        held = [(place[t.sensor], t.from_s, t.to_s) for t in touches]
        time_s = np.arange(0.0, until_s, self.interval_s)
        return time_s, self._true(time_s, held)

    def _true(
        self, time_s: NDArray[np.float64], held: Sequence[tuple[int, float, float]]
    ) -> NDArray[np.float64]:
        tau = np.asarray(self.time_constant_s, dtype=np.float64)
        fastest = float(tau.min()) / (1.0 + self.contact + 2.0 * self.neighbour)
        parts = max(4, int(np.ceil(self.interval_s / (0.05 * fastest))))
        inner = self.interval_s / parts
        temp = np.full(tau.shape, self.room_c)
        out = np.empty((time_s.size, tau.size))
        for k, start in enumerate(time_s):
            out[k] = temp
            air = self.room_c + self.drift_k_s * float(start)
            for j in range(parts):
                now = float(start) + j * inner
                flow = air - temp
                for i, begin, end in held:
                    if begin <= now < end:
                        flow[i] += self.contact * (self.finger_c - temp[i])
                if self.neighbour:
                    step = self.neighbour * np.diff(temp)
                    flow[:-1] += step
                    flow[1:] -= step
                temp = temp + flow / tau * inner
        return out

    def draught(self, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float64]:
        """Return what a draught adds, (n, sensors) K, lasting from reading to reading."""
        keep = float(np.exp(-self.interval_s / self.draught_s))
        kicks = np.sqrt(1.0 - keep**2) * self.draught_k * rng.normal(size=shape)
        draught = np.empty(shape)
        last = np.zeros(shape[1:])
        for k in range(shape[0]):
            last = keep * last + kicks[k]
            draught[k] = last
        return draught
