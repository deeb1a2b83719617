"""Monte Carlo: 10,000 draws on 8 channels of 1 h at 1 Hz; wanted: at most 1 s.

Four measures a channel: a crossing, time above, log reduction, maximum. Run:
python benchmarks/monte_carlo.py
"""

from __future__ import annotations

import time

import numpy as np

from ovenwright.analysis.analyse import analyse
from ovenwright.analysis.curve import cut
from ovenwright.analysis.draws import ChannelErrors, Draws
from ovenwright.analysis.extremes import find_highest
from ovenwright.analysis.levels import TimeAbove, find_passage
from ovenwright.analysis.work import Bigelow, add_up
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import Evidence, Kinetics, Model, ReferenceLibrary
from ovenwright.domain.plan import Plan
from ovenwright.domain.profile import Distribution, ErrorTerm, Profile, Scope

DRAWS = 10_000
TARGET_S = 1.0
LIBRARY = ReferenceLibrary(
    {
        "bug": Kinetics(
            "bug", "bug", "dough", Model.BIGELOW, "invented", Evidence.PRACTICE, (50.0, 62.0),
            d_s=188.4, reference_c=61.0, z_k=6.58,
        )
    }
)  # fmt: skip


def made_profile(channels: int, samples: int, interval_s: float) -> Profile:
    """Return moist cores that creep towards boiling, each a little slower than the one before."""
    rng = np.random.default_rng(1)
    time_s: FloatArray = np.arange(samples, dtype=np.float64) * interval_s
    pace = np.linspace(1.0, 0.8, channels)
    x = np.maximum(time_s / time_s[-1] - 0.1, 0.0)[:, None] * 6.0 * pace
    temp = 28.0 + 70.5 * (1.0 - (1.0 + x) * np.exp(-x))
    temp += 0.05 * rng.standard_normal(temp.shape)
    at = np.linspace(0.0, 300.0, 31)
    names = [f"core {k + 1}" for k in range(channels)]
    plan = made_plan(names, time_s)
    terms = tuple(
        (
            ErrorTerm("sensor class", Scope.CHANNEL, name, at,
                      np.maximum(0.5, 0.004 * at) / np.sqrt(3.0), Distribution.RECTANGULAR),
            ErrorTerm("reference junction", Scope.MODULE, "gateway", at, np.full(31, 0.3)),
            ErrorTerm("resolution", Scope.READING, "", at, np.full(31, 0.03),
                      Distribution.RECTANGULAR),
        )
        for name in names
    )  # fmt: skip
    return Profile(
        run_id="made", digest="", start_ns=0, absolute=False, time_zone="UTC", time_s=time_s,
        channels=plan.channels, temp_c=temp, raw_c=temp,
        flags=np.zeros((samples, channels), dtype=np.uint32), spans=(), errors=terms,
        noise_k=np.full(channels, 0.05), resolution_k=np.full(channels, 0.1),
        lag_s=np.full(channels, 4.0), interval_s=interval_s, boiling_c=99.97, pressure_kpa=101.3,
    )  # fmt: skip


def made_plan(names: list[str], time_s: FloatArray) -> Plan:
    """Return a plan with a handful of requirements on every core."""
    asked = [
        ("time_to", {"level_c": 60.0}, "at_most", 0.6 * time_s[-1]),
        ("time_above", {"level_c": 90.0}, "at_least", 0.1 * time_s[-1]),
        ("log_reduction", {"kinetics": "bug"}, "at_least", 5.0),
        ("max_temperature", {}, "at_least", 93.0),
    ]
    return Plan.model_validate(
        {
            "title": "benchmark",
            "oven": {"kind": "tunnel", "name": "o", "belt_speed_m_min": 0.4,
                     "zones": [{"name": f"zone {k}", "length_m": 6.0, "setpoint_c": 220.0}
                               for k in range(1, 5)]},
            "product": {"name": "loaf", "moisture": 0.4},
            "recording": {"interval_s": 1.0, "load_in_s": 0.1 * time_s[-1],
                          "load_out_s": 0.95 * time_s[-1]},
            "channels": [{"name": n, "sensor": "T", "role": "core"} for n in names],
            "crossings": [{"level_c": 60.0, "on": "core"}],
            "requirements": [
                {"name": m, "measure": m, "on": "core", "parameters": p, side: limit}
                for m, p, side, limit in asked
            ],
            "decision": {"draws": DRAWS},
        }
    )  # fmt: skip


def four_measures(profile: Profile) -> float:
    """Return seconds for the draws alone: crossing, time above, log reduction, maximum."""
    began = time.perf_counter()
    draws = Draws(DRAWS, seed=1)
    law = Bigelow(61.0, 6.58)
    for k, channel in enumerate(profile.channels):
        errors = ChannelErrors(
            channel.name, profile.errors[k], draws, noise_k=0.05, resolution_k=0.1, lag_s=4.0
        )
        column = np.ascontiguousarray(profile.temp_c[:, k])
        curve = cut(profile.time_s, column, from_s=0.0, to_s=float(profile.time_s[-1]),
                    interval_s=profile.interval_s)  # fmt: skip
        find_passage(curve, 60.0, errors)
        TimeAbove(curve)(errors.reading_at(90.0))
        add_up(curve, law, errors)
        find_highest(curve, errors)
    return time.perf_counter() - began


def main() -> None:
    profile = made_profile(8, 3600, 1.0)
    plan = made_plan(list(profile.names), profile.time_s)
    alone = min(four_measures(profile) for _ in range(5))
    whole = []
    for _ in range(5):
        began = time.perf_counter()
        analyse(profile, plan, LIBRARY)
        whole.append(time.perf_counter() - began)
    print(f"draws alone, 4 measures x 8 channels x {DRAWS}: {alone:.3f} s")
    print(
        f"the whole of analyse:                          {min(whole):.3f} s (target {TARGET_S} s)"
    )
    print("ok" if min(whole) <= TARGET_S else "TOO SLOW")


if __name__ == "__main__":
    main()
