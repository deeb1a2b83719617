"""Condition 64 channels of 8 h at 4 Hz; time and extra memory beside a plain copy of the data.

Run: python benchmarks/condition.py
"""

from __future__ import annotations

import resource
import time

import numpy as np

from ovenwright.conditioning.condition import condition
from ovenwright.domain.plan import ChamberOven, Channel, Plan, Product, Recording, SensorType
from ovenwright.domain.run import Role, Run, Series

CHANNELS = 64
SAMPLES = 8 * 3600 * 4
INTERVAL_NS = 250_000_000


def make() -> tuple[Run, Plan]:
    rng = np.random.default_rng(20_260_101)
    time_ns = np.arange(SAMPLES, dtype=np.int64) * INTERVAL_NS
    t = time_ns / 1e9
    series = {}
    channels = []
    for i in range(CHANNELS):
        role = (Role.AIR, Role.SURFACE, Role.CORE)[i % 3]
        tau = {Role.AIR: 60.0, Role.SURFACE: 600.0, Role.CORE: 2400.0}[role]
        top = 210.0 + i % 5 if role is Role.AIR else 99.0
        value = top - (top - 25.0) * np.exp(-np.maximum(t - 60.0, 0.0) / tau)
        value += rng.normal(0.0, 0.05, SAMPLES)
        if i == 5:
            value[60_000:] += rng.normal(0.0, 40.0, SAMPLES - 60_000)
        value = np.round(value, 2)
        name = f"ch{i:02d}"
        series[name] = Series(time_ns, value, np.zeros(SAMPLES, dtype=np.uint8))
        channels.append(
            Channel(
                name=name,
                sensor=SensorType.T,
                tolerance="IEC 60584-1 class 1",
                role=role,
                module=f"m{i // 8}",
            )
        )
    plan = Plan(
        title="benchmark",
        oven=ChamberOven(kind="chamber", name="b", width_m=1, depth_m=1, height_m=1),
        product=Product(name="none"),
        recording=Recording(interval_s=0.25),
        channels=tuple(channels),
    )
    return Run(id="benchmark", series=series), plan


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main() -> None:
    run, plan = make()
    copy_s = []
    for _ in range(3):
        begin = time.perf_counter()
        kept = np.stack([s.value_c for s in run.series.values()])
        copy_s.append(time.perf_counter() - begin)
        del kept
    before = peak_mib()
    took_s = []
    for _ in range(3):
        begin = time.perf_counter()
        profile = condition(run, plan)
        took_s.append(time.perf_counter() - begin)
    readings = CHANNELS * SAMPLES
    print(f"readings            {readings:,}")
    print(f"condition           {min(took_s):.3f} s  ({readings / min(took_s):.2e} readings/s)")
    print(f"plain copy          {min(copy_s):.3f} s  (ratio {min(took_s) / min(copy_s):.0f})")
    print(f"extra peak memory   {peak_mib() - before:.0f} MiB over {before:.0f} MiB")
    print(f"flagged             {[(s.channel, s.check) for s in profile.spans][:6]}")


if __name__ == "__main__":
    main()
