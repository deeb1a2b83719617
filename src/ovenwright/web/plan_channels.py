"""The cards of a plan's channels: what each is, where it sits, and all else that may be said of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ovenwright.domain import plan as nouns
from ovenwright.physics import tolerance
from ovenwright.reporting.oven_scene import lanes_of
from ovenwright.web import plan_fields as fields
from ovenwright.web.plan_fields import Group, Items, KeyPath
from ovenwright.web.plan_rows import PlanRows


def channel_items(form: PlanRows) -> list[Any]:
    """Return the channels of a plan as cards."""
    cards = []
    zones = [n for _, n in form.parts.zones]
    lanes = lanes_of(form.parts.channels)
    modules = tuple(
        dict.fromkeys(
            str(c["module"])
            for c in form.tables("channels")
            if isinstance(c, dict) and c.get("module")
        )
    )
    for i, one in enumerate(form.tables("channels")):
        path: KeyPath = ("channels", i)
        raw = one if isinstance(one, dict) else {}
        sensor = str(raw.get("sensor", ""))
        known = tolerance.classes(sensor)
        place = (*path, "place")
        spot = [form.row(nouns.Place, (*place, "lane"), suggest=lanes)]
        if form.parts.kind == "tunnel":
            spot.append(form.row(nouns.Place, (*place, "zone"), options=zones, none="rides along"))
        spot += [
            form.row(nouns.Place, (*place, k))
            for k in ("x_m", "y_m", "z_m", "depth_m", "uncertainty_k", "note")
        ]
        card = Group(path, str(raw.get("name", "")) or f"Channel {i + 1}", look=i)
        where = Group(place, "Place", spot, open=True)
        where.id, where.faults = f"place-{i}", form.take(place)
        card.nodes = [
            form.row(nouns.Channel, (*path, "name"), kind="name"),
            form.row(nouns.Channel, (*path, "role")),
            form.row(nouns.Channel, (*path, "sensor")),
            form.row(nouns.Channel, (*path, "tolerance"), options=known, none="not known")
            if known or raw.get("tolerance")
            else form.row(
                nouns.Channel, (*path, "tolerance"), options=(), none="none for this sensor"
            ),
            form.row(nouns.Channel, (*path, "module"), suggest=modules),
            form.row(nouns.Channel, (*path, "time_constant_s")),
            where,
            *_channel_more(form, path, sensor, str(raw.get("role", ""))),
        ]
        form.finish(card)
        card.words = _channel_words(raw)
        cards.append(card)
    return [Items(("channels",), cards, "Add a channel", form.take(("channels",)))]


def _channel_more(form: PlanRows, path: KeyPath, sensor: str, role: str) -> list[Any]:
    shown = {"name", "role", "sensor", "tolerance", "module", "time_constant_s", "place"}
    nodes: list[Any] = []
    rest: list[Any] = []
    for key in nouns.Channel.model_fields:
        if key in shown:
            continue
        node = form.node(nouns.Channel, (*path, key))
        wanted = (key == sensor) or (key == "body" and role == "body")
        if wanted and isinstance(node, Group):
            node.open = True
        (nodes if wanted else rest).append(node)
    more = Group(path, "More", rest, words="certificate, restated type, heading in the readings …")
    more.id = f"more-channel-{path[-1]}"
    more.open = any(form.has_fault(n) for n in rest)
    return [*nodes, more]


def _channel_words(raw: Mapping[str, Any]) -> str:
    place = raw.get("place")
    place = place if isinstance(place, dict) else {}
    said = [str(raw.get("sensor", "")), str(raw.get("role", ""))]
    if place.get("zone"):
        said.append(str(place["zone"]))
    if place.get("lane"):
        said.append(f"lane {place['lane']}")
    for key, word in (("x_m", "x"), ("y_m", "y"), ("z_m", "z")):
        if isinstance(place.get(key), (int, float)):
            said.append(f"{word} {fields.said(place[key])} m")
    if isinstance(place.get("depth_m"), (int, float)):
        said.append(f"{1000 * place['depth_m']:.0f} mm deep")
    return " · ".join(s for s in said if s)
