"""A verdict put together by hand, so that the room is tested without the rooms above it."""

import numpy as np
import pytest

from ovenwright.domain.plan import Channel, Decision, Plan, Requirement
from ovenwright.domain.profile import (
    Distribution,
    ErrorTerm,
    FlagSpan,
    Profile,
    Scope,
    Severity,
    Step,
)
from ovenwright.domain.results import (
    BuildUp,
    Crossing,
    Event,
    Found,
    LaneBalance,
    MeasureResult,
    Results,
    Unit,
    ZoneStat,
)
from ovenwright.domain.run import NS, Instrument, Run, Series
from ovenwright.domain.verdict import (
    Budget,
    BudgetLine,
    Decided,
    Outcome,
    RequirementVerdict,
    Verdict,
)
from ovenwright.physics.lethality import equivalent_time

PLAN = {
    "title": "Rye <tin> loaf & oven 3",
    "site": {"name": "Ostrel Bakehouse", "time_zone": "Europe/Riga"},
    "oven": {
        "kind": "tunnel",
        "name": "Oven 3",
        "zones": [{"name": f"zone {i}", "length_m": 6.0, "setpoint_c": 220.0} for i in range(1, 5)],
        "belt_speed_m_min": 0.7,
    },
    "product": {"name": "rye loaf"},
    "recording": {"interval_s": 2.0},
    "channels": [
        {"name": "core left", "sensor": "T", "role": "core", "place": {"lane": "left"}},
        {"name": "core right", "sensor": "T", "role": "core", "place": {"lane": "right"}},
        {"name": "air", "sensor": "T", "role": "air", "place": {"lane": "centre"}},
    ],
}


@pytest.fixture
def plan() -> Plan:
    return Plan.model_validate(PLAN)


@pytest.fixture
def verdict(plan: Plan) -> Verdict:
    time_s = np.arange(0.0, 2400.0, 2.0)
    rise = np.clip(time_s - 240.0, 0.0, None)
    core = 28.0 + 69.0 * (1.0 - np.exp(-((rise / 900.0) ** 2)))
    temp = np.column_stack([core, core - 1.5, 28.0 + 190.0 * (1 - np.exp(-rise / 60.0))])
    temp[500:520, 1] = np.nan
    channels: tuple[Channel, ...] = plan.channels
    span = FlagSpan(
        "gap", "core right", 1000.0, 1040.0, Severity.BAD, "20 readings missing", "look"
    )
    term = ErrorTerm(
        "tolerance class", Scope.CHANNEL, "core left", np.array([0.0, 250.0]), np.array([0.29, 0.58]),
        Distribution.RECTANGULAR,
    )  # fmt: skip
    profile = Profile(
        run_id="2026-03-03-0540-rye-abcd",
        digest="ab" * 32,
        start_ns=1_772_516_400 * NS,
        absolute=True,
        time_zone="Europe/Riga",
        time_s=time_s,
        channels=channels,
        temp_c=temp,
        raw_c=temp,
        flags=np.zeros(temp.shape, np.uint32),
        spans=(span,),
        errors=((term,), (term,), (term,)),
        noise_k=np.full(3, 0.05),
        resolution_k=np.full(3, 0.1),
        lag_s=np.full(3, np.nan),
        interval_s=2.0,
        boiling_c=99.97,
        pressure_kpa=101.325,
        steps=(Step("align", "1"),),
    )
    total = equivalent_time(time_s, temp[:, 0], reference_c=70.0, z_k=7.5)
    samples = np.random.default_rng(1).normal(96.4, 0.42, 500)
    found = MeasureResult("max_temperature", "core left", 96.4321, Unit.CELSIUS, samples)
    need = Requirement(name="core hot enough", measure="max_temperature", at_least=95.0)
    decided = Decided(
        "core left", 96.4321, Unit.CELSIUS, 0.4234, (95.6, 97.26), 0.9996, Outcome.PASS, ""
    )
    short = Decided(
        "core right", float("nan"), Unit.CELSIUS, float("nan"), (float("nan"), float("nan")),
        float("nan"), Outcome.UNDECIDED, "the maximum may lie in the gap",
    )  # fmt: skip
    results = Results(
        profile=profile,
        load_in=Event(240.0, Found.FOUND, "air rises"),
        load_out=Event(2280.0, Found.FOUND, "air falls"),
        measures=(found,),
        by_requirement=((found,),),
        crossings=(
            Crossing(
                "core 60 °C", "core left", 60.0, 960.0, 720.0, 3.4, (713.0, 727.0), 0.353, 4.9
            ),
        ),
        zones=(
            ZoneStat("zone 1", "air", 240.0, 750.0, 180.0, 28.0, 215.0, 215.0, 187.0, 220.0, 255),
        ),
        balance=(
            LaneBalance("zone 3", "core", {"left": 0.75, "right": -0.75}, 1.5, "left", "right"),
        ),
        build_up=(
            BuildUp(
                "equivalent_time", "core left", 70.0, 7.5, time_s, temp[:, 0], total, Unit.SECOND
            ),
        ),
    )
    line = BudgetLine(
        "core left", "tolerance class", "channel", "rectangular", 0.5, 1.732, 0.289, float("inf")
    )
    return Verdict(
        results=results,
        outcome=Outcome.UNDECIDED,
        requirements=(
            RequirementVerdict(
                need,
                Decision(),
                need.combine,
                short,
                (decided, short),
                (95.0, None),
                Outcome.UNDECIDED,
                "core right can't be judged",
                ("NIST Monograph 175",),
                ("validate for the product",),
            ),
        ),
        budgets=(Budget("core left", 96.4, (line,), 0.35, float("inf"), 1.96, 0.69),),
        reasons=("core hot enough can't be decided on core right.",),
        cautions=("validate for the product",),
        next_looks=("look at core right",),
    )


@pytest.fixture
def run(verdict: Verdict) -> Run:
    profile = verdict.results.profile
    time_ns = profile.start_ns + (profile.time_s * NS).astype(np.int64)
    return Run(
        id=profile.run_id,
        series={
            name: Series(time_ns, profile.raw_c[:, j], np.zeros(time_ns.size, np.uint8))
            for j, name in enumerate(profile.names)
        },
        instrument=Instrument(origin=("bake.csv",), origin_sha256=("cd" * 32,)),
        digest=profile.digest,
        sealed_ns=1_772_520_000 * NS,
        time_zone="Europe/Riga",
    )
