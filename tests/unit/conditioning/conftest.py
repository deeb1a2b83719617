from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import ChamberOven, Channel, Plan, Product, Recording, SensorType, Site
from ovenwright.domain.run import Instrument, Quality, Role, Run, Series

Times = FloatArray


def _series(time_s: FloatArray, value_c: FloatArray) -> Series:
    quality = np.where(np.isfinite(value_c), 0, int(Quality.MISSING)).astype(np.uint8)
    return Series(np.round(time_s * 1e9).astype(np.int64), value_c.copy(), quality)


@pytest.fixture
def make_run() -> Callable[..., Run]:
    """Return a maker of runs from columns, on one axis or on one each."""

    def make(
        time_s: FloatArray | Mapping[str, FloatArray],
        columns: Mapping[str, FloatArray],
        *,
        reference_c: float | None = None,
        **more: Any,
    ) -> Run:
        shared = None if isinstance(time_s, Mapping) else np.round(time_s * 1e9).astype(np.int64)
        series = {}
        for name, value in columns.items():
            if shared is not None:
                quality = np.where(np.isfinite(value), 0, int(Quality.MISSING)).astype(np.uint8)
                series[name] = Series(shared, value.copy(), quality)
            else:
                assert isinstance(time_s, Mapping)
                series[name] = _series(time_s[name], value)
        return Run(
            id="test",
            series=series,
            instrument=Instrument(reference_junction_c=reference_c),
            **more,
        )

    return make


@pytest.fixture
def make_plan() -> Callable[..., Plan]:
    """Return a maker of plans from channels."""

    def make(channels: Sequence[Channel], *, site: Site | None = None) -> Plan:
        return Plan(
            title="test",
            oven=ChamberOven(kind="chamber", name="oven", width_m=1, depth_m=1, height_m=1),
            product=Product(name="loaf"),
            recording=Recording(interval_s=1.0),
            channels=tuple(channels),
            site=site or Site(pressure_kpa=101.325),
        )

    return make


@pytest.fixture
def bake() -> Callable[..., tuple[FloatArray, dict[str, FloatArray]]]:
    """Return a maker of a plain bake: two air, two surface and three core channels.

    Invented curves, not physics: the checks look at shapes and noise only. Air warms within a
    minute and cycles, surfaces follow slowly, cores rise late and flatten below boiling.
    """

    def make(
        seed: int = 1,
        *,
        noise_k: float = 0.05,
        step_k: float = 0.1,
        interval_s: float = 1.0,
        minutes: float = 40.0,
        air_noise_k: float | None = None,
    ) -> tuple[FloatArray, dict[str, FloatArray]]:
        rng = np.random.default_rng(seed)
        time_s = np.arange(0.0, minutes * 60.0, interval_s)
        since = np.maximum(time_s - 120.0, 0.0)
        warm = 1.0 - np.exp(-since / 25.0)
        cycle = 3.0 * np.sin(2 * np.pi * time_s / 90.0) * warm
        air = 22.0 + 200.0 * warm + cycle
        surface = 26.0 + 110.0 * (1.0 - np.exp(-((since / 700.0) ** 1.3)))
        core = 28.0 + 71.3 / (1.0 + np.exp(-(since - 900.0) / 130.0))
        core -= 71.3 / (1.0 + np.exp(900.0 / 130.0))
        curves = {
            "air left": air,
            "air right": air - 8.0 * warm,
            "surface left": surface,
            "surface right": surface - 3.0 * (surface - 26.0) / 110.0,
            "core left": core,
            "core centre": np.interp(time_s - 12.0, time_s, core),
            "core right": np.interp(time_s + 8.0, time_s, core),
        }
        columns = {}
        for name, curve in curves.items():
            sigma: float | FloatArray = noise_k
            if air_noise_k is not None and name.startswith("air"):
                sigma = noise_k + air_noise_k * warm
            value = curve + rng.normal(0.0, 1.0, time_s.size) * sigma
            columns[name] = np.round(value / step_k) * step_k if step_k > 0 else value
        return time_s, columns

    return make


@pytest.fixture
def bake_channels() -> tuple[Channel, ...]:
    """Return the plan's channels for the bake."""
    roles = {"air": Role.AIR, "surface": Role.SURFACE, "core": Role.CORE}
    return tuple(
        Channel(
            name=name,
            sensor=SensorType.T,
            tolerance="IEC 60584-1 class 1",
            role=roles[name.split()[0]],
            module="gateway A" if "right" not in name else "gateway B",
        )
        for name in (
            "air left",
            "air right",
            "surface left",
            "surface right",
            "core left",
            "core centre",
            "core right",
        )
    )
