"""Profiles and plans made of plain curves, for the tests of this room."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from ovenwright.analysis.analyse import analyse
from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.kinetics import (
    DwellRow,
    DwellTable,
    Evidence,
    Kinetics,
    Model,
    ReferenceLibrary,
)
from ovenwright.domain.plan import Channel, Plan, Requirement
from ovenwright.domain.profile import Distribution, ErrorTerm, FlagSpan, Profile, Scope
from ovenwright.domain.results import MeasureResult, Results
from ovenwright.domain.run import NS, Mark, MarkKind, Role

TUNNEL: dict[str, Any] = {
    "kind": "tunnel",
    "name": "oven 3",
    "zones": [
        {"name": "one", "length_m": 6.0, "setpoint_c": 210.0},
        {"name": "two", "length_m": 6.0, "setpoint_c": 230.0},
    ],
    "belt_speed_m_min": 1.0,
}
CHAMBER: dict[str, Any] = {
    "kind": "chamber",
    "name": "coatings oven",
    "width_m": 2.0,
    "depth_m": 2.0,
    "height_m": 2.0,
    "setpoint_c": 200.0,
    "tolerance_k": 6.0,
}


def library() -> ReferenceLibrary:
    """Return invented kinetics with round numbers, one of each form."""
    shared: dict[str, Any] = {
        "matrix": "test dough",
        "source": "invented",
        "evidence": Evidence.PRACTICE,
        "valid_c": (50.0, 80.0),
    }
    kinetics = [
        Kinetics("bug", "bug", model=Model.BIGELOW, d_s=60.0, reference_c=70.0, z_k=10.0, **shared),
        Kinetics(
            "tail",
            "bug",
            model=Model.WEIBULL,
            delta_s=30.0,
            p=0.5,
            reference_c=70.0,
            z_k=10.0,
            **shared,
        ),
        Kinetics(
            "held", "bug", model=Model.WEIBULL, delta_s=30.0, p=0.5, reference_c=70.0, **shared
        ),
        Kinetics(
            "colour",
            "colour",
            model=Model.ARRHENIUS,
            k0_per_s=42_000.0,
            activation_j_mol=64_151.0,
            **shared,
        ),
        Kinetics(
            "pu_beer", "beer", model=Model.EQUIVALENT_TIME, reference_c=60.0, z_k=6.947, **shared
        ),
    ]
    table = DwellTable(
        "table",
        "test table",
        7.0,
        (DwellRow(60.0, 600.0), DwellRow(65.0, 200.0), DwellRow(72.0, 0.0)),
        "invented",
        Evidence.PRACTICE,
    )
    return ReferenceLibrary({k.id: k for k in kinetics}, {"table": table})


@dataclass
class Bench:
    """A run under construction."""

    time_s: FloatArray
    curves: dict[str, FloatArray] = field(default_factory=dict)
    facts: dict[str, dict[str, Any]] = field(default_factory=dict)
    terms: dict[str, tuple[ErrorTerm, ...]] = field(default_factory=dict)
    noise_k: dict[str, float] = field(default_factory=dict)
    lag_s: dict[str, float] = field(default_factory=dict)
    spans: list[FlagSpan] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    resolution_k: float = 0.0

    def add(self, name: str, curve: FloatArray, role: Role = Role.CORE, **facts: Any) -> Bench:
        self.curves[name] = curve
        self.facts[name] = {"role": role, "sensor": "T"} | facts
        return self

    def error(
        self,
        name: str,
        standard_k: float,
        *,
        source: str = "class",
        module: str = "",
        distribution: Distribution = Distribution.NORMAL,
    ) -> Bench:
        term = ErrorTerm(
            source,
            Scope.MODULE if module else Scope.CHANNEL,
            module or name,
            np.array([0.0, 300.0]),
            np.array([standard_k, standard_k]),
            distribution,
        )
        self.terms[name] = (*self.terms.get(name, ()), term)
        return self

    def mark(self, kind: MarkKind, at_s: float) -> Bench:
        self.marks.append(Mark(kind, round(at_s * NS)))
        return self

    def profile(self) -> Profile:
        names = list(self.curves)
        temp = np.stack([self.curves[n] for n in names], axis=1)
        n, c = temp.shape
        return Profile(
            run_id="test",
            digest="",
            start_ns=0,
            absolute=False,
            time_zone="UTC",
            time_s=self.time_s,
            channels=tuple(Channel(name=name, **self.facts[name]) for name in names),
            temp_c=temp,
            raw_c=temp,
            flags=np.zeros((n, c), dtype=np.uint32),
            spans=tuple(self.spans),
            errors=tuple(self.terms.get(name, ()) for name in names),
            noise_k=np.array([self.noise_k.get(name, 0.0) for name in names]),
            resolution_k=np.full(c, self.resolution_k),
            lag_s=np.array([self.lag_s.get(name, np.nan) for name in names]),
            interval_s=float(np.median(np.diff(self.time_s))) if self.time_s.size > 1 else 1.0,
            boiling_c=99.97,
            pressure_kpa=101.325,
            marks=tuple(self.marks),
        )

    def plan(
        self,
        requirements: Sequence[Mapping[str, Any]] = (),
        *,
        oven: Mapping[str, Any] = TUNNEL,
        load: tuple[float | None, float | None] | None = None,
        draws: int = 2000,
        product: Mapping[str, Any] | None = None,
        crossings: Sequence[Mapping[str, Any]] = (),
    ) -> Plan:
        start, end = load or (float(self.time_s[0]), float(self.time_s[-1]))
        return Plan.model_validate(
            {
                "title": "test",
                "oven": dict(oven),
                "product": dict(product or {"name": "loaf"}),
                "recording": {"interval_s": 1.0, "load_in_s": start, "load_out_s": end},
                "channels": [{"name": n, **self.facts[n]} for n in self.curves],
                "requirements": [dict(r) for r in requirements],
                "crossings": [dict(c) for c in crossings],
                "decision": {"draws": draws, "seed": 7},
            }
        )

    def results(self, requirements: Sequence[Mapping[str, Any]] = (), **more: Any) -> Results:
        plan = self.plan(requirements, **more)
        return analyse(self.profile(), plan, library())

    def measure(
        self, name: str, parameters: Mapping[str, float | str] | None = None, **more: Any
    ) -> MeasureResult:
        """Return the first result of one requirement; limits are 0 unless told otherwise."""
        wish: dict[str, Any] = {"name": "asked", "measure": name, "parameters": parameters or {}}
        for key in ("on", "at_least", "at_most"):
            if key in more:
                wish[key] = more.pop(key)
        if not {"at_least", "at_most"} & set(wish):
            wish["at_least"] = 0.0
        requirement = Requirement.model_validate(wish)
        return self.results([requirement.model_dump(exclude_none=True)], **more).by_requirement[0][
            0
        ]


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """Return a maker of benches: a time axis from 0 to an end at an interval."""

    def make(end_s: float = 1000.0, interval_s: float = 1.0) -> Bench:
        return Bench(np.arange(0.0, end_s + 0.5 * interval_s, interval_s))

    return make


@pytest.fixture
def reference() -> ReferenceLibrary:
    """Return the invented kinetics."""
    return library()
