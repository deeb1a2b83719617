"""A plan as a form: sections, rows and cards, each with its faults, made from the draft's data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel

from ovenwright.analysis.declaration import Kind, Measure, Parameter
from ovenwright.analysis.registry import declared_measures
from ovenwright.domain import plan as nouns
from ovenwright.domain.alarm import Alarm
from ovenwright.domain.kinetics import DwellTable, Kinetics, ReferenceLibrary
from ovenwright.domain.run import Role
from ovenwright.domain.sources import SourcePlan
from ovenwright.errors import Fault
from ovenwright.physics import tolerance
from ovenwright.reporting.oven_scene import lanes_of
from ovenwright.reporting.words import Shown
from ovenwright.storage.plan_draft import draft_of, value_of
from ovenwright.web import plan_fields as fields
from ovenwright.web.plan_fields import Absent, Group, Items, KeyPath, Option, Pairs, Row
from ovenwright.workflow.plan_drafting import Draft

_SOURCES: Mapping[str, type[BaseModel]] = {
    str(get_args(m.model_fields["kind"].annotation)[0]): m
    for m in get_args(get_args(SourcePlan)[0])
}
NAMED = "@named"
"""The choice "these channels" of a row that asks whom something is asked of."""


class PlanForm:
    """Makes the form of one draft.

    Parameters
    ----------
    draft : whose data can be read
    library : kinetics and tables to choose from
    shown : the unit people are shown beside the plan's own
    """

    def __init__(self, draft: Draft, library: ReferenceLibrary, shown: Shown) -> None:
        self.data: Mapping[str, Any] = draft.data or {}
        self.faults = draft.faults
        self.lines = draft.lines
        self.library = library
        self.shown = shown
        self.parts = draft_of(self.data)
        self.told: set[int] = set()

    def sections(self) -> list[Group]:
        """Return the sections of the form, each with how many faults it holds."""
        made = [
            self._section("test", "About this test", self._test(), (), opened=True),
            self._section("oven", "Oven", self._oven(), ("oven",)),
            self._section("product", "Product", self._product(), ("product",)),
            self._section("site", "Where it stands", self._model(nouns.Site, ("site",)), ("site",)),
            self._section("recording", "Recording", self._recording(), ("recording",)),
            self._section("channels", "Channels", self._channels(), ("channels",)),
            self._section("requirements", "What counts as good", self._requirements(), ("requirements",)),
            self._section("crossings", "Temperatures whose passing is told", self._crossings(), ("crossings",)),
            self._section("alarms", "Alarms while recording", self._alarms(), ("alarms",)),
            self._section("instruments", "Instruments", self._instruments(), ("instruments",)),
            self._section("decision", "How sure one has to be", self._model(nouns.Decision, ("decision",)), ("decision",)),
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

    # rows ---------------------------------------------------------------------------------

    def _take(self, path: KeyPath, *, below: bool = False) -> tuple[Fault, ...]:
        found = fields.faults_at(self.faults, path, below=below)
        self.told |= {id(f) for f in found}
        return found

    def _value(self, path: KeyPath) -> Any:
        here: Any = self.data
        for key in path:
            try:
                here = here[key]
            except (KeyError, IndexError, TypeError):
                return None
        return here

    def _row(
        self,
        model: type[BaseModel],
        path: KeyPath,
        *,
        options: Sequence[str] | None = None,
        none: str | None = None,
        suggest: Sequence[str] = (),
        kind: str = "",
        unit: str | None = None,
    ) -> Row:
        key = str(path[-1])
        info = model.model_fields[key]
        shape, detail = fields.shape_of(info.annotation)
        value = self._value(path)
        row = Row(
            path,
            fields.label_of(key),
            fields.control_of(shape, key),
            {"list": "list", "numbers": "numbers", "number": "number", "flag": "flag"}.get(shape, "text"),
            fields.said(value),
            fields.unit_of(key) if unit is None else unit,
            fields.help_of(info),
            fields.other_unit(key, value, self.shown),
            needed=info.is_required(),
            faults=self._take(path, below=shape in {"list", "numbers"}),
            line=self.lines.get(path, 0),
        )  # fmt: skip
        if shape == "flag":
            row.value = "true" if value is True else ""
        default = info.default
        if shape == "choice" or options is not None:
            words = tuple(options if options is not None else detail)
            usual = none
            if usual is None and not info.is_required():
                usual = f"as usual: {default}" if default not in (None, "") else "not given"
            row.control = "choice"
            row.options = fields.choices(words, row.value, none=usual)
            if row.needed and not row.value:
                row.options = (Option("", "choose", chosen=True), *row.options)
        elif shape in {"number", "text"} and default not in (None, "") and not info.is_required():
            row.hint = row.hint or f"{fields.said(default)} when left out"
        if suggest:
            row.control, row.options = "suggest", tuple(Option(w, w) for w in suggest)
        row.kind = kind or row.kind
        return row

    def _model(
        self,
        model: type[BaseModel],
        path: KeyPath,
        *,
        first: Sequence[str] | None = None,
        skip: Sequence[str] = (),
    ) -> list[Any]:
        """Return a row for each key: ``first`` at once, the others under "more"."""
        names = [n for n in model.model_fields if n not in skip]
        shown = names if first is None else [n for n in first if n in names]
        out = [self._any(model, (*path, n)) for n in shown]
        rest = [self._any(model, (*path, n)) for n in names if n not in shown]
        if rest:
            more = Group(path, "More", rest)
            more.open = any(self._has_fault(n) for n in rest)
            more.words = ", ".join(getattr(n, "label", None) or n.title for n in rest[:4])
            more.words += " …" if len(rest) > 4 else ""
            more.id = "more-" + "-".join(str(p) for p in path)
            out.append(more)
        return out

    def _has_fault(self, node: Any) -> bool:
        inner = getattr(node, "nodes", None) or getattr(node, "items", None) or ()
        return bool(node.faults) or any(self._has_fault(n) for n in inner)

    def _any(self, model: type[BaseModel], path: KeyPath) -> Any:
        key = str(path[-1])
        info = model.model_fields[key]
        shape, detail = fields.shape_of(info.annotation)
        if key == "on":
            return self._on(model, path)
        if shape == "model":
            return self._group(detail, path)
        if shape == "models":
            return self._items(detail, path)
        if shape == "pairs":
            return self._pairs(info, path)
        if key == "channel" and "instruments" in path:
            return self._row(model, path, suggest=self.parts.names)
        return self._row(model, path)

    def _group(self, model: type[BaseModel], path: KeyPath) -> Group | Absent:
        key = str(path[-1])
        if self._value(path) is None and not fields.faults_at(self.faults, path, below=True):
            return Absent(path, fields.label_of(key), (model.__doc__ or "").split("\n", 1)[0])
        group = Group(path, fields.label_of(key), self._model(model, path))
        group.id = "part-" + "-".join(str(p) for p in path)
        group.faults = self._take(path)
        group.open = self._has_fault(group)
        group.words = "given"
        return group

    def _items(self, model: type[BaseModel], path: KeyPath, *, add: str = "") -> Items:
        cards = []
        found = self._value(path)
        for i, one in enumerate(found if isinstance(found, list) else ()):
            card = Group((*path, i), f"{fields.label_of(str(path[-1])).removesuffix('s')} {i + 1}")
            card.nodes = self._model(model, (*path, i))
            card.words = (
                ", ".join(f"{k} {fields.said(v)}" for k, v in list(one.items())[:4])
                if isinstance(one, dict)
                else ""
            )
            self._finish(card)
            cards.append(card)
        word = add or f"Add to {fields.label_of(str(path[-1])).lower()}"
        return Items(path, cards, word, self._take(path))

    def _finish(self, card: Group) -> None:
        card.moves = True
        card.id = "item-" + "-".join(str(p) for p in card.path)
        card.faults = self._take(card.path)
        card.count = len(fields.faults_at(self.faults, card.path, below=True))
        card.open = card.count > 0

    def _pairs(self, info: Any, path: KeyPath) -> Pairs:
        found = self._value(path)
        rows = (
            tuple((str(k), fields.said(v)) for k, v in found.items())
            if isinstance(found, dict)
            else ()
        )
        return Pairs(
            path,
            fields.label_of(str(path[-1])),
            fields.help_of(info),
            rows,
            self.parts.names,
            self._take(path, below=True),
        )

    def _on(self, model: type[BaseModel], path: KeyPath, *, none: str | None = None) -> Row:
        row = self._row(model, path, options=())
        value = self._value(path)
        named = isinstance(value, list)
        roles = list(dict.fromkeys(r for r in (*self.parts.roles, *map(str, Role)) if r))
        there = [r for r in map(str, Role) if r in self.parts.roles]
        options = [
            Option(r, f"all of role {r}", value == r) for r in roles if r in there or r == value
        ]
        if not model.model_fields["on"].is_required():
            words = none or "every channel it makes sense for"
            options.insert(0, Option("", words, value is None))
        options.append(Option(NAMED, "these channels", named))
        if isinstance(value, str) and value not in {o.value for o in options}:
            options.insert(0, Option(value, f"{value} (not known)", chosen=True))
        row.control, row.kind = "on", "on"
        row.faults = self._take(path, below=True)
        row.options = tuple(options)
        row.value = NAMED if named else str(value or "")
        row.covered = (
            tuple(str(v) for v in value) if isinstance(value, list) else self._covered(value)
        )
        return row

    def _covered(self, role: object) -> tuple[str, ...]:
        rows = self.data.get("channels")
        channels = [c for c in rows if isinstance(c, dict)] if isinstance(rows, list) else []
        return tuple(
            str(c.get("name", "")) for c in channels if role is None or c.get("role") == role
        )

    # sections -----------------------------------------------------------------------------

    def _test(self) -> list[Any]:
        rows = [self._row(nouns.Plan, (k,)) for k in ("title", "purpose")]
        more = Group((), "Cautions and sources", [])
        more.nodes = [
            self._row(nouns.Plan, (k,)) for k in ("cautions", "sources", "preset", "format")
        ]
        for row in more.nodes[:2]:
            row.hint = "one a line"
        more.id = "more-test"
        more.words = f"{len(self._list('cautions'))} cautions, {len(self._list('sources'))} sources"
        more.open = self._has_fault(more)
        return [*rows, more]

    def _list(self, key: str) -> list[Any]:
        found = self.data.get(key)
        return found if isinstance(found, list) else []

    def _oven(self) -> list[Any]:
        path: KeyPath = ("oven",)
        tunnel = self.parts.kind == "tunnel"
        model = nouns.TunnelOven if tunnel else nouns.ChamberOven
        kind = self._row(model, ("oven", "kind"), options=("tunnel", "chamber"), kind="become")
        kind.label = "Kind of oven"
        kind.help = (
            "In a tunnel product travels on a belt through zones; in a chamber it stands still."
        )
        if not tunnel:
            return [kind, *self._model(model, path, skip=("kind",))]
        rows = [self._row(model, ("oven", k)) for k in ("name", "belt_speed_m_min", "belt_width_m")]
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
                self._row(nouns.Zone, (*at, "name"), kind="name"),
                self._row(nouns.Zone, (*at, "length_m")),
                self._row(nouns.Zone, (*at, "setpoint_c")),
            ]
            self._finish(card)
            if isinstance(one, dict):
                card.words = f"{fields.said(one.get('length_m'))} m, {fields.said(one.get('setpoint_c')) or '–'} °C"
            zones.append(card)
        items = Items(("oven", "zones"), zones, "Add a zone", self._take(("oven", "zones")))
        return [kind, *rows, items]

    def _zones(self) -> list[Any]:
        found = value_of(self.parts, ("oven",)).get("zones")
        return found if isinstance(found, list) else []

    def _product(self) -> list[Any]:
        first = ("name", "mass_kg", "shape", "half_size_m", "start_c", "moisture", "end_moisture")
        return self._model(nouns.Product, ("product",), first=first)

    def _recording(self) -> list[Any]:
        path: KeyPath = ("recording",)
        nodes = [self._row(nouns.Recording, (*path, k)) for k in ("interval_s", "duration_s")]
        stop = Group((*path, "stop"), "It ends by itself")
        at = (*path, "stop")
        stop.nodes = [
            self._row(nouns.Stop, (*at, "after_s")),
            self._row(nouns.Stop, (*at, "channel"), options=self.parts.names, none="no channel"),
            self._row(nouns.Stop, (*at, "reaches_c")),
            self._row(nouns.Stop, (*at, "all_below_c")),
        ]
        stop.nodes[1].label = "When channel"
        stop.id, stop.faults = "part-recording-stop", self._take(at)
        stop.open = bool(self._value(at)) or self._has_fault(stop)
        stop.words = self._stop_words()
        rest = [self._row(nouns.Recording, (*path, k)) for k in ("load_in_s", "load_out_s")]
        battery = self._group(nouns.Battery, (*path, "battery"))
        more = Group(path, "More", [*rest, battery], words="load-in and load-out known, battery")
        more.id, more.open = "more-recording", self._has_fault(battery)
        return [*nodes, stop, more]

    def _stop_words(self) -> str:
        stop = self._value(("recording", "stop"))
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

    def _channels(self) -> list[Any]:
        cards = []
        zones = [n for _, n in self.parts.zones]
        lanes = lanes_of(self.parts.channels)
        modules = tuple(
            dict.fromkeys(
                str(c["module"])
                for c in self._list("channels")
                if isinstance(c, dict) and c.get("module")
            )
        )
        for i, one in enumerate(self._list("channels")):
            path: KeyPath = ("channels", i)
            raw = one if isinstance(one, dict) else {}
            sensor = str(raw.get("sensor", ""))
            known = tolerance.classes(sensor)
            place = (*path, "place")
            spot = [self._row(nouns.Place, (*place, "lane"), suggest=lanes)]
            if self.parts.kind == "tunnel":
                spot.append(
                    self._row(nouns.Place, (*place, "zone"), options=zones, none="rides along")
                )
            spot += [
                self._row(nouns.Place, (*place, k))
                for k in ("x_m", "y_m", "z_m", "depth_m", "uncertainty_k", "note")
            ]
            card = Group(path, str(raw.get("name", "")) or f"Channel {i + 1}", look=i)
            where = Group(place, "Place", spot, open=True)
            where.id, where.faults = f"place-{i}", self._take(place)
            card.nodes = [
                self._row(nouns.Channel, (*path, "name"), kind="name"),
                self._row(nouns.Channel, (*path, "role")),
                self._row(nouns.Channel, (*path, "sensor")),
                self._row(nouns.Channel, (*path, "tolerance"), options=known, none="not known")
                if known or raw.get("tolerance")
                else self._row(
                    nouns.Channel, (*path, "tolerance"), options=(), none="none for this sensor"
                ),
                self._row(nouns.Channel, (*path, "module"), suggest=modules),
                self._row(nouns.Channel, (*path, "time_constant_s")),
                where,
                *self._channel_more(path, sensor, str(raw.get("role", ""))),
            ]
            self._finish(card)
            card.words = self._channel_words(raw)
            cards.append(card)
        return [Items(("channels",), cards, "Add a channel", self._take(("channels",)))]

    def _channel_more(self, path: KeyPath, sensor: str, role: str) -> list[Any]:
        shown = {"name", "role", "sensor", "tolerance", "module", "time_constant_s", "place"}
        nodes: list[Any] = []
        rest: list[Any] = []
        for key in nouns.Channel.model_fields:
            if key in shown:
                continue
            node = self._any(nouns.Channel, (*path, key))
            wanted = (key == sensor) or (key == "body" and role == "body")
            if wanted and isinstance(node, Group):
                node.open = True
            (nodes if wanted else rest).append(node)
        more = Group(
            path, "More", rest, words="certificate, restated type, heading in the readings …"
        )
        more.id = f"more-channel-{path[-1]}"
        more.open = any(self._has_fault(n) for n in rest)
        return [*nodes, more]

    def _channel_words(self, raw: Mapping[str, Any]) -> str:
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

    def _requirements(self) -> list[Any]:
        cards = []
        measures = declared_measures()
        for i, one in enumerate(self._list("requirements")):
            path: KeyPath = ("requirements", i)
            raw = one if isinstance(one, dict) else {}
            card = Group(path, str(raw.get("name", "")) or f"Requirement {i + 1}")
            measure = measures.get(str(raw.get("measure", "")))
            unit = fields.sign_of(measure.unit.value) if measure is not None else ""
            chooser = self._row(nouns.Requirement, (*path, "measure"), options=tuple(measures))
            chooser.options = tuple(
                Option(
                    o.value, measures[o.value].title if o.value in measures else o.label, o.chosen
                )
                for o in chooser.options
            )
            chooser.help = (
                f"{measure.help} {measure.missing}".strip() if measure is not None else chooser.help
            )
            card.nodes = [
                self._row(nouns.Requirement, (*path, "name")),
                chooser,
                self._on(nouns.Requirement, (*path, "on")),
                *(self._parameter(path, p, raw) for p in (measure.parameters if measure else ())),
                self._row(nouns.Requirement, (*path, "at_least"), unit=unit),
                self._row(nouns.Requirement, (*path, "at_most"), unit=unit),
                *self._model(
                    nouns.Requirement,
                    path,
                    first=("safety", "source", "caution"),
                    skip=("name", "measure", "on", "parameters", "at_least", "at_most"),
                ),
            ]
            self._finish(card)
            extra = self._take((*path, "parameters"), below=True)
            card.faults = (*card.faults, *(f for f in extra if f not in self._shown(card)))
            card.card = self._basis(measure, raw)
            card.words = self._requirement_words(measure, raw, unit)
            cards.append(card)
        return [Items(("requirements",), cards, "Add a requirement", self._take(("requirements",)))]

    def _shown(self, card: Group) -> list[Fault]:
        return [f for n in card.nodes for f in n.faults]

    def _parameter(self, path: KeyPath, p: Parameter, raw: Mapping[str, Any]) -> Row:
        at = (*path, "parameters", p.name)
        given = raw.get("parameters")
        value = given.get(p.name) if isinstance(given, dict) else None
        row = Row(
            at,
            fields.label_of(p.name),
            "number" if p.kind is Kind.NUMBER else "text",
            "number" if p.kind is Kind.NUMBER else "text",
            fields.said(value),
            fields.sign_of(p.unit.value) if p.unit is not None else fields.unit_of(p.name),
            p.help,
            fields.other_unit(p.name, value, self.shown),
            needed=p.required and p.default is None,
            faults=self._take(at),
            line=self.lines.get(at, 0),
        )
        usual = (
            f"as usual: {fields.said(p.default)}"
            if p.default is not None
            else "choose"
            if row.needed
            else "not given"
        )
        if p.default is not None and p.kind is Kind.NUMBER:
            row.hint = row.hint or f"{fields.said(p.default)} when left out"
        if p.kind is Kind.KINETICS:
            known = {
                k: f"{v.title()}: {v.figures()}"
                for k, v in self.library.kinetics.items()
                if not p.models or v.model in p.models
            }
            row.control = "choice"
            row.options = _titled(known, row.value, usual)
        elif p.kind is Kind.TABLE:
            row.control = "choice"
            row.options = _titled(
                {k: t.title for k, t in self.library.tables.items()}, row.value, usual
            )
        elif p.choices:
            row.control = "choice"
            row.options = fields.choices(p.choices, row.value, none=usual)
        return row

    def _basis(self, measure: Measure | None, raw: Mapping[str, Any]) -> dict[str, Any] | None:
        """Return what the kinetics or table chosen rest on: it is shown wherever they decide."""
        given = raw.get("parameters")
        given = given if isinstance(given, dict) else {}
        for p in measure.parameters if measure is not None else ():
            name = str(given.get(p.name, p.default or ""))
            if p.kind is Kind.KINETICS and name in self.library.kinetics:
                return _kinetics_card(self.library.kinetics[name])
            if p.kind is Kind.TABLE and name in self.library.tables:
                return _table_card(self.library.tables[name])
        return None

    def _requirement_words(self, measure: Measure | None, raw: Mapping[str, Any], unit: str) -> str:
        on = raw.get("on")
        said = [measure.title if measure is not None else str(raw.get("measure", ""))]
        if on:
            said.append(on if isinstance(on, str) else ", ".join(map(str, on)))
        for key, words in (("at_least", "at least"), ("at_most", "at most")):
            if key in raw:
                said.append(f"{words} {fields.said(raw[key])} {unit}".strip())
        if raw.get("safety") is True:
            said.append("safety")
        return " · ".join(said)

    def _crossings(self) -> list[Any]:
        cards = []
        for i, one in enumerate(self._list("crossings")):
            path: KeyPath = ("crossings", i)
            raw = one if isinstance(one, dict) else {}
            on = raw.get("on", "")
            who = on if isinstance(on, str) else ", ".join(map(str, on))
            card = Group(
                path, str(raw.get("name", "")) or f"{who} {fields.said(raw.get('level_c'))} °C"
            )
            card.nodes = self._model(nouns.CrossingWish, path)
            self._finish(card)
            cards.append(card)
        return [Items(("crossings",), cards, "Add a temperature", self._take(("crossings",)))]

    def _alarms(self) -> list[Any]:
        cards = []
        conditions = ("above_c", "below_c", "rises_k_min", "falls_k_min", "silent_s")
        for i, one in enumerate(self._list("alarms")):
            path: KeyPath = ("alarms", i)
            raw = one if isinstance(one, dict) else {}
            card = Group(path, str(raw.get("name", "")) or f"Alarm {i + 1}")
            card.nodes = [
                self._row(Alarm, (*path, "name")),
                self._on(Alarm, (*path, "on"), none="every channel"),
                *(self._row(Alarm, (*path, c)) for c in conditions),
                *self._model(
                    Alarm, path, first=("lasting_s", "back_k"), skip=("name", "on", *conditions)
                ),
            ]
            self._finish(card)
            given = [c for c in conditions if c in raw]
            card.words = ", ".join(
                f"{fields.label_of(c).lower()} {fields.said(raw[c])} {fields.unit_of(c)}"
                for c in given
            )
            cards.append(card)
        note = "One condition each: above, below, rising, falling or silent."
        return [Items(("alarms",), cards, "Add an alarm", self._take(("alarms",)), note)]

    def _instruments(self) -> list[Any]:
        cards = []
        for i, one in enumerate(self._list("instruments")):
            path: KeyPath = ("instruments", i)
            raw = one if isinstance(one, dict) else {}
            said = str(raw.get("kind", ""))
            model = _SOURCES.get(said)
            card = Group(path, str(raw.get("name", "")) or f"{said or 'Instrument'} {i + 1}")
            if model is None:
                kind = self._row(
                    _SOURCES["mqtt"], (*path, "kind"), options=tuple(_SOURCES), kind="become"
                )
                card.nodes = [kind]
            else:
                kind = self._row(model, (*path, "kind"), options=tuple(_SOURCES), kind="become")
                needed = [
                    n for n, f in model.model_fields.items() if f.is_required() and n != "kind"
                ]
                many = [
                    n
                    for n in ("channels", "registers", "nodes", "fields")
                    if n in model.model_fields
                ]
                first = tuple(dict.fromkeys(("name", *needed, *many)))
                card.nodes = [kind, *self._model(model, path, first=first, skip=("kind",))]
            self._finish(card)
            card.words = " · ".join(
                s for s in (said, str(raw.get("host", raw.get("url", raw.get("port", ""))))) if s
            )
            cards.append(card)
        note = "Without an instrument, readings are brought in from a file."
        return [
            Items(("instruments",), cards, "Add an instrument", self._take(("instruments",)), note)
        ]


def _titled(known: Mapping[str, str], chosen: str, none: str) -> tuple[Option, ...]:
    options = [Option("", none, not chosen)]
    options += [Option(k, f"{t} [{k}]", k == chosen) for k, t in known.items()]
    if chosen and chosen not in known:
        options.append(Option(chosen, f"{chosen} (not known here)", chosen=True))
    return tuple(options)


def _kinetics_card(found: Kinetics) -> dict[str, Any]:
    low, high = found.valid_c
    return {
        "title": found.title(),
        "figures": found.figures(),
        "range": f"measured from {low:g} to {high:g} °C",
        "source": f"{found.source} [{found.evidence.value}]",
        "note": " ".join(n for n in (found.caution, found.note) if n),
        "organism": found.organism,
        "rows": (),
    }


def _table_card(found: DwellTable) -> dict[str, Any]:
    return {
        "title": found.title,
        "figures": f"temperatures of the {found.basis.value}",
        "range": "",
        "source": f"{found.source} [{found.evidence.value}]",
        "note": " ".join(n for n in (found.caution, found.note) if n),
        "organism": found.organism,
        "rows": tuple((r.temp_c, r.time_s) for r in found.rows),
    }
