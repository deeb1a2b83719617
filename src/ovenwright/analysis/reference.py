"""The reference page of the measures, written from their declarations."""

from __future__ import annotations

import math

from ovenwright.analysis.declaration import Kind, Measure, Parameter
from ovenwright.analysis.registry import declared_measures
from ovenwright.domain.results import Unit

_HEAD = """# Measures

What a requirement can ask for. This page is written from the declarations in
`src/ovenwright/analysis/measures`; mend it there and write it anew with
`python docs/generate.py`.

A measure of *each channel* gives one value a channel; the worst decides unless the requirement
says otherwise. A measure of *all channels together* gives one value for those it is on. Times run
from load-in to load-out unless said otherwise; readings up to 2.5 sampling intervals apart are
joined by a straight line, anything longer is a gap that no value is read across. Every value
carries Monte Carlo draws of the channel's error budget: an error shared by a module is drawn once
for all its channels, that of a channel once for the channel, noise apart for each reading. A
sensor's time constant is a one-sided bound: what it shows came up to that much earlier.
"""


def measures_page() -> str:
    """Return the page as Markdown."""
    parts = [_HEAD]
    parts.append("| measure | unit | of | what |\n| --- | --- | --- | --- |")
    for name, measure in declared_measures().items():
        of = "each channel" if measure.of_channel is not None else "all together"
        parts.append(f"| [`{name}`](#{name}) | {_unit(measure.unit)} | {of} | {measure.title} |")
    parts.extend(_section(name, measure) for name, measure in declared_measures().items())
    return "\n".join(parts) + "\n"


def _unit(unit: Unit) -> str:
    return {Unit.CELSIUS: "°C", Unit.ONE: "share or ratio"}.get(unit, unit.value)


def _section(name: str, measure: Measure) -> str:
    lines = [f"\n## {name}\n", f"{measure.title}, in {_unit(measure.unit)}, of {measure.covers}."]
    lines.append(f"\n{measure.help}\n")
    lines.append(f"- Needs: {measure.inputs}.")
    if measure.roles:
        roles = ", ".join(role.value for role in measure.roles)
        lines.append(f"- On, when the requirement names nothing: {roles} channels.")
    if measure.never:
        roles = ", ".join(role.value for role in measure.never)
        lines.append(f"- Refused on: {roles} channels.")
    lines.append(f"- Missing readings: {measure.missing}")
    lines.append(f"- Source: {measure.source}.")
    if measure.parameters:
        lines.append("\n| parameter | is | needed | meaning |\n| --- | --- | --- | --- |")
        lines.extend(_row(parameter) for parameter in measure.parameters)
    return "\n".join(lines)


def _row(parameter: Parameter) -> str:
    what = parameter.kind.value if parameter.unit is None else f"number, {_unit(parameter.unit)}"
    if parameter.kind is Kind.WORD:
        what = " or ".join(f"`{c}`" for c in parameter.choices)
    if parameter.kind is Kind.KINETICS and parameter.models:
        what += f" ({', '.join(m.value for m in parameter.models)})"
    if parameter.required:
        needed = "yes"
    elif parameter.default is None:
        needed = "no"
    else:
        needed = f"no, {parameter.default}"
    bounds = ""
    if math.isfinite(parameter.low) and parameter.low != -273.15:
        bounds = f"; {'above' if parameter.above_low else 'at least'} {parameter.low:g}"
    if math.isfinite(parameter.high):
        bounds += f", at most {parameter.high:g}"
    return f"| `{parameter.name}` | {what}{bounds} | {needed} | {parameter.help} |"
