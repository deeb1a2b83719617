"""Whether a requirement can be evaluated at all, and its parameters looked up."""

from __future__ import annotations

import math
from difflib import get_close_matches

from ovenwright.analysis.declaration import Kind, Measure, Parameter, Values
from ovenwright.analysis.registry import declared_measures
from ovenwright.domain.kinetics import Basis, DwellTable, Kinetics, ReferenceLibrary
from ovenwright.domain.plan import Plan, Requirement
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role
from ovenwright.errors import Fault, UnknownName

_SURROUNDINGS = (Role.AIR, Role.WALL, Role.AMBIENT)
_LIMITS: dict[Unit, tuple[float, float]] = {
    Unit.CELSIUS: (-273.15, 3000.0),
    Unit.SECOND: (0.0, math.inf),
    Unit.LOG10: (0.0, 1000.0),
}


def check_requirement(
    requirement: Requirement, plan: Plan, library: ReferenceLibrary
) -> tuple[Fault, ...]:
    """Return everything that keeps a requirement from being evaluated.

    Parameters
    ----------
    requirement : the one to look at
    plan : the plan it stands in
    library : kinetics and tables at hand

    Returns
    -------
    faults whose ``path`` starts at the requirement, empty when all is well
    """
    measure = declared_measures().get(requirement.measure)
    if measure is None:
        return (_unknown_measure(requirement.measure),)
    values, faults = look_up(measure, requirement, library)
    if not faults and measure.check is not None:
        wrong = measure.check(values)
        if wrong:
            faults.append(Fault(("parameters",), wrong, f"see measure {measure.name!r}"))
    faults.extend(_wrong_channels(measure, requirement, plan))
    faults.extend(_wrong_roles(measure, requirement, plan, values.table))
    faults.extend(_wrong_limits(measure, requirement))
    return tuple(faults)


def look_up(
    measure: Measure, requirement: Requirement, library: ReferenceLibrary
) -> tuple[Values, list[Fault]]:
    """Return a requirement's parameters with defaults filled in, and what is wrong with them."""
    faults: list[Fault] = []
    numbers: dict[str, float] = {}
    words: dict[str, str] = {}
    kinetics: Kinetics | None = None
    table: DwellTable | None = None
    known = {p.name: p for p in measure.parameters}
    faults.extend(_unknown_parameter(n, measure) for n in requirement.parameters if n not in known)
    for parameter in measure.parameters:
        given = requirement.parameters.get(parameter.name, parameter.default)
        path = ("parameters", parameter.name)
        if given is None:
            if parameter.required:
                faults.append(
                    Fault(
                        ("parameters",),
                        f"measure {measure.name!r} needs {parameter.name}: {parameter.help}",
                        f"add {parameter.name} = {_example(parameter)}",
                    )
                )
            continue
        try:
            if parameter.kind is Kind.NUMBER:
                numbers[parameter.name] = _number(parameter, given)
            elif parameter.kind is Kind.WORD:
                words[parameter.name] = _word(parameter, given)
            elif parameter.kind is Kind.TABLE:
                table = library.find_table(str(given))
            else:
                kinetics = _usable(parameter, library.find_kinetics(str(given)))
        except UnknownName as wrong:
            faults.append(Fault(path, wrong.what, wrong.remedy))
        except _Unfit as unfit:
            faults.append(Fault(path, unfit.what, unfit.remedy))
    return Values(numbers=numbers, words=words, kinetics=kinetics, table=table), faults


