"""How long a kept forecast takes for each new second of a bake: 8 cores, 200 members each.

A bake of the virtual oven, whose physics the model shares no code with, is streamed second by second
from half-way on. Each update takes the second in, and says of every core when it passes 93 and 95 °C,
with 50 and 90 % intervals. What takes long is done beside, in another process, as the tool does it;
the updates meanwhile are counted apart. Now and then two fits from nothing, with unlike draws, are
asked the same: how far the kept forecast is from one of them, beside how far they are from each other.

Streamed as fast as it goes, so a fit beside reaches over far more seconds of the bake than it
would in an oven; --pace 1 streams in the oven's own time, --pace 10 ten times as fast.

Run: OMP_NUM_THREADS=1 python benchmarks/forecast_update.py [--pace 1] [--alone]
"""

from __future__ import annotations

import argparse
import resource
import time
from dataclasses import replace

import numpy as np
from forecast_virtual import laid, lines_of

from ovenwright.modelling.departures import KNOTS
from ovenwright.modelling.ensemble import draw_prior
from ovenwright.modelling.fitting import fit
from ovenwright.modelling.forecasting import Outlook, Passing, look_ahead, passing
from ovenwright.modelling.heating import Heating
from ovenwright.modelling.kept_forecast import Fresh, Grounds, KeptForecast, Work
from ovenwright.virtual.recording import Recording
from ovenwright.virtual.running import record as play
from ovenwright.virtual.scenario import SensorSpec
from ovenwright.virtual.scenarios import ostrel_tin_bread
from ovenwright.workflow.aside import Aside

LEVELS_C = (93.0, 95.0)
PLACES = (
    ("left", 0.0, 0.5), ("left", 0.012, 0.4), ("centre", 0.0, 0.5), ("centre", 0.01, 0.6),
    ("centre", 0.02, 0.45), ("right", 0.0, 0.5), ("right", 0.008, 0.55), ("right", 0.015, 0.4),
)  # fmt: skip


def bake() -> Recording:
    """Return a bake with eight cores, read every second."""
    scenario = ostrel_tin_bread(
        weak_share=0.8, wrong_type=None, dropout=None, interval_s=1.0, fine=False
    )
    cores = tuple(
        SensorSpec(
            f"core {i + 1}", "core", lane=lane, r_m=r_m, height_share=height, time_constant_s=4.0
        )
        for i, (lane, r_m, height) in enumerate(PLACES)
    )
    air = tuple(s for s in scenario.sensors if s.role == "air")
    return play(replace(scenario, sensors=cores + air), seed=3)


def answers(outlook: Outlook, heating: Heating) -> dict[tuple[str, float], Passing]:
    cores = {c.name: c for c in heating.cores}
    told = {
        (name, level): passing(outlook, name, level, core=cores[name])
        for name in outlook.paths
        for level in LEVELS_C
    }
    return {key: one for key, one in told.items() if isinstance(one, Passing)}


class Beside:
    """Has long work done in another process, or at once where `alone`."""

    def __init__(self, aside: Aside | None) -> None:
        self._aside = aside
        self.told: list[str] = []

    @property
    def busy(self) -> bool:
        return self._aside is not None and self._aside.busy

    def look(self, kept: KeptForecast, at_s: float) -> None:
        done = None if self._aside is None else self._aside.take()
        if done is not None:
            if isinstance(done[1], str):
                raise SystemExit(done[1])
            kept.adopt(done[1])
        work = None if self.busy else kept.work()
        if work is None:
            return
        self.told.append(f"{at_s:6.0f} s {'fit' if work.fits else 'look'}: {work.why}")
        if self._aside is None:
            kept.adopt(work.do())
        else:
            self._aside.ask(False, work)


def compare(name: str, kept: dict[tuple[str, float], Passing], fresh: dict[tuple[str, float], Passing]) -> tuple[int, int]:  # fmt: skip
    both = [k for k in kept if k in fresh and not kept[k].passed and not fresh[k].passed]
    if not both:
        return 0, 0
    inside = 0
    apart = []
    for key in both:
        a, b = kept[key], fresh[key]
        inside += b.interval_50[0] <= a.median_s <= b.interval_50[1]
        inside += a.interval_50[0] <= b.median_s <= a.interval_50[1]
        apart.append(abs(a.median_s - b.median_s))
    width = [np.ptp(kept[k].interval_50) / max(np.ptp(fresh[k].interval_50), 1e-9) for k in both]
    print(
        f"  {name}: {len(both)} passings, medians apart {np.median(apart):.0f} s (worst "
        f"{max(apart):.0f} s), in the other's 50 % interval {inside} of {2 * len(both)}, 50 % widths "
        f"{np.median(width):.2f} of the fresh ones"
    )
    return inside, 2 * len(both)


