"""A plan as a form: sections, rows and cards, each with its faults, made from the draft's data."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from pydantic import BaseModel

from ovenwright.domain import plan as nouns
from ovenwright.domain.alarm import Alarm
from ovenwright.domain.sources import SourcePlan
from ovenwright.storage.plan_draft import value_of
from ovenwright.web import plan_fields as fields
from ovenwright.web.plan_channels import channel_items
from ovenwright.web.plan_fields import Group, Items, KeyPath
from ovenwright.web.plan_requirements import requirement_items
from ovenwright.web.plan_rows import PlanRows

_SOURCES: Mapping[str, type[BaseModel]] = {
    str(get_args(m.model_fields["kind"].annotation)[0]): m
    for m in get_args(get_args(SourcePlan)[0])
}


class PlanForm(PlanRows):
    """Makes the form of one draft, section by section."""

    def sections(self) -> list[Group]:
        """Return the sections of the form, each with how many faults it holds."""
        made = [
            self._section("test", "About this test", self._test(), (), opened=True),
            self._section("oven", "Oven", self._oven(), ("oven",)),
            self._section("product", "Product", self._product(), ("product",)),
            self._section("site", "Where it stands", self.model(nouns.Site, ("site",)), ("site",)),
            self._section("recording", "Recording", self._recording(), ("recording",)),
            self._section("channels", "Channels", channel_items(self), ("channels",)),
            self._section("requirements", "What counts as good", requirement_items(self), ("requirements",)),
            self._section("crossings", "Temperatures whose passing is told", self._crossings(), ("crossings",)),
            self._section("alarms", "Alarms while recording", self._alarms(), ("alarms",)),
            self._section("instruments", "Instruments", self._instruments(), ("instruments",)),
            self._section("decision", "How sure one has to be", self.model(nouns.Decision, ("decision",)), ("decision",)),
        ]  # fmt: skip
        known = {s.path[0] for s in made if s.path}
        for section in made:
            mine = [
                f
                for f in self.faults
                if (
                    f.path[:1] == section.path[:1]
                    if section.path
                    else not f.path or f.path[0] not in known
                )
            ]
            section.count = len(mine)
            # whatever no row could show stands at the section's head: no fault is hidden
            section.faults = tuple(f for f in mine if id(f) not in self.told)
        return made

    def _section(
        self, key: str, title: str, nodes: list[Any], path: KeyPath, *, opened: bool = False
    ) -> Group:
        group = Group(path, title, nodes, open=opened)
        group.id = f"part-{key}"
        group.words = self._words(key)
        return group

    def _words(self, key: str) -> str:
        found = self.data.get(key)
        if isinstance(found, list):
            return str(len(found))
        if isinstance(found, dict):
            return str(found.get("name", "") or "")
        return ""

    # sections -----------------------------------------------------------------------------

    def _test(self) -> list[Any]:
        rows = [self.row(nouns.Plan, (k,)) for k in ("title", "purpose")]
        more = Group((), "Cautions and sources", [])
        more.nodes = [
            self.row(nouns.Plan, (k,)) for k in ("cautions", "sources", "preset", "format")
        ]
        for row in more.nodes[:2]:
            row.hint = "one a line"
        more.id = "more-test"
        more.words = f"{self._how_many('cautions')}, {self._how_many('sources')}"
        more.open = self.has_fault(more)
        return [*rows, more]

    def _how_many(self, key: str) -> str:
        count = len(self.tables(key))
        return f"{count} {key.removesuffix('s') if count == 1 else key}"

    def _oven(self) -> list[Any]:
        path: KeyPath = ("oven",)
        tunnel = self.parts.kind == "tunnel"
        model = nouns.TunnelOven if tunnel else nouns.ChamberOven
        kind = self.row(model, ("oven", "kind"), options=("tunnel", "chamber"), kind="become")
        kind.label = "Kind of oven"
        kind.help = (
            "In a tunnel product travels on a belt through zones; in a chamber it stands still."
        )
        if not tunnel:
            return [kind, *self.model(model, path, skip=("kind",))]
        rows = [self.row(model, ("oven", k)) for k in ("name", "belt_speed_m_min", "belt_width_m")]
        bake = (
            self.parts.oven.bake_time_s if isinstance(self.parts.oven, nouns.TunnelOven) else None
        )
        if bake is not None and self.parts.oven is not None:
            rows[1].hint = f"{bake / 60:.1f} min from entry to exit"
        zones: list[Group] = []
        for i, one in enumerate(self._zones()):
            at: KeyPath = ("oven", "zones", i)
            name = str(one.get("name", "")) if isinstance(one, dict) else ""
            card = Group(at, name or f"Zone {i + 1}")
            card.nodes = [
                self.row(nouns.Zone, (*at, "name"), kind="name"),
                self.row(nouns.Zone, (*at, "length_m")),
                self.row(nouns.Zone, (*at, "setpoint_c")),
            ]
            self.finish(card)
            if isinstance(one, dict):
                card.words = f"{fields.said(one.get('length_m'))} m, {fields.said(one.get('setpoint_c')) or '–'} °C"
            zones.append(card)
        items = Items(("oven", "zones"), zones, "Add a zone", self.take(("oven", "zones")))
        return [kind, *rows, items]

    def _zones(self) -> list[Any]:
        found = value_of(self.parts, ("oven",)).get("zones")
        return found if isinstance(found, list) else []

    def _product(self) -> list[Any]:
        first = ("name", "mass_kg", "shape", "half_size_m", "start_c", "moisture", "end_moisture")
        return self.model(nouns.Product, ("product",), first=first)

    def _recording(self) -> list[Any]:
        path: KeyPath = ("recording",)
        nodes = [self.row(nouns.Recording, (*path, k)) for k in ("interval_s", "duration_s")]
        stop = Group((*path, "stop"), "It ends by itself")
        at = (*path, "stop")
        stop.nodes = [
            self.row(nouns.Stop, (*at, "after_s")),
            self.row(nouns.Stop, (*at, "channel"), options=self.parts.names, none="no channel"),
            self.row(nouns.Stop, (*at, "reaches_c")),
            self.row(nouns.Stop, (*at, "all_below_c")),
        ]
        stop.nodes[1].label = "When channel"
        stop.id, stop.faults = "part-recording-stop", self.take(at)
        stop.open = bool(self.value(at)) or self.has_fault(stop)
        stop.words = self._stop_words()
        rest = [self.row(nouns.Recording, (*path, k)) for k in ("load_in_s", "load_out_s")]
        battery = self.group(nouns.Battery, (*path, "battery"))
        more = Group(path, "More", [*rest, battery], words="load-in and load-out known, battery")
        more.id, more.open = "more-recording", self.has_fault(battery)
        return [*nodes, stop, more]

    def _stop_words(self) -> str:
        stop = self.value(("recording", "stop"))
        if not isinstance(stop, dict) or not stop:
            return "when a person ends it"
        said = []
        if "after_s" in stop:
            said.append(f"after {fields.said(stop['after_s'])} s")
        if "reaches_c" in stop:
            said.append(
                f"when {stop.get('channel', '?')} reaches {fields.said(stop['reaches_c'])} °C"
            )
        if "all_below_c" in stop:
            said.append(f"once all are below {fields.said(stop['all_below_c'])} °C")
        return " or ".join(said)

    def _crossings(self) -> list[Any]:
        cards = []
        for i, one in enumerate(self.tables("crossings")):
            path: KeyPath = ("crossings", i)
            raw = one if isinstance(one, dict) else {}
            on = raw.get("on", "")
            who = on if isinstance(on, str) else ", ".join(map(str, on))
            card = Group(
                path, str(raw.get("name", "")) or f"{who} {fields.said(raw.get('level_c'))} °C"
            )
            card.nodes = self.model(nouns.CrossingWish, path)
            self.finish(card)
            cards.append(card)
        return [Items(("crossings",), cards, "Add a temperature", self.take(("crossings",)))]

    def _alarms(self) -> list[Any]:
        cards = []
        conditions = ("above_c", "below_c", "rises_k_min", "falls_k_min", "silent_s")
        for i, one in enumerate(self.tables("alarms")):
            path: KeyPath = ("alarms", i)
            raw = one if isinstance(one, dict) else {}
            card = Group(path, str(raw.get("name", "")) or f"Alarm {i + 1}")
            card.nodes = [
                self.row(Alarm, (*path, "name")),
                self.on(Alarm, (*path, "on"), none="every channel"),
                *(self.row(Alarm, (*path, c)) for c in conditions),
                *self.model(
                    Alarm, path, first=("lasting_s", "back_k"), skip=("name", "on", *conditions)
                ),
            ]
            self.finish(card)
            given = [c for c in conditions if c in raw]
            card.words = ", ".join(
                f"{fields.label_of(c).lower()} {fields.said(raw[c])} {fields.unit_of(c)}"
                for c in given
            )
            cards.append(card)
        note = "One condition each: above, below, rising, falling or silent."
        return [Items(("alarms",), cards, "Add an alarm", self.take(("alarms",)), note)]

    def _instruments(self) -> list[Any]:
        cards = []
        for i, one in enumerate(self.tables("instruments")):
            path: KeyPath = ("instruments", i)
            raw = one if isinstance(one, dict) else {}
            said = str(raw.get("kind", ""))
            model = _SOURCES.get(said)
            card = Group(path, str(raw.get("name", "")) or f"{said or 'Instrument'} {i + 1}")
            if model is None:
                kind = self.row(
                    _SOURCES["mqtt"], (*path, "kind"), options=tuple(_SOURCES), kind="become"
                )
                card.nodes = [kind]
            else:
                kind = self.row(model, (*path, "kind"), options=tuple(_SOURCES), kind="become")
                needed = [
                    n for n, f in model.model_fields.items() if f.is_required() and n != "kind"
                ]
                many = [
                    n
                    for n in ("channels", "registers", "nodes", "fields")
                    if n in model.model_fields
                ]
                first = tuple(dict.fromkeys(("name", *needed, *many)))
                card.nodes = [kind, *self.model(model, path, first=first, skip=("kind",))]
            self.finish(card)
            card.words = " · ".join(
                s for s in (said, str(raw.get("host", raw.get("url", raw.get("port", ""))))) if s
            )
            cards.append(card)
        note = "Without an instrument, readings are brought in from a file."
        return [
            Items(("instruments",), cards, "Add an instrument", self.take(("instruments",)), note)
        ]
