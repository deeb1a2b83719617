"""From results to a verdict: the decision rule, combining channels, cautions, what to look at."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ovenwright.domain.arrays import FloatArray
from ovenwright.domain.plan import (
    ChamberOven,
    Channel,
    Combine,
    Decision,
    Plan,
    Product,
    Recording,
    Requirement,
    SensorType,
)
from ovenwright.domain.profile import (
    Distribution,
    ErrorTerm,
    FlagSpan,
    Profile,
    Scope,
    Severity,
)
from ovenwright.domain.results import Event, Found, LaneBalance, MeasureResult, Results, Unit
from ovenwright.domain.run import Role
from ovenwright.domain.verdict import Outcome, Verdict
from ovenwright.errors import OutOfRange
from ovenwright.judgement.combine import take_together
from ovenwright.judgement.judge import judge
from ovenwright.storage.reference_data import read_reference_library

LIBRARY = read_reference_library()
DRAWS = 10_000
RNG = np.random.default_rng(12)
SHAPE = RNG.standard_normal(DRAWS)


def channel(name: str, role: Role = Role.CORE) -> Channel:
    return Channel(name=name, sensor=SensorType.T, role=role, module="A")


def profile(
    channels: Sequence[Channel], temp_c: FloatArray | None = None, **changes: Any
) -> Profile:
    n = 601
    time_s = np.arange(n, dtype=float) * 3.0
    if temp_c is None:
        ramp = np.interp(time_s, [0, 300, 1500, 1800], [25, 30, 98, 97])
        temp_c = np.repeat(ramp[:, np.newaxis], len(channels), axis=1)
    c = len(channels)
    term = ErrorTerm(
        "tolerance class", Scope.CHANNEL, "one", np.array([0.0, 200.0]), np.array([0.3, 0.5]),
        Distribution.RECTANGULAR,
    )  # fmt: skip
    whole = Profile(
        run_id="r1",
        digest="d",
        start_ns=0,
        absolute=True,
        time_zone="UTC",
        time_s=time_s,
        channels=tuple(channels),
        temp_c=temp_c,
        raw_c=temp_c,
        flags=np.zeros((n, c), dtype=np.uint32),
        spans=(),
        errors=((term,),) * c,
        noise_k=np.full(c, 0.05),
        resolution_k=np.full(c, 0.1),
        lag_s=np.full(c, 6.0),
        interval_s=3.0,
        boiling_c=99.97,
        pressure_kpa=101.325,
    )
    return replace(whole, **changes)


def answer(
    name: str | None = "core left",
    value: float = 96.0,
    u: float = 0.5,
    **changes: Any,
) -> MeasureResult:
    result = MeasureResult(
        measure="max_temperature",
        channel=name,
        value=value,
        unit=Unit.CELSIUS,
        samples=value + u * SHAPE,
    )
    return replace(result, **changes)


def need(**changes: Any) -> Requirement:
    return Requirement(
        **({"name": "core", "measure": "max_temperature", "at_least": 93.0} | changes)
    )


def plan_of(*requirements: Requirement, channels: Sequence[Channel], **changes: Any) -> Plan:
    return Plan(
        title="t",
        oven=ChamberOven(kind="chamber", name="o", width_m=1, depth_m=1, height_m=1),
        product=Product(name="p"),
        recording=Recording(interval_s=3.0),
        channels=tuple(channels),
        requirements=requirements,
        **changes,
    )


def judged(
    *pairs: tuple[Requirement, Sequence[MeasureResult]],
    channels: Sequence[Channel] | None = None,
    plan_changes: dict[str, Any] | None = None,
    profile_changes: dict[str, Any] | None = None,
    **results_changes: Any,
) -> Verdict:
    names = dict.fromkeys(a.channel for _, answers in pairs for a in answers if a.channel)
    wired = channels or [channel(n) for n in names] or [channel("core left")]
    events = {
        "load_in": Event(300.0, Found.GIVEN, "given"),
        "load_out": Event(1500.0, Found.GIVEN, "given"),
    }
    results = Results(
        profile=profile(wired, **(profile_changes or {})),
        measures=(),
        by_requirement=tuple(tuple(answers) for _, answers in pairs),
        crossings=(),
        **(events | results_changes),
    )
    plan = plan_of(*(r for r, _ in pairs), channels=wired, **(plan_changes or {}))
    return judge(results, plan, LIBRARY)


# --- one channel --------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "limits", "outcome"),
    [
        (96.0, {"at_least": 93.0}, Outcome.PASS),
        (93.5, {"at_least": 93.0}, Outcome.UNDECIDED),
        (93.0, {"at_least": 93.0}, Outcome.UNDECIDED),
        (92.5, {"at_least": 93.0}, Outcome.UNDECIDED),
        (90.0, {"at_least": 93.0}, Outcome.FAIL),
        (96.0, {"at_least": None, "at_most": 93.0}, Outcome.FAIL),
        (90.0, {"at_least": None, "at_most": 93.0}, Outcome.PASS),
        (94.5, {"at_least": 93.0, "at_most": 96.0}, Outcome.PASS),
        (97.5, {"at_least": 93.0, "at_most": 96.0}, Outcome.FAIL),
    ],
)
def test_the_outcome_follows_value_and_limits(
    value: float, limits: dict[str, float], outcome: Outcome
) -> None:
    verdict = judged((need(**limits), [answer(value=value)]))
    assert verdict.outcome is outcome
    assert verdict.requirements[0].outcome is outcome


def test_numbers_of_a_decision_are_those_of_the_draws() -> None:
    found = judged((need(), [answer(value=93.5)])).requirements[0].deciding
    assert found.probability == pytest.approx(0.8413, abs=0.01)  # one u above the limit
    assert found.standard_uncertainty == pytest.approx(0.5, rel=0.03)
    low, high = found.interval_95
    assert (low, high) == pytest.approx((93.5 - 0.98, 93.5 + 0.98), abs=0.03)
    assert "neither side is sure enough" in found.reason


def test_ten_thousand_draws_do_not_make_certainty() -> None:
    found = judged((need(), [answer(value=150.0)])).requirements[0].deciding
    assert found.probability == pytest.approx(1 - 0.5 / (DRAWS + 1))
    assert "over 99.9 %" in found.reason


def test_more_confidence_than_the_draws_can_show_is_undecided_and_says_so() -> None:
    strict = need(decision=Decision(confidence=0.9999, draws=200))
    few = answer(value=150.0, samples=150.0 + SHAPE[:200])
    found = judged((strict, [few])).requirements[0]
    assert found.outcome is Outcome.UNDECIDED
    assert "200 draws can't show more than" in found.reason
    low = answer(value=20.0, samples=20.0 + SHAPE[:200])
    assert "200 draws" in judged((strict, [low])).requirements[0].reason


def test_a_guard_band_takes_from_the_limit_and_leaves_a_middle() -> None:
    guarded = need(decision=Decision(guard_factor=1.0))
    inside = judged((guarded, [answer(value=93.95)])).requirements[0]
    assert inside.acceptance[0] == pytest.approx(93.0 + 2 * 0.5, abs=0.03)
    assert inside.outcome is Outcome.UNDECIDED
    assert "guard band" in inside.reason
    assert judged((need(), [answer(value=93.95)])).outcome is Outcome.PASS
    assert judged((guarded, [answer(value=94.2)])).outcome is Outcome.PASS
    no_room = need(at_most=93.5, decision=Decision(guard_factor=1.0))
    assert judged((no_room, [answer(value=93.25, u=0.05)])).outcome is Outcome.PASS
    wide = judged((no_room, [answer(value=93.25, u=0.14)])).requirements[0]
    assert wide.outcome is Outcome.UNDECIDED


def test_a_requirement_has_its_own_decision_or_the_plans() -> None:
    plan_wide = {"plan_changes": {"decision": Decision(confidence=0.80)}}
    result = [answer(value=93.5)]
    assert judged((need(), result), **plan_wide).outcome is Outcome.PASS  # type: ignore[arg-type]
    own = need(decision=Decision(confidence=0.99))
    assert judged((own, result), **plan_wide).outcome is Outcome.UNDECIDED  # type: ignore[arg-type]


@given(
    st.floats(80, 110), st.floats(0.001, 5), st.floats(0.5, 0.999), st.floats(0, 3),
    st.floats(85, 100), st.one_of(st.none(), st.floats(0, 20)),
)  # fmt: skip
def test_no_pass_without_probability_and_no_fail_without_either(  # noqa: PLR0917
    value: float, u: float, confidence: float, guard: float, low: float, width: float | None
) -> None:
    requirement = need(
        at_least=low,
        at_most=None if width is None else low + width,
        decision=Decision(confidence=confidence, guard_factor=guard),
    )
    one = judged((requirement, [answer(value=value, u=u)])).requirements[0]
    p = one.deciding.probability
    assert 0 < p < 1
    if one.outcome is Outcome.PASS:
        assert p >= confidence
        assert low <= value <= (math.inf if width is None else low + width)
    if one.outcome is Outcome.FAIL:
        assert p <= 1 - confidence
    if 1 - confidence < p < confidence:
        assert one.outcome is Outcome.UNDECIDED


# --- what can't be evaluated --------------------------------------------------------------------
@pytest.mark.parametrize(
    "changes",
    [
        {"value": math.nan, "reason": "the channel has no readings"},
        {"value": math.nan, "samples": np.zeros(0)},
        {"doubt": "open junction where the maximum lies"},
        {"samples": np.zeros(0)},
        {"samples": np.full(DRAWS, np.nan)},
    ],
)
def test_what_can_not_be_evaluated_never_passes(changes: dict[str, Any]) -> None:
    verdict = judged((need(), [replace(answer(value=120.0), **changes)]))
    assert verdict.outcome is Outcome.UNDECIDED
    assert verdict.requirements[0].deciding.reason


def test_a_doubt_keeps_even_a_clear_fail_open() -> None:
    one = judged((need(), [answer(value=20.0, doubt="wrong sensor type suspected")])).requirements[
        0
    ]
    assert one.outcome is Outcome.UNDECIDED
    assert "wrong sensor type suspected" in one.reason


def test_a_moment_that_never_came_fails_a_time_limit() -> None:
    """Analysis says infinity where a level was never reached; that is an answer, not a gap."""
    never = answer(
        value=math.inf, unit=Unit.SECOND, samples=np.full(DRAWS, np.inf), measure="time_to"
    )
    one = judged((need(at_least=None, at_most=900.0), [never])).requirements[0]
    assert one.outcome is Outcome.FAIL
    guarded = need(at_least=None, at_most=900.0, decision=Decision(guard_factor=1.0))
    assert judged((guarded, [never])).outcome is Outcome.FAIL


def test_draws_that_could_not_be_evaluated_help_neither_side() -> None:
    samples = 96.0 + 0.5 * SHAPE
    samples[: DRAWS // 10] = np.nan
    one = judged((need(), [answer(samples=samples)])).requirements[0]
    assert one.deciding.probability == pytest.approx(0.9, abs=1e-3)
    assert one.outcome is Outcome.UNDECIDED
    assert "1000 of 10000 draws" in one.reason
    low = 80.0 + 0.5 * SHAPE
    low[: DRAWS // 10] = np.nan
    assert judged((need(), [answer(value=80.0, samples=low)])).outcome is Outcome.UNDECIDED


def test_no_channel_and_no_requirement_are_undecided() -> None:
    no_channel = judged((need(), []))
    assert no_channel.outcome is Outcome.UNDECIDED
    assert "no channel" in no_channel.requirements[0].reason
    nothing = judged()
    assert nothing.outcome is Outcome.UNDECIDED
    assert nothing.reasons == ("Nothing was asked: the plan has no requirement.",)


def test_results_of_another_plan_are_refused() -> None:
    results = judged((need(), [answer()])).results
    with pytest.raises(OutOfRange, match="by_requirement"):
        judge(results, plan_of(channels=[channel("core left")]))


# --- several channels ---------------------------------------------------------------------------
GOOD = answer("core left", 97.0)
TIGHT = answer("core centre", 94.3)
OPEN = answer("core right", 93.2)
BAD = answer("core rear", 90.0)
DOUBTED = answer("core front", 97.0, doubt="gap at the maximum")


@pytest.mark.parametrize(
    ("combine", "results", "outcome", "decides"),
    [
        (Combine.WORST, [GOOD, TIGHT], Outcome.PASS, "core centre"),
        (Combine.WORST, [GOOD, OPEN], Outcome.UNDECIDED, "core right"),
        (Combine.WORST, [GOOD, OPEN, BAD], Outcome.FAIL, "core rear"),
        (Combine.WORST, [GOOD, DOUBTED], Outcome.UNDECIDED, "core front"),
        (Combine.WORST, [DOUBTED, BAD], Outcome.FAIL, "core rear"),
        (Combine.EACH, [GOOD, BAD, OPEN], Outcome.FAIL, "core rear"),
        (Combine.EACH, [GOOD, TIGHT], Outcome.PASS, "core centre"),
        (Combine.BEST, [GOOD, BAD], Outcome.PASS, "core left"),
        (Combine.BEST, [OPEN, BAD, DOUBTED], Outcome.UNDECIDED, "core front"),
        (Combine.BEST, [BAD], Outcome.FAIL, "core rear"),
        (Combine.MEAN, [GOOD, BAD], Outcome.UNDECIDED, None),
        (Combine.MEAN, [GOOD, GOOD], Outcome.PASS, None),
        (Combine.MEAN, [GOOD, DOUBTED], Outcome.UNDECIDED, None),
    ],
)
def test_channels_taken_together(
    combine: Combine, results: list[MeasureResult], outcome: Outcome, decides: str | None
) -> None:
    one = judged((need(combine=combine), results)).requirements[0]
    assert one.outcome is outcome
    assert one.deciding.channel == decides
    assert len(one.channels) == len(results)


def test_a_channel_without_a_probability_keeps_the_whole_open() -> None:
    missing = answer("core right", math.nan, reason="not in the run", samples=np.zeros(0))
    one = judged((need(), [GOOD, missing])).requirements[0]
    assert one.outcome is Outcome.UNDECIDED
    assert one.deciding.channel == "core right"
    assert "not in the run" in one.reason
    assert judged((need(combine=Combine.MEAN), [GOOD, missing])).outcome is Outcome.UNDECIDED


def test_the_mean_is_taken_over_draws_that_belong_together_and_is_cautioned() -> None:
    one = judged((need(combine=Combine.MEAN), [GOOD, OPEN])).requirements[0]
    assert one.deciding.value == pytest.approx(95.1)
    # the two share every draw, so the mean is as uncertain as one of them
    assert one.deciding.standard_uncertainty == pytest.approx(0.5, rel=0.03)
    assert any("coldest place decides, never the mean" in c for c in one.cautions)


def test_many_channels_each_sure_enough_may_not_be_so_together() -> None:
    rng = np.random.default_rng(4)
    apart = [
        answer(f"core {i}", 93.9, samples=93.9 + 0.5 * rng.standard_normal(DRAWS)) for i in range(4)
    ]
    one = judged((need(), apart)).requirements[0]
    assert one.outcome is Outcome.PASS
    assert any("at once is 8" in c or "at once is 9" in c for c in one.cautions)
    together = judged((need(), [answer(f"core {i}", 93.9) for i in range(4)])).requirements[0]
    assert not any("at once" in c for c in together.cautions)


# --- overall ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("results", "outcome"),
    [
        ([GOOD, GOOD], Outcome.PASS),
        ([GOOD, OPEN], Outcome.UNDECIDED),
        ([OPEN, BAD], Outcome.FAIL),
    ],
)
def test_the_run_is_as_good_as_its_worst_requirement(
    results: list[MeasureResult], outcome: Outcome
) -> None:
    pairs = [(need(name=f"n{i}"), [r]) for i, r in enumerate(results)]
    verdict = judged(*pairs)
    assert verdict.outcome is outcome
    assert all(reason.endswith(".") for reason in verdict.reasons)
    if outcome is Outcome.FAIL:
        assert verdict.reasons[0].startswith("n1 fails")


# --- what is said beside it ---------------------------------------------------------------------
def lethality(value: float = 20.0, **changes: Any) -> MeasureResult:
    return answer(
        "core left", value, 0.5, unit=Unit.LOG10, measure="log_reduction",
        parameters={"kinetics": "bun_salm"}, **changes,
    )  # fmt: skip


def test_a_food_safety_verdict_says_what_it_rests_on() -> None:
    asked = need(measure="log_reduction", at_least=5.0, safety=True, caution="Own caution.")
    verdict = judged((asked, [lethality(notes=("most of it is earned late",))]))
    one = verdict.requirements[0]
    said = " ".join(one.cautions)
    for part in (
        "Salmonella, three serovars in hamburger bun dough",
        "Channaiah et al. 2016",
        "must be validated for the product",
        "Own caution.",
        "measured from 55 to 61 °C",
        "98.0 °C",
        "extrapolation",
    ):
        assert part in said
    assert one.notes == ("Most of it is earned late.",)
    assert "bun_salm" not in said  # the plan's key is for the plan; people read what it stands for
    assert any("bun_salm" in r for r in one.rests_on)
    assert "licensed practice" in verdict.cautions[0]
    assert any("D 3.14 min at 61 °C, z 6.58 K" in r for r in one.rests_on)


def test_slow_heating_is_cautioned_and_quick_heating_is_not() -> None:
    asked = need(measure="log_reduction", at_least=5.0, safety=True)
    time_s = np.arange(601) * 3.0
    quick = np.interp(time_s, [0, 300, 600, 1800], [25, 30, 98, 97])[:, np.newaxis]
    slow = np.interp(time_s, [0, 300, 1300, 1500], [25, 40, 55, 98])[:, np.newaxis]
    for temp_c, warned in ((quick, False), (slow, True)):
        one = judged((asked, [lethality()]), profile_changes={"temp_c": temp_c}).requirements[0]
        assert any("slow heating" in c for c in one.cautions) is warned


def test_a_kill_beyond_counting_is_said_to_be_that() -> None:
    asked = need(measure="log_reduction", at_least=5.0, safety=True)
    for value, told in ((9.0, False), (172_000.0, True)):
        one = judged((asked, [lethality(value)])).requirements[0]
        assert any("More than 12 log10" in c for c in one.cautions) is told


def test_a_failing_group_measure_is_told_by_its_own_note() -> None:
    group = answer(None, 14.5, 0.5, unit=Unit.KELVIN, notes=("Left is hottest in zone 3.",))
    verdict = judged((need(name="even", at_least=None, at_most=8.0), [group]))
    assert verdict.next_looks[0] == "even: Left is hottest in zone 3."
    bare = judged((need(name="even", at_least=None, at_most=8.0), [replace(group, notes=())]))
    assert "all its channels taken together" in bare.next_looks[0]


def test_an_uneven_surface_is_not_told_where_the_air_is_uneven() -> None:
    air = LaneBalance("zone 3", "air", {"left": 6.0, "right": -6.0}, 12.0, "left", "right")
    surface = LaneBalance("zone 4", "surface", {"left": 6.0, "right": -6.0}, 12.0, "left", "right")
    both = " ".join(judged((need(), [GOOD]), balance=(surface, air)).next_looks)
    assert "zone 3: air" in both
    assert "zone 4" not in both
    alone = " ".join(judged((need(), [GOOD]), balance=(surface,)).next_looks)
    assert "zone 4: surface" in alone


def test_kinetics_of_a_pathogen_are_cautioned_though_the_plan_forgot() -> None:
    one = judged((need(measure="log_reduction", at_least=5.0), [lethality()])).requirements[0]
    assert any("must be validated" in c for c in one.cautions)
    assert any("the plan does not mark this so" in c for c in one.cautions)


def test_kinetics_that_are_not_at_hand_are_still_named() -> None:
    asked = need(measure="log_reduction", at_least=5.0, safety=True)
    unknown = replace(lethality(), parameters={"kinetics": "my_own"})
    one = judged((asked, [unknown])).requirements[0]
    assert any("my_own, which must be validated" in c for c in one.cautions)
    assert one.rests_on == ("kinetics my_own",)


def test_a_table_is_named_and_its_basis_checked() -> None:
    asked = need(measure="dwell_share", at_least=1.0, safety=True)
    share = answer("core left", 2.0, 0.1, unit=Unit.ONE, parameters={"table": "almond_oil_4log"})
    said = " ".join(judged((asked, [share])).requirements[0].cautions)
    assert "almond_oil_4log" in said
    assert "speak of oil temperature, core left feels core" in said
    fitting = replace(share, parameters={"table": "fsis_appA_meat_7"})
    said = " ".join(judged((asked, [fitting])).requirements[0].cautions)
    assert "humidity" in said
    assert "speak of" not in said


# --- what to look at next -----------------------------------------------------------------------
def test_looks_name_the_deciding_channel_the_stretch_and_the_lane() -> None:
    span = FlagSpan("open-junction", "core front", 250.0, 290.0, Severity.BAD,
                    "rail value for 40 s", "re-make the joint", 1)  # fmt: skip
    lane = LaneBalance("zone 3", "air", {"left": 6.0, "right": -6.0}, 12.0, "left", "right")
    even = LaneBalance("zone 1", "air", {"left": 1.0, "right": -1.0}, 2.0, "left", "right")
    verdict = judged(
        (need(name="hot enough"), [BAD]),
        (need(name="safe enough"), [replace(DOUBTED, touched=(span,))]),
        profile_changes={"spans": (span,)},
        balance=(even, lane),
    )
    looks = " ".join(verdict.next_looks)
    for part in (
        "hot enough: look at core rear",
        "safe enough: core front keeps it open (gap at the maximum)",
        "core front, open junction from -0:50 to -0:10, counted from load-in: "
        "rail value for 40 s; re-make the joint.",
        "zone 3: air is colder on the right lane",
    ):
        assert part in looks
    assert "zone 1" not in looks


def test_looks_say_first_that_the_record_may_not_hold_the_whole_process() -> None:
    cut_off = Event(900.0, Found.ASSUMED, "the last reading is taken")
    failed = judged((need(), [BAD]), load_out=cut_off)
    assert failed.next_looks[0].startswith("load-out was not found (the last reading is taken)")
    assert "load-in" not in failed.next_looks[0].split(":")[0]
    passed = judged((need(), [GOOD]), load_out=cut_off)
    assert not any("not found" in k for k in passed.next_looks)


def test_looks_name_what_makes_an_undecided_value_uncertain() -> None:
    verdict = judged((need(), [OPEN]))
    assert any("tolerance class; a calibration certificate" in k for k in verdict.next_looks)


def test_a_clean_pass_names_the_least_to_spare() -> None:
    verdict = judged((need(name="wide"), [GOOD]), (need(name="narrow"), [TIGHT]))
    assert verdict.next_looks == (
        "Nothing stands out; narrow has the least to spare, on core centre.",
    )


def test_the_same_span_kind_is_told_once_a_channel() -> None:
    spans = tuple(
        FlagSpan("spike", "core left", float(i), i + 1.0, Severity.DOUBT, "jump", "", 1)
        for i in range(50)
    )
    verdict = judged((need(), [GOOD]), profile_changes={"spans": spans})
    assert sum("spike" in k for k in verdict.next_looks) == 1


@pytest.mark.parametrize(
    ("limit", "combine", "named"),
    [
        ({"at_least": 40.0}, Combine.WORST, "core right"),
        ({"at_least": None, "at_most": 160.0}, Combine.WORST, "core left"),
        ({"at_least": 140.0}, Combine.WORST, "core right"),
        ({"at_least": 40.0}, Combine.BEST, "core left"),
    ],
)
def test_where_no_draw_tells_channels_apart_their_values_do(
    limit: dict[str, Any], combine: Combine, named: str
) -> None:
    results = [answer("core left", 96.9), answer("core right", 95.6)]
    requirement = need(combine=combine, **limit)
    taken = take_together(results, requirement, Decision())
    assert taken.deciding.channel == named
    assert {c.probability for c in taken.channels} == {taken.deciding.probability}