def fresh(one: Recording, at_s: float, *, args: argparse.Namespace, seed: int) -> dict[tuple[str, float], Passing]:  # fmt: skip
    heating = laid(one, at_s)
    ensemble = draw_prior(args.draws, seed=seed, knots=KNOTS.size, kinds="moist")
    fitted = fit(heating, ensemble, cast=args.members, seed=seed)
    return answers(look_ahead(fitted, seed=seed), heating)


def waited(aside: Aside, work: Work) -> Fresh:
    """Have the first fit made beside too: the other process takes seconds to begin with."""
    aside.ask(False, work)
    while (done := aside.take()) is None:
        time.sleep(0.05)
    if isinstance(done[1], str):
        raise SystemExit(done[1])
    return done[1]


def stream(one: Recording, args: argparse.Namespace, aside: Aside | None) -> None:
    begin_s = 0.5 * (one.load_in_s + one.load_out_s)
    end_s = one.load_in_s + args.until * (one.load_out_s - one.load_in_s)
    grounds = Grounds(
        draw_prior(args.draws, seed=1, knots=KNOTS.size, kinds="moist"), cast=args.members
    )
    began = time.perf_counter()
    work = Work("nothing has been fitted yet", laid(one, begin_s), grounds, None)
    kept = KeptForecast(grounds, work.do() if aside is None else waited(aside, work))
    print(f"first fit and look ahead: {time.perf_counter() - began:.1f} s")
    beside = Beside(aside)
    quiet_ms: list[float] = []
    busy_ms: list[float] = []
    cpu_ms: list[float] = []
    at: dict[float, dict[tuple[str, float], Passing]] = {}
    checks = list(np.round(np.linspace(begin_s, end_s, 6)[1:]))
    started = time.perf_counter()
    for i, now_s in enumerate(np.arange(begin_s + 1.0, end_s + 0.5)):
        if args.pace > 0:
            time.sleep(max(0.0, started + i / args.pace - time.perf_counter()))
        heating = laid(one, float(now_s))
        busy = beside.busy
        began, cpu = time.perf_counter(), time.process_time()
        beside.look(kept, float(now_s))
        told = answers(kept.update(heating), heating)
        (busy_ms if busy else quiet_ms).append(1e3 * (time.perf_counter() - began))
        cpu_ms.append(1e3 * (time.process_time() - cpu))
        if now_s in checks:
            at[float(now_s)] = told
    for words, ms in (
        ("wall, all updates", quiet_ms + busy_ms),
        ("wall, nothing beside", quiet_ms),
        ("wall, work beside", busy_ms),
        ("CPU, all updates", cpu_ms),
    ):
        if ms:
            print(
                f"{words:22}{len(ms):5d}: median {np.median(ms):6.1f}, p95 "
                f"{np.quantile(ms, 0.95):6.1f}, worst {max(ms):6.1f} ms"
            )
    print(f"{kept.fits} fits, {kept.looks} looks ahead")
    for words in beside.told:
        print("  " + words)
    judge(one, at, args)


def judge(
    one: Recording, at: dict[float, dict[tuple[str, float], Passing]], args: argparse.Namespace
) -> None:
    truth = {c.name: c for c in lines_of(one)[1]}
    counts, errors = np.zeros((2, 2), dtype=int), []
    for at_s, told in at.items():
        first, second = (fresh(one, at_s, args=args, seed=seed) for seed in (2, 3))
        counts[0] += compare(f"{at_s:.0f} s, kept and fresh", told, first)
        counts[1] += compare(f"{at_s:.0f} s, fresh and fresh", second, first)
        for (name, level), p in told.items():
            line = truth[name]
            came_s = float(line.time_s[np.argmax(line.temp_c >= level)])
            if not p.passed:
                missed = abs(p.median_s - came_s) / (came_s - one.load_in_s)
                errors.append((missed, p.interval_90[0] <= came_s <= p.interval_90[1]))
    for words, (inside, asked) in zip(("kept and fresh", "fresh and fresh"), counts, strict=True):
        print(f"{words}: {inside} of {asked} medians in the other's 50 % interval")
    miss = np.array(errors, dtype=np.float64)
    print(
        f"kept against the oven: median |error| {np.median(miss[:, 0]):.3f} of the whole time, in the "
        f"90 % interval {miss[:, 1].mean():.2f} of {len(miss)}"
    )


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--members", type=int, default=200)
    ask.add_argument("--draws", type=int, default=1500, help="from the priors, for each fit")
    ask.add_argument("--pace", type=float, default=0.0, help="seconds of the bake a second")
    ask.add_argument("--alone", action="store_true", help="no other process: updates wait for fits")
    ask.add_argument("--until", type=float, default=0.8, help="share of the bake")
    args = ask.parse_args()
    one = bake()
    if args.alone:
        stream(one, args, None)
    else:
        with Aside() as aside:
            stream(one, args, aside)
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