class _Unfit(Exception):
    """A parameter that won't do; never leaves this file."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy


def _number(parameter: Parameter, given: float | str) -> float:
    if isinstance(given, (str, bool)):
        raise _Unfit(f"{parameter.name} is {given!r}, not a number", f"give {_example(parameter)}")
    value = float(given)
    low_ok = value > parameter.low if parameter.above_low else value >= parameter.low
    if not (math.isfinite(value) and low_ok and value <= parameter.high):
        word = "above" if parameter.above_low else "at least"
        span = f"{word} {parameter.low:g}" if math.isfinite(parameter.low) else ""
        if math.isfinite(parameter.high):
            span += f"{' and ' if span else ''}at most {parameter.high:g}"
        raise _Unfit(f"{parameter.name} is {given}", f"give a number {span or 'that is finite'}")
    return value


def _word(parameter: Parameter, given: float | str) -> str:
    if given not in parameter.choices:
        choices = ", ".join(repr(c) for c in parameter.choices)
        raise _Unfit(f"{parameter.name} is {given!r}", f"give one of {choices}")
    return str(given)


def _usable(parameter: Parameter, kinetics: Kinetics) -> Kinetics:
    if parameter.models and kinetics.model not in parameter.models:
        names = " or ".join(m.value for m in parameter.models)
        raise _Unfit(
            f"kinetics {kinetics.id!r} have the form {kinetics.model.value!r}",
            f"name kinetics of the form {names}",
        )
    return kinetics


def _example(parameter: Parameter) -> str:
    if parameter.kind is Kind.NUMBER:
        return {
            Unit.CELSIUS: "a number in °C, for example 75.0",
            Unit.KELVIN: "a number in K, for example 10.0",
            Unit.SECOND: "a number in s, for example 30.0",
        }.get(parameter.unit or Unit.ONE, "a number")
    if parameter.kind is Kind.WORD:
        return " or ".join(f'"{c}"' for c in parameter.choices)
    return f'"…" (a {parameter.kind.value})'


def _unknown_measure(name: str) -> Fault:
    known = list(declared_measures())
    near = get_close_matches(name, known, n=3, cutoff=0.5)
    remedy = f"did you mean {' or '.join(near)}?" if near else f"known: {', '.join(known)}"
    return Fault(("measure",), f"no measure is called {name!r}", remedy)


def _unknown_parameter(name: str, measure: Measure) -> Fault:
    known = [p.name for p in measure.parameters]
    near = get_close_matches(name, known, n=1, cutoff=0.5)
    remedy = f"did you mean {near[0]}?" if near else f"it takes {', '.join(known) or 'none'}"
    return Fault(
        ("parameters", name), f"measure {measure.name!r} has no parameter {name!r}", remedy
    )


def chosen_channels(measure: Measure, requirement: Requirement, plan: Plan) -> tuple[str, ...]:
    """Return the channels a requirement is on; those of the measure's roles when it names none."""
    names = plan.names(requirement.on)
    if requirement.on is not None or not measure.roles:
        return names
    fitting = tuple(c.name for c in plan.channels if c.role in measure.roles)
    return fitting or names


def _wrong_channels(measure: Measure, requirement: Requirement, plan: Plan) -> list[Fault]:
    faults = []
    if isinstance(requirement.on, tuple):
        known = [c.name for c in plan.channels]
        for i, name in enumerate(requirement.on):
            if name not in known:
                near = get_close_matches(name, known, n=1, cutoff=0.5)
                remedy = f"did you mean {near[0]}?" if near else f"channels: {', '.join(known)}"
                faults.append(Fault(("on", i), f"no channel is called {name!r}", remedy))
    names = [n for n in chosen_channels(measure, requirement, plan) if plan.channel(n)]
    if not names:
        if isinstance(requirement.on, Role):
            faults.append(
                Fault(
                    ("on",),
                    f"no channel has the role {requirement.on.value!r}",
                    "give a channel that role, or name other channels",
                )
            )
        return faults
    return faults


def _wrong_roles(
    measure: Measure, requirement: Requirement, plan: Plan, table: DwellTable | None
) -> list[Fault]:
    """Return faults of channels that feel something else than the measure is about."""
    channels = [plan.channel(n) for n in chosen_channels(measure, requirement, plan)]
    faults = []
    for channel in channels:
        if channel is None:
            continue
        role = channel.role
        if Role.BODY in measure.roles and channel.body is None:
            faults.append(
                Fault(
                    ("on",),
                    f"measure {measure.name!r} is about a reference body; channel "
                    f"{channel.name!r} has none",
                    "name a channel of role body, with its [channels.body] table",
                )
            )
        elif role in measure.never or (
            table is not None and (table.basis is Basis.PRODUCT) == (role in _SURROUNDINGS)
        ):
            feels = "the product" if table is None else f"the {table.basis.value}"
            faults.append(
                Fault(
                    ("on",),
                    f"measure {measure.name!r} is about the temperature of {feels} here; channel "
                    f"{channel.name!r} has the role {role.value}",
                    "name channels that feel it",
                )
            )
    return faults


def _wrong_limits(measure: Measure, requirement: Requirement) -> list[Fault]:
    low, high = _LIMITS.get(measure.unit, (-math.inf, math.inf))
    low, high = max(low, measure.lowest), min(high, measure.highest)
    faults = []
    for name in ("at_least", "at_most"):
        limit = getattr(requirement, name)
        if limit is not None and not low <= limit <= high:
            faults.append(
                Fault(
                    (name,),
                    f"{name} is {limit:g}, but {measure.title.lower()} is given in "
                    f"{measure.unit.value} and lies from {low:g} to {high:g}",
                    "mend the limit or its unit",
                )
            )
    return faults
