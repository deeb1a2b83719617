"""Advice applied back to the virtual oven: does the changed bake meet what the first one missed?

Each seed draws a tin-bread bake that is too short and mostly too cool, records it, judges it, asks
for advice, bakes again with each choice's settings and judges that. Counted are cases that failed
and for which a choice was given; a case counts as mended when its least-change choice passes all.
Cases without a choice are told apart; whether saying so was right is not tried here.

Run: OMP_NUM_THREADS=1 nice python benchmarks/advise_virtual.py LOGBOOK_DIR [--cases 50] [--first 0]
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.domain.run import Run
from ovenwright.domain.verdict import Outcome
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


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--cases", type=int, default=50)
    asked.add_argument("--first", type=int, default=0)
    args = asked.parse_args()
    bakery = Bakery(args.folder)
    tally = {"mended": 0, "not mended": 0, "said none can": 0}
    applied: dict[str, list[bool]] = {}
    spent = []
    for seed in range(args.first, args.first + args.cases):
        rng = np.random.default_rng(seed)
        minutes = float(rng.uniform(23.0, 29.0))
        shift = np.round(rng.uniform(-15.0, 0.0) + rng.uniform(-5.0, 5.0, 4))
        setpoints = tuple(float(s + d) for s, d in zip(SETPOINTS, shift, strict=True))
        run = bakery.bake(f"case{seed}", minutes, setpoints, seed)
        before = bakery.missed(run)
        if not before:
            print(f"case {seed}: passed as it was, left out", flush=True)
            continue
        begun = time.process_time()
        told = advise_run(bakery.tools.logbook, bakery.library, run.id, Wanted(), LIMITS)
        spent.append(time.process_time() - begun)
        if not told.advice.choices:
            tally["said none can"] += 1
            print(f"case {seed}: {before}; {told.words[1]}", flush=True)
            continue
        last: list[str] = []
        for choice in told.advice.choices:
            again = bakery.bake(
                f"case{seed} {choice.aim}", choice.bake_s / 60.0, choice.values[:4], seed + 10_000
            )
            last = bakery.missed(again)
            applied.setdefault(choice.aim, []).append(not last)
            print(f"case {seed}: {choice.aim}: {last or 'all met'}", flush=True)
        tally["not mended" if last else "mended"] += 1
    print(tally)
    for aim, met in applied.items():
        print(f"{aim}: all met in {sum(met)} of {len(met)}")
    print(f"CPU of advice: median {np.median(spent):.0f} s, longest {max(spent):.0f} s")


if __name__ == "__main__":
    main()
