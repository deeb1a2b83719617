"""What is known of how heat acts: kinetics of organisms and reactions, time-temperature tables."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from enum import StrEnum

from ovenwright.errors import OutOfRange, UnknownName


class Model(StrEnum):
    """Form of the law that turns a temperature history into an effect."""

    BIGELOW = "bigelow"  # log10 survivors fall straight at constant temperature: D and z
    WEIBULL = "weibull"  # they fall on a curve: delta, p and, where known, z
    ARRHENIUS = "arrhenius"  # a first-order reaction: k0 and activation energy
    EQUIVALENT_TIME = "equivalent-time"  # minutes at a reference temperature, held to a target


class Evidence(StrEnum):
    """How well a figure is known."""

    SEEN = "seen"  # read in the publication named, or a table or abstract of it
    SECONDARY = "secondary"  # read where another publication quotes it
    COMPUTED = "computed"  # worked out from figures that were seen
    MEMORY = "from memory"  # recalled and not checked against the publication
    PRACTICE = "common practice, no source"


class Basis(StrEnum):
    """Whose temperature a time-temperature row speaks of."""

    PRODUCT = "product"
    OIL = "oil"
    AIR = "air"
    OVEN = "oven"


_NEEDED: Mapping[Model, tuple[str, ...]] = {
    Model.BIGELOW: ("d_s", "reference_c"),
    Model.WEIBULL: ("delta_s", "p", "reference_c"),
    Model.ARRHENIUS: ("k0_per_s", "activation_j_mol"),
    Model.EQUIVALENT_TIME: ("reference_c", "z_k"),
}
_POSITIVE = ("d_s", "z_k", "delta_s", "p", "k0_per_s", "activation_j_mol", "asymptote", "target")


@dataclass(frozen=True, slots=True)
class DValue:
    """One published decimal reduction time."""

    temp_c: float
    d_s: float
    standard_s: float | None = None


@dataclass(frozen=True, slots=True)
class Kinetics:
    """How one organism or reaction answers to temperature in one matrix.

    ``d_s`` is the decimal reduction time at ``reference_c``; ``z_k`` the rise that makes the rate
    ten times faster, None where no publication gives it (the law then holds at the reference
    temperature alone and must not be integrated over a history). ``delta_s`` and ``p`` are scale
    at ``reference_c`` and shape of the Weibull form. ``asymptote`` is what an extent of 1 stands
    for, in ``asymptote_unit``. ``target`` is the usual aim in ``target_unit`` (``log10``, ``s``,
    ``PU`` or ``1``), None where there is none. ``valid_c`` is the range of temperature the figures
    were measured over. ``organism`` is True where a wrong answer can make someone ill.
    """

    id: str
    agent: str
    matrix: str
    model: Model
    source: str
    evidence: Evidence
    valid_c: tuple[float, float]
    d_s: float | None = None
    reference_c: float | None = None
    z_k: float | None = None
    delta_s: float | None = None
    p: float | None = None
    k0_per_s: float | None = None
    activation_j_mol: float | None = None
    asymptote: float | None = None
    asymptote_unit: str = ""
    target: float | None = None
    target_unit: str = ""
    organism: bool = False
    surrogate: bool = False
    d_values: tuple[DValue, ...] = ()
    z_standard_k: float | None = None
    note: str = ""
    caution: str = ""

    def __post_init__(self) -> None:
        where = f"kinetics {self.id!r}"
        for name in _NEEDED[self.model]:
            if getattr(self, name) is None:
                raise OutOfRange(
                    name, got="missing", expected=f"a number for model {self.model}", where=where
                )
        for name in _POSITIVE:
            value = getattr(self, name)
            if value is not None and not (value > 0 and math.isfinite(value)):
                raise OutOfRange(name, got=value, expected="a finite number above 0", where=where)
        if self.reference_c is not None and not math.isfinite(self.reference_c):
            raise OutOfRange("reference_c", got=self.reference_c, expected="finite", where=where)
        low, high = self.valid_c
        if not low <= high:
            raise OutOfRange("valid_c", got=self.valid_c, expected="(low, high)", where=where)

    @property
    def integrable(self) -> bool:
        """Whether the law can follow a changing temperature."""
        return self.model is Model.ARRHENIUS or self.z_k is not None

    @property
    def d_reference_s(self) -> float | None:
        """Decimal reduction time, or the Weibull scale, whichever the model has."""
        return self.d_s if self.d_s is not None else self.delta_s

    def title(self) -> str:
        """Return agent and matrix in one phrase."""
        return f"{self.agent} in {self.matrix}" if self.matrix else self.agent

    def figures(self) -> str:
        """Return the numbers the law rests on, in one phrase for people."""
        parts: list[str] = []
        if self.d_s is not None:
            parts.append(f"D {_duration(self.d_s)} at {self.reference_c:g} °C")
        elif self.delta_s is not None:
            parts.append(
                f"delta {_duration(self.delta_s)} at {self.reference_c:g} °C, p {self.p:g}"
            )
        elif self.model is Model.EQUIVALENT_TIME:
            parts.append(f"reference {self.reference_c:g} °C")
        if self.z_k is not None:
            parts.append(f"z {self.z_k:g} K")
        if self.k0_per_s is not None and self.activation_j_mol is not None:
            parts.append(f"k0 {self.k0_per_s:g} 1/s, Ea {self.activation_j_mol / 1e3:g} kJ/mol")
        return ", ".join(parts)


def _duration(seconds: float) -> str:
    return f"{seconds / 60:.4g} min" if seconds >= 60 else f"{seconds:.4g} s"


@dataclass(frozen=True, slots=True)
class DwellRow:
    """One row: reach the temperature and stay at or above it for the time."""

    temp_c: float
    time_s: float


@dataclass(frozen=True, slots=True)
class DwellTable:
    """A published table of temperature and time, either of which must be met as printed.

    ``rows`` rise in temperature and never rise in time. A temperature between two rows earns only
    what the lower row earns; below the first row nothing counts. ``basis`` says whose temperature
    the rows mean: only ``product`` rows may be held against a product channel.
    """

    id: str
    title: str
    log_reduction: float | None
    rows: tuple[DwellRow, ...]
    source: str
    evidence: Evidence
    basis: Basis = Basis.PRODUCT
    agent: str = ""
    organism: bool = True
    note: str = ""
    caution: str = ""

    def __post_init__(self) -> None:
        where = f"table {self.id!r}"
        if not self.rows:
            raise OutOfRange("rows", got="none", expected="at least one row", where=where)
        for before, after in zip(self.rows, self.rows[1:], strict=False):
            if not after.temp_c > before.temp_c:
                raise OutOfRange(
                    "rows", got=after.temp_c, expected=f"above {before.temp_c} °C", where=where
                )
            if not after.time_s <= before.time_s:
                raise OutOfRange(
                    "rows", got=after.time_s, expected=f"at most {before.time_s} s", where=where
                )
        for row in self.rows:
            if not (row.time_s >= 0 and math.isfinite(row.time_s) and math.isfinite(row.temp_c)):
                raise OutOfRange(
                    "rows", got=(row.temp_c, row.time_s), expected="finite, time >= 0", where=where
                )

    def required_s(self, temp_c: float) -> float:
        """Return the time asked at a held temperature, infinite below the first row."""
        asked = math.inf
        for row in self.rows:
            if temp_c < row.temp_c:
                break
            asked = row.time_s
        return asked


@dataclass(frozen=True, slots=True)
class ReferenceLibrary:
    """The kinetics and tables at hand, the package's own and the user's."""

    kinetics: Mapping[str, Kinetics] = field(default_factory=dict)
    tables: Mapping[str, DwellTable] = field(default_factory=dict)

    def find_kinetics(self, name: str) -> Kinetics:
        """Return the kinetics of that id.

        Raises
        ------
        UnknownName : if nothing carries it; names those that exist
        """
        try:
            return self.kinetics[name]
        except KeyError:
            raise UnknownName("kinetics", name, known=_nearest(name, self.kinetics)) from None

    def find_table(self, name: str) -> DwellTable:
        """Return the table of that id.

        Raises
        ------
        UnknownName : if nothing carries it; names those that exist
        """
        try:
            return self.tables[name]
        except KeyError:
            raise UnknownName("table", name, known=_nearest(name, self.tables)) from None


def _nearest(name: str, known: Mapping[str, object]) -> tuple[str, ...]:
    return tuple(get_close_matches(name, known, n=6, cutoff=0.5)) or tuple(sorted(known))
