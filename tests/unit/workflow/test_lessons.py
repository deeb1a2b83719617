"""Which runs are learnt from, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np

from ovenwright.domain.run import Quality, Run, Series
from ovenwright.modelling.advising import Advice
from ovenwright.modelling.answering import Answered
from ovenwright.modelling.foretelling import Bake
from ovenwright.modelling.responding import Learnt
from ovenwright.modelling.weighing import Choice
from ovenwright.workflow.advising import in_words
from ovenwright.workflow.lessons import Lessons, _once, _Told, _zone_words, answer_words

ZONES = ("front", "middle", "back")


def told(name: str, parent: str = "", sealed: int = 0) -> _Told:
    series = Series(
        time_ns=np.arange(3) * 10**9,
        value_c=np.zeros(3),
        quality=np.full(3, int(Quality.GOOD), dtype=np.uint8),
    )
    run = Run(id=name, series={"air": series}, digest=name, parent_digest=parent, sealed_ns=sealed)
    nothing = cast(Bake, None)
    return _Told(run, None, nothing, {})  # type: ignore[arg-type]


def test_a_run_and_what_was_restated_from_it_count_once_and_the_run_itself_never() -> None:
    runs = [
        told("a", sealed=1),
        told("a again", parent="a", sealed=2),
        told("a third time", parent="a again", sealed=3),
        told("b", sealed=1),
        told("mine", sealed=1),
    ]
    me = told("mine restated", parent="mine", sealed=5).run
    assert {t.run.id for t in _once(runs, me)} == {"a third time", "b"}


def learnt(turned: tuple[int, ...], tells: tuple[int, ...]) -> Learnt:
    return Learnt(0.9 * np.eye(3), 0.05 * np.eye(9), 1.2, 4, turned, tells)


def test_the_answer_says_which_zones_were_learnt_and_which_go_by_default() -> None:
    first, default, wander = _zone_words(learnt((1, 2), (1, 2)), ZONES)
    assert "learnt from 4 runs in which middle and back were changed" in first
    assert "middle 0.90 ± 0.08" in first
    assert default.startswith("front by default")
    assert "no source" in default
    assert "1.2 K, learnt from 4 runs" in wander


def test_zones_turned_together_are_told_apart_from_those_that_were_learnt() -> None:
    words, _ = _zone_words(learnt((0, 1, 2), (0,)), ZONES)
    assert "of middle and back the runs don't tell each zone's own share" in words


def test_runs_set_alike_leave_the_default_and_say_so() -> None:
    first, _ = _zone_words(learnt((), ()), ZONES)
    assert first.startswith("setpoints were alike in all 4 runs")
    assert "no source" in first


def test_what_cores_answer_is_told_with_its_range_or_why_it_is_not_known() -> None:
    felt = np.linspace(0.3, 1.1, 321)
    share = np.exp(-0.5 * ((felt - 0.6) / 0.05) ** 2)
    answered = Answered(felt, share / share.sum(), ("one", "two"))
    words = answer_words(answered, Lessons(None, (), ()))
    assert "60 % of a change" in words
    assert "(52 to 68 % in nine of ten), learnt from 2 other runs" in words
    alone = answer_words(None, Lessons(None, (), ()))
    assert "30 to 110 %" in alone
    assert "one run can't tell" in alone


def test_where_no_setting_helps_none_is_named_as_nearest() -> None:
    none = (0.0, 0.0, 0.0)
    now = Choice("as now", (), (), 0.0, 600.0, none, none, None, 1.0)
    plain = Advice((), now, (), None, ("air alike",), ())
    words = in_words(plain)
    assert words[-1] == "No setting that was tried comes clearly nearer than the present ones."
    helped = in_words(replace(plain, best_try=replace(now, together=0.25)))
    assert helped[-1] == "Nearest to it: as now; all requirements met in 25 % of cases."
