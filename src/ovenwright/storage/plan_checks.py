"""Checks across the keys of a plan: names that must meet, limits that can't be met.

They run on a draft, the parts of a plan that can be read, so that a fault in one part
never hides a fault in another.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Iterator, Sequence

from pydantic import ValidationError

from ovenwright.domain.plan import (
    ChamberOven,
    Channel,
    Combine,
    Requirement,
    SensorType,
    Site,
    TunnelOven,
)
from ovenwright.domain.run import Role
from ovenwright.domain.sources import SourcePlan
from ovenwright.domain.sources.mqtt import MqttSource
from ovenwright.errors import Fault
from ovenwright.physics import tolerance, water
from ovenwright.storage.plan_alarms import alarm_faults
from ovenwright.storage.plan_draft import Draft, items_of, read_strictly, value_of
from ovenwright.storage.plan_faults import nearest
from ovenwright.wire.json_mapping import mapping_faults
from ovenwright.wire.unit_fit import unit_faults

Check = Callable[[Draft], Iterator[Fault]]

MOIST_SHARE = 0.25
"""Wet-basis moisture from which an inside is taken to stop at the boiling point (our choice:
between biscuit doughs, which pass it, and bread doughs, which do not)."""

_COUPLES = frozenset("BEJKNRST")
_AT_LEAST_C = frozenset({"max_temperature", "min_temperature", "mean_temperature"})
_END_C = frozenset({"end_temperature"})
_REACHED = {
    "time_to": "level_c",
    "share_to": "level_c",
    "come_up_time": "to_c",
    "heating_rate": "to_c",
}
_HELD = {
    "time_above": "level_c",
    "longest_above": "level_c",
    "time_between": "low_c",
    "cure_time": "low_c",
}


def cross_faults(draft: Draft) -> list[Fault]:
    """Return every fault between the keys of a plan, not yet located."""
    return [fault for check in CHECKS for fault in check(draft)]


def _repeated(names: Sequence[tuple[int, str]]) -> Iterator[tuple[int, str, str]]:
    """Yield (index, name, earlier name) for names that are the same but for case and spaces."""
    seen: dict[str, str] = {}
    for i, name in names:
        folded = " ".join(name.split()).casefold()
        if folded in seen:
            yield i, name, seen[folded]
        seen.setdefault(folded, name)


def _check_names(draft: Draft) -> Iterator[Fault]:
    for key, what in (("channels", "channel"), ("requirements", "requirement")):
        named = [(i, str(c["name"])) for i, c in items_of(draft.data, key) if c.get("name")]
        for i, name, earlier in _repeated(named):
            yield Fault(
                (key, i, "name"),
                f"a {what} is already called {earlier!r}",
                f"give each {what} a name of its own; capitals and spaces make no difference"
                if name != earlier
                else f"give each {what} a name of its own",
            )
    columns = [
        (i, str(c["column"])) for i, c in items_of(draft.data, "channels") if c.get("column")
    ]
    for i, _, earlier in _repeated(columns):
        yield Fault(
            ("channels", i, "column"),
            f"column {earlier!r} already belongs to another channel",
            "one column of the readings feeds one channel",
        )
    for i, _, earlier in _repeated(draft.zones):
        yield Fault(
            ("oven", "zones", i, "name"),
            f"a zone is already called {earlier!r}",
            "give each zone a name of its own",
        )


def _check_places(draft: Draft) -> Iterator[Fault]:
    for i, channel in draft.channels:
        place = channel.place
        path = ("channels", i, "place")
        if place.zone and draft.kind == "tunnel":
            zones = [name for _, name in draft.zones]
            if zones and place.zone not in zones:
                like = nearest(place.zone, zones)
                yield Fault(
                    (*path, "zone"),
                    f"the oven has no zone {place.zone!r}",
                    f'did you mean "{like}"?' if like else f"its zones are: {', '.join(zones)}",
                )
        elif place.zone and draft.kind == "chamber":
            yield Fault(
                (*path, "zone"),
                f"a chamber has no zones, but this place names {place.zone!r}",
                "give x_m, y_m and z_m instead",
            )
        half = draft.product.half_size_m if draft.product is not None else None
        if half is not None and place.depth_m is not None and place.depth_m > 2.0 * half:
            yield Fault(
                (*path, "depth_m"),
                f"is {place.depth_m} m, but the product is only {2.0 * half:g} m through",
                "give depth_m from the product's surface in metres, 0.03 for 30 mm",
            )


def _check_on(draft: Draft) -> Iterator[Fault]:
    wishes: list[tuple[str, int, Role | tuple[str, ...] | None]] = [
        *(("requirements", i, r.on) for i, r in draft.requirements),
        *(("crossings", i, c.on) for i, c in draft.crossings),
    ]
    for key, i, on in wishes:
        if isinstance(on, Role):
            if on.value not in draft.roles:
                there = ", ".join(sorted(draft.roles - {""})) or "none"
                yield Fault(
                    (key, i, "on"),
                    f"no channel has the role {on.value!r}",
                    f"roles of the channels: {there}",
                )
            continue
        for j, name in enumerate(on or ()):
            if name not in draft.names:
                like = nearest(name, draft.names)
                yield Fault(
                    (key, i, "on", j),
                    f"there is no channel {name!r}",
                    f'did you mean "{like}"?'
                    if like
                    else f"channels: {', '.join(draft.names) or 'none'}",
                )


def _check_sensors(draft: Draft) -> Iterator[Fault]:
    for i, channel in draft.channels:
        path: tuple[str | int, ...] = ("channels", i)
        known = tolerance.classes(channel.sensor.value)
        if channel.tolerance and channel.tolerance not in known:
            like = nearest(channel.tolerance, known)
            yield Fault(
                (*path, "tolerance"),
                f"{channel.tolerance!r} is no tolerance class of sensor {channel.sensor.value}",
                (f'did you mean "{like}"? ' if like else "")
                + (
                    f"classes: {', '.join(known)}"
                    if known
                    else "there are none; give a [channels.certificate]"
                    + (
                        " or transmitter.accuracy_k"
                        if channel.sensor is SensorType.TRANSMITTER
                        else ""
                    )
                ),
            )
        for kind, table, example in (
            (SensorType.THERMISTOR, channel.thermistor, "{ a = 1.1e-3, b = 2.4e-4, c = 7.5e-8 }"),
            (
                SensorType.TRANSMITTER,
                channel.transmitter,
                "{ low_signal = 4.0, low_c = 0.0, high_signal = 20.0, high_c = 300.0 }",
            ),
        ):
            raw = value_of(draft, path).get(kind.value)
            if channel.sensor is kind and table is None and raw is None:
                yield Fault(
                    path,
                    f"a {kind.value} needs its coefficients",
                    f"add {kind.value} = {example} with the numbers of its data sheet",
                )
            if channel.sensor is not kind and table is not None:
                yield Fault(
                    (*path, kind.value),
                    f"the sensor is {channel.sensor.value}, no {kind.value}",
                    f'take it out, or set sensor = "{kind.value}"',
                )
        two = channel.transmitter
        if two is not None and (two.low_signal == two.high_signal or two.low_c >= two.high_c):
            yield Fault(
                (*path, "transmitter"),
                "its two points don't make a line",
                "low_c must be below high_c, and the signals must differ",
            )
        if channel.recorded_as is not None:
            yield from _check_recorded_as(channel, path)


def _check_recorded_as(channel: Channel, path: tuple[str | int, ...]) -> Iterator[Fault]:
    recorded, actual = channel.recorded_as, channel.sensor
    if recorded is actual:
        yield Fault(
            (*path, "recorded_as"),
            f"is {actual.value!r}, the sensor's own type",
            "take it out: it is only for an instrument that was set to the wrong type",
        )
    elif recorded is not None and not {recorded.value, actual.value} <= _COUPLES:
        yield Fault(
            (*path, "recorded_as"),
            f"{recorded.value} can't be restated as {actual.value}",
            "only readings between thermocouple types (B E J K N R S T) can be restated",
        )


def _check_certificates(draft: Draft) -> Iterator[Fault]:
    for i, channel in draft.channels:
        if channel.certificate is None:
            continue
        at = [p.at_c for p in channel.certificate.points]
        for j in range(1, len(at)):
            if at[j] <= at[j - 1]:
                yield Fault(
                    ("channels", i, "certificate", "points", j, "at_c"),
                    f"is {at[j]:g} after {at[j - 1]:g}",
                    "put the certificate's points in rising order of at_c, each once",
                )


def _check_bodies(draft: Draft) -> Iterator[Fault]:
    for i, channel in draft.channels:
        written = value_of(draft, ("channels", i)).get("body")
        if channel.role is Role.BODY and written is None:
            yield Fault(
                ("channels", i),
                "a channel with the role body needs its body",
                "add body = { mass_kg = 0.25, heat_capacity_j_kg_k = 897.0, area_m2 = 0.015 }",
            )
        if channel.role is not Role.BODY and channel.body is not None:
            yield Fault(
                ("channels", i, "body"),
                f"the role is {channel.role.value}, no reference body",
                'take it out, or set role = "body"',
            )


def _check_site(draft: Draft) -> Iterator[Fault]:
    written = draft.data.get("site")
    raw = written if isinstance(written, dict) else {}
    if "pressure_kpa" in raw and "altitude_m" in raw:
        yield Fault(
            ("site", "altitude_m"),
            "pressure_kpa and altitude_m are both given",
            "keep pressure_kpa if a barometer on the spot showed it, else altitude_m",
        )
    if draft.site is None or not draft.site.time_zone:
        return
    try:
        zoneinfo.ZoneInfo(draft.site.time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        like = nearest(draft.site.time_zone, zoneinfo.available_timezones())
        yield Fault(
            ("site", "time_zone"),
            f"there is no time zone {draft.site.time_zone!r}",
            f'did you mean "{like}"?' if like else 'write it such as "Europe/Riga" or "UTC"',
        )


def _check_recording(draft: Draft) -> Iterator[Fault]:
    recording = draft.recording
    if recording is None:
        return
    stop = recording.stop
    path = ("recording", "stop")
    if stop.channel and stop.channel not in draft.names:
        like = nearest(stop.channel, draft.names)
        yield Fault(
            (*path, "channel"),
            f"there is no channel {stop.channel!r}",
            f'did you mean "{like}"?' if like else f"channels: {', '.join(draft.names)}",
        )
    if stop.channel and stop.reaches_c is None:
        yield Fault(
            path,
            "a stop channel needs the temperature to stop at",
            "add reaches_c, for example reaches_c = 97.0",
        )
    if stop.reaches_c is not None and not stop.channel:
        yield Fault(
            (*path, "reaches_c"), "names no channel", 'add channel, for example channel = "core 1"'
        )
    if (
        recording.load_in_s is not None
        and recording.load_out_s is not None
        and recording.load_out_s <= recording.load_in_s
    ):
        yield Fault(
            ("recording", "load_out_s"),
            f"is {recording.load_out_s:g}, not after load_in_s {recording.load_in_s:g}",
            "both count in seconds from the first reading",
        )
    if recording.duration_s is not None and recording.duration_s < recording.interval_s:
        yield Fault(
            ("recording", "duration_s"),
            f"is {recording.duration_s:g}, shorter than one interval of {recording.interval_s:g} s",
            "give the whole test in seconds, 2400.0 for 40 min",
        )


def _check_product(draft: Draft) -> Iterator[Fault]:
    product = draft.product
    if product is None:
        return
    shares = {
        key: getattr(product, key) for key in ("moisture", "fat", "protein", "carbohydrate", "ash")
    }
    total = sum(v for v in shares.values() if v is not None)
    if total > 1.0 + 1e-9:
        yield Fault(
            ("product",),
            f"moisture, fat, protein, carbohydrate and ash add up to {total:.3g}",
            "shares are fractions of the product's mass: 0.40 for 40 %",
        )
    if (
        product.moisture is not None
        and product.end_moisture is not None
        and product.end_moisture > product.moisture
    ):
        yield Fault(
            ("product", "end_moisture"),
            f"is {product.end_moisture:g}, above the moisture {product.moisture:g} as loaded",
            "heating takes water out; both are mass of water per mass of product",
        )


def _check_limits(draft: Draft) -> Iterator[Fault]:
    for i, raw in items_of(draft.data, "requirements"):
        low, high = raw.get("at_least"), raw.get("at_most")
        if low is None and high is None:
            yield Fault(
                ("requirements", i),
                "no limit is given",
                "add at_least, at_most or both, in the measure's unit",
            )
        elif _number(low) and _number(high) and low > high:  # type: ignore[operator]
            yield Fault(
                ("requirements", i, "at_least"),
                f"at_least {low:g} is above at_most {high:g}",
                "swap them, or keep the one that is meant",
            )


def _check_instruments(draft: Draft) -> Iterator[Fault]:
    fed: dict[str, int] = {}
    for i, raw in items_of(draft.data, "instruments"):
        try:
            source: SourcePlan = read_strictly(SourcePlan, raw)
        except ValidationError:
            continue  # its own faults are told already
        found = [*source.places()]
        if isinstance(source, MqttSource):
            found += mapping_faults(source)
        found += unit_faults(source, {c.name: c for _, c in draft.channels})
        for path, what, remedy in found:
            yield Fault(("instruments", i, *path), what, remedy)
        for path, name in source.fed():
            where = ("instruments", i, *path)
            if name not in draft.names:
                like = nearest(name, draft.names)
                yield Fault(
                    where,
                    f"there is no channel {name!r}",
                    f'did you mean "{like}"?'
                    if like
                    else f"channels: {', '.join(draft.names) or 'none'}",
                )
            elif name in fed:
                yield Fault(
                    where,
                    f"channel {name!r} is fed twice",
                    "one key of one instrument feeds one channel",
                )
            fed.setdefault(name, i)


def _number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _check_safety(draft: Draft) -> Iterator[Fault]:
    for i, wish in draft.requirements:
        if wish.safety and wish.combine in {Combine.MEAN, Combine.BEST}:
            yield Fault(
                ("requirements", i, "combine"),
                f'is "{wish.combine.value}" on a safety requirement',
                'use combine = "worst": guidance takes the coldest place, never the mean of '
                "several (FSIS Cooking Guideline, Dec 2021)",
            )


def boiling_of(oven: TunnelOven | ChamberOven | None, site: Site) -> tuple[float, float, str]:
    """Return the boiling point inside an oven, the pressure, and where that comes from."""
    pressure = getattr(oven, "pressure_kpa", None)
    whence = "oven.pressure_kpa"
    if pressure is None:
        pressure, whence = site.pressure_kpa, "site.pressure_kpa"
    if pressure is None and site.altitude_m is not None:
        pressure = float(water.pressure_at_altitude_kpa(site.altitude_m))
        whence = f"{site.altitude_m:g} m altitude"
    if pressure is None:
        pressure, whence = water.STANDARD_PRESSURE_KPA, "sea level, as no pressure is given"
    return float(water.boiling_point_c(pressure)), pressure, whence


def _check_boiling(draft: Draft) -> Iterator[Fault]:
    product = draft.product
    if product is None or product.moisture is None or product.moisture < MOIST_SHARE:
        return
    cores = {c.name for _, c in draft.channels if c.role is Role.CORE}
    boiling, pressure, whence = boiling_of(draft.oven, draft.site or Site())
    for i, wish in draft.requirements:
        on_core = wish.on is Role.CORE or (isinstance(wish.on, tuple) and set(wish.on) & cores)
        target = _target(wish)
        if not on_core or target is None or target[1] <= boiling:
            continue
        key, level = target
        yield Fault(
            ("requirements", i, *key),
            f"a moist core can't reach {level:g} °C: water boils at {boiling:.1f} °C here "
            f"({pressure:.4g} kPa, {whence})",
            f"ask for less than {boiling:.1f} °C, or give the true site.altitude_m or "
            "site.pressure_kpa (oven.pressure_kpa for a retort)",
        )


def _target(wish: Requirement) -> tuple[tuple[str, ...], float] | None:
    """Return the key and value of the temperature a channel must reach for this requirement."""
    if wish.measure in _AT_LEAST_C | _END_C and wish.at_least is not None:
        return ("at_least",), wish.at_least
    key = _REACHED.get(wish.measure)
    if key is None and wish.at_least is not None and wish.at_least > 0:
        key = _HELD.get(wish.measure)
    level = wish.parameters.get(key) if key is not None else None
    if key is None or level is None or isinstance(level, str):
        return None
    return ("parameters", key), float(level)


CHECKS: tuple[Check, ...] = (
    _check_names,
    _check_site,
    _check_product,
    _check_recording,
    _check_places,
    _check_sensors,
    _check_certificates,
    _check_bodies,
    _check_on,
    _check_limits,
    _check_safety,
    _check_boiling,
    _check_instruments,
    alarm_faults,
)
"""Every check across keys, in the order faults are found; they are shown by line."""
