"""Advice applied back to the virtual oven: does the changed bake meet what the first one missed?

Each seed draws a tin-bread bake that is too short and mostly too cool, records it, judges it, asks
for advice, bakes again with each choice's settings and judges that. Counted, for each aim, are the
choices with which every requirement passed. With --tight the limits are drawn too, so that some
cases can't be mended within them; where the answer is that none can, settings over the whole of the
limits are baked, and it is counted whether one of them passed after all.

Run: OMP_NUM_THREADS=1 nice python benchmarks/advise_virtual.py LOGBOOK_DIR [--cases 50] [--first 0]
[--tight] [--learn] [--aims "least time" ...]
--learn bakes three more runs with other setpoints first and lets the advice learn from them.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Outcome
from ovenwright.modelling.advising import Aim
from ovenwright.storage.readings import Choices
from ovenwright.virtual import scenarios
from ovenwright.virtual.running import record
from ovenwright.virtual.writing import as_bytes, style
from ovenwright.workflow.advising import Limits, advise_run
from ovenwright.workflow.bringing_in import bring_in
from ovenwright.workflow.demo import demo_plan
from ovenwright.workflow.judging import judge_run
from ovenwright.workflow.laying_out import Wanted

SETPOINTS = (205.0, 230.0, 240.0, 225.0)
LIMITS = Limits(setpoint_k=25.0, bake_share=0.4)


class Bakery:
    """Bakes in the virtual oven, brings the readings in and judges them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.tools = build(load({"logbook": str(folder / "logbook")}))
        self.library = self.tools.library()

    def bake(self, tag: str, minutes: float, setpoints: tuple[float, ...], seed: int) -> Run:
        shifts = tuple(a - b for a, b in zip(setpoints, SETPOINTS, strict=True))
        base = scenarios.ostrel_tin_bread(
            weak_share=1.0, wrong_type=None, dropout=None, fine=False, interval_s=4.0
        )
        oven = scenarios.ostrel_tunnel(
            bake_min=minutes,
            weak_share=1.0,
            shift_k=(shifts[0], shifts[1], shifts[2], shifts[3]),
        )
        recording = record(replace(base, oven=oven), seed=seed)
        plan = demo_plan("ostrel-tin-bread").replace(
            "belt_speed_m_min = 0.7058823529411765", f"belt_speed_m_min = {24.0 / minutes!r}"
        )
        for was, now in zip(SETPOINTS, setpoints, strict=True):
            plan = plan.replace(f"setpoint_c = {was}", f"setpoint_c = {float(now)!r}")
        table, sheet = self.folder / f"{tag}.csv", self.folder / f"{tag}.toml"
        table.write_bytes(as_bytes(recording, style("semicolon plant")))
        sheet.write_text(plan, encoding="utf-8")
        return bring_in(
            [table], Choices(), logbook=self.tools.logbook, plan_file=sheet, noted=()
        ).run

    def missed(self, run: Run) -> list[str]:
        verdict = judge_run(self.tools.logbook, self.library, run.id, keep=False).verdict
        return [
            f"{r.requirement.name}: {r.outcome.value}"
            for r in verdict.requirements
            if r.outcome is not Outcome.PASS
        ]


def within(
    limits: Limits, minutes: float, setpoints: tuple[float, ...]
) -> list[tuple[float, tuple[float, ...]]]:
    """Return settings all over the limits: bake time, and setpoints of the front and the back half."""
    by = limits.setpoint_k
    times = sorted({minutes * (1.0 + k * limits.bake_share) for k in (0.0, 0.5, 1.0)})
    halves = product((-by, 0.0, by), (-by, 0.0, by)) if by else [(0.0, 0.0)]
    shifts = [(a, a, b, b) for a, b in halves]
    return [
        (m, tuple(s + d for s, d in zip(setpoints, shift, strict=True)))
        for m in times
        for shift in shifts
    ]


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--cases", type=int, default=50)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--tight", action="store_true")
    asked.add_argument("--learn", action="store_true")
    asked.add_argument("--aims", nargs="+", default=[a.value for a in Aim])
    args = asked.parse_args()
    bakery = Bakery(args.folder)
    applied: dict[str, list[bool]] = {}
    held: dict[str, list[bool]] = {}
    none = {"rightly": 0, "wrongly": 0}
    passed, spent = 0, []
    for seed in range(args.first, args.first + args.cases):
        rng = np.random.default_rng(seed)
        minutes = float(rng.uniform(23.0, 29.0))
        shift = np.round(rng.uniform(-15.0, 0.0) + rng.uniform(-5.0, 5.0, 4))
        setpoints = tuple(float(s + d) for s, d in zip(SETPOINTS, shift, strict=True))
        limits = LIMITS
        if args.tight:
            limits = Limits(float(rng.integers(0, 13)), round(float(rng.uniform(0.0, 0.2)), 2))
            if limits.setpoint_k == 0.0 and limits.bake_share == 0.0:
                limits = replace(limits, bake_share=0.05)
        run = bakery.bake(f"case{seed}", minutes, setpoints, seed)
        before = bakery.missed(run)
        if not before:
            passed += 1
            print(f"case {seed}: passed as it was, left out", flush=True)
            continue
        others = []
        for k in range(3) if args.learn else ():
            near = tuple(
                float(s + d) for s, d in zip(setpoints, rng.integers(-12, 13, 4), strict=True)
            )
            more = bakery.bake(
                f"case{seed} other {k}", minutes * (1.0 + 0.05 * k), near, seed + 500 + k
            )
            others.append(more.id)
        begun = time.process_time()
        told = advise_run(
            bakery.tools.logbook, bakery.library, run.id, Wanted(), limits, learn_from=others
        )
        spent.append(time.process_time() - begun)
        if not told.advice.choices:
            tries = within(limits, minutes, setpoints)
            found = [
                (m, s)
                for i, (m, s) in enumerate(tries)
                if not bakery.missed(bakery.bake(f"case{seed} try {i}", m, s, seed + 20_000))
            ]
            none["wrongly" if found else "rightly"] += 1
            words = f"but {len(found)} of {len(tries)} passed" if found else "and none passed"
            print(
                f"case {seed}: {limits}: none can: {told.words[1:3]}, {words} {found[:1]}",
                flush=True,
            )
            continue
        for choice in told.advice.choices:
            if choice.aim not in args.aims:
                continue
            again = bakery.bake(
                f"case{seed} {choice.aim}", choice.bake_s / 60.0, choice.values[:4], seed + 10_000
            )
            verdict = judge_run(bakery.tools.logbook, bakery.library, again.id, keep=False).verdict
            got = {r.requirement.name: r.deciding.value for r in verdict.requirements}
            for one in choice.foreseen:
                low, _, high = one.value
                inside = low <= got[one.requirement.name] <= high
                held.setdefault(one.requirement.name, []).append(inside)
            last = bakery.missed(again)
            applied.setdefault(choice.aim, []).append(not last)
            print(f"case {seed}: {choice.aim}: {last or 'all met'}", flush=True)
    print(f"passed as they were: {passed}; said none can: {none}")
    for aim, met in applied.items():
        print(f"{aim}: all met in {sum(met)} of {len(met)}")
    for name, hits in held.items():
        print(f"{name}: value inside its nine in ten in {sum(hits)} of {len(hits)}")
    print(f"CPU of advice: median {np.median(spent):.0f} s, longest {max(spent):.0f} s")


if __name__ == "__main__":
    main()
