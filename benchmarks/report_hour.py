"""The report of a one-hour run in all three formats. Target: at most 5 s.

Run: python benchmarks/report_hour.py
"""

from __future__ import annotations

import sys
import time
from importlib.resources import files

import numpy as np

from ovenwright.domain.run import NS, Run, Series
from ovenwright.reporting.facts import Occasion, tell
from ovenwright.reporting.render import Form, render
from ovenwright.reporting.words import Shown
from ovenwright.storage.plan_file import parse_plan
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.judging import verdict_of


def hour() -> tuple[Run, str]:
    """Return an hour at 1 Hz on the demo's eight channels."""
    time_s = np.arange(3600.0)
    rise = np.clip(time_s - 300.0, 0.0, 3000.0)
    noise = np.random.default_rng(1)
    core = 28 + 71 / (1 + np.exp(-(rise - 1100) / 230.0)) - 0.6
    shapes = {
        "core left": core, "core centre": core - 0.4, "core right": core - 0.2,
        "surface left": 28 + 115 * (1 - np.exp(-rise / 700)), "surface right": 28 + 112 * (1 - np.exp(-rise / 700)),
        "air left": 28 + 200 * (1 - np.exp(-rise / 40)), "air right": 28 + 197 * (1 - np.exp(-rise / 40)),
        "reference body": 28 + 180 * (1 - np.exp(-rise / 1400)),
    }  # fmt: skip
    after = np.exp(-np.clip(time_s - 3300.0, 0, None) / 300.0)
    stamps = 1_772_512_920 * NS + (time_s * NS).astype(np.int64)
    series = {
        name: Series(
            stamps,
            np.round(28 + (y - 28) * after + noise.normal(0, 0.05, y.size), 1),
            np.zeros(y.size, np.uint8),
        )
        for name, y in shapes.items()
    }
    plan = (files("ovenwright") / "data" / "demo" / "ostrel-tin-bread.toml").read_text("utf-8")
    return Run("hour", series), plan


def main() -> int:
    run, text = hour()
    plan, library = parse_plan(text), read_reference_library()
    start = time.perf_counter()
    verdict = verdict_of(run, plan, library)
    print(f"judge: {time.perf_counter() - start:.2f} s")
    shown = Shown(time_zone="Europe/Riga")
    start = time.perf_counter()
    document = tell(verdict, run, plan, shown, Occasion(0))
    for form in Form:
        at = time.perf_counter()
        size = len(render(form, document, verdict, shown))
        print(f"{form.value}: {time.perf_counter() - at:.2f} s, {size / 1e3:.0f} kB")
    took = time.perf_counter() - start
    print(f"all three: {took:.2f} s (target at most 5): {'met' if took <= 5 else 'MISSED'}")
    return 0 if took <= 5 else 1


if __name__ == "__main__":
    sys.exit(main())
