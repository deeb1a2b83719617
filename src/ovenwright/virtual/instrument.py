"""From the junction's temperature to the number an instrument shows."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ovenwright.errors import UnknownName
from ovenwright.virtual import faults as planted
from ovenwright.virtual.emf import HIGH_C, LOW_C, emf_mv, read_c
from ovenwright.virtual.faults import Fault, Planted, span_of
from ovenwright.virtual.scenario import RESISTANCE, ModuleSpec, SensorSpec

Float = NDArray[np.float64]
Marks = NDArray[np.uint8]

SHOWN, NO_READING, OVER_RANGE = 0, 1, 2

# tolerance of new wire, kelvin: the larger of a fixed part and a share of |t|.
# IEC 60584-1:2013 and ASTM E230, Table 1; IEC 60751:2022 for Pt100 (fixed part plus share)
_TOLERANCE: dict[str, dict[str, tuple[float, float]]] = {
    "IEC 60584-1 class 1": {"T": (0.5, 0.004), **dict.fromkeys("KJNE", (1.5, 0.004))},
    "IEC 60584-1 class 2": {"T": (1.0, 0.0075), **dict.fromkeys("KJNE", (2.5, 0.0075))},
    "ASTM E230 special": {
        "T": (0.5, 0.004), "E": (1.0, 0.004), **dict.fromkeys("KJN", (1.1, 0.004)),
    },
    "ASTM E230 standard": {
        "T": (1.0, 0.0075), "E": (1.7, 0.005), **dict.fromkeys("KJN", (2.2, 0.0075)),
    },
    "IEC 60751 class A": {RESISTANCE: (0.15, 0.002)},
    "IEC 60751 class B": {RESISTANCE: (0.3, 0.005)},
    "": dict.fromkeys((*"TKJNE", RESISTANCE), (0.0, 0.0)),
}  # fmt: skip


def stream(seed: int, label: str) -> np.random.Generator:
    """Return a generator of its own for one purpose, the same for the same seed and label."""
    return np.random.default_rng(np.random.SeedSequence([seed, zlib.crc32(label.encode())]))


def tolerance_k(temp_c: Float, *, wire: str, name: str) -> Float:
    """How far new wire of a class may be off, K.

    Raises
    ------
    UnknownName : for a class this wire has not
    """
    if name not in _TOLERANCE:
        raise UnknownName("tolerance class", name, known=tuple(_TOLERANCE))
    if wire not in _TOLERANCE[name]:
        raise UnknownName("wire of this class", wire, known=tuple(_TOLERANCE[name]), where=name)
    fixed, share = _TOLERANCE[name][wire]
    size = np.abs(temp_c)
    if wire == RESISTANCE:
        return np.asarray(fixed + share * size)
    return np.maximum(fixed, share * size)


class Instrument:
    """Every channel's chain, and the faults in it.

    Draws come from one stream for each channel and purpose, in the order of time, so that reading
    scan by scan gives what reading all at once gives.
    """

    def __init__(
        self,
        sensors: Sequence[SensorSpec],
        modules: Sequence[ModuleSpec],
        faults: Sequence[Fault],
        *,
        seed: int,
        end_s: float,
        interval_s: float = 1.0,
    ) -> None:
        self._interval = interval_s
        self.sensors = tuple(sensors)
        self.modules = tuple(modules)
        self._faults = tuple(faults)
        self._end = end_s
        self._noise = [stream(seed, f"noise {s.name}") for s in self.sensors]
        self._burst = [stream(seed, f"burst {s.name}") for s in self.sensors]
        self._open = [stream(seed, f"open {s.name}") for s in self.sensors]
        self._module_of = [[m.name for m in self.modules].index(s.module) for s in self.sensors]
        self.class_errors = tuple(
            s.class_error if s.class_error is not None else _draw(stream(seed, f"class {s.name}"))
            for s in self.sensors
        )
        self._offset = np.array(
            [
                m.offset_k
                if m.offset_k is not None
                else m.accuracy_k * stream(seed, f"module {m.name}").uniform(-1.0, 1.0)
                for m in self.modules
            ]
        )
        self._stuck: dict[str, float] = {}
        self._bursts = {
            f.channel: _burst_times(f, stream(seed, f"failing {f.channel}"), end_s)
            for f in self._faults
            if isinstance(f, planted.FailingJunction)
        }
        self._spikes = {
            f.channel: _spikes(f, stream(seed, f"spikes {f.channel}"), end_s, interval_s)
            for f in self._faults
            if isinstance(f, planted.Spikes)
        }
        swap = list(range(len(self.sensors)))
        names = [s.name for s in self.sensors]
        for f in self._faults:
            if isinstance(f, planted.SwappedLeads):
                i, j = names.index(f.channel), names.index(f.other)
                swap[i], swap[j] = swap[j], swap[i]
        self._wired_to = swap  # terminal i carries the wire of sensor swap[i]

    def planted(self) -> tuple[Planted, ...]:
        """Everything that is wrong on purpose."""
        found = [
            Planted(s.name, "WrongType", 0.0, self._end, f"type {s.wire} wire set up as {s.set_as}")
            for s in self.sensors
            if s.set_as and s.set_as != s.wire
        ]
        found += [
            Planted(s.name, "Misplaced", 0.0, self._end, "sits beside its ideal place")
            for s in self.sensors
            if (s.off_r_m, s.off_z_m, s.off_lane) != (0.0, 0.0, 0.0)
        ]
        for f in self._faults:
            start, stop = span_of(f, self._end)
            note = f"with {f.other}" if isinstance(f, planted.SwappedLeads) else ""
            found.append(Planted(f.channel, type(f).__name__, start, stop, note))
        return tuple(found)

    def terminals_c(self, time_s: Float) -> Float:
        """Return the true temperature of each module's terminals, (n, modules)."""
        t = np.maximum(time_s, 0.0)[:, None]
        start, rise, warm = (
            np.array([getattr(m, k) for m in self.modules]) for k in ("start_c", "rise_k", "warm_s")
        )
        return np.asarray(start + rise * -np.expm1(-t / warm))

    def shown_terminals_c(self, time_s: Float) -> Float:
        """Return the reference-junction temperature as each module measures it, (n, modules)."""
        columns = [self.terminals_c(time_s - m.lag_s)[:, i] for i, m in enumerate(self.modules)]
        shown = np.column_stack(columns) + self._offset
        return np.asarray(np.round(shown / 0.01) * 0.01)

    def class_error_k(self, i: int, temp_c: Float) -> Float:
        """Error of channel i's own wire, a level and a tilt within its tolerance."""
        s = self.sensors[i]
        level, tilt = self.class_errors[i]
        bound = tolerance_k(temp_c, wire=s.wire, name=s.tolerance)
        return np.asarray(bound * (level + tilt * np.tanh((temp_c - 110.0) / 80.0)))

    def read(self, time_s: Float, junction_c: Float) -> tuple[Float, Marks, Float]:
        """Return what is shown: readings (n, c) °C, marks (n, c), modules (n, m) °C."""
        n, count = junction_c.shape
        terminals = self.terminals_c(time_s)
        shown = self.shown_terminals_c(time_s)
        readings = np.empty((n, count))
        marks: Marks = np.zeros((n, count), dtype=np.uint8)
        for i, sensor in enumerate(self.sensors):
            w = self._wired_to[i]
            m = self._module_of[i]
            noise = sensor.noise_k * self._noise[i].standard_normal(n)
            hot = junction_c[:, w] + self.class_error_k(w, junction_c[:, w]) + noise
            value = self._convert(
                i, w, hot=hot, terminals=terminals[:, m], shown=shown[:, m], time_s=time_s
            )
            value = self._disturb(sensor, i, time_s, value, marks[:, i])
            if sensor.resolution_k > 0:
                # the second rounding leaves 28.9, not 28.900000000000002
                value = np.round(np.round(value / sensor.resolution_k) * sensor.resolution_k, 9)
            readings[:, i] = value
            marks[np.isnan(value) & (marks[:, i] == SHOWN), i] = OVER_RANGE
        return readings, marks, shown

    def _convert(
        self, i: int, w: int, *, hot: Float, terminals: Float, shown: Float, time_s: Float
    ) -> Float:
        wire = self.sensors[w].wire
        setting = self.sensors[i].set_as or self.sensors[i].wire
        if RESISTANCE in (wire, setting):
            return hot if wire == setting else np.full_like(hot, np.nan)
        volts = emf_mv(np.clip(hot, LOW_C, HIGH_C), wire) - emf_mv(terminals, wire)
        for f in self._faults:
            if f.channel != self.sensors[i].name:
                continue
            if isinstance(f, planted.ReversedLeads):
                volts = -volts
            elif isinstance(f, planted.ShortedLeads):
                start, stop = span_of(f, self._end)
                volts = np.where((time_s >= start) & (time_s <= stop), 0.0, volts)
        return read_c(volts + emf_mv(shown, setting), setting)

    def _disturb(
        self, sensor: SensorSpec, i: int, time_s: Float, value: Float, marks: Marks
    ) -> Float:
        for f in self._faults:
            if f.channel != sensor.name:
                continue
            start, stop = span_of(f, self._end)
            acts = (time_s >= start) & (time_s <= stop)
            if isinstance(f, planted.Drift):
                value = value + np.where(acts, f.k_per_hour * (time_s - start) / 3600.0, 0.0)
            elif isinstance(f, planted.FailingJunction):
                # drawn for every scan, so that the stream does not depend on when bursts come
                wild = f.noise_k * self._burst[i].standard_normal(time_s.size)
                lost = self._open[i].uniform(size=time_s.size) < f.open_share
                at = self._bursts[sensor.name]
                row = np.searchsorted(at[:, 0], time_s, side="right") - 1
                inside = (row >= 0) & (time_s < at[np.maximum(row, 0), 1])
                value = np.where(inside, value + wild, value)
                value = np.where(inside & lost, np.nan, value)
                marks[inside & lost] = OVER_RANGE
            elif isinstance(f, planted.Spikes):
                scan = np.rint(time_s / self._interval)
                for number, size in self._spikes[sensor.name]:
                    value = np.where(scan == number, value + size, value)
            elif isinstance(f, planted.Stuck):
                here = np.flatnonzero(acts)
                if here.size:
                    held = self._stuck.setdefault(sensor.name, float(value[here[0]]))
                    value = np.where(acts, held, value)
            elif isinstance(f, planted.Dropout):
                # a stretch of 40 s at a scan every 2 s loses 20 scans, not 21
                gone = (time_s >= start) & (time_s < stop)
                value = np.where(gone, np.nan, value)
                marks[gone] = NO_READING
        return value


def _draw(rng: np.random.Generator) -> tuple[float, float]:
    level = float(rng.uniform(-1.0, 1.0))
    return level, float(rng.uniform(-0.5, 0.5) * (1.0 - abs(level)))


def _burst_times(f: planted.FailingJunction, rng: np.random.Generator, end_s: float) -> Float:
    start, stop = span_of(f, end_s)
    at, rows, gap = start, [], f.every_s
    while at < stop:
        length = max(1.0, float(rng.exponential(f.burst_s)))
        rows.append((at, min(at + length, stop)))
        at += length + max(1.0, float(rng.exponential(gap)))
        gap *= 0.9  # ever closer together
    return np.array(rows).reshape(-1, 2)


def _spikes(
    f: planted.Spikes, rng: np.random.Generator, end_s: float, interval_s: float
) -> list[tuple[int, float]]:
    """Return the number of the scan and the size of each spike."""
    start, stop = span_of(f, end_s)
    at = np.ceil(np.sort(rng.uniform(start, stop, f.count)) / interval_s)
    size = f.size_k * rng.choice([-1.0, 1.0], f.count) * rng.uniform(0.6, 1.4, f.count)
    return [(int(a), float(s)) for a, s in zip(at, size, strict=True)]
