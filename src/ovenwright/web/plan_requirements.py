"""The cards of a plan's requirements: measure, whom it is asked of, its numbers and what they rest on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ovenwright.analysis.declaration import Kind, Measure, Parameter
from ovenwright.analysis.registry import declared_measures
from ovenwright.domain import plan as nouns
from ovenwright.domain.kinetics import DwellTable, Kinetics
from ovenwright.errors import Fault
from ovenwright.web import plan_fields as fields
from ovenwright.web.plan_fields import Group, Items, KeyPath, Option, Row
from ovenwright.web.plan_rows import PlanRows


def requirement_items(form: PlanRows) -> list[Any]:
    """Return the requirements of a plan as cards, with the kinetics or table each rests on."""
    cards = []
    measures = declared_measures()
    for i, one in enumerate(form.tables("requirements")):
        path: KeyPath = ("requirements", i)
        raw = one if isinstance(one, dict) else {}
        card = Group(path, str(raw.get("name", "")) or f"Requirement {i + 1}")
        measure = measures.get(str(raw.get("measure", "")))
        unit = fields.sign_of(measure.unit.value) if measure is not None else ""
        chooser = form.row(nouns.Requirement, (*path, "measure"), options=tuple(measures))
        chooser.options = tuple(
            Option(o.value, measures[o.value].title if o.value in measures else o.label, o.chosen)
            for o in chooser.options
        )
        chooser.help = measure.help if measure is not None else chooser.help
        chooser.wide = True
        card.nodes = [
            form.row(nouns.Requirement, (*path, "name")),
            chooser,
            form.on(nouns.Requirement, (*path, "on")),
            *(_parameter(form, path, p, raw) for p in (measure.parameters if measure else ())),
            form.row(nouns.Requirement, (*path, "at_least"), unit=unit),
            form.row(nouns.Requirement, (*path, "at_most"), unit=unit),
            *form.model(
                nouns.Requirement,
                path,
                first=("safety", "source", "caution"),
                skip=("name", "measure", "on", "parameters", "at_least", "at_most"),
            ),
        ]
        form.finish(card)
        extra = form.take((*path, "parameters"), below=True)
        card.faults = (*card.faults, *(f for f in extra if f not in _shown(card)))
        card.card = _basis(form, measure, raw)
        card.words = _requirement_words(measure, raw, unit)
        cards.append(card)
    return [Items(("requirements",), cards, "Add a requirement", form.take(("requirements",)))]


def _shown(card: Group) -> list[Fault]:
    return [f for n in card.nodes for f in n.faults]


def _parameter(form: PlanRows, path: KeyPath, p: Parameter, raw: Mapping[str, Any]) -> Row:
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
        fields.other_unit(p.name, value, form.shown),
        needed=p.required and p.default is None,
        faults=form.take(at),
        line=form.lines.get(at, 0),
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
            for k, v in form.library.kinetics.items()
            if not p.models or v.model in p.models
        }
        row.control, row.wide = "choice", True
        row.options = _titled(known, row.value, usual)
    elif p.kind is Kind.TABLE:
        row.control, row.wide = "choice", True
        row.options = _titled(
            {k: t.title for k, t in form.library.tables.items()}, row.value, usual
        )
    elif p.choices:
        row.control = "choice"
        row.options = fields.choices(p.choices, row.value, none=usual)
    return row


def _basis(
    form: PlanRows, measure: Measure | None, raw: Mapping[str, Any]
) -> dict[str, Any] | None:
    """Return what the kinetics or table chosen rest on: it is shown wherever they decide."""
    given = raw.get("parameters")
    given = given if isinstance(given, dict) else {}
    for p in measure.parameters if measure is not None else ():
        name = str(given.get(p.name, p.default or ""))
        if p.kind is Kind.KINETICS and name in form.library.kinetics:
            return _kinetics_card(form.library.kinetics[name])
        if p.kind is Kind.TABLE and name in form.library.tables:
            return _table_card(form.library.tables[name])
    return None


def _requirement_words(measure: Measure | None, raw: Mapping[str, Any], unit: str) -> str:
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
