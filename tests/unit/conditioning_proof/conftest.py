"""A bench of virtual sensors, fed to a watch as an instrument would."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from ovenwright.conditioning.proof.touching import TouchEvent, TouchKind, TouchWatch
from ovenwright.domain.live import Reading
from ovenwright.virtual.touching import Touch, TouchBench

NS = 1_000_000_000
START = 1_760_000_000 * NS

Watched = tuple[TouchWatch, list[TouchEvent]]
Feed = Callable[..., Watched]


@pytest.fixture
def feed() -> Feed:
    """Return what feeds a bench to a watch, scan by scan, and gives watch and events."""

    def run(
        bench: TouchBench,
        touches: Sequence[Touch],
        *,
        until_s: float,
        added_k: np.ndarray | None = None,
        modules: dict[str, str] | None = None,
        clock_s: float = 0.0,
    ) -> Watched:
        modules = modules if modules is not None else dict.fromkeys(bench.names, "gateway")
        watch = TouchWatch(bench.names, modules=modules)
        events: list[TouchEvent] = []
        time_s, shown = bench.shown(touches, until_s=until_s)
        if added_k is not None:
            shown = shown + added_k
        for t, row in zip(time_s, shown, strict=True):
            ours = START + round(t * NS)
            stamp = ours + round(clock_s * NS)
            events += watch.feed(
                [
                    Reading(n, stamp, ours, float(v), module=modules.get(n, ""))
                    for n, v in zip(bench.names, row, strict=True)
                ]
            )
        events += watch.finish()
        return watch, events

    return run


@pytest.fixture
def in_turn() -> Callable[..., list[Touch]]:
    """Return touches one after another."""

    def turns(
        names: Sequence[str], *, first_s: float = 7.0, hold_s: float = 6.0, gap_s: float = 6.0
    ) -> list[Touch]:
        step = hold_s + gap_s
        return [
            Touch(n, first_s + k * step, first_s + k * step + hold_s) for k, n in enumerate(names)
        ]

    return turns


@pytest.fixture
def counted() -> Callable[[list[TouchEvent]], list[str]]:
    """Return the channels of events that counted as a touch."""
    return lambda events: [
        e.channel for e in events if e.kind in (TouchKind.TOUCHED, TouchKind.REVERSED)
    ]
