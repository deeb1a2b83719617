"""A simulated recording: readings as an instrument would show them, and the truth beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import OutOfRange, UnknownName
from ovenwright.virtual.faults import Planted
from ovenwright.virtual.instrument import Marks
from ovenwright.virtual.scenario import Scenario, SensorSpec

Float = NDArray[np.float64]

_FINER = 20  # parts each physics step is cut into where truth is integrated
_GAS_J_MOL_K = 8.314462618  # CODATA 2018


@dataclass(frozen=True, slots=True)
class ZoneSpan:
    """When the test product is in a zone, in record time."""

    name: str
    from_s: float
    to_s: float
    setpoint_c: float


@dataclass(frozen=True, slots=True)
class ProductTruth:
    """What really happened to one piece of product.

    ``centre_c`` (k,) is the middle and ``coldest_c`` (k,) the lowest temperature anywhere inside,
    on the fine grid. ``energy_error`` is the books' error as a share of the heat taken up.
    """

    place: str
    mass_start_kg: float
    mass_end_kg: float
    water_lost_kg: float
    heat_taken_j: float
    energy_error: float
    centre_c: Float
    coldest_c: Float

    @property
    def loss_share(self) -> float:
        """Mass lost per mass loaded."""
        return (self.mass_start_kg - self.mass_end_kg) / self.mass_start_kg


@dataclass(frozen=True, slots=True)
class Recording:
    """Readings and truth. Times are seconds from the first scan; time is axis 0, channels axis 1.

    ``reading_c`` (n, c) is what the instrument shows, NaN where it shows no number and ``mark``
    (n, c) says why: 0 shown, 1 no reading, 2 over range or open. ``reference_c`` (n, m) is each
    module's reference-junction temperature as measured, ``reference_true_c`` as it was.

    On the fine grid ``fine_time_s`` (k,): ``tip_c`` (k, c) is what there is to feel where each
    sensor really sits, ``ideal_c`` (k, c) the same where it was meant to sit, ``junction_c``
    (k, c) what the slow junction has reached. ``oven_air_c`` (k, zones x sides, or points) is the
    oven's own air.
    """

    scenario: Scenario
    seed: int
    channels: tuple[SensorSpec, ...]
    modules: tuple[str, ...]
    time_s: Float
    reading_c: Float
    mark: Marks
    reference_c: Float
    reference_true_c: Float
    fine_time_s: Float
    tip_c: Float
    ideal_c: Float
    junction_c: Float
    oven_air_c: Float
    oven_air_names: tuple[str, ...]
    load_in_s: float
    load_out_s: float
    zones: tuple[ZoneSpan, ...]
    products: tuple[ProductTruth, ...]
    planted: tuple[Planted, ...]
    class_errors: tuple[tuple[float, float], ...]
    reference_error_k: tuple[float, ...]
    boiling_c: float

    @property
    def names(self) -> tuple[str, ...]:
        """Channel names in the order of axis 1."""
        return tuple(c.name for c in self.channels)

    def index(self, channel: str) -> int:
        """Return the place of a channel on axis 1.

        Raises
        ------
        UnknownName : if there is no such channel
        """
        if channel not in self.names:
            raise UnknownName("channel", channel, known=self.names)
        return self.names.index(channel)

    def truth(self, channel: str, *, at: str = "tip") -> Float:
        """Return one channel's truth on the fine grid; ``at`` is tip, ideal or junction."""
        fields = {"tip": self.tip_c, "ideal": self.ideal_c, "junction": self.junction_c}
        if at not in fields:
            raise UnknownName("truth", at, known=tuple(fields))
        return np.asarray(fields[at][:, self.index(channel)])

    # -- truth of quantities, by brute force on the fine grid -----------------------------------

    def true_temperature(self, channel: str, at_s: float, *, at: str = "tip") -> float:
        """Temperature at one moment."""
        return float(np.interp(at_s, self.fine_time_s, self.truth(channel, at=at)))

    def true_crossing(
        self,
        channel: str,
        level_c: float,
        *,
        rising: bool = True,
        after_s: float = 0.0,
        at: str = "tip",
    ) -> float:
        """First moment (record time) the level is passed, NaN if it never is."""
        t, y = self._stretch(channel, after_s, None, at)
        sign = 1.0 if rising else -1.0
        off = sign * (y - level_c)
        hits = np.flatnonzero((off[:-1] < 0.0) & (off[1:] >= 0.0))
        if hits.size == 0:
            return float("nan")
        i = int(hits[0])
        return float(t[i] + (t[i + 1] - t[i]) * off[i] / (off[i] - off[i + 1]))

    def true_maximum(
        self,
        channel: str,
        *,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Highest temperature."""
        return float(self._stretch(channel, from_s, to_s, at)[1].max())

    def true_minimum(
        self,
        channel: str,
        *,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Lowest temperature."""
        return float(self._stretch(channel, from_s, to_s, at)[1].min())

    def true_mean(
        self,
        channel: str,
        *,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Mean over time."""
        t, y = self._stretch(channel, from_s, to_s, at)
        return float(np.trapezoid(y, t) / (t[-1] - t[0]))

    def true_time_above(
        self,
        channel: str,
        level_c: float,
        *,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Seconds at or above a level."""
        t, y = self._stretch(channel, from_s, to_s, at)
        middle = 0.5 * (y[:-1] + y[1:])
        return float(np.sum(np.diff(t)[middle >= level_c]))

    def true_equivalent_time(
        self,
        channel: str,
        reference_c: float,
        z_k: float,
        *,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Seconds at ``reference_c`` that would kill as much, with ``z_k`` kelvin a decade."""
        if not z_k > 0:
            raise OutOfRange("z_k", got=z_k, expected="above 0 K")
        t, y = self._stretch(channel, from_s, to_s, at)
        return float(np.trapezoid(np.power(10.0, (y - reference_c) / z_k), t))

    def true_log_reduction(
        self,
        channel: str,
        *,
        d_ref_s: float,
        reference_c: float,
        z_k: float,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Decades killed, log-linear, with ``d_ref_s`` seconds a decade at ``reference_c``."""
        if not d_ref_s > 0:
            raise OutOfRange("d_ref_s", got=d_ref_s, expected="above 0 s")
        seconds = self.true_equivalent_time(
            channel, reference_c, z_k, from_s=from_s, to_s=to_s, at=at
        )
        return seconds / d_ref_s

    def true_extent(
        self,
        channel: str,
        *,
        rate_per_s: float,
        activation_j_mol: float,
        from_s: float | None = None,
        to_s: float | None = None,
        at: str = "tip",
    ) -> float:
        """Share converted by a first-order reaction of Arrhenius rate, 0 to 1."""
        t, y = self._stretch(channel, from_s, to_s, at)
        rate = rate_per_s * np.exp(-activation_j_mol / (_GAS_J_MOL_K * (y + 273.15)))
        return float(-np.expm1(-np.trapezoid(rate, t)))

    def true_zone_mean(self, channel: str, zone: str, *, at: str = "tip") -> float:
        """Mean while the product is in a zone.

        Raises
        ------
        UnknownName : if the oven has no such zone
        """
        for span in self.zones:
            if span.name == zone:
                return self.true_mean(channel, from_s=span.from_s, to_s=span.to_s, at=at)
        raise UnknownName("zone", zone, known=[s.name for s in self.zones])

    def _stretch(
        self, channel: str, from_s: float | None, to_s: float | None, at: str
    ) -> tuple[Float, Float]:
        """Truth between two moments, cut fine and joined by straight lines."""
        coarse = self.fine_time_s
        start = float(coarse[0]) if from_s is None else max(from_s, float(coarse[0]))
        stop = float(coarse[-1]) if to_s is None else min(to_s, float(coarse[-1]))
        if not stop > start:
            raise OutOfRange(
                "stretch", got=(from_s, to_s), expected=f"within 0 and {float(coarse[-1]):g} s"
            )
        parts = max(1, round((stop - start) / (coarse[1] - coarse[0]))) * _FINER
        t = np.linspace(start, stop, parts + 1)
        return t, np.interp(t, coarse, self.truth(channel, at=at))
