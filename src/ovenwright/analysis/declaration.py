"""How a measure is declared: once, in one file, with all that a plan, a page or a verdict needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from ovenwright.analysis.subject import Group, Subject
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import DwellTable, Kinetics, Model
from ovenwright.domain.results import Unit
from ovenwright.domain.run import Role


class Kind(StrEnum):
    """What a parameter is."""

    NUMBER = "number"
    WORD = "word"
    KINETICS = "kinetics id"
    TABLE = "table id"


@dataclass(frozen=True, slots=True)
class Parameter:
    """One parameter of a measure."""

    name: str
    help: str
    kind: Kind = Kind.NUMBER
    unit: Unit | None = None
    required: bool = True
    default: float | str | None = None
    low: float = -math.inf
    high: float = math.inf
    above_low: bool = False
    choices: tuple[str, ...] = ()
    models: tuple[Model, ...] = ()
    """For kinetics: the forms this measure can use."""


@dataclass(frozen=True, slots=True)
class Values:
    """The parameters of one requirement, looked up."""

    numbers: Mapping[str, float] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    kinetics: Kinetics | None = None
    table: DwellTable | None = None

    def number(self, name: str) -> float:
        """Return a number that is known to be there."""
        return self.numbers[name]


@dataclass(frozen=True, slots=True)
class Finding:
    """What a measure's function returns.

    ``samples`` (m,) are draws of the value. ``rests_on`` are the stretches of time whose readings
    it comes from. ``higher`` and ``lower`` say in plain words why the true value could lie above
    or below because of readings that are not there, and are empty where it can't matter.
    """

    value: float
    samples: FloatArray
    at_s: float | None = None
    reason: str = ""
    rests_on: tuple[tuple[float, float], ...] = ()
    higher: str = ""
    lower: str = ""
    notes: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


class Covers(StrEnum):
    """What one value of a measure is about."""

    CHANNEL = "each channel"
    GROUP = "all channels it is on, together"


ChannelFunction = Callable[[Subject, Values], Finding]
GroupFunction = Callable[[Group, Values], Finding]
Check = Callable[[Values], str]


@dataclass(frozen=True, slots=True)
class Measure:
    """A number that can be asked of a profile.

    ``inputs`` says in words what it needs, ``missing`` what it does about readings that are not
    there, ``roles`` whose channels it makes sense for and takes when a plan names none (empty:
    any), ``never`` the roles whose channels it must not be asked of. ``check`` looks at parameters together and returns what is wrong with them, or nothing.
    """

    name: str
    title: str
    unit: Unit
    help: str
    inputs: str
    missing: str
    parameters: tuple[Parameter, ...] = ()
    of_channel: ChannelFunction | None = None
    of_group: GroupFunction | None = None
    roles: tuple[Role, ...] = ()
    never: tuple[Role, ...] = ()
    check: Check | None = None
    source: str = "definition"
    lowest: float = -math.inf
    highest: float = math.inf

    @property
    def covers(self) -> Covers:
        """Whether it gives one value a channel or one for the group."""
        return Covers.CHANNEL if self.of_channel is not None else Covers.GROUP


def nothing(reason: str, *, rests_on: tuple[tuple[float, float], ...] = ()) -> Finding:
    """Return a finding that can't be evaluated."""
    return Finding(math.nan, np.zeros(0), reason=reason, rests_on=rests_on)
