"""Zone by zone in belt position, and the balance between lanes."""

from __future__ import annotations

import math

import numpy as np

from ovenwright.analysis.averages import mean_of
from ovenwright.analysis.subject import Scene, Subject
from ovenwright.domain.plan import TunnelOven
from ovenwright.domain.results import LaneBalance, ZoneStat

LEAST_SEEN = 0.5  # share of a zone that must have readings for its mean to count


def zone_words(name: str) -> str:
    """Return a zone's name with the word before it, unless the name says it already."""
    return name if name.lower().startswith("zone") else f"zone {name}"


def in_zone(subject: Subject, zone: str) -> bool:
    """Tell whether a channel is ever in a zone: one that travels is, one fixed in another not."""
    return subject.channel.place.zone in {"", zone}


def zone_edges(scene: Scene) -> tuple[tuple[str, float, float, float | None], ...]:
    """Return name, entry, exit (elapsed seconds) and setpoint of each zone, as the product met it.

    Position on the belt is speed times time since load-in. When load-in and load-out are both
    known better than by assumption the zones are stretched over the time between them, so that a
    belt that ran a little fast does not smear one zone into the next.
    """
    oven = scene.plan.oven
    if not isinstance(oven, TunnelOven):
        return ()
    total = scene.process_s if scene.process_s > 0 else oven.bake_time_s
    edges = []
    at = scene.load_in.at_s
    for zone in oven.zones:
        leave = at + total * zone.length_m / oven.length_m
        edges.append((zone.name, at, leave, zone.setpoint_c))
        at = leave
    return tuple(edges)


def zone_stats(scene: Scene) -> tuple[ZoneStat, ...]:
    """Return every channel's statistics in every zone; nothing for a chamber.

    A channel fixed in one zone (``place.zone``) has them there alone, for the time the product was
    in it.
    """
    return tuple(
        _stat(scene.subject(channel), name, enter, leave, setpoint)
        for name, enter, leave, setpoint in zone_edges(scene)
        for channel in scene.profile.names
        if in_zone(scene.subject(channel), name)
    )


def _stat(
    subject: Subject, zone: str, enter: float, leave: float, setpoint: float | None
) -> ZoneStat:
    part = subject.process.within(enter, leave)
    nan = math.nan
    seen = part.seen_s if len(part) > 1 else 0.0
    if seen < LEAST_SEEN * (leave - enter):
        return ZoneStat(
            zone, subject.name, enter, leave, nan, nan, nan, nan, nan, setpoint, len(part)
        )
    first, last = float(part.temp_c[0]), float(part.temp_c[-1])
    return ZoneStat(
        zone=zone,
        channel=subject.name,
        from_s=enter,
        to_s=leave,
        mean_c=mean_of(part),
        minimum_c=float(part.temp_c.min()),
        maximum_c=float(part.temp_c.max()),
        end_c=last,
        rise_k=last - first,
        setpoint_c=setpoint,
        samples=len(part),
    )


def lane_balance(scene: Scene, stats: tuple[ZoneStat, ...]) -> tuple[LaneBalance, ...]:
    """Compare the lanes of each role in each zone by their means at the same belt position."""
    lanes = {c.name: (c.role.value, c.place.lane) for c in scene.profile.channels}
    table: dict[tuple[str, str], dict[str, list[float]]] = {}
    for stat in stats:
        role, lane = lanes[stat.channel]
        if lane and math.isfinite(stat.mean_c):
            table.setdefault((stat.zone, role), {}).setdefault(lane, []).append(stat.mean_c)
    balances = []
    for (zone, role), by_lane in table.items():
        if len(by_lane) < 2:
            continue
        means = {lane: float(np.mean(values)) for lane, values in by_lane.items()}
        middle = float(np.mean(list(means.values())))
        balances.append(
            LaneBalance(
                zone=zone,
                role=role,
                difference_k={lane: mean - middle for lane, mean in means.items()},
                spread_k=max(means.values()) - min(means.values()),
                hottest=max(means, key=lambda lane: means[lane]),
                coldest=min(means, key=lambda lane: means[lane]),
            )
        )
    return tuple(balances)
