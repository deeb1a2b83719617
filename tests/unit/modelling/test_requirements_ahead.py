"""When requirements will be met, on courses whose sums are known exactly."""

import numpy as np
import pytest

from ovenwright.domain.plan import Plan, Requirement
from ovenwright.modelling.forecasting import Outlook, Paths
from ovenwright.modelling.heating import Line
from ovenwright.modelling.requirements_ahead import Goal, goals_of, meeting
from ovenwright.storage.reference_data import read_reference_library
from ovenwright.workflow.demo import demo_plan
from ovenwright.workflow.planning import checked_text

LIBRARY = read_reference_library(None)
PLAN = checked_text(demo_plan("ostrel-tin-bread"), LIBRARY, file="plan")
CORE = next(c.name for c in PLAN.channels if c.role.value == "core")
NOW, HELD_C = 600.0, 65.0
SEEN = Line(CORE, np.arange(0.0, NOW + 1.0, 5.0), np.full(121, HELD_C))


def plan_with(measure: str, least: float, **parameters: float | str) -> Plan:
    asked = Requirement(
        name="asked", measure=measure, on=(CORE,), parameters=dict(parameters), at_least=least
    )
    return PLAN.model_copy(update={"requirements": (asked,)})


def goal(measure: str, least: float, **parameters: float | str) -> Goal:
    goals, others = goals_of(plan_with(measure, least, **parameters), LIBRARY)
    assert not others
    return goals[0]


def outlook(*held_c: float, to_s: float = 7200.0) -> Outlook:
    """Draws that each hold a temperature from now on."""
    time_s = np.repeat(np.geomspace(NOW, to_s, 36)[:, None], len(held_c), axis=1)
    return Outlook(NOW, {CORE: Paths(CORE, time_s, np.tile(held_c, (36, 1)))}, {})


def test_work_of_readings_and_of_what_is_foreseen_adds_up() -> None:
    # 600 s at the reference earn 600 s; ten kelvin above it, with z 10, the rest comes ten times faster
    asked = goal("equivalent_time", 2400.0, reference_c=HELD_C, z_k=10.0)
    told = meeting(asked, SEEN, outlook(75.0), from_s=0.0)
    assert told is not None
    assert told.so_far == pytest.approx(600.0)
    assert told.median_s == pytest.approx(NOW + 1800.0 / 10.0)
    assert not told.met
    assert told.share_that_meets == 1.0


def test_log_reductions_name_kinetics_and_say_that_they_must_be_validated() -> None:
    asked = goal("log_reduction", 5.0, kinetics="bun_salm")
    kinetics = LIBRARY.find_kinetics("bun_salm")
    assert kinetics.d_s is not None
    assert kinetics.reference_c is not None
    assert kinetics.z_k is not None
    pace = 10.0 ** ((HELD_C - kinetics.reference_c) / kinetics.z_k) / kinetics.d_s
    short = Line(CORE, SEEN.time_s[:2], SEEN.temp_c[:2])
    at = outlook(HELD_C)
    told = meeting(asked, short, at, from_s=0.0)
    assert told is not None
    assert told.so_far == pytest.approx(5.0 * pace)
    if told.median_s is not None and not told.met:
        assert told.median_s == pytest.approx(NOW + (5.0 - 5.0 * pace) / pace, rel=1e-6)
    assert kinetics.source in told.rests_on
    assert "validated" in told.rests_on


def test_time_above_and_highest_temperature() -> None:
    above = meeting(goal("time_above", 300.0, level_c=70.0), SEEN, outlook(75.0), from_s=0.0)
    assert above is not None
    assert above.so_far == 0.0
    assert above.median_s == pytest.approx(NOW + 300.0, abs=1.0)
    rising = Outlook(
        NOW,
        {CORE: Paths(CORE, np.array([[NOW], [NOW + 400.0]]), np.array([[HELD_C], [105.0]]))},
        {},
    )
    highest = meeting(goal("max_temperature", 85.0), SEEN, rising, from_s=0.0)
    assert highest is not None
    assert highest.median_s == pytest.approx(NOW + 200.0, abs=1.0)


def test_what_readings_have_met_is_said_with_its_moment() -> None:
    asked = goal("equivalent_time", 300.0, reference_c=HELD_C, z_k=10.0)
    told = meeting(asked, SEEN, Outlook(NOW, {}, {CORE: "silent"}), from_s=0.0)
    assert told is not None
    assert told.met
    assert told.median_s == 300.0
    assert told.interval_90 == (300.0, 300.0)


def test_draws_that_never_meet_it_leave_the_end_open_or_no_moment_at_all() -> None:
    asked = goal("max_temperature", 80.0)
    some = meeting(asked, SEEN, outlook(*(90.0,) * 8, 70.0, 70.0), from_s=0.0)
    assert some is not None
    assert some.open_ended
    assert some.share_that_meets == pytest.approx(0.8)
    none = meeting(asked, SEEN, outlook(90.0, 70.0, 70.0), from_s=0.0)
    assert none is not None
    assert none.median_s is None
    assert none.interval_90 is None
    assert meeting(asked, SEEN, Outlook(NOW, {}, {CORE: "silent"}), from_s=0.0) is None


def test_what_has_no_moment_is_named_with_the_reason() -> None:
    most = Requirement(name="not burnt", measure="max_temperature", on=(CORE,), at_most=99.0)
    end = Requirement(name="hot at the end", measure="end_temperature", on=(CORE,), at_least=93.0)
    goals, others = goals_of(PLAN.model_copy(update={"requirements": (most, end)}), LIBRARY)
    assert goals == ()
    assert "no lower limit" in others["not burnt"]
    assert "when heating has ended" in others["hot at the end"]
