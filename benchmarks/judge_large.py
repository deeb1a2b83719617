"""A large run: 64 channels of 8 h at 4 Hz (7.4 M readings); judge wanted in 3 s and 1.5 GiB.

Prints what analysis takes (wanted: about 1.2 s) and, when the other rooms are there, the whole
line from a run in memory: condition, analyse, judge. Run: python benchmarks/judge_large.py
"""

from __future__ import annotations

import resource
import time

import numpy as np
from monte_carlo import LIBRARY, made_plan, made_profile

from ovenwright.analysis.analyse import analyse
from ovenwright.conditioning.condition import condition
from ovenwright.domain.run import NS, Run, Series
from ovenwright.judgement.judge import judge

CHANNELS, SAMPLES, INTERVAL_S = 64, 115_200, 0.25


def main() -> None:
    profile = made_profile(CHANNELS, SAMPLES, INTERVAL_S)
    names = list(profile.names)
    plan = made_plan(names, profile.time_s)
    time_ns = np.round(profile.time_s * NS).astype(np.int64)
    quality = np.zeros(SAMPLES, dtype=np.uint8)
    rounded = np.round(profile.temp_c, 2)
    run = Run("large", {n: Series(time_ns, rounded[:, k].copy(), quality)
                        for k, n in enumerate(names)})  # fmt: skip
    took: dict[str, list[float]] = {"condition": [], "analyse": [], "judge": []}
    for _ in range(3):
        began = time.perf_counter()
        conditioned = condition(run, plan)
        took["condition"].append(time.perf_counter() - began)
        began = time.perf_counter()
        results = analyse(conditioned, plan, LIBRARY)
        took["analyse"].append(time.perf_counter() - began)
        began = time.perf_counter()
        verdict = judge(results, plan, LIBRARY)
        took["judge"].append(time.perf_counter() - began)
    total = 0.0
    for name, seconds in took.items():
        total += min(seconds)
        print(f"{name:10} {min(seconds):6.2f} s")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"{'all':10} {total:6.2f} s (target 3 s), peak {peak:.2f} GiB (target 1.5 GiB)")
    print(f"verdict {verdict.outcome.value}")
    print("ok" if total <= 3.0 and peak <= 1.5 else "TOO SLOW OR TOO LARGE")


if __name__ == "__main__":
    main()
