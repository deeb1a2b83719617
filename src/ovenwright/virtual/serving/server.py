"""Run a scenario against the clock and hand each scan to the outlets."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import chain
from threading import Event

from ovenwright.errors import OutOfRange
from ovenwright.virtual.running import Scan, iterate
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.frames import frames_of
from ovenwright.virtual.serving.outlet import Mischief, Outlet
from ovenwright.virtual.serving.truth import TruthFile

_TICK_S = 0.02
_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Served:
    """What was served: how many scans, how much of the record, and how late the slowest came."""

    scans: int
    elapsed_s: float
    latest_s: float
    stopped: bool


def serve(
    scenario: Scenario,
    outlets: Sequence[Outlet],
    *,
    seed: int = 1,
    speed: float = 1.0,
    rounds: int = 1,
    truth: TruthFile | None = None,
    mischief: Mischief | None = None,
    stop: Event | None = None,
    opened: Callable[[int], None] = lambda _: None,
) -> Served:
    """Serve a scenario until its end or until told to stop.

    Every reading is stamped with the moment serving began plus the elapsed time *of the scenario*.
    At speed 1 that is the time of day. At any other speed the instrument's clock runs that much
    faster than the wall's: a 34 min bake stays 34 min long in the readings, however soon it is over,
    and the stamps run ahead of the wall clock. Only Modbus registers carry no stamps.

    Parameters
    ----------
    scenario : what is simulated
    outlets : where scans go; opened and closed here
    seed : decides every draw; each further round takes the next one
    speed : seconds of the record in one second of the wall clock
    rounds : how often the scenario is run, one after the other; 0 is until stopped
    truth : file the truth is written to while serving
    mischief : where a count is to begin anew
    stop : set it from elsewhere to end
    opened : called with the first stamp (ns) once all outlets serve the first scan

    Raises
    ------
    OutOfRange : if the speed is not above 0 or the rounds are negative
    InstrumentTrouble : if an outlet can't be opened
    """
    if not 0 < speed <= 100_000:
        raise OutOfRange("speed", got=speed, expected="above 0, up to 100,000")
    if rounds < 0:
        raise OutOfRange("rounds", got=rounds, expected="0 or more")
    stop = stop if stop is not None else Event()
    reboot_s = mischief.reboot_at_s if mischief is not None else None
    # what is asked for right after opening must be there already
    waiting = iterate(scenario, seed=seed)
    readings: Iterator[Scan] = chain([next(waiting)], waiting)
    with ExitStack() as open_ones:
        for outlet in outlets:
            outlet.open()
            open_ones.callback(outlet.close)
        begun, start_ns = time.monotonic(), time.time_ns()
        if truth is not None:
            truth.begin(scenario, seed=seed, speed=speed, start_ns=start_ns)
            open_ones.callback(truth.close)
        scans, before, latest, last_s, sequence, lap = 0, 0.0, 0.0, 0.0, 0, 0
        while (rounds == 0 or lap < rounds) and not stop.is_set():
            for scan in readings:
                at_s = before + scan.time_s
                while not stop.is_set():
                    left = begun + at_s / speed - time.monotonic()
                    if left <= 0:
                        latest = max(latest, -left)
                        break
                    for outlet in outlets:
                        outlet.tick()
                    stop.wait(min(left, _TICK_S))
                if stop.is_set():
                    break
                sequence = 0 if reboot_s is not None and last_s < reboot_s <= at_s else sequence
                sequence += 1
                stamp_ns = start_ns + round(at_s * _NS)
                frames = frames_of(
                    scenario, scan, seed=seed, sequence=sequence, stamp_ns=stamp_ns, elapsed_s=at_s
                )
                for outlet in outlets:
                    outlet.send(frames)
                    outlet.tick()
                if truth is not None:
                    truth.add(scan, elapsed_s=at_s, stamp_ns=stamp_ns)
                if not scans:
                    opened(start_ns)
                scans, last_s = scans + 1, at_s
            lap += 1
            readings = iterate(scenario, seed=seed + lap)
            before = last_s + scenario.interval_s
    return Served(scans, last_s, latest, stop.is_set())
