"""The rows, groups and lists a plan's form is made of, each with its faults and its line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.run import Role
from ovenwright.errors import Fault
from ovenwright.reporting.words import Shown
from ovenwright.storage.plan_draft import draft_of
from ovenwright.web import plan_fields as fields
from ovenwright.web.plan_fields import Absent, Group, Items, KeyPath, Option, Pairs, Row
from ovenwright.workflow.plan_drafting import Draft

NAMED = "@named"
"""The choice "these channels" of a row that asks whom something is asked of."""


class PlanRows:
    """Makes the pieces of one draft's form.

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

    def take(self, path: KeyPath, *, below: bool = False) -> tuple[Fault, ...]:
        """Return the faults of one key and remember that they are shown."""
        found = fields.faults_at(self.faults, path, below=below)
        self.told |= {id(f) for f in found}
        return found

    def value(self, path: KeyPath) -> Any:
        """Return what stands at a path of the plan, None where nothing does."""
        here: Any = self.data
        for key in path:
            try:
                here = here[key]
            except (KeyError, IndexError, TypeError):
                return None
        return here

    def row(
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
        """Return one key as a row of the form."""
        key = str(path[-1])
        info = model.model_fields[key]
        shape, detail = fields.shape_of(info.annotation)
        value = self.value(path)
        row = Row(
            path,
            fields.label_of(key),
            fields.control_of(shape, key),
            {"list": "list", "numbers": "numbers", "number": "number", "flag": "flag"}.get(shape, "text"),
            fields.said(value),
            fields.unit_of(key) if unit is None else unit,
            fields.help_of(info, fields.label_of(key)),
            fields.other_unit(key, value, self.shown),
            needed=info.is_required(),
            faults=self.take(path, below=shape in {"list", "numbers"}),
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

    def model(
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
        out = [self.node(model, (*path, n)) for n in shown]
        rest = [self.node(model, (*path, n)) for n in names if n not in shown]
        if rest:
            more = Group(path, "More", rest)
            more.open = any(self.has_fault(n) for n in rest)
            more.words = ", ".join(getattr(n, "label", None) or n.title for n in rest[:4])
            more.words += " …" if len(rest) > 4 else ""
            more.id = "more-" + "-".join(str(p) for p in path)
            out.append(more)
        return out

    def has_fault(self, node: Any) -> bool:
        """Tell whether a piece of the form, or anything in it, shows a fault."""
        inner = getattr(node, "nodes", None) or getattr(node, "items", None) or ()
        return bool(node.faults) or any(self.has_fault(n) for n in inner)

    def node(self, model: type[BaseModel], path: KeyPath) -> Any:
        """Return a key as whatever its model makes it: row, group, list or table of pairs."""
        key = str(path[-1])
        info = model.model_fields[key]
        shape, detail = fields.shape_of(info.annotation)
        if key == "on":
            return self.on(model, path)
        if shape == "model":
            return self.group(detail, path)
        if shape == "models":
            return self.items(detail, path)
        if shape == "pairs":
            return self.pairs(info, path)
        if key == "channel" and "instruments" in path:
            return self.row(model, path, suggest=self.parts.names)
        return self.row(model, path)

    def group(self, model: type[BaseModel], path: KeyPath) -> Group | Absent:
        """Return a table of the plan, or the offer to add it where it is not there."""
        key = str(path[-1])
        if self.value(path) is None and not fields.faults_at(self.faults, path, below=True):
            return Absent(path, fields.label_of(key), (model.__doc__ or "").split("\n", 1)[0])
        group = Group(path, fields.label_of(key), self.model(model, path))
        group.id = "part-" + "-".join(str(p) for p in path)
        group.faults = self.take(path)
        group.open = self.has_fault(group)
        group.words = "given"
        return group

    def items(self, model: type[BaseModel], path: KeyPath, *, add: str = "") -> Items:
        """Return a list of tables, a card each."""
        cards = []
        found = self.value(path)
        for i, one in enumerate(found if isinstance(found, list) else ()):
            card = Group((*path, i), f"{fields.label_of(str(path[-1])).removesuffix('s')} {i + 1}")
            card.nodes = self.model(model, (*path, i))
            card.words = (
                ", ".join(f"{k} {fields.said(v)}" for k, v in list(one.items())[:4])
                if isinstance(one, dict)
                else ""
            )
            self.finish(card)
            cards.append(card)
        word = add or f"Add to {fields.label_of(str(path[-1])).lower()}"
        return Items(path, cards, word, self.take(path))

    def finish(self, card: Group) -> None:
        """Give a card what every card of a list has: an id, its faults and its tools."""
        card.moves = True
        card.id = "item-" + "-".join(str(p) for p in card.path)
        card.faults = self.take(card.path)
        card.count = len(fields.faults_at(self.faults, card.path, below=True))
        card.open = card.count > 0

    def pairs(self, info: Any, path: KeyPath) -> Pairs:
        """Return a table of free keys."""
        found = self.value(path)
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
            self.take(path, below=True),
        )

    def on(self, model: type[BaseModel], path: KeyPath, *, none: str | None = None) -> Row:
        """Return whom something is asked of: a role, or channels by name."""
        row = self.row(model, path, options=())
        value = self.value(path)
        named = isinstance(value, list)
        options = [
            Option(r, f"all of role {r}", value == r)
            for r in map(str, Role)
            if r in self.parts.roles or r == value
        ]
        if not model.model_fields["on"].is_required():
            words = none or "every channel it makes sense for"
            options.insert(0, Option("", words, value is None))
        options.append(Option(NAMED, "these channels", named))
        if isinstance(value, str) and value not in {o.value for o in options}:
            options.insert(0, Option(value, f"{value} (not known)", chosen=True))
        row.control, row.kind = "on", "on"
        row.faults = self.take(path, below=True)
        row.options = tuple(options)
        row.value = NAMED if named else str(value or "")
        row.covered = (
            tuple(str(v) for v in value) if isinstance(value, list) else self.covered(value)
        )
        return row

    def covered(self, role: object) -> tuple[str, ...]:
        """Return the channels of a role, all of them for None."""
        rows = self.data.get("channels")
        channels = [c for c in rows if isinstance(c, dict)] if isinstance(rows, list) else []
        return tuple(
            str(c.get("name", "")) for c in channels if role is None or c.get("role") == role
        )

    def tables(self, key: str) -> list[Any]:
        """Return a list of the plan, empty where it has none."""
        found = self.data.get(key)
        return found if isinstance(found, list) else []
